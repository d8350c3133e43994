"""Fit checks of every model: what it draws passes, and what breaks it does not."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_graded, draw_lines, draw_months, draw_signs, draw_visits
from scipy.special import expit
from scipy.stats import binom, poisson
from test_presence_stretches import draw_stretches

from carnivore_sign.presence import (
    AlongLine,
    Histories,
    OccupancyFit,
    bootstrap_limits,
    check_fit,
    choose_way,
    draw_survey,
    fit_occupancy,
    histories_from_matrix,
    likeness_of_neighbours,
    profile_limits,
    unit_residuals,
    widened,
)
from carnivore_sign.presence.choosing import compare_ways
from carnivore_sign.presence.drawing import survey_of
from carnivore_sign.presence.fit_checks import quick_overdispersion
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.presence.pearson import chi_square

GRADED = {"psi": 0.4, "p": 0.5, "false_ratio": 0.2, "sure_share": 0.5}
LINES = {"psi": 0.6, "after_unused": 0.15, "after_used": 0.75, "p": 0.6}
MONTHS = {"psi": 0.5, "colonisation": 0.2, "extinction": 0.3, "p": 0.5}
SIGNS = {"psi": 0.5, "rate": 0.5, "lookalike_rate": 0.5, "units": 80, "visits": 4}


def uneven(rng: np.random.Generator) -> Histories:
    p = np.repeat(1 - (1 - 0.25) ** rng.poisson(1.2, 120), 6)
    return draw_visits(rng, psi=1.0, p=p, units=120, visits=6)[0]


MODELS = {
    "repeat visits": (
        lambda rng: draw_visits(rng, psi=0.6, p=0.4, units=100, visits=5)[0],
        {},
    ),
    "graded": (
        lambda rng: draw_graded(rng, **GRADED, units=100, visits=5)[0],
        {"model": "sure_unsure"},
    ),
    "abundance": (uneven, {"model": "abundance"}),
    "line": (lambda rng: draw_lines(rng, **LINES, lines=80, segments=10)[0], {"chain": "line"}),
    "months": (
        lambda rng: draw_months(rng, **MONTHS, units=80, months=4, visits=4)[0],
        {"chain": "months"},
    ),
    "signs": (lambda rng: draw_signs(rng, **SIGNS)[0], {"model": "scored_signs"}),
    "stretches": (
        lambda rng: draw_stretches(rng, psi=0.45, likeness=0.75, rate=0.8, lines=20)[0],
        {"model": "scored_signs", "chain": "neighbours"},
    ),
}


def fitted(name: str, seed: int = 3) -> OccupancyFit:
    draw, options = MODELS[name]
    return fit_quietly(draw(np.random.default_rng(seed)), **options)


@pytest.mark.parametrize("name", list(MODELS))
def test_what_a_model_draws_passes_its_check(name: str) -> None:
    """The p-values of surveys drawn from a fit are spread, and none is far off its own model."""
    fit, rng = fitted(name), np.random.default_rng(4)
    p = []
    for _ in range(5):
        again = fit_quietly(draw_survey(fit, rng=rng), **MODELS[name][1])
        check = check_fit(again, replicates=19, rng=rng)
        assert check.replicates >= 17
        p.append(check.p_value)
    assert 0.15 < np.mean(p) < 0.85
    assert np.std(p) > 0.05


@pytest.mark.parametrize("name", list(MODELS))
def test_a_drawn_survey_has_the_same_visits_and_as_many_finds_as_expected(name: str) -> None:
    fit, rng = fitted(name), np.random.default_rng(5)
    survey = survey_of(fit)
    drawn = [survey.drawn(rng) for _ in range(60)]
    assert drawn[0].histories.visits["visit"].equals(survey.histories.visits["visit"])
    finds = np.array([one.finds() for one in drawn])
    if name == "abundance":
        n = np.arange(200)[:, None]
        mean, r = survey.head()[survey.layout.site], survey.by_visit("r")
        expected = (poisson.pmf(n, mean) * (1 - (1 - r) ** n)).sum(axis=0)
    else:
        expected = survey.expected_finds()
    total = finds.sum(axis=1)
    assert abs(total.mean() - expected.sum()) < 4 * total.std() / np.sqrt(60)
    assert finds.std(axis=0).max() > 0
    same = draw_survey(fit, rng=np.random.default_rng(1))
    assert same.signs.equals(draw_survey(fit, rng=np.random.default_rng(1)).signs)


def clumped(rng: np.random.Generator) -> Histories:
    """Draw scored signs, each of them four times or not at all."""
    histories, _ = draw_signs(rng, **SIGNS)
    times = rng.choice([0, 0, 4], len(histories.signs))
    signs = histories.signs.loc[histories.signs.index.repeat(times)].reset_index(drop=True)
    return replace(histories, signs=signs)


def by_observer(histories: Histories, rng: np.random.Generator) -> Histories:
    """Lose most finds of half of the units, which a poor observer walked."""
    poor = histories.visits["unit"].map(
        dict.fromkeys(histories.units["unit"].unique()[::2], True)  # every second unit
    )
    lost = poor.notna() & (rng.random(len(histories.visits)) < 0.85)
    visits = histories.visits.assign(
        found=histories.visits["found"].where(~lost, 0),
        grade=histories.visits["grade"].where(~lost, 0),
    )
    return replace(histories, visits=visits)


def in_pairs(rng: np.random.Generator) -> Histories:
    """Draw lines whose used segments come two by two, as no chain of first order would have it."""
    histories, _ = draw_lines(rng, **LINES, lines=100, segments=12)
    line, place = np.divmod(np.arange(1200), 12)
    state = (place + rng.integers(0, 4, 100)[line]) % 4 < 2
    found = (state & (rng.random(100) < 0.7)[line] & (rng.random(1200) < 0.9)).astype(int)
    return replace(histories, visits=histories.visits.assign(found=found, grade=2 * found))


def test_what_a_model_does_not_know_fails_its_check() -> None:
    rng = np.random.default_rng(6)
    months, _ = draw_months(rng, **{**MONTHS, "p": 0.8}, units=150, months=4, visits=5)
    graded, _ = draw_graded(rng, **{**GRADED, "p": 0.85}, units=200, visits=6)
    broken = {
        "signs": (clumped(rng), {"model": "scored_signs"}),
        "months": (by_observer(months, rng), {"chain": "months"}),
        "graded": (by_observer(graded, rng), {"model": "sure_unsure"}),
        "line": (in_pairs(rng), {"chain": "line"}),
    }
    for name, (histories, options) in broken.items():
        check = check_fit(fit_quietly(histories, **options), replicates=39)
        assert check.p_value <= 0.05, name
        assert check.overdispersion > 1.2, name


def test_chi_square_of_trails_is_the_sum_over_units() -> None:
    histories, _ = draw_signs(np.random.default_rng(3), **SIGNS)
    fit = fit_quietly(histories, model="scored_signs")
    table = fit.summary()["estimate"]
    visits = histories.visits
    effort = visits.groupby("unit")["effort_km_days"].sum()
    expected = effort * (table["lookalike_rate"] + table["psi"] * table["sign_rate"])
    unit = histories.signs["visit"].map(visits.set_index("visit")["unit"])
    trails = unit.value_counts().reindex(expected.index, fill_value=0)
    told = chi_square(survey_of(fit))
    assert told == pytest.approx(((trails - expected) ** 2 / expected).sum())


@pytest.mark.parametrize("first", ["steady", "after_unused"])
def test_chi_square_of_a_line_is_that_of_all_histories_of_its_pieces(first: str) -> None:
    """Six segments: pieces of four and of two, each against its sum over all states."""
    histories, _ = draw_lines(np.random.default_rng(8), **LINES, lines=9, segments=6)
    histories = histories.without_visits(histories.visits["unit"] == "line_0003#1")
    fit = fit_quietly(histories, chain=AlongLine(first_segment=first))
    point = np.array([0.3, -0.8, 0.9, 0.4])
    psi, gain, stay, p = expit(point)
    begin = gain / (gain + 1 - stay) if first == "steady" else gain
    chance = {}
    for states in itertools.product([0, 1], repeat=6):
        one, up = 1.0, begin
        for state in states:
            one *= up if state else 1 - up
            up = stay if state else gain
        chance[states] = one
    found = histories.visits.set_index("unit")["found"]
    total = 0.0
    for places, lines in (
        ((0, 1, 2, 3), [k for k in range(9) if k != 3]),
        ((0, 2, 3), [3]),
        ((4, 5), range(9)),
    ):
        seen = [tuple(found[f"line_{k:04d}#{t}"] for t in places) for k in lines]
        for history in itertools.product([0, 1], repeat=len(places)):
            used = sum(
                weight
                * math.prod(
                    (p if y else 1 - p) if states[t] else 1 - y
                    for t, y in zip(places, history, strict=True)
                )
                for states, weight in chance.items()
            )
            expected = len(lines) * (psi * used + (1 - psi) * (not any(history)))
            total += (seen.count(history) - expected) ** 2 / expected
    survey = replace(survey_of(fit), parameters=point)
    assert chi_square(survey) == pytest.approx(total, abs=1e-9)


def test_chi_square_of_graded_finds_and_animals_against_all_histories() -> None:
    graded, _ = draw_graded(np.random.default_rng(9), **GRADED, units=12, visits=2)
    fit = fit_quietly(graded, model="sure_unsure")
    point = np.array([0.2, 0.1, -1.0, 0.3])
    psi, p, ratio, sure = expit(point)
    used = [1 - p, p * (1 - sure), p * sure]
    unused = [1 - ratio * p, ratio * p, 0.0]
    seen = [tuple(one) for one in graded.visits["grade"].to_numpy().reshape(12, 2)]
    total = 0.0
    for one, two in itertools.product(range(3), repeat=2):
        expected = 12 * (psi * used[one] * used[two] + (1 - psi) * unused[one] * unused[two])
        total += (seen.count((one, two)) - expected) ** 2 / expected
    told = chi_square(replace(survey_of(fit), parameters=point))
    assert told == pytest.approx(total, abs=1e-9)

    matrix = pd.DataFrame([[1, 0], [0, 0], [1, 1], [0, 0], [0, 1], [1, 0]])
    fit = fit_quietly(histories_from_matrix(matrix), model="abundance")
    point = np.array([0.1, -0.7])
    mean, r = np.exp(point[0]), expit(point[1])
    n = np.arange(fit.model.most_animals + 1)
    find = 1 - (1 - r) ** n
    total = 0.0
    for history in itertools.product([0, 1], repeat=2):
        record = np.prod([find if y else 1 - find for y in history], axis=0)
        expected = 6 * (poisson.pmf(n, mean) @ record)
        observed = [tuple(row) for row in matrix.to_numpy()].count(history)
        total += (observed - expected) ** 2 / expected
    told = chi_square(replace(survey_of(fit), parameters=point))
    assert told == pytest.approx(total, abs=1e-6)


def test_months_are_held_against_what_is_expected_before_looking() -> None:
    survey = survey_of(fitted("months"))
    psi, gain, loss, _ = expit(survey.parameters)
    expected = [psi]
    for _ in range(3):
        expected.append(expected[-1] * (1 - loss) + (1 - expected[-1]) * gain)
    told = survey.histories.units.assign(at=survey.expected_presence()).groupby("period")["at"]
    assert told.mean().to_numpy() == pytest.approx(expected)
    assert told.std().max() == pytest.approx(0, abs=1e-12)


def test_a_weak_check_of_few_trails_says_so() -> None:
    few, _ = draw_signs(
        np.random.default_rng(5), psi=0.5, rate=0.1, lookalike_rate=0.05, units=200, visits=2
    )
    check = check_fit(fit_quietly(few, model="scored_signs"), replicates=5)
    assert "trails a unit this check sees little" in check.message


@pytest.mark.parametrize("name", ["months", "stretches", "line"])
def test_residuals_of_chained_fits_average_to_nothing_and_follow_the_finds(name: str) -> None:
    fit = fitted(name)
    table = unit_residuals(fit)
    assert table["residual"].between(-1, 1).all()
    assert abs(table["residual"].mean()) < 0.02
    survey = survey_of(fit)
    finds = np.bincount(survey.layout.site, survey.finds(), minlength=survey.layout.n_sites)
    visited = survey.layout.visits_per_site > 0
    assert np.corrcoef(table["residual"], finds[visited])[0, 1] > 0.4


def test_a_model_that_knows_of_stretches_is_checked_along_the_line() -> None:
    alike, _ = draw_stretches(np.random.default_rng(11), psi=0.45, likeness=0.8, rate=1.5, lines=12)
    plain = likeness_of_neighbours(fit_quietly(alike, model="scored_signs"), shuffles=99)
    assert plain.p_value <= 0.02
    fit = fit_quietly(alike, model="scored_signs", chain="neighbours")
    told = likeness_of_neighbours(fit, shuffles=99)
    assert told.p_value > 0.05
    assert told.pairs == 12 * 11
    forgetful = replace(fit, parameters=np.where(np.arange(4) == 1, -6.0, fit.parameters))
    assert likeness_of_neighbours(forgetful, shuffles=99).p_value <= 0.02


def test_overdispersion_widens_limits_and_only_beyond_chance() -> None:
    rng = np.random.default_rng(12)
    fair = fit_quietly(draw_signs(rng, **SIGNS)[0], model="scored_signs")
    check = quick_overdispersion(fair)
    assert check.p_value > 0.05
    assert widened(fair, check) is fair
    fit = fit_quietly(clumped(rng), model="scored_signs")
    check = quick_overdispersion(fit)
    slow = check_fit(fit, replicates=60)
    assert check.p_value <= 0.05
    assert check.overdispersion == pytest.approx(slow.overdispersion, rel=0.15)
    wide = widened(fit, check)
    root = np.sqrt(check.overdispersion)
    assert wide.summary()["se"].to_numpy() == pytest.approx(root * fit.summary()["se"].to_numpy())
    assert "as much as the model expects" in wide.messages[-1]
    told, before = wide.posterior(), fit.posterior()
    assert told["p_presence"].equals(before["p_presence"])
    assert (told["p_presence_low"] < before["p_presence_low"]).all()


def test_the_way_of_a_month_is_chosen_by_qaic_where_trails_are_clumped() -> None:
    rng = np.random.default_rng(12)
    histories = clumped(rng)
    alone = fit_quietly(histories, model="scored_signs")
    chosen = choose_way(histories, alone)
    factor = quick_overdispersion(alone).overdispersion
    k, n = 4, alone.n_units
    by_hand = -2 * alone.loglik / factor + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    assert chosen.table.loc["alone", "aicc"] == pytest.approx(by_hand)
    assert "limits are wider for it" in chosen.fit.messages[-1]
    fair, _ = draw_signs(rng, **SIGNS)
    alone = fit_quietly(fair, model="scored_signs")
    chosen = choose_way(fair, alone)
    assert chosen.table.loc["alone", "aicc"] == pytest.approx(alone.aicc)
    assert not any("limits are wider" in told for told in chosen.fit.messages)
    two = compare_ways({"alone": alone, "months": alone}, 80, overdispersion=2.0)
    assert two["weight"].tolist() == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize("name", ["line", "months", "graded"])
def test_bootstrap_limits_of_other_models_are_near_those_of_the_profile(name: str) -> None:
    fit = fitted(name)
    if name == "line":  # fewer lines leave psi open upward
        many, _ = draw_lines(np.random.default_rng(3), **LINES, lines=300, segments=12)
        fit = fit_quietly(many, chain="line")
    drawn, profile = bootstrap_limits(fit, replicates=60), profile_limits(fit)
    width = profile["high"] - profile["low"]
    for side in ("low", "high"):
        assert (abs(drawn[side] - profile[side]) < 0.45 * width).all()


def test_p_values_of_the_check_of_trails_are_spread_evenly() -> None:
    rng = np.random.default_rng(14)
    values = [
        quick_overdispersion(
            fit_occupancy(draw_signs(rng, **SIGNS)[0], model="scored_signs")
        ).p_value
        for _ in range(40)
    ]
    assert np.sum(np.array(values) <= 0.05) <= binom.ppf(0.9995, 40, 0.05)
    assert np.mean(values) > 0.25
