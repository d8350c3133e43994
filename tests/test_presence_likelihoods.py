"""Likelihoods against sums over everything hidden, finite differences, and their limits."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit
from scipy.stats import poisson

from carnivore_sign.presence.abundance import Abundance
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import Layout, lay_out
from carnivore_sign.presence.markov_line import MarkovLine
from carnivore_sign.presence.models import States
from carnivore_sign.presence.months import Months
from carnivore_sign.presence.repeat_visits import RepeatVisits
from carnivore_sign.presence.scored_signs import ScoredSigns
from carnivore_sign.presence.stretches import Stretches
from carnivore_sign.presence.sure_unsure import SureUnsure
from carnivore_sign.presence.two_states import GivenState, TwoStates

SITES = np.array([0, 0, 0, 1, 1, 3, 3, 3, 3])  # site 2 was never visited
N_SITES = 4


def layout(site: np.ndarray = SITES, n_sites: int = N_SITES) -> Layout:
    names = [f"s{k}" for k in range(n_sites)]
    visits = pd.DataFrame({"unit": [names[k] for k in site], "period": "all"})
    visits["visit"] = [f"v{k}" for k in range(len(site))]
    units = pd.DataFrame({"unit": names, "period": "all"})
    return lay_out(Histories(units, visits, pd.DataFrame(), "puma"))


def design(rows: int, columns: int, seed: int) -> np.ndarray:
    extra = np.random.default_rng(seed).normal(size=(rows, columns - 1))
    return np.column_stack([np.ones(rows), extra])


def repeat_visits() -> TwoStates:
    found = np.array([1, 0, 1, 0, 0, 0, 0, 0, 0], dtype=float)
    given = RepeatVisits(layout(), found, design(len(SITES), 3, 1))
    return TwoStates(design(N_SITES, 2, 2), given)


def scored_signs() -> TwoStates:
    rng = np.random.default_rng(3)
    sign_visit = np.array([0, 0, 0, 2, 5, 5, 8])
    log_ratio = np.array([2.0, -1.0, 0.5, 6.0, -np.inf, 1.0, 0.0])
    given = ScoredSigns(
        layout(),
        rng.uniform(0.5, 3.0, len(SITES)),
        sign_visit,
        log_ratio,
        design(len(SITES), 2, 4),
        design(len(SITES), 2, 5),
    )
    return TwoStates(design(N_SITES, 2, 6), given)


def sure_unsure() -> TwoStates:
    grade = np.array([1, 0, 2, 0, 1, 0, 0, 1, 0])
    given = SureUnsure(layout(), grade, design(len(SITES), 2, 7))
    return TwoStates(design(N_SITES, 2, 8), given)


# Three walks of two lines, with a gap in the second walk; every visit is a look of its own.
STEPS = np.array([[0, 1, 2, 3], [4, -1, 5, -1], [6, 7, 8, -1]])
LINE = np.array([0, 0, 1])


def singly() -> Layout:
    return layout(np.arange(len(SITES)), len(SITES))


def line_of(record: str, first: str = "steady") -> TwoStates:
    given = dataclasses.replace(MODELS[record]().given, layout=singly())
    return TwoStates(design(3, 2, 9), MarkovLine(given, STEPS, LINE, 3, first))


# Two units over three months: the sites of the layout in month order, one never visited.
MONTHS = np.array([[0, 2, 1], [3, -1, -1]])


# Two changes of two units, month by month.
CHANGES = {"gain_matrix": design(4, 2, 14), "loss_matrix": design(4, 3, 15)}
ALIKE = {"gain_matrix": np.ones((1, 1)), "loss_matrix": np.ones((1, 1))}


def months_of(record: str, changes: dict[str, np.ndarray] = ALIKE) -> Months:
    return Months(design(2, 2, 10), MODELS[record]().given, MONTHS, **changes)


# Two transects of three places, one shorter.
PLACES = np.array([[0, 3, 1], [2, -1, -1]])


def stretches_of(record: str) -> Stretches:
    return Stretches(MODELS[record]().given, PLACES)


def abundance(most: int = 20) -> Abundance:
    found = np.array([1, 0, 1, 0, 0, 0, 0, 0, 0], dtype=float)
    return Abundance(layout(), found, design(N_SITES, 2, 12), design(len(SITES), 2, 13), most)


MODELS: dict[str, Callable[[], States]] = {
    "abundance": abundance,
    "repeat_visits": repeat_visits,
    "scored_signs": scored_signs,
    "sure_unsure": sure_unsure,
    "line": lambda: line_of("repeat_visits"),
    "line_after_unused": lambda: line_of("repeat_visits", "after_unused"),
    "line_scored": lambda: line_of("scored_signs"),
    "line_sure_unsure": lambda: line_of("sure_unsure"),
    "months": lambda: months_of("repeat_visits"),
    "months_scored": lambda: months_of("scored_signs"),
    "months_sure_unsure": lambda: months_of("sure_unsure"),
    "months_covariates": lambda: months_of("repeat_visits", CHANGES),
    "months_scored_covariates": lambda: months_of("scored_signs", CHANGES),
    "neighbours": lambda: stretches_of("repeat_visits"),
    "neighbours_scored": lambda: stretches_of("scored_signs"),
    "neighbours_sure_unsure": lambda: stretches_of("sure_unsure"),
}
SINGLE = ["repeat_visits", "scored_signs", "sure_unsure"]


def points(model: States, how_many: int = 4) -> list[np.ndarray]:
    rng = np.random.default_rng(11)
    size = len(model.starts()[0])
    return [rng.normal(scale=0.8, size=size) for _ in range(how_many)]


def densities(record: GivenState, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the densities of each site's record, used and unused."""
    given = record.at(theta)
    return np.exp(given.present), np.exp(given.absent)


