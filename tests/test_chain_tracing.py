"""The way of a print: photographed, traced on its page, taken in, measured, weighed, reported."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from tracing_drawing import PUMA, Tracer, straight_down, take_photo

from carnivore_sign.cli import main
from carnivore_sign.identify import join_traced, load_evidence
from carnivore_sign.records.season import open_season

PLACES = [(37.400 + step / 2000, -119.200 - step / 2000) for step in range(21)]
SIGN = """sign,date,time,lat,lon,kind,surface
S14,2026-02-14,08:05,37.405,-119.205,track,dust
"""


def notebook(folder: Path) -> list[str]:
    """Write a season of one walk along one transect, with one track of which nothing was noted."""
    line = [[lon, lat] for lat, lon in PLACES]
    road = {"type": "Feature", "properties": {"transect": "Ember Road"},
            "geometry": {"type": "LineString", "coordinates": line}}  # fmt: skip
    points = "".join(
        f'<trkpt lat="{lat}" lon="{lon}"><time>2026-02-14T16:{minute:02d}:00Z</time></trkpt>'
        for minute, (lat, lon) in enumerate(PLACES)
    )
    texts = {
        "road.geojson": json.dumps({"type": "FeatureCollection", "features": [road]}),
        "walk.gpx": f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>",
        "sign.csv": SIGN,
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return [str(folder / name) for name in texts]


def test_a_photographed_print_is_traced_taken_in_weighed_and_reported(
    page: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season, photo = tmp_path / "season.gpkg", tmp_path / "IMG 12.png"
    zone = ["--zone", "America/Los_Angeles"]
    assert main(["intake", str(season), *zone, *notebook(tmp_path)]) == 0
    take_photo(photo, PUMA, straight_down)
    assert main(["trace", str(photo), "--sign", "S14", "--out", str(tmp_path / "t.html")]) == 0
    page.goto((tmp_path / "t.html").as_uri())
    page.wait_for_selector("body[data-ready]")
    tracer = Tracer(page)
    tracer.settle()
    tracer.set_ruler()
    tracer.trace_all(PUMA, step=2)
    saved = tracer.save(tmp_path)
    capsys.readouterr()
    assert main(["intake", str(season), str(saved)]) == 0
    assert "outlines: 5 read, 5 kept" in capsys.readouterr().out

    held = open_season(season)
    (traced,) = join_traced(held.read("prints"), held.read("outlines")).to_dict("records")
    assert (traced["sign"], traced["print_no"]) == ("S14", 1)
    assert traced["length_mm"] == pytest.approx(88.0, rel=0.02)

    out = tmp_path / "february"
    words = ["month", str(season), "2026-02", "--out", str(out), "--region", "dry_range"]
    assert main(words) == 0
    with (out / "tables" / "trails.csv").open(encoding="utf-8") as file:
        (trail,) = csv.DictReader(file)
    # nothing else was noted, so that without outlines it would be what the region has
    assert float(trail["p_puma"]) > max(0.8, load_evidence("dry_range").prior["puma"] + 0.3)
    assert trail["print_count"] == "1"
    assert any(one.suffix == ".html" and "S14" in one.read_text("utf-8") for one in out.iterdir())
