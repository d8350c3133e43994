r"""Stretches: segments of a transect that are used, or not, in runs.

An animal's range takes in a stretch of a road and not the next, so a segment whose
neighbours are used is likelier used than any segment. In each month a segment is used with
probability :math:`\psi`. Going along the transect it keeps the state of the segment before
it with probability r, the *likeness* of neighbours, and else is drawn afresh:

.. math::

    q_1 = \psi, \qquad c = (1 - r) \psi, \qquad s = r + (1 - r) \psi,

with c, s and the likelihood of ``chain.py``. Every segment is used with probability
:math:`\psi` wherever the transect begins, and r is the correlation of the states of two
neighbours. The records of all visits of the month to a segment depend on its state, by any
of the models of records. A segment without visits has no record, and learns from those to
its left and right: P(used | all records of the transect) is smoothed forward and backward.
With r = 0 segments are independent, and this is the model of ``two_states.py``.

It differs from ``markov_line.py`` in what a state is: there each walk of a line has states
of its own, here a segment has one state in a month, which all walks look at.

Source: the two-state hidden Markov chain, Rabiner 1989, Proc IEEE 77:257-286 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from carnivore_sign.presence.chain import run_chains, same_for_all
from carnivore_sign.presence.jets import one_of
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.smoothing import ChainsAt, contrast_of, with_slope
from carnivore_sign.presence.two_states import Evaluation, GivenState


@dataclass(frozen=True)
class Stretches:
    """The likelihood of segments along their transects, month by month.

    Attributes
    ----------
    record : GivenState
        The model of a segment's record; its sites are a segment in a month.
    steps : array of int, shape (n_chains, n_places)
        The site at each place along each transect in each month; -1 for none.
    """

    record: GivenState
    steps: IntArray

    def evaluate(self, parameters: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        psi, likeness = (one_of(parameters[:2], place).expit() for place in (0, 1))
        gain = psi * likeness.rest()
        chains = run_chains(
            same_for_all(psi),
            same_for_all(gain),
            same_for_all(gain + likeness),
            record=self.record.at(parameters[2:]),
            steps=self.steps,
        )
        return chains.total()

    def log_odds(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the smoothed logit of presence of each segment and month, and its slope."""
        return with_slope(lambda at: self.chains_at(at).log_odds(), parameters)

    def starts(self) -> list[FloatArray]:
        """Begin with half the segments used, and neighbours alike, and hardly so."""
        return [
            np.concatenate([head, theta])
            for theta in self.record.starts()
            for head in ([0.0, 0.5], [0.0, -2.0])
        ]

    def chains_at(self, parameters: FloatArray) -> ChainsAt:
        """Return the chains at `parameters`."""
        contrast = contrast_of(self.record.at(parameters[2:]), self.steps)
        psi, likeness = expit(parameters[:2])
        n_chains, n_steps = self.steps.shape
        ways, gain = np.ones((n_chains, n_steps - 1)), psi * (1.0 - likeness)
        first = np.full(n_chains, parameters[0])
        return ChainsAt(first, gain * ways, (gain + likeness) * ways, contrast, self.steps)