@pytest.mark.parametrize("name", MODELS)
def test_gradient_and_hessian_agree_with_finite_differences(name: str) -> None:
    model = MODELS[name]()
    for point in points(model):
        here = model.evaluate(point)
        step = 1e-5
        for k in range(len(point)):
            ahead, behind = point.copy(), point.copy()
            ahead[k] += step
            behind[k] -= step
            up, down = model.evaluate(ahead), model.evaluate(behind)
            assert here.gradient[k] == pytest.approx(
                (up.loglik - down.loglik) / (2 * step), rel=1e-6, abs=1e-7
            )
            slope = (up.gradient - down.gradient) / (2 * step)
            assert here.hessian[k] == pytest.approx(slope, rel=1e-5, abs=1e-6)
        assert here.hessian == pytest.approx(here.hessian.T)


@pytest.mark.parametrize("name", MODELS)
def test_the_slope_of_the_log_odds_agrees_with_finite_differences(name: str) -> None:
    model = MODELS[name]()
    point = points(model, 1)[0]
    odds, slope = model.log_odds(point)
    open_sites = np.isfinite(odds)
    assert open_sites.any()
    for k in range(len(point)):
        ahead, behind = point.copy(), point.copy()
        ahead[k] += 1e-6
        behind[k] -= 1e-6
        up, down = model.log_odds(ahead)[0], model.log_odds(behind)[0]
        numeric = (up[open_sites] - down[open_sites]) / 2e-6
        assert slope[open_sites, k] == pytest.approx(numeric, rel=1e-6, abs=1e-7)


@pytest.mark.parametrize("name", SINGLE)
def test_a_site_nobody_visited_keeps_the_odds_of_any_site(name: str) -> None:
    model = MODELS[name]()
    point = points(model, 1)[0]
    odds, slope = model.log_odds(point)
    assert odds[2] == pytest.approx(model.psi_matrix[2] @ point[: model.n_psi])
    assert slope[2, model.n_psi :] == pytest.approx(0)


def test_repeat_visits_against_the_sum_over_all_states() -> None:
    model = repeat_visits()
    given = model.given
    for point in points(model):
        psi = expit(model.psi_matrix @ point[:2])
        p = expit(given.p_matrix @ point[2:])
        total = 0.0
        for states in itertools.product([0, 1], repeat=N_SITES):
            chance = math.prod(psi[i] if z else 1 - psi[i] for i, z in enumerate(states))
            for visit, site in enumerate(SITES):
                detect = states[site] * p[visit]
                chance *= detect if given.found[visit] else 1 - detect
            total += chance
        assert model.evaluate(point).loglik == pytest.approx(math.log(total), abs=1e-10)


