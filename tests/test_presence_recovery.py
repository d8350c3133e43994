"""Recovery: over seeded surveys with known truth, the estimates and their limits are right."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_signs, draw_visits
from scipy.special import expit
from scipy.stats import binom

from carnivore_sign.presence import Histories, OccupancyFit
from carnivore_sign.presence.occupancy import fit_quietly

SIGNS = {"psi": 0.4, "rate": 0.35, "lookalike_rate": 0.5, "units": 120, "visits": 4}


def require_cover(inside: list[bool], level: float = 0.95) -> None:
    """Hold the number of limits that cover within the central 99.9 % of its binomial."""
    low, high = binom.ppf([0.0005, 0.9995], len(inside), level)
    assert low <= sum(inside) <= high, f"{sum(inside)} of {len(inside)} cover"


def cover(fit: OccupancyFit, name: str, truth: float) -> bool:
    row = fit.summary().loc[name]
    return bool(row["low"] <= truth <= row["high"])


def test_repeat_visits_are_recovered() -> None:
    rng = np.random.default_rng(2031)
    fits = [
        fit_quietly(draw_visits(rng, psi=0.5, p=0.35, units=120, visits=5)[0]) for _ in range(120)
    ]
    for name, truth in (("psi", 0.5), ("p", 0.35)):
        require_cover([cover(fit, name, truth) for fit in fits])
        estimates = np.array([fit.summary().loc[name, "estimate"] for fit in fits])
        assert abs(estimates.mean() - truth) < 4 * estimates.std() / np.sqrt(len(fits))


def test_the_share_of_these_units_is_recovered() -> None:
    rng = np.random.default_rng(77)
    inside = []
    for _ in range(60):
        histories, used = draw_visits(rng, psi=0.5, p=0.3, units=60, visits=4)
        share = fit_quietly(histories).share_used(draws=800)
        inside.append(share.low <= used.mean() <= share.high)
    require_cover(inside)


@pytest.fixture(scope="module")
def scored() -> list[tuple[Histories, np.ndarray, OccupancyFit]]:
    rng = np.random.default_rng(404)
    surveys = [draw_signs(rng, **SIGNS) for _ in range(80)]
    return [
        (histories, used, fit_quietly(histories, model="scored_signs"))
        for histories, used in surveys
    ]


def test_scored_signs_are_recovered(
    scored: list[tuple[Histories, np.ndarray, OccupancyFit]],
) -> None:
    for name, truth in (("psi", 0.4), ("sign_rate", 0.35), ("lookalike_rate", 0.5)):
        require_cover([cover(fit, name, truth) for _, _, fit in scored])
        estimates = np.array([fit.summary().loc[name, "estimate"] for _, _, fit in scored])
        assert abs(estimates.mean() - truth) < 4 * estimates.std() / np.sqrt(len(scored))


TRUTH = np.array([np.log(0.4 / 0.6), np.log(0.35), np.log(0.5)])


def test_at_the_true_rates_the_posteriors_of_the_units_are_calibrated(
    scored: list[tuple[Histories, np.ndarray, OccupancyFit]],
) -> None:
    told = np.concatenate([_at_truth(fit) for _, _, fit in scored])
    true = np.concatenate([used for _, used, _ in scored])
    for low, high in ((0, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.0)):
        here = (told >= low) & (told < high)
        error = np.sqrt(told[here].mean() * (1 - told[here].mean()) / here.sum())
        assert abs(true[here].mean() - told[here].mean()) < 3.5 * error


def test_the_limits_of_a_units_posterior_hold_what_the_true_rates_would_say(
    scored: list[tuple[Histories, np.ndarray, OccupancyFit]],
) -> None:
    # Limits of one survey move together, so the share over surveys is held loosely.
    held = []
    for _, _, fit in scored:
        table, truth = fit.posterior(), _at_truth(fit)
        held.append(table["p_presence_low"].le(truth) & table["p_presence_high"].ge(truth))
    assert 0.90 <= np.mean(held) <= 0.99


def _at_truth(fit: OccupancyFit) -> np.ndarray:
    return expit(fit.model.on(fit.histories).states.log_odds(TRUTH)[0])


def test_ignoring_doubt_biases_presence_upward_and_the_scores_do_not(
    scored: list[tuple[Histories, np.ndarray, OccupancyFit]],
) -> None:
    ignoring, weighing = [], []
    for histories, _, fit in scored[:40]:
        likely = histories.visits.assign(found=(histories.visits["grade"] >= 1).astype(int))
        plain = fit_quietly(Histories(histories.units, likely, histories.signs, "puma"))
        ignoring.append(plain.summary().loc["psi", "estimate"])
        weighing.append(fit.summary().loc["psi", "estimate"])
    error = np.std(weighing) / np.sqrt(len(weighing))
    assert abs(np.mean(weighing) - 0.4) < 4 * error
    assert np.mean(ignoring) - 0.4 > 0.1
    assert np.mean(ignoring) - 0.4 > 5 * np.std(ignoring) / np.sqrt(len(ignoring))


def test_the_kept_table_says_what_it_should() -> None:
    """500 surveys a model: what is unbiased and covers, and what is not."""
    folder = Path(__file__).parent / "benchmarks"
    table = pd.read_csv(folder / "recovery_occupancy.csv").set_index(["case", "parameter"])
    assert table["sets"].eq(500).all()
    assert table.index.get_level_values("case").nunique() == 12
    biased = table.index[(table["bias"].abs() > 3.5 * table["error"])]
    assert sorted(biased) == [
        ("line, 120 lines x 14 segments", "psi"),
        ("line, 250 lines x 12, scored signs", "psi"),
        ("scored signs, 120 units x 4", "psi"),
    ]
    assert table.loc[biased, "bias"].between(0, 0.04).all()
    wide = table.index[table["cover"] > 0.97]
    assert sorted(wide) == [
        ("line, 120 lines x 14 segments", "psi"),
        ("neighbours, 40 lines x 12, scored signs", "likeness"),
        ("scored signs, 120 units x 4", "psi"),
    ]
    assert table["cover"].between(0.93, 0.98).all()


def test_the_kept_table_of_the_bayesian_form_is_calibrated() -> None:
    """200 surveys drawn from the priors, with an effect of place: the truth's ranks are even."""
    folder = Path(__file__).parent / "benchmarks"
    bayes = pd.read_csv(folder / "calibration_bayes.csv").set_index("parameter")
    assert bayes["surveys"].eq(200).all()
    assert set(bayes.index) == {
        "psi", "colonisation", "extinction", "sign_rate", "lookalike_rate", "effect_spread",
    }  # fmt: skip
    assert ((bayes["mean_rank"] - 0.5).abs() < 3 * bayes["mean_error"]).all()
    assert (bayes["p_even"] > 0.005).all()
    assert bayes["cover"].between(0.9, 0.99).all()
