"""Layout: the histories as arrays, so that a likelihood is a few matrix products.

Sites are the rows of ``histories.units`` (a unit in a period). Sums over the visits of a
site, and over the signs of a visit, are products with sparse matrices of ones, which take
time linear in the rows and need no loop.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from carnivore_sign.errors import InputError
from carnivore_sign.presence.histories import Histories

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Numbers of unit times numbers of period, for each row there is: above it they are renumbered.
_SPARSE: Final = 8


@dataclass(frozen=True)
class Layout:
    """Which site each visit belongs to, and which visit each sign.

    Attributes
    ----------
    frame : DataFrame
        The sites: ``unit``, ``period`` and what else is known of them.
    site : array of int, shape (n_visits,)
        Row of `frame` of each visit.
    visits_per_site : array of int, shape (n_sites,)
    place, time : array of int, shape (n_sites,)
        Number of each site's unit, by appearance, and of its period, in their order.
    """

    frame: pd.DataFrame
    site: IntArray
    visits_per_site: IntArray
    place: IntArray
    time: IntArray

    @cached_property
    def units(self) -> pd.DataFrame:
        """The sites: ``unit`` and ``period`` alone."""
        return self.frame[["unit", "period"]]

    @cached_property
    def sum_visits(self) -> sparse.csr_array:
        """The matrix of ones that adds a column of the visits up by site."""
        return adder(self.site, self.n_sites)

    def rows_of(self, pairs: pd.DataFrame) -> IntArray:
        """Return the site of each ``unit`` and ``period``; -1 where there is none."""
        return _match(self.frame, pairs)[0]

    @property
    def n_sites(self) -> int:
        """Number of sites, visited or not."""
        return len(self.frame)

    @property
    def n_visited(self) -> int:
        """Number of sites with at least one visit."""
        return int(np.count_nonzero(self.visits_per_site))


def lay_out(histories: Histories) -> Layout:
    """Find the site of each visit.

    Raises
    ------
    InputError
        If a visit belongs to no unit, or a unit stands twice in a period.
    """
    units, visits = histories.units, histories.visits
    site, place, time = _match(units, visits)
    if (site < 0).any():
        lost = visits[site < 0].iloc[0]
        raise InputError(f"no unit {lost['unit']!r} in period {lost['period']!r}")
    return Layout(units, site, np.bincount(site, minlength=len(units)), place, time)


def each_by_itself(units: pd.DataFrame) -> Layout:
    """Return a layout in which each row is a site with one visit."""
    row = np.arange(len(units), dtype=np.int64)
    return Layout(units, row, np.ones_like(row), row, np.zeros_like(row))


def _match(units: pd.DataFrame, others: pd.DataFrame) -> tuple[IntArray, IntArray, IntArray]:
    """Return the row of `units` of each row of `others`, and the numbers of unit and period."""
    place, place_of_others, _ = _numbers(units["unit"], others["unit"])
    time, time_of_others, periods = _numbers(units["period"], others["period"], in_order=True)
    label, sought = place * periods + time, place_of_others * periods + time_of_others
    if min(place_of_others.min(initial=0), time_of_others.min(initial=0)) < 0:
        sought[(place_of_others < 0) | (time_of_others < 0)] = -1
    if len(units) and label.max() > _SPARSE * (len(units) + len(others)):
        known = np.unique(label)
        label, at = np.searchsorted(known, label), np.searchsorted(known, sought)
        at = np.minimum(at, len(known) - 1)
        sought = np.where(known[at] == sought, at, -1)
    row = np.full(max(label.max(initial=-1), sought.max(initial=-1)) + 2, -1, dtype=np.int64)
    row[label] = np.arange(len(units))
    twice = row[label] != np.arange(len(units))
    if twice.any():
        first = units[twice].iloc[0]
        raise InputError(f"unit {first['unit']!r} stands twice in period {first['period']!r}")
    return row[sought], place, time


def _numbers(
    names: pd.Series, others: pd.Series, *, in_order: bool = False
) -> tuple[IntArray, IntArray, int]:
    """Return a number for each name, the same for the others (-1: no such), and how many."""
    number, there = pd.factorize(names)
    if len(there) == 1 and (others == there[0]).to_numpy().all():
        return number, np.zeros(len(others), dtype=np.int64), 1
    if in_order:
        number, there = pd.factorize(names, sort=True)
    number_of_others, theirs = pd.factorize(others)
    if not there.equals(theirs):
        number_of_others = there.get_indexer(theirs)[number_of_others]
    return number, number_of_others, len(there)


def adder(group: IntArray, n_groups: int) -> sparse.csr_array:
    """Return the sparse matrix that adds rows up by group.

    Examples
    --------
    >>> adder(np.array([0, 0, 2]), 3) @ np.array([1.0, 2.0, 5.0])
    array([3., 0., 5.])
    """
    ends = np.zeros(n_groups + 1, dtype=np.int32)
    np.cumsum(np.bincount(group, minlength=n_groups), out=ends[1:])
    in_order = bool((group[1:] >= group[:-1]).all())
    row = np.arange(len(group)) if in_order else np.argsort(group, kind="stable")
    ones, shape = np.ones(len(group)), (n_groups, len(group))
    return sparse.csr_array((ones, row.astype(np.int32), ends), shape=shape)