def test_sure_and_unsure_finds_against_the_sum_over_all_states() -> None:
    model = sure_unsure()
    given = model.given
    for point in points(model):
        psi = expit(model.psi_matrix @ point[:2])
        p = expit(given.p_matrix @ point[2:4])
        ratio, sure = expit(point[4:])
        used = np.column_stack([1 - p, p * (1 - sure), p * sure])
        unused = np.column_stack([1 - p * ratio, p * ratio, 0 * p])
        total = 0.0
        for states in itertools.product([0, 1], repeat=N_SITES):
            chance = math.prod(psi[i] if z else 1 - psi[i] for i, z in enumerate(states))
            for visit, site in enumerate(SITES):
                chance *= (used if states[site] else unused)[visit, given.grade[visit]]
            total += chance
        assert model.evaluate(point).loglik == pytest.approx(math.log(total), abs=1e-10)


@pytest.mark.parametrize("record", SINGLE)
@pytest.mark.parametrize("first", ["steady", "after_unused"])
def test_a_line_against_the_sum_over_all_states(record: str, first: str) -> None:
    model = line_of(record, first)
    for point in points(model, 2):
        psi = expit(model.psi_matrix @ point[:2])
        gain, stay = expit(point[2:4])
        start = gain / (gain + 1 - stay) if first == "steady" else gain
        there, absent = densities(model.given.record, point[4:])
        used, unused = np.ones(3), np.ones(3)
        for walk, line in zip(STEPS, LINE, strict=True):
            looks = [(there[k], absent[k]) if k >= 0 else (1.0, 1.0) for k in walk]
            used[line] *= chain_density(looks, start, gain, stay)
            unused[line] *= math.prod(b for _, b in looks)
        total = np.log(psi * used + (1 - psi) * unused)
        assert model.evaluate(point).loglik == pytest.approx(total.sum(), abs=1e-10)


def chain_density(
    looks: list[tuple[float, float]], start: float, gain: float, stay: float
) -> float:
    """Sum over every course that a chain can take."""
    total = 0.0
    for course in itertools.product([0, 1], repeat=len(looks)):
        chance = start if course[0] else 1 - start
        for before, after in itertools.pairwise(course):
            up = stay if before else gain
            chance *= up if after else 1 - up
        total += chance * math.prod(a if z else b for z, (a, b) in zip(course, looks, strict=True))
    return total


@pytest.mark.parametrize("record", SINGLE)
def test_months_against_the_sum_over_all_courses(record: str) -> None:
    model = months_of(record)
    for point in points(model, 2):
        psi = expit(model.psi_matrix @ point[:2])
        gain, stay = expit(point[2]), 1 - expit(point[3])
        there, absent = densities(model.record, point[4:])
        total, smoothed = 0.0, {}
        for unit, run in enumerate(MONTHS):
            looks = [(there[k], absent[k]) if k >= 0 else (1.0, 1.0) for k in run]
            whole = chain_density(looks, psi[unit], gain, stay)
            total += math.log(whole)
            for month, site in enumerate(run):
                if site >= 0:
                    only = [(a, 0.0 if month == m else b) for m, (a, b) in enumerate(looks)]
                    smoothed[site] = chain_density(only, psi[unit], gain, stay) / whole
        assert model.evaluate(point).loglik == pytest.approx(total, abs=1e-10)
        told = expit(model.log_odds(point)[0])
        for site, chance in smoothed.items():
            assert told[site] == pytest.approx(chance, abs=1e-10)


def test_abundance_against_the_sum_over_animals() -> None:
    model = abundance()
    for point in points(model):
        mean = np.exp(model.mean_matrix @ point[:2])
        r = expit(model.r_matrix @ point[2:])
        total, some = np.zeros(N_SITES), np.zeros(N_SITES)
        for animals in range(21):
            chance = poisson.pmf(animals, mean)
            p = 1 - (1 - r) ** animals
            for visit, site in enumerate(SITES):
                chance[site] *= p[visit] if model.found[visit] else 1 - p[visit]
            total += chance
            some += chance if animals else 0
        assert model.evaluate(point).loglik == pytest.approx(np.log(total).sum(), abs=1e-10)
        assert expit(model.log_odds(point)[0]) == pytest.approx(some / total, abs=1e-10)


def test_units_that_hold_one_animal_at_most_are_the_plain_model() -> None:
    mixed = abundance(most=1)
    point = points(mixed, 1)[0]
    mean = np.exp(mixed.mean_matrix @ point[:2])
    psi = mean / (1 + mean)  # P(N = 1 | N < 2)
    plain = TwoStates(logit(psi)[:, None], RepeatVisits(layout(), mixed.found, mixed.r_matrix))
    theirs = plain.evaluate(np.array([1.0, *point[2:]])).loglik
    less = poisson.logcdf(1, mean).sum()
    assert mixed.evaluate(point).loglik == pytest.approx(theirs + less, abs=1e-10)


