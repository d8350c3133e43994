"""Shares of the taxa among a season's trails: recovered, and no surer than the trails allow."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from carnivore_sign.errors import InputError
from carnivore_sign.identify import estimate_shares

PRIOR = {"puma": 0.1, "dog": 0.6, "coyote": 0.3}


def drawn_trails(
    shares: list[float], count: int, seed: int, *, separation: float = 2.0
) -> tuple[pd.DataFrame, np.ndarray]:
    """Draw trails of three taxa, each with one measure that tells them apart by `separation`."""
    rng = np.random.default_rng(seed)
    taxon = rng.choice(3, size=count, p=shares)
    measure = rng.standard_normal(count) + separation * taxon
    centres = separation * np.arange(3)
    scores = -0.5 * (measure[:, None] - centres) ** 2
    return pd.DataFrame(scores, columns=list(PRIOR)), taxon


def posterior(evidence: pd.DataFrame, prior: dict[str, float] | pd.Series) -> pd.DataFrame:
    """Bayes by hand, for taxa that are not all of the vocabulary."""
    joint = np.exp(evidence) * pd.Series(dict(prior))
    return joint.div(joint.sum(axis=1), axis=0)


def test_without_trails_the_regions_prior_stays() -> None:
    shares = estimate_shares(pd.DataFrame(columns=list(PRIOR), dtype=float), PRIOR)
    assert shares.to_dict() == pytest.approx(PRIOR)


def test_many_trails_outweigh_the_prior() -> None:
    evidence, taxon = drawn_trails([0.5, 0.3, 0.2], 3000, seed=1)
    truth = np.bincount(taxon, minlength=3) / 3000
    assert estimate_shares(evidence, PRIOR).to_numpy() == pytest.approx(truth, abs=0.03)


def test_sums_of_probabilities_agree_with_the_truth_where_a_fixed_prior_falls_short() -> None:
    errors = {"fixed": [], "learnt": []}
    for seed in range(30):
        evidence, taxon = drawn_trails([0.35, 0.4, 0.25], 150, seed=100 + seed)
        for name, prior in (("fixed", PRIOR), ("learnt", estimate_shares(evidence, PRIOR))):
            told = posterior(evidence, prior)["puma"].sum()
            errors[name].append(told - (taxon == 0).sum())
    middle = {name: np.mean(error) for name, error in errors.items()}
    spread = np.std(errors["learnt"]) / np.sqrt(30)
    assert middle["fixed"] < -5  # of about 52 trails
    assert abs(middle["learnt"]) < 2.5 + 3 * spread


def test_it_is_the_maximum_that_a_general_optimiser_finds() -> None:
    # scipy.optimize on the same weighted likelihood, two taxa: one free share.
    evidence, _ = drawn_trails([0.5, 0.5, 0.0], 60, seed=3)
    two = evidence[["puma", "dog"]]
    prior = {"puma": 0.2, "dog": 0.8}

    def loss(share: float) -> float:
        mixed = share * np.exp(two["puma"]) + (1 - share) * np.exp(two["dog"])
        behind = 20 * (0.2 * np.log(share) + 0.8 * np.log(1 - share))
        return -np.log(mixed).sum() - behind

    best = minimize_scalar(loss, bounds=(1e-6, 1 - 1e-6), method="bounded", options={"xatol": 1e-9})
    assert estimate_shares(two, prior)["puma"] == pytest.approx(best.x, abs=1e-5)


@given(
    st.lists(st.lists(st.floats(-50, 0), min_size=3, max_size=3), min_size=1, max_size=8),
    st.floats(0.5, 50),
)
def test_shares_are_shares(rows: list[list[float]], prior_trails: float) -> None:
    evidence = pd.DataFrame(rows, columns=list(PRIOR))
    shares = estimate_shares(evidence, PRIOR, prior_trails=prior_trails)
    assert shares.sum() == pytest.approx(1)
    assert shares.between(0, 1).all()


def test_a_taxon_the_region_has_not_stays_out() -> None:
    evidence = pd.DataFrame({"puma": [-1.0, -1.0], "wolf": [0.0, 0.0], "dog": [-1.0, -1.0]})
    shares = estimate_shares(evidence, {"puma": 0.5, "dog": 0.5, "wolf": 0.0})
    assert shares["wolf"] == 0


def test_a_prior_that_counts_for_nothing_is_refused() -> None:
    with pytest.raises(InputError, match="above 0"):
        estimate_shares(pd.DataFrame({"puma": [0.0]}), {"puma": 1.0}, prior_trails=0)
