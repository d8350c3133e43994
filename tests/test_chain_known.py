"""The user's own known prints in the chain: a test of the observers, and a collection."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chain_examples import drawn_season

from carnivore_sign.chain import AnalysisOptions, analyse
from carnivore_sign.chain.known import evidence_of, observers_of
from carnivore_sign.chain.outputs import page_choices
from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.identify import load_evidence
from carnivore_sign.records.season import Season


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return drawn_season(12, tmp_path_factory.mktemp("known"))[0]


def write_test(path: Path, observers: list[str], *, wrong: float) -> Path:
    """Write the answers of observers who name puma and dog, wrong so often."""
    rng = np.random.default_rng(4)
    rows = [
        {"observer": name, "print": number, "taxon": truth, "named_as": said, "confidence": 0.9}
        for name in observers
        for number, truth in enumerate(["puma", "dog"] * 60)
        for said in [truth if rng.random() > wrong else {"puma": "dog", "dog": "puma"}[truth]]
    ]
    pd.DataFrame(rows).to_csv(path, index=False)
    return path


def test_a_test_of_the_observers_moves_what_their_word_is_worth(
    season: Season, tmp_path: Path
) -> None:
    walkers = list(season.read("logs")["observer"].unique())
    spread = {}
    for skill, wrong in (("good", 0.02), ("guessing", 0.5)):
        path = write_test(tmp_path / f"{skill}.csv", walkers, wrong=wrong)
        told = analyse(season, AnalysisOptions(region="dry_range", observer_test=str(path)))
        named = told.sign["named_as"].notna() & ~told.sign["sign"].isin(told.prints["sign"])
        alone = told.probabilities.loc[told.sign.loc[named, "sign"], "p_puma"]
        spread[skill] = float(alone.std())
        assert path.name in page_choices(told).settings.values()
    assert spread["good"] > 2 * spread["guessing"]


def test_a_collection_moves_the_likelihood_ratios(tmp_path: Path) -> None:
    path = tmp_path / "known.csv"
    rows = [{"taxon": "puma", "claws": "fine_apart", "animal": f"P{n}"} for n in range(80)]
    pd.DataFrame([*rows, {"taxon": "cat", "claws": "none", "animal": "?"}]).to_csv(
        path, index=False
    )
    with pytest.warns(DataWarning, match="1 rows were left out.*'cat' is not known"):
        moved = evidence_of(AnalysisOptions(collection=str(path)))
    shipped = load_evidence("general").characters.loc[("claws", "fine_apart"), "puma"]
    assert moved.characters.loc[("claws", "fine_apart"), "puma"] > 2 * shipped


def test_without_known_prints_nothing_moves() -> None:
    options = AnalysisOptions(region="dry_range")
    assert evidence_of(options) is load_evidence("dry_range")
    assert observers_of(options, load_evidence("dry_range")) is None


def test_files_that_are_not_there_are_named(tmp_path: Path) -> None:
    gone = str(tmp_path / "gone.csv")
    with pytest.raises(InputError, match=r"gone\.csv"):
        evidence_of(AnalysisOptions(collection=gone))
    with pytest.raises(InputError, match=r"gone\.csv"):
        observers_of(AnalysisOptions(observer_test=gone), load_evidence("general"))
