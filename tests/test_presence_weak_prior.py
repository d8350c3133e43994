"""The weak prior: the rule of succession, derivatives, and estimates that stay off the edge."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from carnivore_sign.presence import fit_occupancy, histories_from_matrix, profile_limits
from carnivore_sign.presence.fitting import maximise
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.presence.two_states import Evaluation
from carnivore_sign.presence.weak_prior import with_weak_prior


@pytest.mark.parametrize(("seen", "of"), [(0, 5), (3, 7), (4, 4)])
def test_a_binomial_share_follows_the_rule_of_succession(seen: int, of: int) -> None:
    # Laplace's rule: (s + 1) / (n + 2).
    def evaluate(x: np.ndarray) -> Evaluation:
        p = expit(x[0])
        loglik = -seen * np.logaddexp(0, -x[0]) - (of - seen) * np.logaddexp(0, x[0])
        return Evaluation(loglik, np.array([seen - of * p]), np.array([[-of * p * (1 - p)]]))

    end = maximise(with_weak_prior(evaluate, np.array([0])), np.zeros(1))
    assert expit(end.parameters[0]) == pytest.approx((seen + 1) / (of + 2), abs=1e-6)


def test_derivatives_are_those_of_likelihood_and_prior() -> None:
    rows = [[1, 0, 1], [0, 0, 0], [0, 1, 0], [1, 1, 0], [0, 0, 0]]
    histories = histories_from_matrix(pd.DataFrame(rows * 5))
    fit = fit_quietly(histories, weak_prior=True)
    evaluate = fit.model.criterion(fit.model.on(histories).states)
    at = np.array([0.4, -0.7])
    here = evaluate(at)
    for k, step in enumerate(1e-5 * np.eye(2)):
        up, down = evaluate(at + step), evaluate(at - step)
        assert (up.loglik - down.loglik) / 2e-5 == pytest.approx(here.gradient[k], rel=1e-7)
        assert (up.gradient - down.gradient) / 2e-5 == pytest.approx(here.hessian[k], rel=1e-6)
    assert evaluate(fit.parameters).gradient == pytest.approx(0, abs=1e-6)
    assert fit.loglik == fit.model.on(histories).states.evaluate(fit.parameters).loglik
    assert fit.loglik < fit_quietly(histories).loglik


def test_an_estimate_at_the_edge_comes_inside_with_both_limits() -> None:
    histories = histories_from_matrix(pd.DataFrame([[1, 1, 0], [1, 0, 1], [0, 1, 1]] * 4))
    with pytest.warns(UserWarning, match="sits at 1"):
        edge = fit_occupancy(histories)
    assert edge.summary().loc["psi", "high"] == 1.0
    inside = fit_occupancy(histories, weak_prior=True)
    row = inside.summary().loc["psi"]
    assert inside.edges == ()
    assert 0.5 < row["low"] < row["estimate"] < row["high"] < 1.0
    profile = profile_limits(inside).loc["psi"]
    assert profile["low"] < row["estimate"] < profile["high"] < 1.0


def test_with_many_units_the_prior_is_outweighed() -> None:
    matrix = pd.DataFrame([[1, 0, 1], [0, 0, 0], [0, 1, 0], [1, 1, 0], [0, 0, 0]] * 500)
    histories = histories_from_matrix(matrix)
    prior, plain = fit_quietly(histories, weak_prior=True), fit_quietly(histories)
    assert prior.parameters == pytest.approx(plain.parameters, abs=0.02)
