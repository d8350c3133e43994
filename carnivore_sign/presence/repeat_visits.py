r"""Repeat visits: found or not found on each of several visits.

A site is used with probability :math:`\psi` throughout the period; on visit j to a used site
the taxon is found with probability :math:`p_j`, and never on a site that is not used. With
:math:`y_j` = 1 for found,

.. math::

    a = \sum_j y_j \log p_j + (1 - y_j) \log(1 - p_j), \qquad
    b = 0 \text{ if all } y_j = 0, \text{ else } -\infty.

A visit that was not made has no term: it is missing, not a blank. With
:math:`\text{logit } p = W \alpha` the derivatives are those of a logistic regression,
:math:`a' = \sum_j (y_j - p_j) w_j` and :math:`a'' = -\sum_j p_j (1 - p_j) w_j w_j^T`.
Where p is one for all, only the numbers of finds and of visits count: `CountedFinds`.

Source: MacKenzie, Nichols, Lachman, Droege, Royle & Langtimm 2002, Ecology 83:2248-2255.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from scipy.special import logit

from carnivore_sign.presence.layout import FloatArray, IntArray, Layout
from carnivore_sign.presence.two_states import Conditional


@dataclass(frozen=True)
class RepeatVisits:
    """Log densities of found and not found, given the state of the site.

    Attributes
    ----------
    layout : Layout
    found : array of 0 and 1, shape (n_visits,)
    p_matrix : array, shape (n_visits, n_terms)
        Covariates of detection; the first column is 1.
    """

    layout: Layout
    found: FloatArray
    p_matrix: FloatArray

    @property
    def n_terms(self) -> int:
        """Number of coefficients of detection."""
        return self.p_matrix.shape[1]

    @cached_property
    def finds(self) -> FloatArray:
        """Number of finds at each site."""
        finds = np.bincount(self.layout.site, self.found, minlength=self.layout.n_sites)
        return finds.astype(float)

    @cached_property
    def _by_term(self) -> FloatArray:
        return np.ascontiguousarray(self.p_matrix.T)

    @cached_property
    def _score_of_finds(self) -> FloatArray:
        return self._by_site(self.found * self._by_term)

    @cached_property
    def _absent(self) -> FloatArray:
        return np.where(self.finds > 0, -np.inf, 0.0)

    def at(self, theta: FloatArray) -> Conditional:
        """Return the log densities and their derivatives at the coefficients `theta`."""
        by_term, site = self._by_term, self.layout.site
        p, log_miss = _chance(theta @ by_term)
        spread = p * (1.0 - p)
        present = theta @ self._score_of_finds + self.layout.sum_visits @ log_miss
        slope = (self._score_of_finds - self._by_site(p * by_term)).T

        def curvature(weight: FloatArray, _: FloatArray) -> FloatArray:
            return np.asarray((by_term * (-weight[site] * spread)) @ by_term.T)

        return Conditional(present, self._absent, slope, np.zeros_like(slope), curvature)

    def starts(self) -> list[FloatArray]:
        """Begin at the share of visits that found, among sites where anything was found."""
        theta = np.zeros(self.n_terms)
        theta[0] = _share_found(self.finds, self.layout.visits_per_site)
        return [theta]

    def _by_site(self, terms: FloatArray) -> FloatArray:
        """Add columns of the visits up, shape (n_terms, n_visits) to (n_terms, n_sites)."""
        return np.stack([self.layout.sum_visits @ term for term in terms])


@dataclass(frozen=True)
class CountedFinds:
    """The same where p is one for all visits.

    Attributes
    ----------
    finds, visits : array, shape (n_sites,)
        How often the taxon was found at each site, and looked for.
    """

    finds: FloatArray
    visits: FloatArray
    n_terms: int = 1

    def at(self, theta: FloatArray) -> Conditional:
        """Return the log densities and their derivatives at logit p."""
        p, log_miss = _chance(theta)
        slope = (self.finds - p * self.visits)[:, None]
        spread = float(p[0] * (1.0 - p[0]))

        def curvature(weight: FloatArray, _: FloatArray) -> FloatArray:
            return np.array([[-spread * float(weight @ self.visits)]])

        absent = np.where(self.finds > 0, -np.inf, 0.0)
        present = theta[0] * self.finds + log_miss * self.visits
        return Conditional(present, absent, slope, np.zeros_like(slope), curvature)

    def starts(self) -> list[FloatArray]:
        """Begin at the share of visits that found, among sites where anything was found."""
        return [np.array([_share_found(self.finds, self.visits)])]


class Kinds(NamedTuple):
    """Sites that are alike, taken once.

    Attributes
    ----------
    record : CountedFinds
        One site of each kind.
    kind : array of int, shape (n_sites,)
    """

    record: CountedFinds
    kind: IntArray


def kinds_of(record: CountedFinds) -> Kinds:
    """Return the kinds of sites that there are: with as many finds and as many visits.

    Examples
    --------
    >>> kinds = kinds_of(CountedFinds(np.array([0.0, 2.0, 0.0]), np.array([3.0, 3.0, 3.0])))
    >>> kinds.record.finds, kinds.kind
    (array([0., 2.]), array([0, 1, 0]))
    """
    label = (record.finds * (1.0 + record.visits.max(initial=0.0)) + record.visits).astype(np.int64)
    there = np.flatnonzero(np.bincount(label))
    number = np.empty(int(label.max(initial=0)) + 1, dtype=np.int64)
    number[there] = np.arange(len(there))
    one = np.empty(len(there), dtype=np.int64)
    kind = number[label]
    one[kind] = np.arange(len(label))
    return Kinds(CountedFinds(record.finds[one], record.visits[one]), kind)


def _chance(logit_p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return p and log (1 - p)."""
    log_miss = np.log1p(np.exp(-np.abs(logit_p)))
    log_miss += np.maximum(logit_p, 0.0)
    np.negative(log_miss, out=log_miss)
    return np.exp(logit_p + log_miss), log_miss


def _share_found(finds: FloatArray, visits: FloatArray | IntArray) -> float:
    return float(logit((finds.sum() + 0.5) / (visits[finds > 0].sum() + 1.0)))
