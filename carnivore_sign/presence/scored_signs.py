r"""Scored signs: several signs a visit, each with its likelihood ratio, and effort.

On a visit of effort e, sign of the taxon arises on a used site as a Poisson process of rate
:math:`\lambda` per unit of effort, and sign of everything else (look-alikes, for short) at
rate :math:`\phi` on every site. Each sign k carries evidence x_k, drawn from a density f
for the taxon and g for look-alikes. What identification gives is not f or g but their ratio
:math:`s_k = f(x_k) / g(x_k)`.

*On a used site* the two processes add up to one of rate :math:`\lambda + \phi`, and a sign
of the sum has density :math:`(\lambda f + \phi g) / (\lambda + \phi)`. The density of n
signs and their evidence is that of a marked Poisson process:

.. math::

    e^{-(\lambda+\phi) e} \prod_k e (\lambda f(x_k) + \phi g(x_k)).

*On an unused site* it is :math:`e^{-\phi e} \prod_k e \phi g(x_k)`. Both hold the factor
:math:`\prod_k g(x_k)`, which has no parameter in it and is left out. So, over the visits j,

.. math::

    a &= \sum_j \Big[ -(\lambda_j + \phi_j) e_j
         + \sum_k \log(\phi_j e_j + \lambda_j e_j s_{jk}) \Big], \\
    b &= \sum_j \Big[ -\phi_j e_j + \sum_k \log(\phi_j e_j) \Big], \qquad
    a - b = \sum_j \Big[ -\lambda_j e_j + \sum_k \log(1 + \lambda_j s_{jk} / \phi_j) \Big].

A blank visit counts against presence by its effort, a sign counts for it by its ratio, and
a sign of a sure dog (s near 0) hardly at all. Sign k of a used site is the taxon's with
probability :math:`r_k = \lambda s_k / (\phi + \lambda s_k)`. With :math:`\log \lambda = U
\alpha` and :math:`\log \phi = V \gamma` a visit's derivatives are, by the two logarithms,

.. math::

    a' &= (-\lambda e + \textstyle\sum r_k, \; -\phi e + \sum (1 - r_k)), \qquad
    b' = (0, \; -\phi e + n), \\
    a'' &= \begin{pmatrix} -\lambda e + R & -R \\ -R & -\phi e + R \end{pmatrix}, \quad
    R = \textstyle\sum r_k (1 - r_k), \qquad
    b'' = \begin{pmatrix} 0 & 0 \\ 0 & -\phi e \end{pmatrix}.

*Limits.* With sure sign only (s without bound, no look-alikes) a find rules absence out and
a blank visit has probability :math:`e^{-\lambda e}`: reduced to found and not found this is
the model of ``repeat_visits.py`` with :math:`p = 1 - e^{-\lambda e}`. With every s = 1 the
marks say nothing and the counts alone, Poisson with rates :math:`\phi e` and
:math:`(\lambda + \phi) e`, tell the sites apart.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import expit

from carnivore_sign.presence.layout import FloatArray, IntArray, Layout
from carnivore_sign.presence.two_states import Conditional


@dataclass(frozen=True)
class ScoredSigns:
    """Log densities of the signs and their ratios, given the state of the site.

    Attributes
    ----------
    layout : Layout
    effort : array, shape (n_visits,)
        Kilometres, or kilometres times days; above zero on a visit with sign.
    sign_visit : array of int, shape (n_signs,)
        The visit of each sign.
    log_ratio : array, shape (n_signs,)
        log s of each sign; minus infinity for a sign that cannot be the taxon's.
    rate_matrix : array, shape (n_visits, n_rate)
        Covariates of the rate of the taxon's sign; the first column is 1.
    lookalike_matrix : array, shape (n_visits, n_lookalike)
        Covariates of the rate of all other sign; the first column is 1.
    """

    layout: Layout
    effort: FloatArray
    sign_visit: IntArray
    log_ratio: FloatArray
    rate_matrix: FloatArray
    lookalike_matrix: FloatArray
    _n_signs: FloatArray = field(init=False, repr=False)
    _log_effort: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        signs = np.bincount(self.sign_visit, minlength=len(self.effort)).astype(float)
        log_effort = np.log(np.where(signs > 0, self.effort, 1.0))
        object.__setattr__(self, "_n_signs", signs)
        object.__setattr__(self, "_log_effort", log_effort)

    @property
    def n_terms(self) -> int:
        """Number of coefficients of the two rates; those of the taxon's stand first."""
        return self.rate_matrix.shape[1] + self.lookalike_matrix.shape[1]

    def at(self, theta: FloatArray) -> Conditional:
        """Return the log densities and their derivatives at the coefficients `theta`."""
        visit = self._per_visit(theta)
        add, site = self.layout.sum_visits, self.layout.site
        rate, lookalike = self.rate_matrix, self.lookalike_matrix
        nothing = np.zeros_like(rate)
        slope_absent = np.hstack([nothing, visit.surplus_absent[:, None] * lookalike])
        slope_present = np.hstack(
            [visit.surplus_rate[:, None] * rate, visit.surplus_lookalike[:, None] * lookalike]
        )

        def curvature(present: FloatArray, absent: FloatArray) -> FloatArray:
            used, unused = present[site], absent[site]
            doubt = used * visit.doubt
            rr = (rate.T * (doubt - used * visit.rate_signs)) @ rate
            rl = -(rate.T * doubt) @ lookalike
            ll = (lookalike.T * (doubt - (used + unused) * visit.lookalike_signs)) @ lookalike
            return np.block([[rr, rl], [rl.T, ll]])

        return Conditional(
            add @ visit.present,
            add @ visit.absent,
            add @ slope_present,
            add @ slope_absent,
            curvature,
        )

    def starts(self) -> list[FloatArray]:
        """Begin with the signs shared out between the two rates by halves, and one to nine."""
        per_effort = (self._n_signs.sum() + 0.5) / max(self.effort.sum(), 1e-12)
        begun = []
        for share in (0.5, 0.1, 0.9):
            theta = np.zeros(self.n_terms)
            theta[0] = np.log(2.0 * share * per_effort)
            theta[self.rate_matrix.shape[1]] = np.log((1.0 - share) * per_effort)
            begun.append(theta)
        return begun

    def _per_visit(self, theta: FloatArray) -> _Visits:
        n_rate = self.rate_matrix.shape[1]
        log_rate = self.rate_matrix @ theta[:n_rate]
        log_lookalike = self.lookalike_matrix @ theta[n_rate:]
        at = self.sign_visit
        per_taxon = log_rate[at] + self.log_ratio
        target: FloatArray = expit(per_taxon - log_lookalike[at])
        log_density = np.logaddexp(per_taxon, log_lookalike[at])

        n_visits = len(self.effort)
        targets = np.bincount(at, target, minlength=n_visits)
        rate_signs = np.exp(log_rate) * self.effort
        lookalike_signs = np.exp(log_lookalike) * self.effort
        by_effort = self._n_signs * self._log_effort
        return _Visits(
            present=np.bincount(at, log_density, minlength=n_visits)
            + by_effort
            - rate_signs
            - lookalike_signs,
            absent=self._n_signs * log_lookalike + by_effort - lookalike_signs,
            surplus_rate=targets - rate_signs,
            surplus_lookalike=self._n_signs - targets - lookalike_signs,
            surplus_absent=self._n_signs - lookalike_signs,
            doubt=np.bincount(at, target * (1.0 - target), minlength=n_visits).astype(float),
            rate_signs=rate_signs,
            lookalike_signs=lookalike_signs,
        )


@dataclass(frozen=True)
class _Visits:
    """The quantities of the docstring, per visit."""

    present: FloatArray
    absent: FloatArray
    surplus_rate: FloatArray
    surplus_lookalike: FloatArray
    surplus_absent: FloatArray
    doubt: FloatArray
    rate_signs: FloatArray
    lookalike_signs: FloatArray
