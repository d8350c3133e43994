"""Doubts: what is possible and hard to believe is told, and never refused."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import pytest

from carnivore_sign.chain import analyse, summarise_import
from carnivore_sign.errors import DataWarning
from carnivore_sign.intake import doubtful_rows, import_files, orphan_prints
from carnivore_sign.records.season import Season

LOG = (
    '<gpx><trk><trkseg><trkpt lat="37.4" lon="-119.2"><time>2026-02-14T15:40:00Z</time></trkpt>'
    '<trkpt lat="37.41" lon="-119.21"><time>2026-02-14T16:40:00Z</time></trkpt>'
    "</trkseg></trk></gpx>"
)
TRANSECT = (
    '{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"transect":"T1"},'
    '"geometry":{"type":"LineString","coordinates":[[-119.2,37.4],[-119.21,37.41]]}}]}'
)
SIGN = """sign,date,time,lat,lon,kind
good,2026-02-14,08:00,37.405,-119.205,scat
future,2126-02-14,08:00,37.405,-119.205,scat
old,2016-02-14,08:00,37.405,-119.205,scat
near,2026-03-15,08:00,37.405,-119.205,scat
mirror,2026-02-14,08:00,37.405,119.205,scat
south,2026-02-14,08:00,-37.405,-119.205,scat
away,2026-02-14,08:00,37.405,-121.205,scat
bare,2026-02-14,08:00,,,scat
"""
NOW = pd.Timestamp("2026-11-01", tz="UTC")


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text)
    return path


def told(season: Season) -> dict[str, str]:
    rows = doubtful_rows(season, now=NOW)
    return dict(zip(rows["name"], rows["doubt"], strict=True))


def test_times_and_places_are_held_against_the_logs_in_any_order(
    season: Season, tmp_path: Path
) -> None:
    import_files(season, [write(tmp_path, "s.csv", SIGN)])
    assert set(told(season)) == {"future"}  # nothing to compare with yet
    import_files(season, [write(tmp_path, "w.gpx", LOG)])
    doubts = told(season)
    assert set(doubts) == {"future", "old", "mirror", "south", "away"}
    assert doubts["future"] == "dated in the future (2126-02-14)"
    days = (pd.Timestamp("2026-02-14T15:40Z") - pd.Timestamp("2016-02-14T16:00Z")).days + 1
    assert f"{days} days from the nearest log" in doubts["old"]
    assert doubts["mirror"].endswith("is the minus of the longitude missing?")
    assert doubts["south"].endswith("is the minus of the latitude missing?")
    assert doubts["away"].endswith("is the place right?")
    # Source: the distance on the ellipsoid as PROJ computes it; a sphere is within 0.6 percent.
    line = pyproj.Geod(ellps="WGS84").inv(-119.21, 37.41, -121.205, 37.405)[2] / 1000
    assert float(doubts["away"].split()[0]) == pytest.approx(line, rel=0.015)
    assert len(season.read("sign")) == 8


def test_swapped_coordinates_are_guessed_where_both_are_possible(
    season: Season, tmp_path: Path
) -> None:
    log = LOG.replace("-119", "-19")
    swapped = "incident,found,lat,lon\nL1,2026-02-14 09:00,-19.205,37.405\n"
    files = [write(tmp_path, "i.csv", swapped), write(tmp_path, "w.gpx", log)]
    receipts = import_files(season, files).set_index("table_name")
    assert "row 2, L1: " in receipts.loc["incidents", "notes"]
    assert "are lat and lon swapped?" in receipts.loc["incidents", "notes"]
    assert pd.isna(receipts.loc["logs", "notes"])


def test_the_summary_shows_the_doubts_of_this_import(season: Season, tmp_path: Path) -> None:
    files = [write(tmp_path, "s.csv", SIGN), write(tmp_path, "t.geojson", TRANSECT)]
    receipts = import_files(season, files)
    (line,) = [one for one in summarise_import(season, receipts).lines() if "minus" in one]
    assert line.startswith("  note, s.csv: ")
    assert "row 6, mirror: " in line
    again = import_files(season, [write(tmp_path, "w.gpx", LOG)])
    assert not any("mirror" in one for one in summarise_import(season, again).lines())


def test_the_nearest_of_many_logs_counts(season: Season, tmp_path: Path) -> None:
    chance = np.random.default_rng(3)
    starts = pd.Timestamp("2025-01-01", tz="UTC") + pd.to_timedelta(
        np.sort(chance.integers(0, 600, 12)), unit="D"
    )
    spans = [(start, start + pd.Timedelta(days=int(chance.integers(0, 40)))) for start in starts]
    for number, (start, end) in enumerate(spans):
        log = LOG.replace("2026-02-14T15:40", f"{start:%Y-%m-%dT%H:%M}")
        log = log.replace("2026-02-14T16:40", f"{end:%Y-%m-%dT%H:%M}")
        import_files(season, [write(tmp_path, f"w{number}.gpx", log)])
    days = [pd.Timestamp("2024-10-01T12:00Z") + pd.Timedelta(days=day) for day in range(0, 760, 9)]
    rows = [f"{number},{day:%Y-%m-%dT%H:%MZ},scat" for number, day in enumerate(days)]
    import_files(season, [write(tmp_path, "s.csv", "\n".join(["sign,time,kind", *rows]))])
    far = pd.Timedelta(days=30)
    wanted = {
        str(number)
        for number, day in enumerate(days)
        if all(day < start - far or day > end + far for start, end in spans)
    }
    assert wanted
    assert set(told(season)) == wanted


def test_prints_of_sign_that_is_not_there_are_kept_and_told(season: Season, tmp_path: Path) -> None:
    prints = "sign,print,length_mm\nGHOST,1,82\nGHOST,2,81\ngood,1,80\nG00D,1,80\n"
    receipts = import_files(season, [write(tmp_path, "p.csv", prints)])
    assert receipts["rows_kept"].item() == 4
    assert orphan_prints(season)["prints"].tolist() == [2, 1, 1]
    receipts = import_files(season, [write(tmp_path, "s.csv", SIGN.replace("near", "goood"))])
    orphans = orphan_prints(season).set_index("sign")
    assert orphans["prints"].to_dict() == {"GHOST": 2, "G00D": 1}
    assert orphans.loc["GHOST", "source_row"] == 2
    lines = summarise_import(season, receipts).lines()
    assert any("3 prints belong to sign that the season does not have: GHOST (2), G00D (1)" in line
               for line in lines)  # fmt: skip
    near = prints.replace("G00D", "Goodd")
    import_files(season, [write(tmp_path, "p2.csv", near.replace("GHOST", "x"))])
    assert orphan_prints(season).set_index("sign").loc["Goodd", "similar"] in ("good", "goood")
    gpx = import_files(season, [write(tmp_path, "w.gpx", LOG)])
    assert not any("prints belong" in line for line in summarise_import(season, gpx).lines())


def test_an_analysis_warns_of_prints_without_their_sign(season: Season, tmp_path: Path) -> None:
    first = "\n".join(SIGN.splitlines()[:2])
    files = [
        write(tmp_path, "w.gpx", LOG),
        write(tmp_path, "t.geojson", TRANSECT),
        write(tmp_path, "s.csv", first),
    ]
    import_files(season, files)
    with warnings.catch_warnings():
        warnings.simplefilter("error", DataWarning)
        analyse(season)
    import_files(season, [write(tmp_path, "p.csv", "sign,print\nGHOST,1\n")])
    with pytest.warns(DataWarning, match=r"1 prints belong to sign .* GHOST \(1\)"):
        analyse(season)
