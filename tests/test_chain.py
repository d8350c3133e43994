"""The chain: every step from the same frames, nothing lost on the way, pages made again alike."""

from __future__ import annotations

import datetime as dt
import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from chain_examples import analysed, drawn_season
from shapely import Point

from carnivore_sign import AnalysisOptions, analyse, answer, month, run_demo
from carnivore_sign.chain import Analysis
from carnivore_sign.chain.answer import safe_name
from carnivore_sign.chain.outputs import plain, write_csv
from carnivore_sign.errors import DataWarning, InputError, NothingSurveyed
from carnivore_sign.presence import make_histories
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.season import create_season, open_season
from carnivore_sign.records.tables import DETECTIONS, SEGMENTS, TRAILS, VISITS
from carnivore_sign.records.vocabularies import TAXA

PROBABILITIES = [f"p_{taxon}" for taxon in TAXA]


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analysed(7, tmp_path_factory.mktemp("chain"))[0]


def test_what_travels_keeps_to_its_schema(analysis: Analysis) -> None:
    for frame, table in (
        (analysis.segments, SEGMENTS),
        (analysis.visits, VISITS),
        (analysis.trails, TRAILS),
        (analysis.detections, DETECTIONS),
    ):
        assert find_faults(frame, table).empty, table.name


def test_doubt_is_carried_to_the_end_and_sums_to_one(analysis: Analysis) -> None:
    for frame in (analysis.probabilities, analysis.trails, analysis.detections):
        assert frame[PROBABILITIES].sum(axis=1).to_numpy() == pytest.approx(1.0)
    of_trail = analysis.trails.set_index("trail")["p_puma"]
    carried = analysis.detections["p_puma"].to_numpy()
    assert carried == pytest.approx(of_trail[analysis.detections["trail"]].to_numpy())
    histories = make_histories(analysis.visits, analysis.detections, prior=analysis.prior)
    assert len(histories.signs) == len(analysis.detections)


def test_no_sign_is_lost(analysis: Analysis) -> None:
    recorded = analysis.season.read("sign")["sign"]
    assert sorted(analysis.members["sign"]) == sorted(recorded)
    placed = set(analysis.detections["trail"]) | set(analysis.incidental["trail"])
    assert placed == set(analysis.trails["trail"])


def test_the_same_season_gives_the_same_files(analysis: Analysis, tmp_path: Path) -> None:
    day = dt.date(2026, 5, 2)
    first = month(analysis, "2026-03", tmp_path / "a", made_on=day)
    again = analyse(open_season(analysis.season.path), analysis.options)
    second = month(again, "2026-03", tmp_path / "b", made_on=day)
    assert first.numbers == second.numbers
    for what in ("map", "report (HTML)", "report (PDF)", "table segments"):
        assert first.files[what].read_bytes() == second.files[what].read_bytes(), what


def test_the_prior_is_that_of_the_season_or_of_the_region_as_asked(analysis: Analysis) -> None:
    taken = analyse(analysis.season, AnalysisOptions(region="dry_range", learn_prior=False))
    pd.testing.assert_series_equal(taken.prior, taken.evidence.prior)
    assert analysis.prior["puma"] > taken.prior["puma"]  # pumas are many in the drawn country
    assert analysis.trails["p_puma"].sum() > taken.trails["p_puma"].sum()


def test_sign_that_nobody_can_place_is_left_out_with_a_warning(tmp_path: Path) -> None:
    season, _ = drawn_season(8, tmp_path)
    lost = gpd.GeoDataFrame(
        {
            "receipt": ["r"], "sign": ["LOST"], "kind": ["track"], "waypoint": ["NOWHERE"],
            "time": pd.to_datetime(["2026-02-20T16:00Z"]),
        },
        geometry=[None], crs="EPSG:4326",
    )  # fmt: skip
    season.append({"sign": lost})
    with pytest.warns(DataWarning, match="LOST"):
        analysis = analyse(season, AnalysisOptions(region="dry_range"))
    assert analysis.unplaced["sign"].tolist() == ["LOST"]
    assert "LOST" not in set(analysis.members["sign"])


def test_a_month_without_walks_is_refused_and_names_those_with(
    analysis: Analysis, tmp_path: Path
) -> None:
    with pytest.raises(NothingSurveyed, match=r"2026-12.*2026-02, 2026-03, 2026-04"):
        month(analysis, "2026-12", tmp_path)


def test_an_incident_is_answered_without_a_verdict(analysis: Analysis, tmp_path: Path) -> None:
    (name,) = analysis.season.read("incidents")["incident"]
    made = answer(analysis, name, tmp_path / "answer", made_on=dt.date(2026, 5, 2))
    page = made.files["answer (HTML)"].read_text(encoding="utf-8").lower()
    assert "wildlife agency" in page
    for verdict in ("it was a puma", "it was the puma", "may be killed", "shoot"):
        assert verdict not in page
    with pytest.raises(InputError, match=f"It has: {name}"):
        answer(analysis, "none such", tmp_path)


