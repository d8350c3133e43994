"""The whole chain recovers what was simulated: rates and occupancy lie inside their limits."""

from __future__ import annotations

import pandas as pd
import pytest
from chain_examples import analysed
from scipy.stats import binom

from carnivore_sign.demo import against_truth

SEEDS = range(400, 412)


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    """Analyse a dozen drawn seasons and hold each number against its truth."""
    told = []
    for seed in SEEDS:
        analysis, truth = analysed(seed, tmp_path_factory.mktemp(f"season{seed}"))
        told.append(against_truth(analysis, truth).assign(seed=seed))
    return pd.concat(told, ignore_index=True)


@pytest.mark.parametrize(
    "what",
    [
        "trails found per km and day of collecting",
        "share of walked segments used",
        "trails found per km and day where used",
    ],
)
def test_the_truth_lies_inside_95_percent_limits_about_95_percent_of_the_time(
    held: pd.DataFrame, what: str
) -> None:
    rows = held[held["what"].eq(what)]
    # Fewer hits than this would come of honest 95 % limits once in a thousand times. The months
    # of one season share a fit, so that they count as one for the share.
    of = len(SEEDS) if what.startswith("share") else len(rows)
    hits = rows["inside"].mean() * of
    assert len(rows) >= len(SEEDS)
    assert hits >= binom.ppf(0.001, of, 0.95)


def test_limits_are_no_wider_than_they_need_be(held: pd.DataFrame) -> None:
    # With some twenty trails a month a Poisson count has limits of about -40 % to +55 %.
    rates = held[held["what"].eq("trails found per km and day of collecting")]
    width = (rates["high"] - rates["low"]) / rates["estimate"]
    assert 0.5 < width.median() < 1.5
    shares = held[held["what"].eq("share of walked segments used")]
    assert (shares["high"] - shares["low"]).median() < 0.6


def test_estimates_follow_the_truth_without_a_large_bias(held: pd.DataFrame) -> None:
    # Passages of one animal along one road within a few days cannot always be told apart, so
    # that linking joins some of them; the bound says how much of that is let pass.
    error = (held["estimate"] - held["truth"]) / held["truth"]
    middle = error.groupby(held["what"]).mean()
    assert middle.abs().max() < 0.2
