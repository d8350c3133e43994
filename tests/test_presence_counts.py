"""Numbers of trails against the model: what it draws passes, and clumps do not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_signs, draw_visits

from carnivore_sign.errors import InputError
from carnivore_sign.presence import Histories, check_counts
from carnivore_sign.presence.count_checks import count_chi_square
from carnivore_sign.presence.occupancy import fit_quietly

SURVEY = {"psi": 0.5, "rate": 0.5, "lookalike_rate": 0.5, "units": 80, "visits": 4}


def clumped(histories: Histories, rng: np.random.Generator) -> Histories:
    """Repeat each trail nought to three times: they come in clumps."""
    times = rng.integers(0, 4, len(histories.signs))
    signs = histories.signs.loc[histories.signs.index.repeat(times)].reset_index(drop=True)
    return Histories(histories.units, histories.visits, signs, "puma")


def test_chi_square_is_the_sum_over_units() -> None:
    histories, _ = draw_signs(np.random.default_rng(3), **SURVEY)
    fit = fit_quietly(histories, model="scored_signs")
    table = fit.summary()["estimate"]
    visits = histories.visits
    effort = visits.groupby("unit")["effort_km_days"].sum()
    expected = effort * (table["lookalike_rate"] + table["psi"] * table["sign_rate"])
    unit = histories.signs["visit"].map(visits.set_index("visit")["unit"])
    trails = unit.value_counts().reindex(expected.index, fill_value=0)
    told = count_chi_square(fit.model.on(histories).states, fit.parameters)
    assert told == pytest.approx(((trails - expected) ** 2 / expected).sum())


def test_a_survey_from_the_model_passes_and_clumps_do_not() -> None:
    rng = np.random.default_rng(9)
    histories, _ = draw_signs(rng, **SURVEY)
    fair = check_counts(fit_quietly(histories, model="scored_signs"), replicates=60)
    assert fair.p_value > 0.05
    assert 0.6 < fair.overdispersion < 1.5
    assert fair.message == ""
    fit = fit_quietly(clumped(histories, rng), model="scored_signs")
    unfair = check_counts(fit, replicates=60)
    assert unfair.p_value < 0.05
    assert unfair.overdispersion > 1.3
    wider = fit.summary(overdispersion=unfair.overdispersion)["se"] / fit.summary()["se"]
    assert wider.to_numpy() == pytest.approx(np.sqrt(unfair.overdispersion))


def test_p_values_of_surveys_from_the_model_are_spread() -> None:
    rng = np.random.default_rng(12)
    p = []
    for _ in range(12):
        histories, _ = draw_signs(rng, **SURVEY)
        fit = fit_quietly(histories, model="scored_signs")
        p.append(check_counts(fit, replicates=19, rng=rng).p_value)
    assert 0.25 < np.mean(p) < 0.75
    assert min(p) < 0.5 < max(p)


def test_a_weak_check_says_so_and_the_wrong_model_is_refused() -> None:
    rng = np.random.default_rng(5)
    few, _ = draw_signs(
        rng, psi=0.5, rate=0.1, lookalike_rate=0.05, units=200, visits=2, spread=4.0
    )
    check = check_counts(fit_quietly(few, model="scored_signs"), replicates=5)
    assert "trails a unit this check sees little" in check.message
    plain = fit_quietly(draw_visits(rng, psi=0.5, p=0.5, units=50, visits=4)[0])
    with pytest.raises(InputError, match="scored_signs"):
        check_counts(plain)
    assert pd.Series([check.replicates]).between(1, 5).all()
