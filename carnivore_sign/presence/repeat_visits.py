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
from scipy.special import logit

from carnivore_sign.presence.layout import FloatArray, Layout, each_by_itself
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
        layout, matrix, times = self._looks
        logit_p = matrix @ theta
        shrunk = np.exp(-np.abs(logit_p))
        log_miss = -np.log1p(shrunk) - np.maximum(logit_p, 0.0)
        p = np.where(logit_p >= 0, 1.0, shrunk) / (1.0 + shrunk)
        add, spread = layout.sum_visits, times * p * (1.0 - p)
        present = self._score_of_finds @ theta + add @ (times * log_miss)
        slope = self._score_of_finds - add @ ((times * p)[:, None] * matrix)

        def curvature(weight: FloatArray, _: FloatArray) -> FloatArray:
            return -(matrix.T * (weight[layout.site] * spread)) @ matrix

        def bends() -> tuple[FloatArray, FloatArray]:
            bend = -layout.sum_squares(spread, matrix, matrix)
            return bend, np.zeros_like(bend)

        return Conditional(present, self._absent, slope, np.zeros_like(slope), curvature, bends)

    def starts(self) -> list[FloatArray]:
        """Begin at the share of visits that found, among sites where anything was found."""
        seen = (self.layout.sum_visits @ self.found > 0)[self.layout.site]
        theta = np.zeros(self.n_terms)
        theta[0] = logit((self.found.sum() + 0.5) / (seen.sum() + 1.0))
        return [theta]


class _Looks(NamedTuple):
    """Looks at sites that are alike: their layout, their covariates, and how many of each."""

    layout: Layout
    matrix: FloatArray
    times: FloatArray


def _looks_of(layout: Layout, matrix: FloatArray) -> _Looks:
    """Return the visits; where p is one for all, all visits of a site as one look."""
    if matrix.shape[1] > 1 or (matrix != 1.0).any():
        return _Looks(layout, matrix, np.ones(len(matrix)))
    one = np.ones((layout.n_sites, 1))
    return _Looks(each_by_itself(layout.units), one, layout.visits_per_site.astype(float))
