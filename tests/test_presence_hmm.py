"""The chain against hmmlearn, a general-purpose library of hidden Markov models."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_months
from scipy.special import expit, logit

from carnivore_sign.presence.occupancy import fit_quietly

hmm = pytest.importorskip("hmmlearn.hmm")


@pytest.fixture(scope="module")
def both() -> tuple[float, np.ndarray, float, np.ndarray]:
    """Return log-likelihood and smoothed presence, theirs and ours, at the same parameters."""
    psi, gain, loss, p = 0.35, 0.2, 0.3, 0.6
    histories, _ = draw_months(
        np.random.default_rng(6), psi=0.4, colonisation=0.2, extinction=0.3, p=0.5,
        units=30, months=7, visits=2,
    )  # fmt: skip
    found = histories.visits.sort_values(["unit", "period"])["found"].to_numpy().reshape(-1, 2)
    pattern = 2 * found[:, :1] + found[:, 1:]
    model = hmm.CategoricalHMM(n_components=2, n_features=4)
    model.startprob_ = np.array([1 - psi, psi])
    model.transmat_ = np.array([[1 - gain, gain], [loss, 1 - loss]])
    model.emissionprob_ = np.array([[1, 0, 0, 0], [(1 - p) ** 2, p * (1 - p), p * (1 - p), p**2]])
    with np.errstate(divide="ignore"):
        score, smoothed = model.score_samples(pattern, lengths=[7] * 30)
    fit = fit_quietly(histories, chain="months")
    states = fit.model.on(fit.histories).states
    at = logit([psi, gain, loss, p])
    ours = pd.DataFrame(fit.histories.units).assign(w=expit(states.log_odds(at)[0]))
    ours = ours.sort_values(["unit", "period"])["w"].to_numpy()
    return score, smoothed[:, 1], states.evaluate(at).loglik, ours


def test_the_forward_pass_is_that_of_hmmlearn(both: tuple) -> None:
    theirs, _, ours, _ = both
    assert ours == pytest.approx(theirs, abs=1e-10)


def test_smoothed_presence_is_that_of_hmmlearn(both: tuple) -> None:
    _, theirs, _, ours = both
    assert ours == pytest.approx(theirs, abs=1e-10)
