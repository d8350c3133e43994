"""Neighbours along a line: found where they are alike, and not where they are not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from presence_examples import blank_survey, draw_lines, draw_signs, frames_of, segments_of
from scipy.stats import binom

from carnivore_sign.errors import EstimateError, InputError
from carnivore_sign.presence import (
    Histories,
    likeness_of_neighbours,
    make_histories,
    monthly_presence,
    season_presence,
    unit_residuals,
)
from carnivore_sign.presence.occupancy import fit_quietly


def on_a_line(rng: np.random.Generator, *, stretch: float, units: int = 60) -> Histories:
    """Draw three visits to each segment of one line, used in stretches or at random."""
    used = np.zeros(units, dtype=bool)
    used[0] = rng.random() < 0.5
    for k in range(1, units):
        used[k] = used[k - 1] if rng.random() < stretch else rng.random() < 0.5
    survey = blank_survey(units, 3)
    found = (rng.random(units * 3) < 0.6) & np.repeat(used, 3)
    visits = survey.visits.assign(found=found.astype(int))
    placed = survey.units.assign(transect="wash", from_m=np.arange(units) * 500.0)
    return Histories(placed, visits, survey.signs, "puma")


def test_stretches_are_found() -> None:
    histories = on_a_line(np.random.default_rng(1), stretch=0.8)
    told = likeness_of_neighbours(fit_quietly(histories))
    assert told.pairs == 59
    assert told.correlation > 0.3
    assert told.p_value <= 0.01
    assert told == likeness_of_neighbours(fit_quietly(histories), rng=np.random.default_rng(0))


def test_independent_segments_are_seldom_called_alike() -> None:
    rng = np.random.default_rng(2)
    values = [
        likeness_of_neighbours(
            fit_quietly(on_a_line(rng, stretch=0.0)), shuffles=99, rng=rng
        ).p_value
        for _ in range(60)
    ]
    assert np.sum(np.array(values) <= 0.05) <= binom.ppf(0.9995, 60, 0.05)
    low, high = binom.ppf([0.0005, 0.9995], 60, 0.5)
    assert low <= np.sum(np.array(values) <= 0.5) <= high


def test_the_order_of_the_rows_does_not_matter_but_that_of_the_line_does() -> None:
    rng = np.random.default_rng(30)
    histories = on_a_line(rng, stretch=0.8)
    fit = fit_quietly(histories)
    told = likeness_of_neighbours(fit)
    mixed = histories.units.sample(frac=1.0, random_state=4).reset_index(drop=True)
    again = Histories(mixed, histories.visits, histories.signs, "puma")
    assert likeness_of_neighbours(fit, again).correlation == pytest.approx(told.correlation)
    elsewhere = histories.units.assign(from_m=rng.permutation(histories.units["from_m"]))
    torn = Histories(elsewhere, histories.visits, histories.signs, "puma")
    assert abs(likeness_of_neighbours(fit, torn).correlation) < told.correlation / 2


def test_neighbours_are_of_one_transect_and_one_month_and_both_visited() -> None:
    histories = on_a_line(np.random.default_rng(5), stretch=0.5, units=30)
    two = histories.units.assign(transect=np.repeat(["north", "south"], 15))
    parted = Histories(two, histories.visits, histories.signs, "puma")
    fit = fit_quietly(parted)
    assert likeness_of_neighbours(fit, shuffles=9).pairs == 28
    skipped = parted.without_visits(parted.visits["unit"] == "u00004")
    assert likeness_of_neighbours(fit, skipped, shuffles=9).pairs == 26
    assert len(unit_residuals(fit, skipped)) == 29


@pytest.mark.parametrize("model", ["repeat_visits", "abundance"])
def test_residuals_add_up_to_nothing(model: str) -> None:
    # At the maximum of a model without covariates the posteriors average to psi.
    histories = on_a_line(np.random.default_rng(6), stretch=0.5)
    residuals = unit_residuals(fit_quietly(histories, model=model))["residual"]
    assert residuals.between(-1, 1).all()
    assert residuals.mean() == pytest.approx(0, abs=0.02 if model == "abundance" else 1e-6)


def test_what_cannot_be_told_is_said() -> None:
    rng = np.random.default_rng(7)
    few = on_a_line(rng, stretch=0.5, units=9)
    with pytest.raises(EstimateError, match="8 pairs of neighbouring segments"):
        likeness_of_neighbours(fit_quietly(few))
    placeless = on_a_line(rng, stretch=0.5)
    units = placeless.units[["unit", "period"]]
    fit = fit_quietly(Histories(units, placeless.visits, placeless.signs, "puma"))
    with pytest.raises(InputError, match="no from_m, transect"):
        likeness_of_neighbours(fit)
    line, _ = draw_lines(
        rng, psi=0.6, after_unused=0.2, after_used=0.7, p=0.6, lines=60, segments=8
    )
    with pytest.raises(InputError, match="are lines, which have no neighbours"):
        likeness_of_neighbours(fit_quietly(line, chain="line"))


def test_a_month_whose_neighbours_are_alike_says_so() -> None:
    rng = np.random.default_rng(8)
    survey, _ = draw_signs(rng, psi=1.0, rate=0.7, lookalike_rate=0.4, units=80, visits=4)
    used = np.repeat(np.arange(80) // 20 % 2 == 0, 4)
    at = pd.Index(survey.visits["visit"]).get_indexer(survey.signs["visit"])
    keep = used[at] | (survey.signs["log_ratio"] < 0)
    alike = Histories(survey.units, survey.visits, survey.signs[keep], "puma")
    segments = segments_of(list(survey.units["unit"]))
    month = monthly_presence(segments, *frames_of(alike), period="2031-05", prior=0.4)
    assert "use runs in stretches along the transect, which these walks favour" in month.message
    plain = season_presence(segments, *frames_of(alike), prior=0.4, way="alone")
    assert "next to each other are more alike" in plain.message
    apart, _ = draw_signs(rng, psi=0.5, rate=0.7, lookalike_rate=0.4, units=80, visits=4)
    month = monthly_presence(segments, *frames_of(apart), period="2031-05", prior=0.4)
    assert "more alike" not in month.message
    assert "stands alone, which these walks favour" in month.message
    assert len(make_histories(*frames_of(apart), prior=0.4, segments=segments).units) == 80