def test_what_the_sum_over_animals_leaves_out_is_told() -> None:
    point = np.array([1.5, 0.0, 0.0, 0.0])
    short, long = abundance(most=5), abundance(most=60)
    assert short.tail(point) > 0.1
    assert long.tail(point) < 1e-12
    assert short.evaluate(point).loglik < long.evaluate(point).loglik


def test_without_false_finds_sure_and_unsure_are_the_plain_model() -> None:
    # Unsure finds only, none of them false: a find is a find, whatever its grade.
    grade = np.array([1, 0, 2, 0, 0, 0, 0, 1, 0])
    p_matrix, psi_matrix = design(len(SITES), 2, 7), design(N_SITES, 2, 8)
    graded = TwoStates(psi_matrix, SureUnsure(layout(), grade, p_matrix))
    plain = TwoStates(psi_matrix, RepeatVisits(layout(), (grade > 0).astype(float), p_matrix))
    shared, sure = np.array([0.3, -0.2, -0.4, 0.6]), 0.7
    ours = graded.evaluate(np.array([*shared, -60.0, sure])).loglik
    grades = np.log(expit(sure)) + 2 * np.log(expit(-sure))
    assert ours == pytest.approx(plain.evaluate(shared).loglik + grades, abs=1e-10)


def test_a_line_without_stretches_is_the_plain_model_with_p_times_c() -> None:
    model = line_of("repeat_visits")
    record = RepeatVisits(singly(), model.given.record.found, np.ones((len(SITES), 1)))
    line = TwoStates(np.ones((3, 1)), MarkovLine(record, STEPS, LINE, 3))
    logit_c, logit_p, psi = 0.4, 0.9, 0.2
    p = expit(logit_c) * expit(logit_p)
    by_line = layout(np.array([0, 0, 0, 0, 0, 0, 1, 1, 1]), 3)
    plain = TwoStates(np.ones((3, 1)), RepeatVisits(by_line, record.found, np.ones((9, 1))))
    ours = line.evaluate(np.array([psi, logit_c, logit_c, logit_p])).loglik
    assert ours == pytest.approx(plain.evaluate(np.array([psi, logit(p)])).loglik, abs=1e-10)


@pytest.mark.parametrize("record", SINGLE)
def test_months_that_forget_are_sites_of_one_period(record: str) -> None:
    inner = MODELS[record]().given
    theta, psi = points(MODELS[record](), 1)[0][2:], 0.35
    units = np.array([[0, 2], [3, 1]])
    chained = Months(np.ones((2, 1)), inner, units, **ALIKE)
    single = TwoStates(np.ones((N_SITES, 1)), inner)
    ours = np.concatenate([[psi, psi, -psi], theta])
    theirs = np.concatenate([[psi], theta])
    assert chained.evaluate(ours).loglik == pytest.approx(single.evaluate(theirs).loglik, abs=1e-10)
    assert expit(chained.log_odds(ours)[0]) == pytest.approx(
        expit(single.log_odds(theirs)[0]), abs=1e-12
    )


def all_makers(signs: int, used: int) -> list[tuple[int, ...]]:
    """List who may have made each sign: 1 the taxon, 0 a look-alike; only 0 if unused."""
    return list(itertools.product([0, 1] if used else [0], repeat=signs))


def test_scored_signs_against_the_sum_over_states_and_makers() -> None:
    # Independent of the algebra in the file: each visit is a set of two labelled Poisson
    # processes, and the sum runs over the states and over who made each sign.
    model = scored_signs()
    given = model.given
    for point in points(model):
        psi = expit(model.psi_matrix @ point[:2])
        rate = np.exp(given.rate_matrix @ point[2:4]) * given.effort
        other = np.exp(given.lookalike_matrix @ point[4:]) * given.effort
        total = 0.0
        for states in itertools.product([0, 1], repeat=N_SITES):
            chance = math.prod(psi[i] if z else 1 - psi[i] for i, z in enumerate(states))
            for visit, site in enumerate(SITES):
                ratios = np.exp(given.log_ratio[given.sign_visit == visit])
                density = 0.0
                for makers in all_makers(len(ratios), states[site]):
                    one = math.exp(-states[site] * rate[visit] - other[visit])
                    for maker, ratio in zip(makers, ratios, strict=True):
                        one *= rate[visit] * ratio if maker else other[visit]
                    density += one
                chance *= density
            total += chance
        assert model.evaluate(point).loglik == pytest.approx(math.log(total), abs=1e-10)


