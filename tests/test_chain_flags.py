"""Which quality flags keep a position out of effort: seen and changed, in Python and by command."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import carnivore_sign as cs
from carnivore_sign.cli import main
from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.records.vocabularies import FIX_FLAGS

ROAD = (
    '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": '
    '{"transect": "MESA"}, "geometry": {"type": "LineString", "coordinates": '
    "[[-119.2, 37.4], [-119.19, 37.4]]}}]}"
)


@pytest.fixture
def walked(season: cs.Season, tmp_path: Path) -> cs.Season:
    """Return a season with one road, walked once by a receiver that states 80 m of accuracy."""
    points = "".join(
        f'<trkpt lat="37.4" lon="{-119.2 + step * 1e-4:.4f}">'
        f"<time>2026-02-14T15:{step * 10 // 60:02d}:{step * 10 % 60:02d}Z</time>"
        "<hdop>16</hdop></trkpt>"
        for step in range(100)
    )
    (tmp_path / "road.geojson").write_text(ROAD)
    (tmp_path / "walk.gpx").write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>")
    cs.import_files(season, [tmp_path / "road.geojson", tmp_path / "walk.gpx"])
    assert season.read("fixes")["flags"].eq("low_accuracy").all()
    return season


def test_the_table_names_every_flag_with_its_meaning_and_why() -> None:
    table = cs.flag_table().set_index("flag")
    assert table["meaning"].to_dict() == dict(FIX_FLAGS)
    assert set(table["effort"]) == {"left out", "counted"}
    assert table["why"].str.len().gt(10).all()


def test_the_table_changes_with_the_options() -> None:
    options = cs.AnalysisOptions(leave_out=("gap",), keep_in=("low_accuracy",))
    before, after = cs.flag_table().set_index("flag"), cs.flag_table(options).set_index("flag")
    changed = before.index[before["effort"].ne(after["effort"])].tolist()
    assert sorted(changed) == ["gap", "low_accuracy"]
    assert after.loc["gap", ["effort", "why"]].tolist() == ["left out", "left out, as was asked"]
    assert after.loc["low_accuracy", "why"] == "counted, as was asked"


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"leave_out": ("fog",)}, "there is no flag 'fog'"),
        ({"leave_out": ("gap",), "keep_in": ("gap",)}, "'gap' is to be left out and"),
    ],
)
def test_flags_that_make_no_sense_are_refused(options: dict, told: str) -> None:
    with pytest.raises(InputError, match=told):
        cs.AnalysisOptions(**options)


def test_effort_follows_the_table(walked: cs.Season) -> None:
    with pytest.warns(DataWarning, match="None of the 1 logs follows a transect"):
        none = cs.analyse(walked, cs.AnalysisOptions())
    some = cs.analyse(walked, cs.AnalysisOptions(keep_in=("low_accuracy",)))
    assert len(none.visits) == 0
    assert some.visits["effort_km"].sum() == pytest.approx(0.88, abs=0.02)
    again = cs.analyse(
        walked, cs.AnalysisOptions(keep_in=("low_accuracy",), leave_out=("antimeridian",))
    )
    assert again.visits["effort_km"].sum() == some.visits["effort_km"].sum()


def test_the_command_shows_the_table_and_changes_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["flags"]) == 0
    assert "low_accuracy: left out" in capsys.readouterr().out
    assert main(["flags", "--json", "--keep-in", "low_accuracy", "--leave-out", "gap, jump"]) == 0
    told = {row["flag"]: row["effort"] for row in json.loads(capsys.readouterr().out)["flags"]}
    assert (told["low_accuracy"], told["gap"], told["jump"]) == ("counted", "left out", "left out")
    assert main(["flags", "--leave-out", "fog"]) == 2
    assert "there is no flag 'fog'" in capsys.readouterr().err


def test_the_month_by_command_follows_the_table_and_prints_the_change(
    walked: cs.Season, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["month", str(walked.path), "2026-02", "--region", "dry_range", "--out"]
    assert main([*words, str(tmp_path / "some"), "--keep-in", "low_accuracy"]) == 0
    pages = [page.read_text(encoding="utf-8") for page in (tmp_path / "some").rglob("*.html")]
    assert any("positions counted all the same" in page for page in pages)
    capsys.readouterr()
    assert main([*words, str(tmp_path / "none")]) == 2
    assert "No segment was walked" in capsys.readouterr().err
