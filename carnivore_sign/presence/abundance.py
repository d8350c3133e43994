r"""Abundance: units that hold more animals are easier to find one on.

A unit holds N animals, Poisson with mean :math:`\mu`; a visit finds each with probability r
on its own, so it finds at least one with probability :math:`1 - (1 - r)^N`. With
:math:`h = -\log(1 - r)` and y = 1 for found,

.. math::

    L = \sum_{N=0}^{M} e^{-\mu} \frac{\mu^N}{N!} e^{c_N}, \qquad
    c_N = \sum_j y_j \log(1 - e^{-N h_j}) - (1 - y_j) N h_j .

A unit is used if N > 0, so :math:`\psi = 1 - e^{-\mu}`. The model corrects presence for
detection that differs from unit to unit for a reason of this kind. What it calls N is not a
count of pumas: it stands for all that makes one unit easier than another.

Write :math:`\omega_N` for the probability of N given the record, and E and Cov for means
over it. With :math:`\log \mu = X \beta`, :math:`\text{logit } r = W \alpha`,

.. math::

    \partial_\beta &= \sum (E N - \mu) x, & \partial_\alpha &= \sum E c', \\
    \partial_{\beta\beta} &= \sum (\text{Var } N - \mu) x x^T, &
    \partial_{\beta\alpha} &= \sum x \, \text{Cov}(N, c')^T, \\
    \partial_{\alpha\alpha} &= \sum E c'' + \text{Cov}(c').

The sum stops at M animals; `tail` tells what is left out, and fitting raises M until that is
nothing. Where N can only be 0 or 1 this is the model of ``repeat_visits.py``.

Source: Royle & Nichols 2003, Ecology 84:777-790.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import expit, gammaln, logsumexp
from scipy.stats import poisson

from carnivore_sign.presence.layout import FloatArray, Layout
from carnivore_sign.presence.two_states import Evaluation

#: Animals at which the sum stops at first.
FIRST_MOST: Final = 25


@dataclass(frozen=True)
class Abundance:
    """The likelihood of found and not found over units that differ in their animals.

    Attributes
    ----------
    layout : Layout
    found : array of 0 and 1, shape (n_visits,)
    mean_matrix : array, shape (n_sites, n_mean)
        Covariates of the mean number; the first column is 1.
    r_matrix : array, shape (n_visits, n_r)
        Covariates of finding one animal; the first column is 1.
    most : int
        M, where the sum stops.
    """

    layout: Layout
    found: FloatArray
    mean_matrix: FloatArray
    r_matrix: FloatArray
    most: int = FIRST_MOST

    def evaluate(self, parameters: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        n, mean, r = self._numbers(), *self._rates(parameters)
        first, second = self._derivatives(r)
        terms = self._terms(mean, r)
        loglik = logsumexp(terms, axis=1)
        weight = np.exp(terms - loglik[:, None])
        slopes = self._slopes(first)

        animals = weight @ n
        slope = np.einsum("in,ink->ik", weight, slopes)
        gradient = np.concatenate([self.mean_matrix.T @ (animals - mean), slope.sum(axis=0)])

        spread = weight @ n**2 - animals**2
        across = np.einsum("in,n,ink->ik", weight, n, slopes) - animals[:, None] * slope
        curve = np.einsum("jn,jn->j", weight[self.layout.site], second)
        x, w = self.mean_matrix, self.r_matrix
        below = (w.T * curve) @ w - slope.T @ slope
        below += np.einsum("in,ink,inl->kl", weight, slopes, slopes)
        above = (x.T * (spread - mean)) @ x
        hessian = np.block([[above, x.T @ across], [across.T @ x, below]])
        return Evaluation(float(loglik.sum()), gradient, hessian)

    def log_odds(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the logit of P(N > 0 | record) of each site, and its slope."""
        n, mean, r = self._numbers(), *self._rates(parameters)
        terms = self._terms(mean, r)
        some = logsumexp(terms[:, 1:], axis=1)
        weight = np.exp(terms[:, 1:] - some[:, None])
        animals = weight @ n[1:]
        slopes = self._slopes(self._derivatives(r)[0])[:, 1:]
        slope = np.einsum("in,ink->ik", weight, slopes)
        return some - terms[:, 0], np.hstack([animals[:, None] * self.mean_matrix, slope])

    def starts(self) -> list[FloatArray]:
        """Begin at a mean of one animal, with each hard, and easy, to find."""
        begun = []
        for logit_r in (-1.5, 0.0):
            theta = np.zeros(self.mean_matrix.shape[1] + self.r_matrix.shape[1])
            theta[self.mean_matrix.shape[1]] = logit_r
            begun.append(theta)
        return begun

    def tail(self, parameters: FloatArray) -> float:
        """Return the largest share of any site's likelihood that the sum could leave out."""
        mean, r = self._rates(parameters)
        terms = self._terms(mean, r)
        last = np.exp(terms[:, -1] - logsumexp(terms, axis=1))
        return float(max(last.max(), poisson.sf(self.most, mean).max()))

    def _numbers(self) -> FloatArray:
        return np.arange(self.most + 1, dtype=float)

    def _rates(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        beta, alpha = np.split(parameters, [self.mean_matrix.shape[1]])
        return np.exp(self.mean_matrix @ beta), expit(self.r_matrix @ alpha)

    def _terms(self, mean: FloatArray, r: FloatArray) -> FloatArray:
        """Return log of each site's summands, shape (n_sites, most + 1)."""
        n = self._numbers()
        exponent = -np.log1p(-r)[:, None] * n
        with np.errstate(divide="ignore"):
            seen = np.log(-np.expm1(-exponent))
        record = np.where(self.found[:, None] > 0, seen, -exponent)
        return np.asarray(
            self.layout.sum_visits @ record
            + n * np.log(mean)[:, None]
            - mean[:, None]
            - gammaln(n + 1)
        )

    def _derivatives(self, r: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the derivatives of each visit's term by logit r, shape (n_visits, most + 1)."""
        n = self._numbers()
        exponent = np.minimum(-np.log1p(-r)[:, None] * n, 500.0)
        exponent[:, 0] = 1.0  # N = 0: the factor n makes its derivatives zero
        odds = 1.0 / np.expm1(exponent)
        r, spread = r[:, None], (r * (1.0 - r))[:, None]
        found = self.found[:, None] > 0
        first = np.where(found, n * odds * r, -n * r)
        second = np.where(found, n * odds * spread - n**2 * odds * (1.0 + odds) * r**2, -n * spread)
        return first, second

    def _slopes(self, first: FloatArray) -> FloatArray:
        by_term = [self.layout.sum_visits @ (first * column[:, None]) for column in self.r_matrix.T]
        return np.stack(by_term, axis=-1)