def test_sure_signs_reduced_to_found_are_the_plain_model() -> None:
    # phi = 0 and s without bound. Given that a visit found, the density of its signs does
    # not depend on the state, and what is left of the likelihood is the plain one.
    effort = np.array([1.0, 2.0, 0.5, 1.0, 1.5, 1.0, 1.0, 2.0, 0.3])
    sign_visit = np.array([0, 0, 2, 5])
    log_ratio = np.full(4, 25.0)
    ones = np.ones((len(SITES), 1))
    scored = ScoredSigns(layout(), effort, sign_visit, log_ratio, ones, ones)
    psi_matrix = np.ones((N_SITES, 1))
    log_rate, logit_psi, nothing = -0.4, 0.3, -34.0
    marked = TwoStates(psi_matrix, scored)
    point = np.array([logit_psi, log_rate, nothing])

    rate_signs = np.exp(log_rate) * effort
    p = -np.expm1(-rate_signs)
    found = np.bincount(sign_visit, minlength=len(SITES)) > 0
    plain_design = np.log(p / (1 - p))[:, None]
    plain = TwoStates(psi_matrix, RepeatVisits(layout(), found.astype(float), plain_design))
    given_found = sum(
        -rate_signs[v]
        - math.log(p[v])
        + np.sum(math.log(rate_signs[v]) + log_ratio[sign_visit == v])
        for v in np.flatnonzero(found)
    )
    expected = plain.evaluate(np.array([logit_psi, 1.0])).loglik + given_found
    assert marked.evaluate(point).loglik == pytest.approx(expected, abs=1e-10)
    blank = np.array([1, 2])
    ours, theirs = marked.log_odds(point)[0], plain.log_odds(np.array([logit_psi, 1.0]))[0]
    assert ours[blank] == pytest.approx(theirs[blank], abs=1e-12)
    assert expit(ours[[0, 3]]) == pytest.approx(1, abs=1e-12)


def test_signs_without_evidence_leave_a_mixture_of_poisson_counts() -> None:
    effort = np.array([1.0, 2.0, 0.5, 1.0, 1.5, 1.0, 1.0, 2.0, 0.3])
    sign_visit = np.array([0, 0, 2, 5, 8, 8, 8])
    ones = np.ones((len(SITES), 1))
    scored = ScoredSigns(layout(), effort, sign_visit, np.zeros(7), ones, ones)
    point = np.array([0.2, -0.5, -1.0])
    rate, other = np.exp(point[1:])
    counts = np.bincount(sign_visit, minlength=len(SITES))
    used = poisson.logpmf(counts, (rate + other) * effort)
    unused = poisson.logpmf(counts, other * effort)
    psi = expit(0.2)
    total = 0.0
    for site in range(N_SITES):
        here = np.equal(SITES, site)
        total += np.log(psi * np.exp(used[here].sum()) + (1 - psi) * np.exp(unused[here].sum()))
    # The densities of the file are those of points, so n! and a constant lie between them.
    constant = sum(math.lgamma(n + 1) for n in counts)
    model = TwoStates(np.ones((N_SITES, 1)), scored)
    assert model.evaluate(point).loglik == pytest.approx(total + constant, abs=1e-10)


def test_the_sign_of_a_sure_dog_hardly_moves_presence() -> None:
    ones = np.ones((1, 1))

    def odds(log_ratio: list[float]) -> float:
        given = ScoredSigns(
            layout(np.array([0]), 1),
            np.array([1.0]),
            np.zeros(len(log_ratio), dtype=int),
            np.array(log_ratio),
            ones,
            ones,
        )
        return float(TwoStates(ones, given).log_odds(np.array([0.0, -0.7, -0.2]))[0][0])

    blank = odds([])
    assert blank == pytest.approx(-np.exp(-0.7))
    assert odds([-np.inf]) == pytest.approx(blank, abs=1e-14)
    assert odds([-12.0]) == pytest.approx(blank, abs=1e-4)
    assert odds([1.0]) > blank
    assert odds([1.0, 1.0]) > odds([1.0])
