"""Company: receivers that were carried together are one party, and its walk is one walk.

Two people who walk together see the same sign. Were each log a walk of its own, each trail would
be two and each metre would count twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Receivers no farther apart than this are taken to be together (common practice, no source).
TOGETHER_WITHIN_M: Final = 200.0

#: Share of the shorter walk that must be shared in time, and share of the shared time that must
#: be spent together: most of it.
MOST: Final = 0.5

_MOMENTS: Final = 48


def join_company(walk: IntArray, seconds: FloatArray, x: FloatArray, y: FloatArray) -> IntArray:
    """Give the walks of one party the number of the earliest of them.

    Two walks belong to one party if they overlap in time for most of the shorter one, and are
    within 200 m of each other for most of the time that they share. Company is passed on: with
    A beside B and B beside C, all three are one party.

    Parameters
    ----------
    walk : array of int
        Number of the walk of each fix, 0, 1, ... without gaps.
    seconds : array
        Time of each fix.
    x, y : array
        Place of each fix, metres, in a projected CRS.

    Returns
    -------
    array of int
        Number of the earliest walk of the party, for each fix.

    Notes
    -----
    Places are compared at 48 moments of the time shared, on the straight line between the fixes
    before and after. Only walks that overlap in time and in their bounding boxes are compared.

    Examples
    --------
    >>> seconds = np.array([0.0, 600, 20, 620, 0, 600])
    >>> x = np.array([0.0, 700, 0, 700, 700, 0])  # the third walks the other way
    >>> join_company(np.array([0, 0, 1, 1, 2, 2]), seconds, x, np.zeros(6)).tolist()
    [0, 0, 0, 0, 2, 2]
    """
    if not len(walk):
        return walk
    order = np.lexsort((seconds, walk))
    first = np.flatnonzero(np.diff(walk[order], prepend=-1))
    walks = _Walks(seconds[order], x[order], y[order], first)
    by_start = np.argsort(walks.begins, kind="stable")
    one, other = _overlapping(walks, by_start)
    beside = _boxes_meet(walks.x, first, one, other) & _boxes_meet(walks.y, first, one, other)
    one, other = one[beside], other[beside]
    together = _near_most_of_the_time(walks, one, other)
    return _earliest(one[together], other[together], by_start)[walk]


@dataclass(frozen=True)
class _Walks:
    """Fixes in order of walk and time; `first` is the row of each walk's first fix."""

    seconds: FloatArray
    x: FloatArray
    y: FloatArray
    first: IntArray

    @property
    def begins(self) -> FloatArray:
        return self.seconds[self.first]

    @property
    def ends(self) -> FloatArray:
        return self.seconds[np.append(self.first[1:], len(self.x)) - 1]


def _overlapping(walks: _Walks, by_start: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of walks that share most of the shorter one's time; the earlier of each in front."""
    start, end = walks.begins[by_start], walks.ends[by_start]
    here = np.arange(len(start))
    count = np.maximum(np.searchsorted(start, end, side="left") - here - 1, 0)
    one = np.repeat(here, count)
    other = one + 1 + np.arange(len(one)) - np.repeat(np.cumsum(count) - count, count)
    shared = np.minimum(end[one], end[other]) - start[other]
    shorter = np.minimum((end - start)[one], (end - start)[other])
    much = (shared > 0) & (shared >= MOST * shorter)
    return by_start[one[much]], by_start[other[much]]


def _boxes_meet(
    along: FloatArray, first: IntArray, one: IntArray, other: IntArray
) -> npt.NDArray[np.bool_]:
    """Whether two walks come within reach of each other along one axis."""
    low, high = np.minimum.reduceat(along, first), np.maximum.reduceat(along, first)
    meet: npt.NDArray[np.bool_] = (low[one] <= high[other] + TOGETHER_WITHIN_M) & (
        low[other] <= high[one] + TOGETHER_WITHIN_M
    )
    return meet


def _near_most_of_the_time(walks: _Walks, one: IntArray, other: IntArray) -> npt.NDArray[np.bool_]:
    """Whether two walks are together at most of the moments sampled from the time they share.

    All walks lie end to end on one clock, so that one interpolation places them all.
    """
    x, y, first = walks.x, walks.y, walks.first
    span = float(np.ptp(walks.seconds)) + 1.0
    number = np.repeat(np.arange(len(first)), np.diff(np.append(first, len(x))))
    clock = walks.seconds + number * span
    begin, end = walks.begins[other], np.minimum(walks.ends[one], walks.ends[other])
    moment = begin[:, None] + np.outer(end - begin, (np.arange(_MOMENTS) + 0.5) / _MOMENTS)
    at_one, at_other = moment + one[:, None] * span, moment + other[:, None] * span
    apart = np.hypot(
        np.interp(at_one, clock, x) - np.interp(at_other, clock, x),
        np.interp(at_one, clock, y) - np.interp(at_other, clock, y),
    )
    near: npt.NDArray[np.bool_] = (apart <= TOGETHER_WITHIN_M).mean(axis=1) > MOST
    return near


def _earliest(one: IntArray, other: IntArray, by_start: IntArray) -> IntArray:
    """For each walk the earliest of its party."""
    count = len(by_start)
    rank = np.empty(count, dtype=np.int64)
    rank[by_start] = np.arange(count)
    pairs = coo_array((np.ones(len(one)), (rank[one], rank[other])), shape=(count, count))
    party = connected_components(pairs.tocsr(), directed=False)[1]
    first_of_party = np.unique(party, return_index=True)[1]
    return by_start[first_of_party[party]][rank]
