"""Walks without a log and notes of the surface: from the CSV to the page of the month."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from PIL import Image
from survey_drawing import degrees, transects

from carnivore_sign.chain import Analysis, AnalysisOptions, analyse, month
from carnivore_sign.errors import DataWarning
from carnivore_sign.intake import import_files
from carnivore_sign.records.season import create_season

LON, LAT = degrees([(800, 5)])[0]
FILES = {
    # 1.9 mi is 3058 m: the whole of MESA, whose 3000 m are counted once.
    "walks.csv": """walk,date,start,end,transect,observer,distance,began_at,back,logged
Ann 3 March,2026-03-03,07:00,09:00,MESA,Ann,1.9 mi,,no,no
Bo 6 March,2026-03-06,07:00,,MESA,Bo,3 km,start,yes,
Cy 9 March,2026-03-09,07:00,09:00,MESA,Cy,1 km,,,no
Di 10 March,2026-03-10,09:00,07:00,MESA,Di,3 km,,,no
Ed 11 March,2026-03-11,07:00,09:00,MESA,Ed,3 km,,,yes
""",
    "weather.csv": """date,time,transects,surface_state,tracking_quality,keeps_tracks
2026-03-06,06:30,all,blown dust,poor,12 h
""",
    "clearings.csv": """cause,date,time,transects
drag,2026-03-01,07:00,all
""",
    "sign.csv": f"""sign,date,time,lat,lon,kind,named_as,confidence,observer
S1,2026-03-03,07:30,{LAT:.6f},{LON:.6f},track,puma,95 %,Ann
S2,2026-03-20,07:30,{LAT:.6f},{LON:.6f},track,puma,95 %,Ann
""",
}


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    folder = tmp_path_factory.mktemp("walked")
    lines = transects(MESA=[(0, 0), (3000, 0)])
    lines.to_file(folder / "transects.geojson", driver="GeoJSON")
    for name, content in FILES.items():
        (folder / name).write_text(content)
    season = create_season(folder / "season.gpkg", name="Typed", time_zone="America/Los_Angeles")
    receipts = import_files(season, [folder / "transects.geojson", *(folder / n for n in FILES)])
    assert receipts["problem"].isna().all()
    kept = receipts.set_index("table_name")["rows_kept"].to_dict()
    assert {name: kept[name] for name in ("walks", "weather")} == {"walks": 4, "weather": 1}
    (reason,) = season.read("set_aside")["reason"]
    assert reason.startswith("start: after the end: correct the one that is wrong")
    assert reason.endswith("(came: 09:00, and end 07:00)")
    with pytest.warns(DataWarning, match="Cy 9 March: 1000 of 3000 m: say at which end"):
        return analyse(season, AnalysisOptions(region="dry_range"))


def test_typed_distances_are_effort_that_says_so(analysis: Analysis) -> None:
    visits = analysis.visits
    km = visits.groupby("walk")["effort_km"].sum()
    assert km.to_dict() == pytest.approx({"Ann 3 March": 3.0, "Bo 6 March": 1.5}, abs=1e-3)
    assert set(visits["effort_source"]) == {"stated"}
    assert visits["log"].isna().all()


def test_notes_of_the_surface_shorten_the_days_that_it_collected(analysis: Analysis) -> None:
    by = analysis.visits.set_index("walk")
    assert set(by.loc["Bo 6 March", "surface_state"]) == {"blown dust"}
    assert set(by.loc["Bo 6 March", "tracking_quality"]) == {"poor"}
    days = by["effort_km_days"] / by["effort_km"]
    assert days["Ann 3 March"].tolist() == pytest.approx([2.0] * 3)  # since the drag
    assert days["Bo 6 March"].tolist() == pytest.approx([0.5] * 2)  # dust keeps tracks half a day


def test_sign_of_a_walk_without_a_log_counts_against_its_effort(analysis: Analysis) -> None:
    assert analysis.walks["S1"] == "Ann 3 March"
    assert pd.isna(analysis.walks["S2"]), "nobody walked on that day"
    assert analysis.detections["visit"].tolist() == ["Ann 3 March@MESA#001"]
    assert analysis.incidental["sign"].tolist() == ["S2"]


def test_the_month_says_how_much_effort_is_stated(analysis: Analysis, tmp_path: Path) -> None:
    made = month(analysis, "2026-03", tmp_path / "march")
    page = (tmp_path / "march" / "report.html").read_text(encoding="utf-8")
    assert "4.5 km of 4.5 km are stated by those who walked, and not measured by a log" in page
    effort = pd.read_csv(tmp_path / "march" / "tables" / "effort.csv")
    assert effort["stated_km"].sum() == pytest.approx(4.5, abs=1e-3)
    walks = pd.read_csv(tmp_path / "march" / "tables" / "walks.csv")
    assert walks[["walk", "observer", "stated"]].to_numpy().tolist() == [
        ["Ann 3 March", "Ann", True],
        ["Bo 6 March", "Bo", True],
    ]
    with Image.open(made.files["effort of the season"]) as sheet:
        assert sheet.format == "PNG"
        assert sheet.width > 800
    assert json.loads(json.dumps(made.as_dict()))["numbers"]["rates"]["effort_km"] == pytest.approx(
        4.5, abs=1e-3
    )
