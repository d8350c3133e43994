"""Alike: courses over months that are the same are looked at once.

A sure find says which state the unit was in, so that what came after it does not depend on
what came before: a unit's months are cut after each sure find. Where the parameters are the
same for all, pieces with the same records have the same likelihood, and each is worked out
once and counted as often as it came.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from carnivore_sign.presence.fitting import BoolArray
from carnivore_sign.presence.layout import FloatArray, IntArray


@dataclass(frozen=True)
class Pieces:
    """Pieces of courses that differ.

    Attributes
    ----------
    steps : array of int, shape (n_pieces, longest)
        A site with such a record at each step; -1 for none.
    after_find : array of bool, shape (n_pieces,)
        Whether the step before the piece had a sure find.
    times : array, shape (n_pieces,)
        How often it came.
    """

    steps: IntArray
    after_find: BoolArray
    times: FloatArray


def cut_and_count(steps: IntArray, kind: IntArray, sure: BoolArray) -> Pieces:
    """Cut courses after sure finds and count the pieces that are alike.

    Parameters
    ----------
    steps : array of int, shape (n_units, n_months)
        The site of each unit in each month; -1 for none.
    kind : array of int, shape (n_sites,)
        Sites of one kind have records of the same density.
    sure : array of bool, shape (n_sites,)
        Whether the record rules absence out.

    Examples
    --------
    >>> steps = np.array([[0, 1, 2], [3, 4, 5]])
    >>> finds = np.array([1, 0, 0, 0, 1, 0])
    >>> pieces = cut_and_count(steps, finds, finds > 0)
    >>> sorted(zip(pieces.steps.tolist(), pieces.times.tolist()))
    [([0, -1], 1.0), ([1, 2], 1.0), ([3, 4], 1.0), ([5, -1], 1.0)]
    """
    there = steps >= 0
    found = np.append(sure, False)[steps]
    starts = np.ones_like(there)
    starts[:, 1:] = found[:, :-1]
    piece = np.cumsum(starts.ravel()) - 1
    first = np.flatnonzero(starts.ravel())
    place = np.arange(steps.size) - first[piece]
    cut = np.full((len(first), int(place.max()) + 1), -1, dtype=np.int64)
    cut[piece, place] = steps.ravel()
    after_find = first % steps.shape[1] > 0
    kinds = np.append(kind + 1, 0)[cut]
    weights = np.random.default_rng(0).integers(1, 2**62, kinds.shape[1] + 1)
    label = kinds @ weights[:-1] + after_find * weights[-1]
    _, chosen, which, times = np.unique(
        label, return_index=True, return_inverse=True, return_counts=True
    )
    same = (kinds == kinds[chosen][which]).all() and (after_find == after_find[chosen][which]).all()
    if not same:  # two pieces with one label: none is merged
        return Pieces(cut, after_find, np.ones(len(cut)))
    return Pieces(cut[chosen], after_find[chosen], times.astype(float))
