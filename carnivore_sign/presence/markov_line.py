r"""Markov line: consecutive segments of one line as looks at it, which are not independent.

A line is used in the period with probability :math:`\psi`. Along a used line the segments
that an animal's sign touches run in stretches: a segment is used with probability c if the
one before it was not, and with probability s if it was. What is found on a segment depends
on its own state, by any of the models of records (``repeat_visits.py``,
``scored_signs.py``, ``sure_unsure.py``). Each walk of the line has a chain of its own, since
sign comes and goes; a segment that a walk left out is passed over in its place.

.. math::

    a = \sum_{\text{walks}} \log P(\text{records} | \text{chain}), \qquad
    b = \sum_{\text{walks}} \sum_t b_t,

with the chain's likelihood from ``chain.py``. The first segment is taken either from the
steady state of the chain, :math:`q_1 = c / (c + 1 - s)`, or as if the one before it had been
unused, :math:`q_1 = c`. With c = s there are no stretches: segments are independent, and
found with probability c p.

Source: Hines, Nichols, Royle, MacKenzie, Gopalaswamy, Kumar & Karanth 2010, Ecol Appl
20:1456-1466.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy import sparse
from scipy.special import expit, logit

from carnivore_sign.presence.chain import run_chains, same_for_all
from carnivore_sign.presence.jets import one_of
from carnivore_sign.presence.layout import FloatArray, IntArray, adder
from carnivore_sign.presence.smoothing import ChainsAt, contrast_of
from carnivore_sign.presence.two_states import Conditional, GivenState

FirstSegment = Literal["steady", "after_unused"]


@dataclass(frozen=True)
class MarkovLine:
    """Log densities of the walks of a line, given whether the line is used.

    Attributes
    ----------
    record : GivenState
        The model of a segment's record; its sites are single looks at a segment.
    steps : array of int, shape (n_walks, n_segments)
        Which look belongs to each place along each walk; -1 for none.
    line : array of int, shape (n_walks,)
        The line of each walk.
    n_lines : int
    first : {"steady", "after_unused"}
        What is assumed before the first segment.
    """

    record: GivenState
    steps: IntArray
    line: IntArray
    n_lines: int
    first: FirstSegment = "steady"

    @cached_property
    def _sums(self) -> tuple[IntArray, IntArray, sparse.csr_array, sparse.csr_array]:
        """Walk and look of each step that was made, and what adds up by walk and by line."""
        walk, place = np.nonzero(self.steps >= 0)
        sums = adder(walk, len(self.steps)), adder(self.line, self.n_lines)
        return walk, self.steps[walk, place], *sums

    @property
    def n_terms(self) -> int:
        """Number of parameters: logit c, logit s, and those of the records."""
        return 2 + self.record.n_terms

    def at(self, theta: FloatArray) -> Conditional:
        """Return the log densities and their derivatives at `theta`."""
        record = self.record.at(theta[2:])
        logit_gain, logit_stay = (one_of(theta[:2], place) for place in (0, 1))
        before = logit_gain.expit()
        if self.first == "steady":
            odds = logit_gain.log_expit() - logit_stay.negative().log_expit()
            before = odds.expit()
        walks = run_chains(
            same_for_all(before),
            same_for_all(logit_gain.expit()),
            same_for_all(logit_stay.expit()),
            record=record,
            steps=self.steps,
        )
        walk, sites, by_walk, by_line = self._sums
        slope_absent = np.zeros((self.n_lines, self.n_terms))
        slope_absent[:, 2:] = by_line @ (by_walk @ record.slope_absent[sites])

        def curvature(present: FloatArray, absent: FloatArray) -> FloatArray:
            bend = walks.curvature(present[self.line])
            unused = np.zeros(len(record.absent))
            unused[sites] = absent[self.line[walk]]
            bend[2:, 2:] += record.curvature(np.zeros_like(unused), unused)
            return bend

        return Conditional(
            by_line @ walks.value,
            by_line @ (by_walk @ record.absent[sites]),
            by_line @ walks.slope.T,
            slope_absent,
            curvature,
        )

    def chains_at(self, theta: FloatArray) -> ChainsAt:
        """Return the chains of the walks at `theta`, given that their lines are used."""
        gain, stay = expit(theta[:2])
        first = gain / (gain + 1.0 - stay) if self.first == "steady" else gain
        n_walks, n_segments = self.steps.shape
        ways = np.ones((n_walks, n_segments - 1))
        contrast = contrast_of(self.record.at(theta[2:]), self.steps)
        begun = np.full(n_walks, logit(first))
        return ChainsAt(begun, gain * ways, stay * ways, contrast, self.steps)

    def starts(self) -> list[FloatArray]:
        """Begin with stretches, and with independent segments."""
        return [
            np.concatenate([chain, theta])
            for theta in self.record.starts()
            for chain in ([-0.8, 0.8], [0.0, 0.0])
        ]
