"""Plans: simulation and formula agree where both hold, and real limits judge what is drawn."""

from __future__ import annotations

import io
import sys

import numpy as np
import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.survey import doubtful_ratio_limits, plan_walks, poisson_limits, walks_needed
from carnivore_sign.survey.plan import _noticed

FIELD = {"km_per_walk": 8.0, "cost_per_km": 3.0}


def rng():
    return np.random.default_rng(17)


@pytest.mark.parametrize("dispersion", [1.0, 2.5])
def test_with_many_trails_simulation_and_formula_agree(dispersion) -> None:
    plan = plan_walks(0.5, rng=rng(), dispersion=dispersion, walks=[40, 160], change=0.8, **FIELD)
    np.testing.assert_allclose(plan["half_width"], plan["half_width_formula"], rtol=0.08)
    np.testing.assert_allclose(plan["power"], plan["power_formula"], atol=0.06)
    assert plan["cost"].tolist() == [960, 3840]
    assert plan["trails_expected"].tolist() == [160, 640]


def test_with_few_trails_the_formula_promises_too_much() -> None:
    plan = plan_walks(0.05, rng=rng(), walks=[5, 10], change=0.5, **FIELD)
    assert (plan["half_width"] > 1.05 * plan["half_width_formula"]).all()
    assert (plan["power"] < plan["power_formula"]).all()


def test_the_drawn_surveys_are_judged_by_the_limits_of_a_real_one() -> None:
    first, second = np.array([[4, 16], [10, 10], [0, 0], [0, 6], [9, 2], [30, 14]], dtype=float).T
    noticed = []
    for one, other in zip(first, second, strict=True):
        low, high = doubtful_ratio_limits(np.ones(int(one)), np.ones(int(other)), 1, 1)
        noticed.append(low > 1 or high < 1)
        alone = _noticed(np.array([one]), np.array([other]), 0.95)
        assert alone == noticed[-1]
    assert 0 < np.mean(noticed) < 1
    plan = plan_walks(0.2, rng=rng(), walks=[10], draws=4001, **FIELD)
    counts = np.random.default_rng(17).poisson(16, 4001)
    low, high = poisson_limits(counts)
    assert plan["half_width"][0] == pytest.approx(np.median(high - low) / 32)


def test_no_change_is_noticed_no_oftener_than_the_level_says() -> None:
    plan = plan_walks(0.3, rng=rng(), walks=[20, 80], change=1.0, draws=4000, **FIELD)
    # Exact limits: 5 % at most, with a standard error of 0.0035.
    assert (plan["power"] < 0.06).all()
    clumped = plan_walks(0.3, rng=rng(), walks=[80], change=1.0, dispersion=3, **FIELD)
    assert clumped["power"][0] < 0.06


def test_the_fewest_walks_that_are_enough() -> None:
    plan = plan_walks(0.2, rng=rng(), change=0.5, **FIELD)
    precise = walks_needed(plan, half_width=0.3)
    assert precise["walks"] == 40
    both = walks_needed(plan, half_width=0.3, power=0.95)
    assert both["walks"] == 80
    assert (plan.loc[plan["walks"] < 40, "half_width"] > 0.3).all()
    with pytest.raises(InputError, match=r"320 walks reach a half width of 0\.09"):
        walks_needed(plan, half_width=0.01)


def test_the_same_generator_gives_the_same_plan_and_a_bar_is_drawn_when_asked(monkeypatch) -> None:
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    shown = plan_walks(0.2, rng=rng(), show_progress=True, **FIELD)
    assert "numbers of walks" in screen.getvalue()
    assert shown.equals(plan_walks(0.2, rng=rng(), **FIELD))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"rate_per_km": 0.0}, "rate_per_km is 0"),
        ({"km_per_walk": -1.0}, "km_per_walk is -1"),
        ({"change": np.nan}, "change is nan"),
        ({"dispersion": 0.5}, "dispersion is 0.5"),
    ],
)
def test_what_cannot_be_planned_is_refused(wrong, words) -> None:
    given = {"rate_per_km": 0.2, **FIELD, **wrong}
    with pytest.raises(InputError, match=words):
        plan_walks(given.pop("rate_per_km"), rng=rng(), **given)
