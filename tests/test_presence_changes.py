"""Covariates of colonisation and of local extinction, and words as covariates everywhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_months
from scipy.special import expit

from carnivore_sign.errors import InputError
from carnivore_sign.presence import Histories, OverMonths, fit_occupancy
from carnivore_sign.presence.arrange import over_months
from carnivore_sign.presence.occupancy import fit_quietly

GAIN, LOSS = np.array([-1.2, 0.9]), np.array([-0.8, 1.1])


def draw(rng: np.random.Generator, units: int = 300, months: int = 5) -> Histories:
    """Draw units whose colonisation goes with rain of the month, and extinction with grazing."""
    base, _ = draw_months(
        rng, psi=0.5, colonisation=0.2, extinction=0.2, p=0.5, units=units, months=months, visits=3
    )
    rain_mm = 40 + 15 * rng.normal(size=(units, months))
    grazed = rng.random(units) < 0.5
    used = np.zeros((units, months), dtype=bool)
    used[:, 0] = rng.random(units) < 0.5
    for month in range(1, months):
        gain = expit(GAIN[0] + GAIN[1] * (rain_mm[:, month] - 40) / 15)
        stay = 1 - expit(LOSS[0] + LOSS[1] * grazed)
        used[:, month] = rng.random(units) < np.where(used[:, month - 1], stay, gain)
    found = (rng.random((units, months, 3)) < 0.5) & used[:, :, None]
    pairs = base.units.assign(
        rain_mm=rain_mm.ravel(), grazing=np.where(np.repeat(grazed, months), "sheep", "none")
    )
    visits = base.visits.assign(found=found.ravel().astype(int), grade=2 * found.ravel())
    return Histories(pairs, visits, base.signs, "puma")


CHANGES = OverMonths(colonisation=["rain_mm"], extinction=["grazing"])


def test_covariates_of_change_are_recovered_in_the_callers_units() -> None:
    rng, tables = np.random.default_rng(7), []
    for _ in range(20):
        tables.append(fit_quietly(draw(rng), chain=CHANGES).summary())
    truth = {
        "colonisation: intercept": GAIN[0] - GAIN[1] * 40 / 15,
        "colonisation: rain_mm": GAIN[1] / 15,
        "extinction: intercept": LOSS[0],
        "extinction: grazing: sheep": LOSS[1],
    }
    for name, value in truth.items():
        rows = pd.DataFrame([table.loc[name] for table in tables])
        assert (rows["low"].le(value) & rows["high"].ge(value)).sum() >= 16, name
        estimate = rows["estimate"].astype(float)
        assert abs(estimate.mean() - value) < 4 * estimate.std() / np.sqrt(20), name


def test_covariates_that_say_nothing_leave_the_plain_model() -> None:
    histories = draw(np.random.default_rng(3))
    fit, plain = fit_quietly(histories, chain=CHANGES), fit_quietly(histories, chain="months")
    states = fit.model.on(fit.histories).states
    at = np.insert(plain.parameters, [2, 3], 0.0)
    assert states.evaluate(at).loglik == pytest.approx(plain.loglik, abs=1e-8)
    assert fit.loglik - plain.loglik > 20
    assert fit.aicc < plain.aicc
    told = fit.predict(pd.DataFrame({"grazing": ["none", "sheep"]}), part="extinction")
    assert told["estimate"].to_list() == pytest.approx([0.31, 0.57], abs=0.08)


def test_a_month_without_a_row_keeps_what_is_steady_and_lacks_what_changes() -> None:
    histories = draw(np.random.default_rng(4), units=4, months=4)
    gap = histories.units["period"].eq("2031-02")
    left = Histories(
        histories.units[~gap].reset_index(drop=True),
        histories.visits[histories.visits["period"].ne("2031-02")].reset_index(drop=True),
        histories.signs,
        "puma",
    )
    added = over_months(left).units.query("period == '2031-02'")
    by_unit = histories.units.drop_duplicates("unit").set_index("unit")["grazing"]
    assert added["grazing"].to_list() == by_unit.loc[added["unit"]].to_list()
    assert added["rain_mm"].isna().all()
    with pytest.raises(InputError, match=r"covariate .rain_mm.*2031-02"):
        fit_occupancy(left, chain=OverMonths(colonisation=["rain_mm"]))


@pytest.mark.parametrize(
    ("model", "option"),
    [
        ("repeat_visits", "presence"),
        ("repeat_visits", "detection"),
        ("sure_unsure", "detection"),
        ("scored_signs", "lookalikes"),
        ("abundance", "presence"),
    ],
)
def test_words_are_covariates_of_every_part(model: str, option: str) -> None:
    rng = np.random.default_rng(5)
    drawn = draw(rng, units=150, months=1)
    signs = drawn.visits.loc[drawn.visits["found"] == 1, ["visit"]].assign(log_ratio=5.0)
    extra = drawn.visits.sample(60, random_state=1)[["visit"]].assign(log_ratio=-5.0)
    words = rng.choice(["dust", "sand", "snow"], len(drawn.visits))
    histories = Histories(
        drawn.units,
        drawn.visits.assign(surface=words, effort_km_days=1.0),
        pd.concat([signs, extra], ignore_index=True),
        "puma",
    )
    column = "grazing" if option == "presence" else "surface"
    fit = fit_quietly(histories, model=model, **{option: [column]})
    plain = fit_quietly(histories, model=model)
    terms = [name for name in fit.summary().index if f"{column}: " in name]
    assert len(terms) == (1 if option == "presence" else 2)
    assert 0 <= fit.loglik - plain.loglik < 8
    assert fit.summary().loc[terms, ["se", "low", "high"]].notna().all(axis=None)


def test_courses_that_are_alike_are_counted_and_change_nothing() -> None:
    histories = draw(np.random.default_rng(9), units=60, months=6)
    gone = np.random.default_rng(1).random(len(histories.visits)) < 0.4
    some = histories.without_visits(pd.Series(gone))
    states = fit_quietly(some, chain="months").model.on(some).states
    assert states.pieces.times.sum() > len(states.pieces.times)
    whole = replace(states, pieces=None)
    for at in np.random.default_rng(2).normal(size=(4, 4)):
        one, other = states.evaluate(at), whole.evaluate(at)
        assert one.loglik == pytest.approx(other.loglik, abs=1e-9)
        assert one.gradient == pytest.approx(other.gradient, abs=1e-8)
        assert one.hessian == pytest.approx(other.hessian, abs=1e-8)
        assert states.log_odds(at)[0] == pytest.approx(whole.log_odds(at)[0], nan_ok=True)
