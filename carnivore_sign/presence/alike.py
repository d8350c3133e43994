"""Alike: what is the same for many sites or courses is worked out once, and counted.

Where the parameters are the same for all, sites with as many finds on as many visits have the
same likelihood. So have courses over months: a sure find says which state the unit was in, so
that what came after it does not depend on what came before. A unit's months are cut after each
sure find, and pieces with the same records are counted as often as they came.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from carnivore_sign.presence.fitting import BoolArray
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.repeat_visits import CountedFinds, kinds_of
from carnivore_sign.presence.two_states import Evaluation, TwoStates


@dataclass(frozen=True)
class AlikeSites:
    """The likelihood of sites that share all parameters.

    Attributes
    ----------
    whole : TwoStates
        Site by site.
    kinds : TwoStates
        One site of each kind, with the times it came.
    """

    whole: TwoStates
    kinds: TwoStates

    def evaluate(self, parameters: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        return self.kinds.evaluate(parameters)

    def log_odds(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return logit w of each site, and its slope in the parameters."""
        return self.whole.log_odds(parameters)

    def starts(self) -> list[FloatArray]:
        """Return points to begin the search at."""
        return self.whole.starts()


def count_alike(record: CountedFinds) -> AlikeSites:
    """Return the likelihood of sites with one psi and one p.

    Examples
    --------
    >>> sites = count_alike(CountedFinds(np.array([0.0, 2.0, 0.0]), np.array([3.0, 3.0, 3.0])))
    >>> sites.kinds.times, sites.kinds.given.finds
    (array([2., 1.]), array([0., 2.]))
    """
    kinds = kinds_of(record)
    times = np.bincount(kinds.kind).astype(float)
    return AlikeSites(
        TwoStates(np.ones((len(record.finds), 1)), record),
        TwoStates(np.ones((len(times), 1)), kinds.record, times),
    )


@dataclass(frozen=True)
class Pieces:
    """Pieces of courses that differ.

    Attributes
    ----------
    record : CountedFinds
        One record of each kind.
    steps : array of int, shape (n_pieces, longest)
        The kind of record at each step; -1 for none.
    after_find : array of bool, shape (n_pieces,)
        Whether the step before the piece had a sure find.
    times : array, shape (n_pieces,)
        How often it came.
    """

    record: CountedFinds
    steps: IntArray
    after_find: BoolArray
    times: FloatArray


def cut_and_count(steps: IntArray, record: CountedFinds) -> Pieces:
    """Cut courses after sure finds and count the pieces that are alike.

    Parameters
    ----------
    steps : array of int, shape (n_units, n_months)
        The site of each unit in each month; -1 for none.
    record : CountedFinds
        Of each site.

    Examples
    --------
    >>> steps = np.array([[0, 1, 2], [3, 4, 5]])
    >>> finds = np.array([1.0, 0.0, 0.0, 0.0, 1.0, 0.0])
    >>> pieces = cut_and_count(steps, CountedFinds(finds, np.ones(6)))
    >>> sorted(zip(pieces.steps.tolist(), pieces.times.tolist()))
    [([0, -1], 1.0), ([0, 0], 1.0), ([0, 1], 1.0), ([1, -1], 1.0)]
    """
    kinds = kinds_of(record)
    cell = np.append(kinds.kind, -1)[steps].ravel()
    starts = np.ones(steps.shape, dtype=bool)
    starts[:, 1:] = np.append(record.finds > 0, False)[steps[:, :-1]]
    first = np.flatnonzero(starts)
    length = np.diff(first, append=steps.size)
    place = np.arange(steps.size) - np.repeat(first, length)
    after_find = first % steps.shape[1] > 0
    weights = np.random.default_rng(0).integers(1, 2**62, int(length.max()) + 2)
    label = np.add.reduceat((cell + 2) * weights[place], first)
    label += length * weights[-2] + after_find * weights[-1]
    _, chosen, which, times = np.unique(
        label, return_index=True, return_inverse=True, return_counts=True
    )
    twin = np.repeat(first[chosen][which], length) + place
    same = (length == length[chosen][which]) & (after_find == after_find[chosen][which])
    if not (same.all() and (cell == cell[twin]).all()):  # two pieces with one label: none is merged
        chosen, times = np.arange(len(first)), np.ones(len(first), dtype=np.int64)
    cut = np.full((len(chosen), int(length.max())), -1, dtype=np.int64)
    there = np.arange(cut.shape[1]) < length[chosen][:, None]
    cut[there] = cell[(first[chosen][:, None] + np.arange(cut.shape[1]))[there]]
    return Pieces(kinds.record, cut, after_find[chosen], times.astype(float))
