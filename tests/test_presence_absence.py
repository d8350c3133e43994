"""What blanks are worth, and how to plan: against tables from outside and simulation."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_visits

from carnivore_sign.errors import InputError
from carnivore_sign.presence import (
    best_number_of_visits,
    blank_visits_needed,
    blank_visits_needed_of,
    fit_occupancy,
    histories_from_matrix,
    power_to_see_change,
    presence_after_blanks,
    presence_after_blanks_of,
    presence_limit_if_all_blank,
    units_needed,
    units_to_see_change,
)
from carnivore_sign.presence.planning import psi_variance


def test_blank_visits_for_95_percent() -> None:
    # n = ln 0.05 / ln(1 - p), rounded up; attribution to McArdle 1990 is from memory.
    p = [0.05, 0.1, 0.2, 0.3, 0.4, 0.5]
    assert blank_visits_needed(p).tolist() == [59, 29, 14, 9, 6, 5]


def test_the_number_of_blanks_is_the_smallest_that_will_do() -> None:
    p = np.linspace(0.01, 0.99, 99)
    for certainty in (0.8, 0.95, 0.99):
        n = blank_visits_needed(p, certainty=certainty)
        assert (1 - (1 - p) ** n >= certainty - 1e-12).all()
        assert (1 - (1 - p) ** (n - 1) < certainty).all()
    assert blank_visits_needed(1.0) == 1


def test_presence_after_blanks_is_bayes_theorem() -> None:
    psi, p, n = 0.594623, 0.258729, 5
    missed = (1 - p) ** n
    by_hand = psi * missed / (psi * missed + 1 - psi)
    assert presence_after_blanks(psi, p, n) == pytest.approx(by_hand, abs=1e-14)
    # The all-blank site of the 39-site example (see test_presence_occupancy.py).
    assert by_hand == pytest.approx(0.247156, abs=1e-5)


def test_presence_after_blanks_at_the_ends() -> None:
    assert presence_after_blanks(0.3, 0.2, 0) == pytest.approx(0.3)
    assert presence_after_blanks(0.3, 1.0, 1) == 0
    assert presence_after_blanks(0.3, 1.0, 0) == pytest.approx(0.3)
    assert presence_after_blanks(0.3, 0.0, 9) == pytest.approx(0.3)
    assert presence_after_blanks(0.0, 0.2, 3) == 0
    assert presence_after_blanks(1.0, 0.2, 3) == 1


def test_the_limits_after_blanks_carry_both_estimates() -> None:
    finds = [1] * 10 + [2] * 5 + [3] * 2 + [4]
    matrix = np.zeros((39, 5))
    for site, found in enumerate(finds):
        matrix[site, :found] = 1
    fit = fit_occupancy(histories_from_matrix(pd.DataFrame(matrix)))
    told = presence_after_blanks_of(fit, 5)
    assert told.estimate == pytest.approx(0.247156, abs=1e-5)
    blank = fit.posterior().iloc[-1]
    assert told.low == pytest.approx(blank["p_presence_low"], abs=0.04)
    assert told.high == pytest.approx(blank["p_presence_high"], abs=0.04)
    none = presence_after_blanks_of(fit, 0)
    psi = fit.summary().loc["psi"]
    assert none == pytest.approx((psi["estimate"], psi["low"], psi["high"]), abs=0.01)
    assert presence_after_blanks_of(fit, 20).high < told.high


def test_blanks_are_not_weighed_with_a_fit_that_cannot() -> None:
    matrix = pd.DataFrame(np.tile([1.0, 1.0, 0.0], (12, 1)))
    with pytest.warns(match="sits at 1"):
        fit = fit_occupancy(histories_from_matrix(matrix))
    with pytest.raises(InputError, match="both estimated"):
        presence_after_blanks_of(fit, 3)


# MacKenzie & Royle 2005, J Appl Ecol 42:1105-1114, standard design: the layout of the table
# is from memory; every cell was recomputed from the formula in psi_variance's docstring.
# Rows: p = .1 to .9; columns: psi = .1 to .9.
BEST = {
    0.1: [14, 15, 16, 17, 18, 20, 23, 26, 34],
    0.2: [7, 7, 8, 8, 9, 10, 11, 13, 16],
    0.3: [5, 5, 5, 5, 6, 6, 7, 8, 10],
    0.4: [3, 4, 4, 4, 4, 5, 5, 6, 7],
    0.5: [3, 3, 3, 3, 3, 3, 4, 4, 5],
    0.6: [2, 2, 2, 2, 3, 3, 3, 3, 4],
    0.7: [2, 2, 2, 2, 2, 2, 2, 3, 3],
    0.8: [2] * 9,
    0.9: [2] * 9,
}


def test_the_best_number_of_visits_is_the_least_cost_of_all() -> None:
    every = np.arange(2, 5000)
    for psi in (0.01, 0.2, 0.5, 0.8, 0.99):
        for p in (0.005, 0.03, 0.3, 0.9, 1.0):
            least = every[np.argmin(every * psi_variance(psi, p, every))]
            assert best_number_of_visits(psi, p) == least, (psi, p)
    assert best_number_of_visits(0.5, [0.005, 0.001]).tolist() == [376, 1882]


@pytest.mark.parametrize(
    "ask",
    [
        lambda: best_number_of_visits(0.5, 0.0),
        lambda: best_number_of_visits(0.5, [0.3, 1e-300]),
        lambda: best_number_of_visits(1.0, 0.3),
        lambda: blank_visits_needed(1e-300),
        lambda: presence_after_blanks(0.5, 0.5, -3),
        lambda: presence_after_blanks(0.5, 0.5, np.nan),
        lambda: presence_after_blanks(1.0, 1.0, 3),
        lambda: presence_limit_if_all_blank(0.3, [4, -1]),
        lambda: units_needed(0.5, 0.0, 3, se=0.1),
    ],
)
def test_what_has_no_answer_is_refused(ask: Callable[[], object]) -> None:
    with pytest.raises(InputError):
        ask()


def test_sure_presence_and_sure_detection_before_any_visit() -> None:
    assert presence_after_blanks(1.0, 1.0, 0) == 1


def test_the_best_number_of_visits() -> None:
    psi = np.arange(1, 10) / 10
    for p, expected in BEST.items():
        assert best_number_of_visits(psi, p).tolist() == expected, p


def test_units_needed() -> None:
    # From the same formula: 350, 153 and 84 units to the nearest whole one. Rounded up, so
    # that the standard error is met and not just missed, the first is 351 (350.07).
    psi, p, visits = np.array([0.4, 0.4, 0.2]), np.array([0.3, 0.3, 0.5]), np.array([3, 5, 3])
    raw = psi_variance(psi, p, visits) / 0.05**2
    assert raw.round().tolist() == [350, 153, 84]
    needed = units_needed(psi, p, visits, se=0.05)
    assert needed.tolist() == np.ceil(raw).tolist()


def test_the_variance_of_the_plan_is_met_by_simulation() -> None:
    rng = np.random.default_rng(6)
    psi = [
        fit_occupancy(draw_visits(rng, psi=0.4, p=0.5, units=300, visits=4)[0])
        .summary()
        .loc["psi", "estimate"]
        for _ in range(150)
    ]
    planned = np.sqrt(psi_variance(0.4, 0.5, 4) / 300)
    assert np.std(psi) == pytest.approx(planned, rel=4 / np.sqrt(2 * 150))


def test_blanks_everywhere_limit_presence() -> None:
    # With n units alike, (1 - psi p*)^n = 0.05 solves by hand.
    ever = 1 - 0.7**4
    by_hand = (1 - 0.05 ** (1 / 20)) / ever
    assert presence_limit_if_all_blank(0.3, [4] * 20) == pytest.approx(by_hand, abs=1e-9)
    # p = 1: the limit of 0 of 20 is the one-sided Clopper-Pearson limit, 1 - 0.05^(1/20).
    assert presence_limit_if_all_blank(1.0, [1] * 20) == pytest.approx(1 - 0.05**0.05, abs=1e-9)
    assert presence_limit_if_all_blank(0.05, [1] * 3) == 1.0
    uneven = presence_limit_if_all_blank([0.3, 0.5, 0.2] * 10, [3, 0, 8] * 10)
    chance = np.prod(1 - uneven * (1 - np.array([0.7**3, 1.0, 0.8**8] * 10)))
    assert chance == pytest.approx(0.05, abs=1e-9)


def test_blank_visits_needed_carry_the_limits_of_p() -> None:
    histories, _ = draw_visits(np.random.default_rng(9), psi=0.6, p=0.3, units=150, visits=5)
    fit = fit_occupancy(histories)
    middle, fewest, most = blank_visits_needed_of(fit)
    assert fewest < middle < most
    p = fit.summary().loc["p"]
    assert most == blank_visits_needed(p["low"])
    scored = histories.visits.assign(day=np.arange(750.0) % 9)
    with_day = fit_occupancy(
        type(histories)(histories.units, scored, histories.signs, "puma"), detection=["day"]
    )
    with pytest.raises(InputError, match="no constant p"):
        blank_visits_needed_of(with_day)


def test_the_power_of_a_plan_is_met_by_simulation() -> None:
    rng = np.random.default_rng(10)
    plan = {"units": 120, "visits": 5}
    seen = []
    for _ in range(150):
        fits = [
            fit_occupancy(draw_visits(rng, psi=psi, p=0.4, **plan)[0]).summary().loc["psi"]
            for psi in (0.6, 0.4)
        ]
        difference = abs(fits[0]["estimate"] - fits[1]["estimate"])
        seen.append(difference > 1.96 * np.hypot(fits[0]["se"], fits[1]["se"]))
    planned = power_to_see_change(0.6, 0.4, 0.4, **plan)
    assert np.mean(seen) == pytest.approx(planned, abs=4 * np.sqrt(0.25 / 150))
    assert power_to_see_change(0.5, 0.5, 0.4, **plan) == pytest.approx(0.05)


def test_units_to_see_a_change_are_the_fewest_that_do() -> None:
    units = units_to_see_change(0.6, 0.4, 0.4, visits=5, power=0.9)
    assert power_to_see_change(0.6, 0.4, 0.4, units=units, visits=5) >= 0.9
    assert power_to_see_change(0.6, 0.4, 0.4, units=units - 1, visits=5) < 0.9
    with pytest.raises(InputError, match="a change of nothing"):
        units_to_see_change(0.4, 0.4, 0.4, visits=5)
    with pytest.raises(InputError, match="one visit a unit"):
        power_to_see_change(0.6, 0.4, 0.4, units=50, visits=1)


def test_what_cannot_be_planned_is_told() -> None:
    with pytest.raises(InputError, match="p = 0"):
        blank_visits_needed([0.2, 0.0])
    with pytest.raises(InputError, match="certainty"):
        blank_visits_needed(0.2, certainty=1.0)
    with pytest.raises(InputError, match="one visit a unit"):
        units_needed(0.4, 0.3, 1, se=0.05)
    with pytest.raises(InputError, match="not above 0"):
        units_needed(0.4, 0.3, 3, se=0.0)
    with pytest.raises(InputError, match="psi is not between"):
        presence_after_blanks(1.4, 0.3, 3)
