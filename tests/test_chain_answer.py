"""The landowner's answer through the chain: carcasses, contacts, what is new, and how often."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chain_examples import drawn_season

from carnivore_sign.chain import (
    Analysis,
    AnalysisOptions,
    AnswerPage,
    agency_from_file,
    analyse,
    answer,
    landowner_answer,
)
from carnivore_sign.chain.changes import EARLIER
from carnivore_sign.errors import InputError
from carnivore_sign.incidents import IncidentWindow, share_within_window
from carnivore_sign.intake import import_files
from carnivore_sign.records.season import Season

DAY = dt.date(2026, 5, 2)
OPTIONS = AnalysisOptions(region="dry_range")
CARCASSES = """incident,carcass,bleeding,bite place,canine spacing (mm),jaw,covered,examiner,photo
{incident},1,yes,neck or head,46,upper,yes,Warden,far.jpg
{incident},2,not visible,throat,,,no,Warden,
"""


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Season, Path]:
    return drawn_season(11, tmp_path_factory.mktemp("season"))


@pytest.fixture(scope="module")
def season(drawn: tuple[Season, Path]) -> Season:
    return drawn[0]


@pytest.fixture(scope="module")
def analysis(season: Season) -> Analysis:
    return analyse(season, OPTIONS)


def name_of(season: Season) -> str:
    return str(season.read("incidents")["incident"].iloc[0])


def with_carcasses(season: Season, folder: Path) -> Season:
    path = folder / "carcasses.csv"
    path.write_text(CARCASSES.format(incident=name_of(season)), encoding="utf-8")
    import_files(season, [path])
    return season


def test_carcasses_reach_the_answer_and_a_later_answer_says_what_is_new(
    season: Season, analysis: Analysis, tmp_path: Path
) -> None:
    out = tmp_path / "answer"
    name = name_of(season)
    page = AnswerPage(agency="Agency of the Invented Country, 555 0100", made_by="A. Reader")
    bare = answer(analysis, name, out, page=page, made_on=DAY)
    first = (out / "answer.html").read_text(encoding="utf-8")
    assert "cannot be told from the survey" in first
    assert "What is new since" not in first
    assert "555 0100" in first
    assert "A. Reader" in first

    analysis = analyse(with_carcasses(season, tmp_path), OPTIONS)
    told = answer(analysis, name, out, page=page, made_on=DAY)
    second = (out / "answer.html").read_text(encoding="utf-8")
    assert "What is new since the last answer" in second
    assert "carcasses.csv" in second
    chance = {row["cause"]: row["probability"] for row in told.numbers["explanations"]}
    before = {row["cause"]: row["probability"] for row in bare.numbers["explanations"]}
    assert chance["puma"] > before["puma"]
    assert sum(chance.values()) == pytest.approx(1)
    assert "wolf" not in chance  # the region has none
    assert (out / "tables" / "explanations.csv").is_file()

    pdf = (out / "answer.pdf").read_bytes()
    answer(analysis, name, out, page=page, made_on=DAY)
    assert (out / "answer.html").read_text(encoding="utf-8") == second
    assert (out / "answer.pdf").read_bytes() == pdf


def test_a_damaged_earlier_answer_is_passed_over(
    season: Season, analysis: Analysis, tmp_path: Path
) -> None:
    (tmp_path / EARLIER).write_text("{not json", encoding="utf-8")
    answer(analysis, name_of(season), tmp_path, made_on=DAY)
    assert "What is new" not in (tmp_path / "answer.html").read_text(encoding="utf-8")
    assert json.loads((tmp_path / EARLIER).read_text(encoding="utf-8"))["changes"] == []


def test_the_answer_is_an_object_before_it_is_a_page(season: Season, analysis: Analysis) -> None:
    found = landowner_answer(analysis, name_of(season), within_m=4000)
    near = found.findings.segments
    assert found.passages is not None
    visits = found.analysis.visits
    walked = visits[visits["segment"].isin(near["segment"])]
    assert found.passages.whole["effort_km"] == pytest.approx(walked["effort_km"].sum())
    assert found.passages.by_month["effort_km"].sum() == pytest.approx(walked["effort_km"].sum())
    assert found.findings.blank.low <= found.findings.blank.probability
    tried = set(found.findings.explanations.by_prior["prior"])
    assert "the same, with who is about here that month" in tried


def test_the_landowners_tables_name_no_walker(
    season: Season, analysis: Analysis, tmp_path: Path
) -> None:
    answer(analysis, name_of(season), tmp_path, made_on=DAY)
    walkers = set(season.read("logs")["observer"].dropna())
    assert walkers
    for path in (tmp_path / "tables").glob("*.csv"):
        told = path.read_text(encoding="utf-8")
        assert not [name for name in walkers if name in told], path.name


def true_times(analysis: Analysis, truth: Path) -> pd.DataFrame:
    """Return the trails with the time at which the animal really passed, by their sign."""
    made = pd.read_csv(truth / "trails.csv", parse_dates=["made"]).set_index("trail")["made"]
    passage = pd.read_csv(truth / "sign_truth.csv").set_index("sign")["trail"]
    own = analysis.members.assign(passage=analysis.members["sign"].map(passage))
    most = own.groupby("trail")["passage"].agg(lambda names: names.mode().iloc[0])
    return analysis.trails.assign(made=analysis.trails["trail"].map(most).map(made))


def test_stated_probabilities_of_the_time_of_making_come_true(
    drawn: tuple[Season, Path], analysis: Analysis
) -> None:
    """Hold the share within drawn windows against when drawn animals really passed."""
    trails = true_times(analysis, drawn[1])
    rng = np.random.default_rng(3)
    first, last = trails["time"].min() - pd.Timedelta(days=8), trails["time"].max()
    told = []
    for _ in range(400):
        start = first + (last - first) * rng.random()
        window = IncidentWindow(start, start + pd.Timedelta(hours=float(rng.uniform(6, 72))))
        near = trails[trails["time"].between(start, window.end + pd.Timedelta(days=14))]
        share = share_within_window(
            near["made_after"], near["made_before"], window,
            found=near["time"], wiped=near["wiped"],
        )  # fmt: skip
        hit = near["made"].gt(start) & near["made"].le(window.end)
        told.append(pd.DataFrame({"share": share, "hit": hit}))
    rows = pd.concat(told).dropna()
    edges = [-1, 0, 0.025, 0.1, 0.3, 0.5, 0.7, 0.9, 1.1]
    by = rows.groupby(pd.cut(rows["share"], edges), observed=True)
    bins = by.agg(count=("hit", "size"), stated=("share", "mean"), true=("hit", "mean"))
    assert len(bins) == 8
    assert bins["count"].min() > 100
    assert bins["true"].iloc[0] == 0  # the record rules these out, and nothing else does
    assert (bins["stated"] - bins["true"]).abs().max() < 0.1
    outside = (rows["share"] > 0) & (rows["share"] <= 0.025)
    assert rows.loc[outside, "hit"].mean() < 0.025


def test_contacts_come_from_a_small_file(tmp_path: Path) -> None:
    path = tmp_path / "contacts.csv"
    path.write_text(
        "region,agency,telephone\ndry_range,Dry Range Warden,555 0101\nall,Office,555 0102\n",
        encoding="utf-8",
    )
    assert agency_from_file(path, "dry_range") == "Dry Range Warden, 555 0101"
    assert agency_from_file(path, "general") == "Office, 555 0102"
    pd.DataFrame({"region": ["north"], "agency": ["X"]}).to_csv(path, index=False)
    with pytest.raises(InputError, match="no column telephone"):
        agency_from_file(path, "general")
    path.write_text("region,agency,telephone\nnorth,X,1\n", encoding="utf-8")
    with pytest.raises(InputError, match="no row for the region 'general'"):
        agency_from_file(path, "general")
    with pytest.raises(InputError, match="cannot be read"):
        agency_from_file(tmp_path / "none.csv", "general")
