"""Layout: the histories as arrays, so that a likelihood is a few matrix products.

Sites are the rows of ``histories.units`` (a unit in a period). Sums over the visits of a
site, and over the signs of a visit, are products with sparse matrices of ones, which take
time linear in the rows and need no loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from carnivore_sign.errors import InputError
from carnivore_sign.presence.histories import Histories

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Layout:
    """Which site each visit belongs to, and which visit each sign.

    Attributes
    ----------
    units : DataFrame
        The sites: ``unit``, ``period``.
    site : array of int, shape (n_visits,)
        Row of `units` of each visit.
    visits_per_site : array of int, shape (n_sites,)
    sum_visits : sparse array, shape (n_sites, n_visits)
        ``sum_visits @ x`` adds a column of the visits up by site.
    """

    units: pd.DataFrame
    site: IntArray
    visits_per_site: IntArray
    sum_visits: sparse.csr_array

    def rows_of(self, pairs: pd.DataFrame) -> IntArray:
        """Return the site of each ``unit`` and ``period``; -1 where there is none."""
        label = _labels(self.units, pairs)
        return _sites(self.units, label).get_indexer(label[len(self.units) :]).astype(np.int64)

    @property
    def n_sites(self) -> int:
        """Number of sites, visited or not."""
        return len(self.units)

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
    label = _labels(units, visits)
    site = _sites(units, label).get_indexer(label[len(units) :]).astype(np.int64)
    if (site < 0).any():
        lost = visits[site < 0].iloc[0]
        raise InputError(f"no unit {lost['unit']!r} in period {lost['period']!r}")
    return Layout(
        units[["unit", "period"]],
        site,
        np.bincount(site, minlength=len(units)).astype(np.int64),
        adder(site, len(units)),
    )


def each_by_itself(units: pd.DataFrame) -> Layout:
    """Return a layout in which each row is a site with one visit."""
    row = np.arange(len(units), dtype=np.int64)
    return Layout(units, row, np.ones(len(units), dtype=np.int64), adder(row, len(units)))


def _labels(units: pd.DataFrame, others: pd.DataFrame) -> IntArray:
    """Return a whole number for each unit and period, over `units` and then `others`."""
    place, time = (
        pd.factorize(pd.concat([units[name], others[name]], ignore_index=True))[0].astype(np.int64)
        for name in ("unit", "period")
    )
    return np.asarray(time * (1 + place.max(initial=0)) + place)


def _sites(units: pd.DataFrame, label: IntArray) -> pd.Index:
    sites = pd.Index(label[: len(units)])
    if sites.has_duplicates:
        twice = units[sites.duplicated()].iloc[0]
        raise InputError(f"unit {twice['unit']!r} stands twice in period {twice['period']!r}")
    return sites


def adder(group: IntArray, n_groups: int) -> sparse.csr_array:
    """Return the sparse matrix that adds rows up by group.

    Examples
    --------
    >>> adder(np.array([0, 0, 2]), 3) @ np.array([1.0, 2.0, 5.0])
    array([3., 0., 5.])
    """
    ones = np.ones(len(group))
    shape = (n_groups, len(group))
    return sparse.csr_array((ones, (group, np.arange(len(group)))), shape=shape)
