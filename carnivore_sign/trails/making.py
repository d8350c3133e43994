"""Trails room: when a trail was made, from ages that observers state and sometimes get wrong.

A stated age is an opinion about weathering. A share of those opinions misses (`AGE_ERROR_SHARE`),
mostly by little: each window therefore counts as a density in time, even inside, with a tail
beyond each end that holds half of that share. The sign of one trail were made at one time, so
that their densities are multiplied; what remains is cut at the limits that hold `HELD` of it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.trails.likelihood import FloatArray, IntArray

#: Share of stated ages whose window does not hold the true age. A working value: common
#: practice, no source.
AGE_ERROR_SHARE: Final = 0.10
#: Beyond a window's end the density falls to one half where the age is this many times
#: older, or younger. A working value: common practice, no source.
AGE_ERROR_TIMES: Final = 1.3
#: Share of the probability that lies between the limits that are given.
HELD: Final = 0.95

_POINTS: Final = 160  # of time, at which the density of a trail is taken
_YOUNGEST_H: Final = 0.05
_BEYOND: Final = 10.0  # times the oldest stated age: so far back the density is followed
_BLOCK: Final = 20_000  # sign at a time, to keep arrays small
_SLACK_H: Final = 1.0  # nobody tells ages nearer than this
_FALL: Final = np.log(2.0) / np.log(AGE_ERROR_TIMES)  # power by which the tails fall


def stated_ages(
    found_h: FloatArray, age_min_h: FloatArray, age_max_h: FloatArray, group: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Limits of the age of each trail when its first sign was found.

    Parameters
    ----------
    found_h : ndarray
        When each sign was found, in hours since some epoch; NaN if unknown.
    age_min_h, age_max_h : ndarray
        Stated youngest and oldest age; NaN where none was stated.
    group : ndarray of int
        Trail of each sign, numbered from 0, sorted.

    Returns
    -------
    youngest_h, oldest_h : ndarray, shape (trails,)
        Hours before the first find. Where no sign states a youngest age it is 0, and where none
        states an oldest the other is NaN.

    Examples
    --------
    >>> one = stated_ages(np.zeros(1), np.array([6.0]), np.array([12.0]), np.zeros(1, dtype=int))
    >>> [limit.round(1).tolist() for limit in one]
    [[4.8], [18.5]]
    >>> none = np.full(1, np.nan)
    >>> [limit.tolist() for limit in stated_ages(np.zeros(1), none, none, np.zeros(1, dtype=int))]
    [[0.0], [nan]]
    """
    count = int(group[-1]) + 1 if len(group) else 0
    first = pd.Series(found_h).groupby(group).transform("min").to_numpy()
    later = np.nan_to_num(found_h - first)
    low, high = np.nan_to_num(age_min_h), np.where(np.isnan(age_max_h), np.inf, age_max_h)
    high = np.maximum(high, low + 0.1)
    youngest, oldest = _one_sided(low - later, group, count)
    closed = np.bincount(group, np.isfinite(high), count) > 0
    for rows in _blocks(group, closed):
        own, number = np.unique(group[rows], return_inverse=True)
        young, old = _limits(later[rows], low[rows], high[rows], number)
        youngest[own], oldest[own] = young, old
    unstated = np.bincount(group, low > 0, count) == 0
    youngest[unstated] = 0.0
    return youngest, oldest


def _one_sided(low: FloatArray, group: IntArray, count: int) -> tuple[FloatArray, FloatArray]:
    """Youngest age of trails whose sign state no oldest: the greatest, less what it may miss."""
    youngest = np.zeros(count)
    told = (low + _SLACK_H) * 0.5 ** (1.0 / (_FALL + 1.0)) - _SLACK_H
    np.maximum.at(youngest, group, told)
    return youngest, np.full(count, np.nan)


def _blocks(group: IntArray, closed: np.ndarray) -> list[IntArray]:
    """Rows of the sign of closed trails, whole trails together, a block at a time."""
    rows = np.flatnonzero(closed[group])
    if not len(rows):
        return []
    starts = np.flatnonzero(np.diff(group[rows], prepend=-1))
    cuts = starts[np.flatnonzero(np.diff(starts // _BLOCK)) + 1]
    return list(np.split(rows, cuts))


def _limits(
    later: FloatArray, low: FloatArray, high: FloatArray, number: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Central limits of the age of each trail at its first find."""
    starts = np.flatnonzero(np.diff(number, prepend=-1))
    oldest = np.maximum.reduceat(np.where(np.isfinite(high), high, low), starts) + _SLACK_H
    steps = np.linspace(0.0, 1.0, _POINTS)
    ages = _YOUNGEST_H * (_BEYOND * oldest / _YOUNGEST_H)[:, None] ** steps
    said = _log_density(ages[number] + later[:, None], low[:, None], high[:, None])
    joint = np.add.reduceat(said, starts, axis=0)
    density = np.exp(joint - joint.max(axis=1, keepdims=True))
    pieces = (density[:, 1:] + density[:, :-1]) / 2.0 * np.diff(ages, axis=1)
    below = np.cumsum(pieces, axis=1)
    below /= below[:, -1:]
    tail = (1.0 - HELD) / 2.0
    return _age_at(tail, below, ages), _age_at(1.0 - tail, below, ages)


def _age_at(share: float, below: FloatArray, ages: FloatArray) -> FloatArray:
    """Age below which a share of the probability lies, interpolated."""
    rows = np.arange(len(below))
    place = np.minimum((below < share).sum(axis=1), below.shape[1] - 1)
    before = np.where(place > 0, below[rows, place - 1], 0.0)
    part = (share - before) / np.maximum(below[rows, place] - before, 1e-300)
    return np.asarray(ages[rows, place] + part * (ages[rows, place + 1] - ages[rows, place]))


def _log_density(age: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Log density of an age under a stated window, but for a constant: 0 inside."""
    closed = np.isfinite(high)
    width = np.where(closed, high - low, low)
    below = (low + _SLACK_H) / (_FALL + 1.0)
    above = (np.where(closed, high, 0.0) + _SLACK_H) / (_FALL - 1.0)
    odds = AGE_ERROR_SHARE / 2.0 / (1.0 - AGE_ERROR_SHARE)
    younger = np.log(np.clip(odds * width / below, 1e-12, 1.0))
    older = np.log(np.clip(odds * width / above, 1e-12, 1.0))
    short = np.log((age + _SLACK_H) / (low + _SLACK_H))
    long = np.log((age + _SLACK_H) / (np.where(closed, high, 0.0) + _SLACK_H))
    said = np.where(age < low, younger + _FALL * short, 0.0)
    return np.asarray(np.where(age > high, older - _FALL * long, said))
