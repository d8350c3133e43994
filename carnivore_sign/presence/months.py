r"""Months: units that come into use and fall out of it from one month to the next.

In the first month a unit is used with probability :math:`\psi`. From a month to the next an
unused unit is *colonised* with probability :math:`\gamma`, and a used one falls out of use,
*local extinction*, with probability :math:`\epsilon`. The record of each month depends on the
unit's state in it, by any of the models of records. A month in which nobody visited a unit
has no record, and its state is carried through. The likelihood is that of ``chain.py`` with
:math:`q_1 = \psi`, c = :math:`\gamma`, s = 1 - :math:`\epsilon`; the presence of each unit in
each month, given all months, is smoothed forward and backward.

Both may depend on covariates of the unit in the month that the change leads into.

With :math:`\gamma = 1 - \epsilon = \psi` the months are independent, and this is the
single-period model with a unit and a month as one site.

Source: MacKenzie, Nichols, Hines, Knutson & Franklin 2003, Ecology 84:2200-2207.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from carnivore_sign.presence.alike import Pieces
from carnivore_sign.presence.chain import Chance, by_covariates, either, run_chains
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.smoothing import ChainsAt, contrast_of, with_slope
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
    gain_matrix, loss_matrix : array, shape (n_changes, n_gain) and (n_changes, n_loss)
        Covariates of colonisation and of local extinction; the first column is 1. A row for
        each unit in each month but the first, month by month; or one row for all.
    pieces : Pieces, optional
        The courses cut and counted (``alike.py``), where all units share all parameters;
        the likelihood is then worked out on them.
    """

    psi_matrix: FloatArray
    record: GivenState
    steps: IntArray
    gain_matrix: FloatArray
    loss_matrix: FloatArray
    pieces: Pieces | None = None

    def evaluate(self, parameters: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        first, gain, stay = self._chances(parameters)
        theta = parameters[self._ends()[2] :]
        if self.pieces is None:
            record = self.record.at(theta)
            units = run_chains(first, gain, stay, record=record, steps=self.steps)
            return units.total()
        first = either(first, stay, self.pieces.after_find)
        record, steps = self.pieces.record.at(theta), self.pieces.steps
        chains = run_chains(first, gain, stay, record=record, steps=steps)
        return chains.total(self.pieces.times)

    def log_odds(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the smoothed logit of presence of each unit and month, and its slope."""
        return with_slope(lambda at: self.chains_at(at).log_odds(), parameters)

    def starts(self) -> list[FloatArray]:
        """Begin with half the units used, and one in four changing from month to month."""
        n_psi, n_gain, n_head = self._ends()
        begun = np.zeros(n_head)
        begun[[n_psi, n_gain]] = -1.0
        return [np.concatenate([begun, theta]) for theta in self.record.starts()]

    def chains_at(self, parameters: FloatArray) -> ChainsAt:
        """Return the chains at `parameters`."""
        n_psi, _, n_head = self._ends()
        contrast = contrast_of(self.record.at(parameters[n_head:]), self.steps)
        _, gain, stay = self._chances(parameters)
        shape = (len(self.steps), self.steps.shape[1] - 1)
        gains, stays = (_by_unit(chance, shape) for chance in (gain, stay))
        return ChainsAt(self.psi_matrix @ parameters[:n_psi], gains, stays, contrast, self.steps)

    def _ends(self) -> tuple[int, int, int]:
        """Return where the coefficients of presence, gain and loss end."""
        n_psi = self.psi_matrix.shape[1]
        n_gain = n_psi + self.gain_matrix.shape[1]
        return n_psi, n_gain, n_gain + self.loss_matrix.shape[1]

    def _chances(self, parameters: FloatArray) -> tuple[Chance, Chance, Chance]:
        n_psi, n_gain, size = self._ends()
        beta, gamma, epsilon, _ = np.split(parameters, [n_psi, n_gain, size])
        return (
            by_covariates(
                self.psi_matrix if self.pieces is None else self.psi_matrix[:1],
                beta,
                begin=0,
                size=size,
            ),
            by_covariates(self.gain_matrix, gamma, begin=n_psi, size=size),
            by_covariates(self.loss_matrix, epsilon, begin=n_gain, size=size, turned=True),
        )


def _by_unit(chance: Chance, shape: tuple[int, int]) -> FloatArray:
    """Return the probabilities with a row for each unit and a column for each change."""
    if len(chance.value) == 1:
        return np.full(shape, chance.value[0])
    return np.ascontiguousarray(chance.value.reshape(shape[1], shape[0]).T)
