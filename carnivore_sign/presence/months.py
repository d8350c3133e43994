r"""Months: units that come into use and fall out of it from one month to the next.

In the first month a unit is used with probability :math:`\psi`. From a month to the next an
unused unit is *colonised* with probability :math:`\gamma`, and a used one falls out of use,
*local extinction*, with probability :math:`\epsilon`. The record of each month depends on the
unit's state in it, by any of the models of records. A month in which nobody visited a unit
has no record, and its state is carried through. The likelihood is that of ``chain.py`` with
:math:`q_1 = \psi`, c = :math:`\gamma`, s = 1 - :math:`\epsilon`; the presence of each unit in
each month, given all months, is smoothed forward and backward.

With :math:`\gamma = 1 - \epsilon = \psi` the months are independent, and this is the
single-period model with a unit and a month as one site.

Source: MacKenzie, Nichols, Hines, Knutson & Franklin 2003, Ecology 84:2200-2207.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from carnivore_sign.presence.chain import ChainsAt, contrast_of, run_chains, with_slope
from carnivore_sign.presence.jets import linear
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.two_states import Evaluation, GivenState


@dataclass(frozen=True)
class Months:
    """The likelihood of units over months.

    Attributes
    ----------
    psi_matrix : array, shape (n_units, n_psi)
        Covariates of presence in the first month; the first column is 1.
    record : GivenState
        The model of a month's record; its sites are a unit in a month.
    steps : array of int, shape (n_units, n_months)
        The site of each unit in each month; -1 for none.
    """

    psi_matrix: FloatArray
    record: GivenState
    steps: IntArray

    @property
    def n_psi(self) -> int:
        """Number of coefficients of presence; logit gamma and logit epsilon follow them."""
        return self.psi_matrix.shape[1]

    def evaluate(self, parameters: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        n_psi, size = self.n_psi, len(parameters)
        present, absent = self.record.at(parameters[n_psi + 2 :]).as_jets()
        one = np.ones((1, 1))
        first = linear(self.psi_matrix, parameters[:n_psi]).placed(size, begin=0).expit()
        gain = linear(one, parameters[n_psi : n_psi + 1]).placed(size, begin=n_psi)
        loss = linear(one, parameters[n_psi + 1 : n_psi + 2]).placed(size, begin=n_psi + 1)
        units = run_chains(
            first,
            gain.expit(),
            loss.negative().expit(),
            present=present,
            absent=absent,
            steps=self.steps,
        )
        return Evaluation(float(units.value.sum()), units.slope.sum(axis=1), units.bend.sum(axis=2))

    def log_odds(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the smoothed logit of presence of each unit and month, and its slope."""
        return with_slope(lambda at: self.chains_at(at).log_odds(), parameters)

    def starts(self) -> list[FloatArray]:
        """Begin with half the units used, and one in four changing from month to month."""
        begun = np.concatenate([np.zeros(self.n_psi), [-1.0, -1.0]])
        return [np.concatenate([begun, theta]) for theta in self.record.starts()]

    def chains_at(self, parameters: FloatArray) -> ChainsAt:
        """Return the chains at `parameters`."""
        n_psi = self.n_psi
        contrast = contrast_of(self.record.at(parameters[n_psi + 2 :]), self.steps)
        gain, loss = expit(parameters[n_psi : n_psi + 2])
        every, first = np.ones(len(self.steps)), self.psi_matrix @ parameters[:n_psi]
        return ChainsAt(first, gain * every, (1.0 - loss) * every, contrast, self.steps)