def test_an_incident_in_a_month_without_walks_is_still_answered(
    analysis: Analysis, tmp_path: Path
) -> None:
    season = analysis.season
    late = gpd.GeoDataFrame(
        {
            "receipt": ["r"], "incident": ["LATE"],
            "last_seen_well": pd.to_datetime(["2026-09-01T01:00Z"]),
            "found": pd.to_datetime(["2026-09-02T15:00Z"]), "livestock": ["sheep"], "count": [2],
        },
        geometry=[Point(-129.0, 33.0)], crs="EPSG:4326",
    )  # fmt: skip
    season.append({"incidents": late})
    made = answer(analysis, "LATE", tmp_path / "late")
    page = made.files["answer (HTML)"].read_text(encoding="utf-8")
    assert "Nobody looked" in page


@pytest.mark.parametrize(
    ("choice", "words"),
    [
        ({"taxon": "dragon"}, "Use one of"),
        ({"segment_length_m": 0.0}, "above 0"),
        ({"tolerance_m": float("nan")}, "above 0"),
    ],
)
def test_an_impossible_choice_is_refused(choice: dict, words: str) -> None:
    with pytest.raises(InputError, match=words):
        AnalysisOptions(**choice)


def test_a_taxon_goes_by_any_of_its_names() -> None:
    assert AnalysisOptions(taxon="Mountain lion").taxon == "puma"


def test_cells_that_a_spreadsheet_would_run_are_made_harmless(tmp_path: Path) -> None:
    table = pd.DataFrame({"notes": ["=1+1", "plain", "@x", None], "number": [-1.5, 2, 3, 4]})
    path = write_csv(tmp_path / "tables", {"t": table})["table t"]
    back = pd.read_csv(path)
    assert back["notes"].tolist()[:3] == ["'=1+1", "plain", "'@x"]
    assert back["number"].tolist() == [-1.5, 2, 3, 4]


def test_tables_have_one_form_of_time_and_short_numbers(tmp_path: Path) -> None:
    table = gpd.GeoDataFrame(
        {
            "time": pd.to_datetime(["2026-03-04T16:05:00.123Z", None], utc=True, format="ISO8601"),
            "p": [0.1234567891, 1e-9 / 3],
            "metres": [1234567.891, np.nan],
            "longitude_deg": [-118.12345678912, 0.0],
        },
        geometry=[Point(-118.123456789123, 34.0), None], crs="EPSG:4326",
    )  # fmt: skip
    lines = write_csv(tmp_path / "tables", {"t": table})["table t"].read_text().splitlines()
    assert lines[1] == (
        "2026-03-04T16:05:00Z,0.123457,1234568.0,-118.1234568,POINT (-118.1234568 34)"
    )
    assert lines[2] == ",3.33333e-10,,0.0,"


@pytest.mark.parametrize(
    ("name", "safe"), [("I1", "I1"), ("../../etc", "etc"), ("a b/c", "a_b_c"), ("..", "unnamed")]
)
def test_names_of_folders_stay_in_their_folder(name: str, safe: str) -> None:
    assert safe_name(name) == safe


def test_missing_numbers_are_null_for_a_machine() -> None:
    assert plain({"a": float("nan"), "b": [pd.NaT, pd.NA, 1]}) == {"a": None, "b": [None, None, 1]}


#: A run in which any look at the network is an error.
_OFFLINE = """
import datetime, json, sys

def bar(event, arguments):
    if event.startswith(("socket.", "urllib.", "http.", "ftplib.", "smtplib.")):
        raise PermissionError(f"the network was asked for: {event} {arguments}")

sys.addaudithook(bar)
from carnivore_sign import run_demo
made = run_demo(sys.argv[1], made_on=datetime.date(2026, 5, 2))
print(json.dumps(made.as_dict()))
"""


def without_network() -> list[str]:
    """Return the words that run a command on a machine without a network, where that is allowed."""
    words = ["unshare", "--map-root-user", "--net"]
    try:
        allowed = subprocess.run([*words, "true"], check=False, capture_output=True).returncode == 0
    except FileNotFoundError:
        return []
    return words if allowed else []


def test_the_demo_runs_without_a_network_and_holds_the_truth(tmp_path: Path) -> None:
    words = [*without_network(), sys.executable, "-c", _OFFLINE, str(tmp_path / "demo")]
    made = subprocess.run(words, check=False, capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    told = json.loads(made.stdout)
    held = pd.DataFrame(told["numbers"]["against_truth"])
    assert held["inside"].sum() >= len(held) - 1
    assert all(Path(path).is_file() for path in told["files"].values())


def test_the_demo_never_writes_into_a_season_of_ones_own(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    own = create_season(tmp_path / "mine" / "season.gpkg", name="Mine", time_zone="UTC")
    with pytest.raises(InputError, match="your own season"):
        run_demo(tmp_path / "mine")
    assert own.read("logs").empty
