"""Fit checks, profile and bootstrap limits, and comparing models."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_months, draw_visits
from scipy.special import expit
from scipy.stats import binom

from carnivore_sign.errors import InputError
from carnivore_sign.presence import (
    Histories,
    bootstrap_limits,
    check_fit,
    compare_fits,
    fit_occupancy,
    histories_from_matrix,
    predict_averaged,
    profile_limits,
)
from carnivore_sign.presence.drawing import survey_of
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.presence.pearson import chi_square


def with_covariates(rng: np.random.Generator, units: int = 200) -> Histories:
    x, w = rng.normal(10, 3, units), rng.normal(0, 1, units * 4)
    survey, _ = draw_visits(
        rng, psi=expit(-3 + 0.35 * x), p=expit(-0.4 + 0.5 * w), units=units, visits=4
    )
    noise = rng.normal(size=units)
    return Histories(
        survey.units.assign(x=x, noise=noise), survey.visits.assign(w=w), survey.signs, "puma"
    )


def test_chi_square_against_the_list_of_all_histories() -> None:
    matrix = pd.DataFrame(
        [[1, 0, 1], [0, 0, 0], [0, 1, None], [1, 0, 1], [0, 0, None], [0, 0, 1], [1, 1, 1]]
    )
    histories = histories_from_matrix(matrix)
    units = histories.units.assign(x=[0.3, -1.0, 0.5, 0.2, 1.1, -0.4, 0.0])
    visits = histories.visits.assign(w=np.linspace(-1, 1, len(histories.visits)))
    full = Histories(units, visits, histories.signs, "puma")
    fit = fit_quietly(full, presence=["x"], detection=["w"])
    point = np.array([0.2, 0.4, -0.3, 0.6])
    states = fit.model.on(full).states
    psi = expit(states.psi_matrix @ point[:2])
    p = expit(states.given.p_matrix @ point[2:])
    total = 0.0
    for size in (2, 3):
        cohort = [u for u in range(7) if (states.given.layout.site == u).sum() == size]
        for history in itertools.product([0, 1], repeat=size):
            observed, expected = 0, 0.0
            for unit in cohort:
                rows = np.flatnonzero(states.given.layout.site == unit)
                observed += int((states.given.found[rows] == history).all())
                chance = np.where(history, p[rows], 1 - p[rows]).prod()
                expected += psi[unit] * chance + (1 - psi[unit]) * (not any(history))
            total += (observed - expected) ** 2 / expected
    survey = replace(survey_of(fit), parameters=point)
    assert chi_square(survey) == pytest.approx(total, abs=1e-9)


def test_a_survey_from_the_model_passes_and_one_of_uneven_units_does_not() -> None:
    rng = np.random.default_rng(21)
    good, _ = draw_visits(rng, psi=0.6, p=0.4, units=150, visits=6)
    check = check_fit(fit_occupancy(good), replicates=200)
    assert check.p_value > 0.02
    assert check.overdispersion == pytest.approx(1, abs=0.35)
    assert (check.replicates, check.message) == (200, "")
    uneven = np.repeat(rng.choice([0.08, 0.9], 150), 6)
    bad, _ = draw_visits(rng, psi=0.8, p=uneven, units=150, visits=6)
    fit = fit_occupancy(bad)
    told = check_fit(fit, replicates=200)
    assert told.p_value < 0.02
    assert told.overdispersion > 1.3
    wide, narrow = fit.summary(overdispersion=told.overdispersion), fit.summary()
    assert wide["se"].to_numpy() == pytest.approx(
        narrow["se"].to_numpy() * np.sqrt(told.overdispersion)
    )
    assert (wide["low"] < narrow["low"]).all()
    assert fit.summary(overdispersion=0.5).equals(narrow)


def test_p_values_of_surveys_from_the_model_are_spread_evenly() -> None:
    rng = np.random.default_rng(22)
    values = [
        check_fit(
            fit_quietly(draw_visits(rng, psi=0.5, p=0.4, units=80, visits=4)[0]),
            replicates=39,
            rng=rng,
        ).p_value
        for _ in range(40)
    ]
    low, high = binom.ppf([0.0005, 0.9995], 40, 0.5)
    assert low <= np.sum(np.array(values) < 0.5) <= high
    assert np.sum(np.array(values) < 0.05) <= binom.ppf(0.9995, 40, 0.05)


def test_a_weak_check_says_so() -> None:
    few, _ = draw_visits(np.random.default_rng(23), psi=0.5, p=0.3, units=80, visits=2)
    assert "sees little" in check_fit(fit_occupancy(few), replicates=20).message


def test_profile_limits_are_where_the_likelihood_has_fallen() -> None:
    # The 39-site example: the profile of psi is maximised over p by a fine grid.
    matrix = np.zeros((39, 5))
    for site, finds in enumerate([1] * 10 + [2] * 5 + [3] * 2 + [4]):
        matrix[site, :finds] = 1
    fit = fit_occupancy(histories_from_matrix(pd.DataFrame(matrix)))
    limits = profile_limits(fit)
    p = np.linspace(0.001, 0.9, 200_001)

    def profile(psi: float) -> float:
        blank = 21 * np.log(psi * (1 - p) ** 5 + 1 - psi)
        return float((18 * np.log(psi) + 30 * np.log(p) + 60 * np.log1p(-p) + blank).max())

    top = fit.loglik - 0.5 * 3.841458820694124
    assert profile(limits.loc["psi", "low"]) == pytest.approx(top, abs=1e-5)
    assert profile(limits.loc["psi", "high"]) == pytest.approx(top, abs=1e-5)
    assert limits["estimate"].to_numpy() == pytest.approx(fit.summary()["estimate"].astype(float))


def test_profile_limits_of_coefficients_are_in_the_callers_units() -> None:
    histories = with_covariates(np.random.default_rng(24))
    fit = fit_occupancy(histories, presence=["x"], detection=["w"])
    limits, wald = profile_limits(fit), fit.summary()
    # Near the parabola the two kinds of limit are close.
    for name in limits.index:
        width = wald.loc[name, "high"] - wald.loc[name, "low"]
        assert limits.loc[name, "low"] == pytest.approx(wald.loc[name, "low"], abs=0.12 * width)
        assert limits.loc[name, "high"] == pytest.approx(wald.loc[name, "high"], abs=0.12 * width)


def test_a_limit_that_is_not_set_is_the_end_of_the_range() -> None:
    everywhere = histories_from_matrix(pd.DataFrame(np.tile([1.0, 1.0, 0.0], (15, 1))))
    limits = profile_limits(fit_quietly(everywhere))
    assert limits.loc["psi", "high"] == 1
    assert 0.6 < limits.loc["psi", "low"] < 0.95


def test_bootstrap_limits_are_near_those_of_the_profile() -> None:
    histories, _ = draw_visits(np.random.default_rng(25), psi=0.5, p=0.45, units=150, visits=5)
    fit = fit_occupancy(histories)
    drawn, profile = bootstrap_limits(fit, replicates=400), profile_limits(fit)
    for side in ("low", "high"):
        assert drawn[side].to_numpy(dtype=float) == pytest.approx(
            profile[side].to_numpy(), abs=0.025
        )


def test_models_are_ranked_and_weighed() -> None:
    histories = with_covariates(np.random.default_rng(26))
    fits = {
        "constant": fit_quietly(histories),
        "right": fit_quietly(histories, presence=["x"], detection=["w"]),
        "noise": fit_quietly(histories, presence=["noise"], detection=["w"]),
    }
    table = compare_fits(fits)
    assert table.index[0] == "right"
    assert table["weight"].sum() == pytest.approx(1)
    assert table.loc["right", "criterion"] == pytest.approx(fits["right"].aicc)
    by_hand = np.exp(-0.5 * (fits["constant"].aicc - fits["right"].aicc))
    assert table.loc["constant", "weight"] / table.loc["right", "weight"] == pytest.approx(by_hand)
    k, n = 5, 200
    quasi = compare_fits(fits, overdispersion=2.0).loc["right", "criterion"]
    by_hand = -fits["right"].loglik + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    assert quasi == pytest.approx(by_hand)


def test_averaged_predictions_lie_between_and_are_wider() -> None:
    histories = with_covariates(np.random.default_rng(27), units=60)
    fits = {
        "x": fit_quietly(histories, presence=["x"]),
        "noise": fit_quietly(histories, presence=["noise"]),
        "none": fit_quietly(histories),
    }
    frame = histories.units[["x", "noise"]].head(12)
    mean = predict_averaged(fits, frame)
    each = [fit.predict(frame)["estimate"] for fit in fits.values()]
    assert (mean["estimate"] >= np.min(each, axis=0) - 1e-12).all()
    assert (mean["estimate"] <= np.max(each, axis=0) + 1e-12).all()
    alone = predict_averaged({"x": fits["x"]}, frame)
    assert alone.to_numpy() == pytest.approx(fits["x"].predict(frame).to_numpy())


def test_fits_of_other_data_are_not_compared() -> None:
    rng = np.random.default_rng(28)
    one, _ = draw_visits(rng, psi=0.5, p=0.5, units=40, visits=4)
    other, _ = draw_visits(rng, psi=0.5, p=0.5, units=41, visits=4)
    with pytest.raises(InputError, match=r"b: repeat_visits, 41 units, 164 visits"):
        compare_fits({"a": fit_quietly(one), "b": fit_quietly(other)})
    with pytest.raises(InputError, match="no fit to compare"):
        compare_fits({})
    same = compare_fits({"a": fit_quietly(one), "b": fit_quietly(one, model="abundance")})
    assert len(same) == 2


def test_a_chain_is_compared_by_its_units() -> None:
    histories, _ = draw_months(
        np.random.default_rng(29),
        psi=0.5,
        colonisation=0.1,
        extinction=0.1,
        p=0.5,
        units=60,
        months=4,
        visits=3,
    )
    chained = fit_quietly(histories, chain="months")
    assert chained.n_units == 60
    assert chained.aicc > chained.aic


def test_a_bootstrap_gives_the_same_numbers_wherever_it_is_worked_on() -> None:
    fit = fit_quietly(with_covariates(np.random.default_rng(3)), presence=["x"], detection=["w"])
    here, there = (bootstrap_limits(fit, replicates=45, on=on) for on in (None, "processes"))
    pd.testing.assert_frame_equal(here, there)
