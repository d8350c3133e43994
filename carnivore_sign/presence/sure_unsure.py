r"""Sure and unsure finds: look-alikes can make an unsure find, never a sure one.

On a visit to a used site the taxon is found with probability p, and a find is sure with
probability c. On a site that is not used there can be an unsure find all the same, with
probability :math:`\rho p`. With y = 0 nothing, 1 an unsure find, 2 a sure one,

.. math::

    e^a: \quad 1 - p, \quad p (1 - c), \quad p c; \qquad
    e^b: \quad 1 - \rho p, \quad \rho p, \quad 0.

The false rate is written as a share :math:`\rho` of the true one, strictly between 0 and 1:
the two states cannot change places, because an unused site never makes more finds than a
used one. With :math:`\rho = 0` this is the model of ``repeat_visits.py``, for which sure and
unsure finds count alike. With :math:`\text{logit } p = W \alpha`, and constants
:math:`\text{logit } \rho = r` and :math:`\text{logit } c = k`, write q for :math:`\rho p`
and u for its odds. Then by (logit p, r)

.. math::

    (\log q)' &= (1 - p, \; 1 - \rho), \qquad
    (\log q)'' = -\text{diag}(p (1 - p), \; \rho (1 - \rho)), \\
    (\log (1 - q))' &= -u (\log q)', \qquad
    (\log (1 - q))'' = -u (1 + u) (\log q)' (\log q)'^T - u (\log q)''.

Sources: Miller, Nichols, McClintock, Campbell Grant, Bailey & Weir 2011, Ecology
92:1422-1428, for sure and unsure finds; Royle & Link 2006, Ecology 87:835-841 (from
memory), for false positives and the exchange of states.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from carnivore_sign.presence.jets import Jet, linear
from carnivore_sign.presence.layout import FloatArray, IntArray, Layout
from carnivore_sign.presence.two_states import Conditional


@dataclass(frozen=True)
class SureUnsure:
    """Log densities of graded finds, given the state of the site.

    Attributes
    ----------
    layout : Layout
    grade : array of 0, 1 and 2, shape (n_visits,)
        Nothing, unsure, sure.
    p_matrix : array, shape (n_visits, n_p)
        Covariates of detection; the first column is 1. The parameters are its
        coefficients, then logit rho, then logit c.
    """

    layout: Layout
    grade: IntArray
    p_matrix: FloatArray

    @property
    def n_terms(self) -> int:
        """Number of parameters: those of detection, and two."""
        return self.p_matrix.shape[1] + 2

    def at(self, theta: FloatArray) -> Conditional:
        """Return the log densities and their derivatives at `theta`."""
        present, absent = self._per_visit(theta)
        site = self.layout.site

        def curvature(used: FloatArray, unused: FloatArray) -> FloatArray:
            return np.asarray(present.bend @ used[site] + absent.bend @ unused[site])

        ruled_out = self.layout.sum_visits @ (self.grade == 2) > 0
        return Conditional(
            self.layout.sum_visits @ present.value,
            np.where(ruled_out, -np.inf, self.layout.sum_visits @ absent.value),
            self._by_site(present.slope),
            self._by_site(absent.slope),
            curvature,
        )

    def starts(self) -> list[FloatArray]:
        """Begin where few, and where many, of the unsure finds are false."""
        sure, any_find = (self.grade == 2).sum(), (self.grade > 0).sum()
        begun = []
        for false_ratio, share in ((0.05, 1.0), (0.5, 0.6)):
            theta = np.zeros(self.n_terms)
            theta[0] = logit((share * any_find + 0.5) / (len(self.grade) + 1.0))
            theta[-2] = logit(false_ratio)
            theta[-1] = logit((sure + 0.5) / (share * any_find + sure + 1.0))
            begun.append(theta)
        return begun

    def _per_visit(self, theta: FloatArray) -> tuple[Jet, Jet]:
        n_p, size, n_visits = self.p_matrix.shape[1], self.n_terms, len(self.grade)
        logit_p = linear(self.p_matrix, theta[:n_p]).placed(size, begin=0)
        one = np.ones((n_visits, 1))
        logit_ratio = linear(one, theta[n_p : n_p + 1]).placed(size, begin=n_p)
        logit_sure = linear(one, theta[n_p + 1 :]).placed(size)
        log_p, log_miss = logit_p.log_expit(), logit_p.negative().log_expit()
        log_false = log_p + logit_ratio.log_expit()
        false = expit(logit_p.value) * expit(logit_ratio.value)
        odds = false / (1.0 - false)
        log_clean = log_false.through(np.log1p(-false), -odds, -odds * (1.0 + odds))
        unsure = log_p + logit_sure.negative().log_expit()
        sure = log_p + logit_sure.log_expit()
        return (
            _choose(self.grade, (log_miss, unsure, sure)),
            _choose(self.grade, (log_clean, log_false, log_false)),
        )

    def _by_site(self, values: FloatArray) -> FloatArray:
        flat = self.layout.sum_visits @ values.reshape(-1, len(self.grade)).T
        return np.asarray(flat).reshape(self.layout.n_sites, *values.shape[:-1])


def _choose(grade: IntArray, jets: tuple[Jet, Jet, Jet]) -> Jet:
    value = np.choose(grade, [jet.value for jet in jets])
    slope = np.choose(grade[None], [jet.slope for jet in jets])
    bend = np.choose(grade[None, None], [jet.bend for jet in jets])
    return Jet(value, slope, bend)
