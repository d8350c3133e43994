r"""Two states: a site is used or not, and its record is a mixture of the two.

Every single-period model of this room has one shape. A site i is used with probability
:math:`\psi_i`; its record has density :math:`e^{a_i}` if it is used and :math:`e^{b_i}` if
it is not, where a and b depend on parameters :math:`\theta`. Then

.. math::

    \log L = \sum_i \log [\psi_i e^{a_i} + (1 - \psi_i) e^{b_i}], \qquad
    w_i = P(\text{used} | \text{record}) = \text{expit}(\text{logit } \psi_i + a_i - b_i).

With :math:`\text{logit } \psi = X \beta`, and a prime for a derivative by :math:`\theta`,

.. math::

    \partial_\beta &= \sum (w - \psi) x, &
    \partial_\theta &= \sum w a' + (1 - w) b', \\
    \partial_{\beta\beta} &= \sum [w(1-w) - \psi(1-\psi)] x x^T, &
    \partial_{\beta\theta} &= \sum w(1-w) x (a' - b')^T, \\
    \partial_{\theta\theta} &= \sum w a'' + (1-w) b'' + w(1-w) (a'-b')(a'-b')^T.

So a model has only to say a, b and their derivatives; that is `GivenState`. A site without
visits has a = b = 0: it adds nothing, and its w is :math:`\psi`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy.special import expit

from carnivore_sign.presence.layout import FloatArray


@dataclass(frozen=True)
class Evaluation:
    """Log-likelihood at one point, with its first and second derivatives."""

    loglik: float
    gradient: FloatArray
    hessian: FloatArray


@dataclass(frozen=True)
class Conditional:
    """Log densities of the sites' records, given each state.

    Attributes
    ----------
    present, absent : arrays, shape (n_sites,)
        a and b; b is minus infinity where the record rules absence out.
    slope_present, slope_absent : arrays, shape (n_sites, n_terms)
        a' and b'; finite everywhere.
    curvature : callable
        Takes weights w and v, shape (n_sites,), and gives ``sum w a'' + v b''``.
    """

    present: FloatArray
    absent: FloatArray
    slope_present: FloatArray
    slope_absent: FloatArray
    curvature: Callable[[FloatArray, FloatArray], FloatArray]


class GivenState(Protocol):
    """What a model says of a site's record given its state."""

    @property
    def n_terms(self) -> int:
        """Length of its parameter vector."""
        ...

    def at(self, theta: FloatArray) -> Conditional:
        """Return the log densities and their derivatives at `theta`."""
        ...

    def starts(self) -> list[FloatArray]:
        """Return points to begin the search at, the likeliest first."""
        ...


@dataclass(frozen=True)
class TwoStates:
    """The likelihood of a mixture of used and unused sites.

    Attributes
    ----------
    psi_matrix : array, shape (n_sites, n_psi)
        Covariates of presence; the first column is 1.
    given : GivenState
        The model of the records.
    times : array, shape (n_sites,), or 1
        How often each site counts (see `alike`).
    """

    psi_matrix: FloatArray
    given: GivenState
    times: FloatArray | float = 1.0

    @property
    def n_psi(self) -> int:
        """Number of coefficients of presence; they stand first in the parameters."""
        return self.psi_matrix.shape[1]

    def evaluate(self, parameters: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        beta, theta = np.split(parameters, [self.n_psi])
        record = self.given.at(theta)
        logit_psi = self.psi_matrix @ beta
        psi = expit(logit_psi)
        used = expit(logit_psi + record.present - record.absent)
        loglik = np.logaddexp(logit_psi + record.present, record.absent)
        loglik -= np.log1p(np.exp(-np.abs(logit_psi))) + np.maximum(logit_psi, 0.0)

        n_psi, times = self.n_psi, self.times
        counted, unused = times * used, times * (1.0 - used)
        split = counted * (1.0 - used)
        contrast = record.slope_present - record.slope_absent
        gradient = np.empty(len(parameters))
        gradient[:n_psi] = (counted - times * psi) @ self.psi_matrix
        gradient[n_psi:] = counted @ record.slope_present + unused @ record.slope_absent

        hessian = np.empty((len(parameters), len(parameters)))
        weight = split - times * psi * (1.0 - psi)
        hessian[:n_psi, :n_psi] = (self.psi_matrix.T * weight) @ self.psi_matrix
        weighted = contrast.T * split
        hessian[n_psi:, :n_psi] = weighted @ self.psi_matrix
        hessian[:n_psi, n_psi:] = hessian[n_psi:, :n_psi].T
        hessian[n_psi:, n_psi:] = record.curvature(counted, unused) + weighted @ contrast
        return Evaluation(float((times * loglik).sum()), gradient, hessian)

    def log_odds(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return logit w of each site, and its slope in the parameters."""
        beta, theta = np.split(parameters, [self.n_psi])
        record = self.given.at(theta)
        odds = self.psi_matrix @ beta + record.present - record.absent
        slope = np.hstack([self.psi_matrix, record.slope_present - record.slope_absent])
        return odds, slope

    def starts(self) -> list[FloatArray]:
        """Return points to begin the search at: presence at one half, records as they say."""
        even = np.zeros(self.n_psi)
        return [np.concatenate([even, theta]) for theta in self.given.starts()]
