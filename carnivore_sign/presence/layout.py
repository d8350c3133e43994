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
    place, time = _labels(units, visits, "unit"), _labels(units, visits, "period")
    label = time * (1 + place.max(initial=0)) + place
    sites = pd.Index(label[: len(units)])
    if sites.has_duplicates:
        twice = units.loc[units.index[sites.duplicated()][0]]
        raise InputError(f"unit {twice['unit']!r} stands twice in period {twice['period']!r}")
    site = sites.get_indexer(label[len(units) :]).astype(np.int64)
    if (site < 0).any():
        lost = visits[site < 0].iloc[0]
        raise InputError(f"no unit {lost['unit']!r} in period {lost['period']!r}")
    return Layout(
        units[["unit", "period"]],
        site,
        np.bincount(site, minlength=len(sites)).astype(np.int64),
        adder(site, len(sites)),
    )


def _labels(units: pd.DataFrame, visits: pd.DataFrame, column: str) -> IntArray:
    """Return a whole number for each word of a column, over units and then visits."""
    words = pd.concat([units[column], visits[column]], ignore_index=True)
    return pd.factorize(words)[0].astype(np.int64)


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
