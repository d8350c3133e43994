"""Which quality flags keep a position out of effort: seen and changed, in Python and by command."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

import carnivore_sign as cs
from carnivore_sign.chain.flags import tell_all_flagged
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
    with pytest.warns(DataWarning, match="positions of the 1 log are kept out of effort") as told:
        none = cs.analyse(walked, cs.AnalysisOptions())
    count = len(walked.read("fixes"))
    said = next(str(one.message) for one in told if "kept out" in str(one.message))
    assert said.startswith(f"All {count} positions")
    assert f"by their flags: low_accuracy ({count})" in said
    assert "'carnivore-sign flags'" in said
    assert "--keep-in low_accuracy" in said
    assert not any("km from one" in str(one.message) for one in told)
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


def test_logs_without_times_are_told_so_and_not_that_flags_could_be_counted() -> None:
    matched = pd.DataFrame({"log": ["a", "b", "b"], "state": "no time"})
    flags = pd.Series(["no_time", "no_time;low_accuracy", "no_time;gap"])
    told = tell_all_flagged(matched, flags, {"no_time": "why"})
    assert told == (
        "All 3 positions of the 2 logs are kept out of effort by their flags: no_time (3). "
        "'carnivore-sign flags' says what each means; export the log again with its times."
    )
    some = matched.assign(state=["no time", "off transect", "no time"])
    assert tell_all_flagged(some, flags, {"no_time": "why"}) is None
