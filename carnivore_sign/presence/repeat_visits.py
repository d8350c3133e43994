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

Source: MacKenzie, Nichols, Lachman, Droege, Royle & Langtimm 2002, Ecology 83:2248-2255.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from scipy import sparse
from scipy.special import logit

from carnivore_sign.presence.layout import FloatArray, Layout
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
    _looks: _Looks = field(init=False, repr=False)
    _score_of_finds: FloatArray = field(init=False, repr=False)
    _absent: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        add = self.layout.sum_visits
        object.__setattr__(self, "_looks", _looks_of(self.layout, self.p_matrix))
        object.__setattr__(self, "_score_of_finds", add @ (self.found[:, None] * self.p_matrix))
        object.__setattr__(self, "_absent", np.where(add @ self.found > 0, -np.inf, 0.0))

    @property
    def n_terms(self) -> int:
        """Number of coefficients of detection."""
        return self.p_matrix.shape[1]

    def at(self, theta: FloatArray) -> Conditional:
        """Return the log densities and their derivatives at the coefficients `theta`."""
        by_term, times = self._looks
        logit_p = theta @ by_term
        shrunk = np.exp(-np.abs(logit_p))
        log_miss = -np.log1p(shrunk) - np.maximum(logit_p, 0.0)
        p = np.where(logit_p >= 0, 1.0, shrunk) / (1.0 + shrunk)
        spread = p * (1.0 - p)
        present = self._score_of_finds @ theta + times @ log_miss
        slope = self._score_of_finds - times @ (p * by_term).T

        def curvature(weight: FloatArray, _: FloatArray) -> FloatArray:
            return np.asarray(-(by_term * ((weight @ times) * spread)) @ by_term.T)

        return Conditional(present, self._absent, slope, np.zeros_like(slope), curvature)

    def starts(self) -> list[FloatArray]:
        """Begin at the share of visits that found, among sites where anything was found."""
        seen = (self.layout.sum_visits @ self.found > 0)[self.layout.site]
        theta = np.zeros(self.n_terms)
        theta[0] = logit((self.found.sum() + 0.5) / (seen.sum() + 1.0))
        return [theta]


class _Looks(NamedTuple):
    """Looks that are alike, taken once.

    Attributes
    ----------
    by_term : array, shape (n_terms, n_looks)
        Their covariates.
    times : sparse array, shape (n_sites, n_looks)
        How many of each a site had.
    """

    by_term: FloatArray
    times: sparse.csr_array


def _looks_of(layout: Layout, matrix: FloatArray) -> _Looks:
    """Return the visits as looks; where p is one for all, all visits as one look."""
    if matrix.shape[1] > 1 or (matrix != 1.0).any():
        return _Looks(np.ascontiguousarray(matrix.T), layout.sum_visits)
    visits = layout.visits_per_site[:, None].astype(float)
    return _Looks(np.ones((1, 1)), sparse.csr_array(visits))
