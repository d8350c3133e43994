r"""Pearson: how far a survey is from what a model expects of it, as a chi-squared.

*Found or not, and graded finds*: over detection histories. Units with as many visits form a
cohort; in it each history that was seen adds :math:`(O - E)^2 / E`, and all those never seen
add what was expected of them. With months or stretches each unit in each period is held
against what the model expects of it before anybody looks. Along a line there are more histories
than lines: walks are cut into pieces of `TOGETHER` segments, and a piece is a history.

*Scored signs*: over the numbers of trails, :math:`\sum (O - E)^2 / E` of the units (lines,
where segments are chained along them).

Sources: MacKenzie & Bailey 2004, J Agric Biol Environ Stat 9:300-318, for histories of single
periods; what is done for chains, lines and trails follows from it.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
from scipy.special import expit
from scipy.stats import poisson

from carnivore_sign.presence.drawing import Survey
from carnivore_sign.presence.fitting import BoolArray
from carnivore_sign.presence.layout import FloatArray, IntArray

#: Segments of a walk that make up a piece.
TOGETHER: Final = 4

_SMALLEST: Final = 1e-12
_NEVER: Final = 1e-300


class _State(NamedTuple):
    """A state that units may be in: how probable, and the log chances of each grade, by visit."""

    weight: FloatArray  #: (n_units,)
    log_chance: FloatArray  #: (n_units, n_visits, n_grades)


def chi_square(survey: Survey) -> float:
    """Return Pearson's chi-squared of a survey under its model."""
    if survey.model.name == "scored_signs":
        return _of_trails(survey)
    grade = survey.histories.visits["grade"].to_numpy(dtype=np.int64)
    if survey.model.name != "sure_unsure":
        grade = survey.histories.visits["found"].to_numpy(dtype=np.int64)
    cells = _pieces(survey) if survey.model.chain == "line" else _by_site(survey)
    masks, cohort = np.unique(cells >= 0, axis=0, return_inverse=True)
    total = 0.0
    for k, mask in enumerate(masks):
        rows = np.flatnonzero(cohort == k)
        looks = cells[rows][:, mask]
        if looks.shape[1]:
            total += _of_histories(grade[looks], _states(survey, rows, cells[rows], mask))
    return total


def _of_trails(survey: Survey) -> float:
    site, size = survey.layout.site, survey.layout.n_sites
    expected = np.bincount(site, survey.expected_finds(), minlength=size)
    trails = np.bincount(site, survey.finds(), minlength=size)
    there = expected > 0
    return float(((trails - expected)[there] ** 2 / expected[there]).sum())


def _of_histories(seen: IntArray, states: Iterator[_State]) -> float:
    """Return the chi-squared of a cohort, whose units may be in one of several states."""
    histories, count = np.unique(seen, axis=0, return_counts=True)
    expected = np.zeros(len(histories))
    for state in states:
        log_record = np.zeros((len(seen), len(histories)))
        for grade in range(state.log_chance.shape[2]):
            log_record += state.log_chance[:, :, grade] @ (histories == grade).T
        expected += state.weight @ np.exp(log_record)
    return float(((count - expected) ** 2 / expected).sum() + len(seen) - expected.sum())


def _states(survey: Survey, rows: IntArray, cells: IntArray, mask: BoolArray) -> Iterator[_State]:
    """Go through the states of the units of a cohort."""
    looks = cells[:, mask]
    if survey.model.name == "abundance":
        yield from _animals(survey, rows, looks)
        return
    used, unused = (log_chance[looks] for log_chance in _log_chances(survey))
    if survey.model.chain == "line":
        for weight, path in _paths(survey, rows, cells.shape[1]):
            yield _State(weight, np.where(path[mask][:, None], used, unused))
        return
    psi = survey.expected_presence()[rows]
    yield _State(psi, used)
    yield _State(1.0 - psi, unused)


def _animals(survey: Survey, rows: IntArray, looks: IntArray) -> Iterator[_State]:
    mean = survey.head()[rows]
    missed = 1.0 - survey.by_visit("r")[looks]
    for animals in range(survey.model.most_animals + 1):
        miss = np.clip(missed**animals, _SMALLEST, 1.0)
        found = np.clip(1.0 - miss, _NEVER, 1.0)
        log_chance = np.log(np.stack([miss, found], axis=2))
        yield _State(np.asarray(poisson.pmf(animals, mean)), log_chance)


def _log_chances(survey: Survey) -> tuple[FloatArray, FloatArray]:
    """Return the logarithms of the chance of each grade, by visit, used and unused."""
    p = np.clip(survey.by_visit("p"), _SMALLEST, 1.0 - _SMALLEST)
    if survey.model.name == "repeat_visits":
        used, unused = [1.0 - p, p], [np.ones_like(p), np.zeros_like(p)]
    else:
        false, sure = p * survey.value("false_ratio"), survey.value("sure_share")
        used = [1.0 - p, p * (1.0 - sure), p * sure]
        unused = [1.0 - false, false, np.zeros_like(p)]
    log_used, log_unused = (
        np.log(np.maximum(np.stack(chance, axis=1), _NEVER)) for chance in (used, unused)
    )
    return log_used, log_unused


def _by_site(survey: Survey) -> IntArray:
    """Return the visits of each site that has some, in the order of their rows; -1 for none."""
    site, size = survey.layout.site, survey.layout.visits_per_site
    order = np.argsort(site, kind="stable")
    cells = np.full((len(size), size.max(initial=0)), -1, dtype=np.int64)
    place = np.arange(len(order)) - np.repeat(np.cumsum(size) - size, size)
    cells[site[order], place] = order
    return cells


def _pieces(survey: Survey) -> IntArray:
    """Return the looks of each piece of each walk; -1 for a segment left out."""
    steps = survey.line.steps
    short = -steps.shape[1] % TOGETHER
    return np.pad(steps, ((0, 0), (0, short)), constant_values=-1).reshape(-1, TOGETHER)


def _paths(survey: Survey, rows: IntArray, length: int) -> Iterator[tuple[FloatArray, BoolArray]]:
    """Go through the courses of states along pieces: how probable each, and which are used."""
    chains = survey.line_chains()
    per_walk = -(-survey.line.steps.shape[1] // length)
    walk, begin = rows // per_walk, rows % per_walk * length
    psi = survey.expected_presence()[survey.line.line[walk]]
    gain, stay = (float(survey.value(name)) for name in ("after_unused", "after_used"))
    first = _along(float(expit(chains.first[0])), gain, stay, chains.steps.shape[1])[begin]
    yield 1.0 - psi, np.zeros(length, dtype=bool)
    for path in itertools.product([False, True], repeat=length):
        weight = psi * (first if path[0] else 1.0 - first)
        for before, after in itertools.pairwise(path):
            up = stay if before else gain
            weight = weight * (up if after else 1.0 - up)
        yield weight, np.array(path)


def _along(first: float, gain: float, stay: float, length: int) -> FloatArray:
    """Return P(used) at each place of a line that is used."""
    used = np.empty(length)
    used[0] = first
    for t in range(length - 1):
        used[t + 1] = used[t] * stay + (1.0 - used[t]) * gain
    return used
