"""Trails room: the best set of paths, exactly, as an assignment on sparse candidates.

A passage is a path through sign in the order in which they were found; each has at most one
next and one before. Among all such sets of paths the one with the greatest total gain is found
by the assignment solver of scipy. It is used twice: on the sign of each walk, and then on the
trails of the walks of one outing. Nothing is decided greedily, and nothing loops over pairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import scipy.sparse
from scipy.sparse.csgraph import connected_components, min_weight_full_bipartite_matching

from carnivore_sign.trails.candidates import Links, Noted
from carnivore_sign.trails.likelihood import FloatArray, IntArray

_BLOCK_LINKS: Final = 4_000  # about so many candidate links are solved at a time


class Chosen(NamedTuple):
    """A set of trails: the links, what joined beside the path, and a trail number per sign.

    ``links`` are those of walks and across walks; ``joins`` point from other sign to a track;
    ``held`` tie the sign along a trail that was followed by hand.
    """

    links: Links
    joins: Links
    held: Links
    trail: IntArray


@dataclass(frozen=True, eq=False)
class Candidates:
    """The candidate links of a season, weighed.

    Attributes
    ----------
    noted : Noted
        What was noted of each sign.
    tracks : Links
        Candidate links between tracks.
    mixed : Links
        Candidate joins: sign that is no track in front, the track behind.
    held : Links
        Links along trails that were followed by hand.
    """

    noted: Noted
    tracks: Links
    mixed: Links
    held: Links

    def solve(self, tracks: FloatArray | None = None, mixed: FloatArray | None = None) -> Chosen:
        """Find the best set of trails, under other gains than the weighed ones if given."""
        links = self.tracks if tracks is None else self.tracks._replace(gain=tracks)
        joins = self.mixed if mixed is None else self.mixed._replace(gain=mixed)
        noted, count = self.noted, len(self.noted.walk)
        walk = noted.walk
        inside = walk[links.first] == walk[links.second]
        held_inside = self.held.chosen(walk[self.held.first] == walk[self.held.second])
        part = components([held_inside], count)
        within = best_paths(links.chosen(inside), walk, node=part, rank=noted.rank)
        part = components([within, self.held], count)
        across = best_paths(links.chosen(~inside), noted.outing, node=part, rank=noted.rank)
        chosen = stacked([within, across])
        joined = _best_joins(joins)
        return Chosen(chosen, joined, self.held, components([chosen, joined, self.held], count))


def components(links: list[Links], count: int) -> IntArray:
    """Number the sets of sign that `links` hold together."""
    first = np.concatenate([one.first for one in links])
    second = np.concatenate([one.second for one in links])
    joined = scipy.sparse.csr_array((np.ones(len(first)), (first, second)), shape=(count, count))
    return connected_components(joined, directed=False)[1].astype(np.intp)


def best_paths(
    candidates: Links,
    block: IntArray,
    *,
    node: IntArray | None = None,
    rank: IntArray | None = None,
) -> Links:
    """Choose the links of the set of paths with the greatest total gain, exactly.

    Parameters
    ----------
    candidates : Links
        Pairs of sign. A link that loses is never part of the best set.
    block : ndarray of int, shape (sign,)
        Walk or outing of each sign. Blocks share no candidates; they are solved a few at a
        time, since the cost of the assignment grows faster than the number of sign.
    node : ndarray of int, shape (sign,), optional
        Sign that are held together already, as one node of the path; each alone if not given.
    rank : ndarray of int, shape (sign,), optional
        Order in which the sign were found; a node stands where its first sign does.

    Returns
    -------
    Links
        Of the candidates, one for each link of the paths.
    """
    offered = candidates.chosen(candidates.gain > 0)
    node = np.arange(len(block)) if node is None else node
    rank = np.arange(len(block)) if rank is None else rank
    begins = np.full(len(block), len(block))
    np.minimum.at(begins, node, rank)
    one, two = node[offered.first], node[offered.second]
    swap = begins[one] > begins[two]
    one, two = np.where(swap, two, one), np.where(swap, one, two)
    order = np.lexsort([offered.second, offered.first, -offered.gain, two, one])
    order = order[one[order] != two[order]]
    keys = one[order] * len(block) + two[order]
    order = order[np.sort(np.unique(keys, return_index=True)[1])]
    if not len(order):
        return no_links()
    of_block = block[offered.first[order]]
    group = (np.cumsum(np.bincount(of_block)) // _BLOCK_LINKS)[of_block]
    parts = [order[rows] for rows in _split(group)]
    return stacked(
        [offered.chosen(rows[_assign(one[rows], two[rows], offered.gain[rows])]) for rows in parts]
    )


def _split(group: IntArray) -> list[IntArray]:
    """Return the rows of each group."""
    order = np.argsort(group, kind="stable")
    return list(np.split(order, np.flatnonzero(np.diff(group[order])) + 1))


def _assign(first: IntArray, second: IntArray, gain: FloatArray) -> IntArray:
    """Match each node to the one after it, or to a stand-in of its own that costs nothing."""
    rows, row = np.unique(first, return_inverse=True)
    columns, column = np.unique(second, return_inverse=True)
    top = gain.max() + 1.0  # every row is matched once, so a shift changes no choice
    stand_in = np.arange(len(rows))
    costs = scipy.sparse.csr_array(
        (
            np.concatenate([top - gain, np.full(len(rows), top)]),
            (np.concatenate([row, stand_in]), np.concatenate([column, len(columns) + stand_in])),
        ),
        shape=(len(rows), len(columns) + len(rows)),
    )
    matched, partner = min_weight_full_bipartite_matching(costs)
    real = partner < len(columns)
    follower = np.full(len(rows), -1)
    follower[matched[real]] = partner[real]
    return np.flatnonzero(follower[row] == column)


def _best_joins(mixed: Links) -> Links:
    """For each sign that is no track, the track that it most likely belongs to."""
    good = mixed.chosen(mixed.gain > 0)
    best = np.lexsort([good.second, -good.gain, good.first])
    return good.chosen(best[np.unique(good.first[best], return_index=True)[1]])


def rivalled(links: Links, candidates: Links, trail: IntArray) -> Links:
    """Weigh each link against a new trail and against links into each other trail.

    A rival link must be won from the link that its far end has already on that side; what it
    sets free may link up instead, as where two trails cross and change tails. Of the links
    into one trail only the best counts.
    """
    count = len(trail)
    strange = candidates.chosen(trail[candidates.first] != trail[candidates.second])
    onward, backward = np.zeros(count), np.zeros(count)
    onward[links.first], backward[links.second] = links.gain, links.gain
    after, before = np.full(count, -1), np.full(count, -1)
    after[links.first], before[links.second] = links.second, links.first
    freed = _gains_of(before[strange.second], after[strange.first], candidates, count)
    freed = np.maximum(freed, 0.0)
    most = np.maximum(
        _rivals(
            strange.first, trail[strange.second],
            strange.gain - backward[strange.second] + freed, count,
        )[links.first],
        _rivals(
            strange.second, trail[strange.first],
            strange.gain - onward[strange.first] + freed, count,
        )[links.second],
    )  # fmt: skip
    return links._replace(gain=links.gain - np.log1p(most))


def _gains_of(first: IntArray, second: IntArray, candidates: Links, count: int) -> FloatArray:
    """Gain of the candidate links between given sign; 0 where there is none."""
    keys = candidates.first * count + candidates.second
    order = np.argsort(keys)
    wanted = np.where((first >= 0) & (second >= 0), first * count + second, -1)
    place = np.minimum(np.searchsorted(keys[order], wanted), max(len(keys) - 1, 0))
    found = keys[order][place] == wanted if len(keys) else np.zeros(len(wanted), dtype=bool)
    return np.where(found, candidates.gain[order[place]], 0.0) if len(keys) else np.zeros(0)


def _rivals(sign: IntArray, other: IntArray, gain: FloatArray, count: int) -> FloatArray:
    """Sum over other trails of the odds of the best link from each sign into it."""
    order = np.lexsort([-gain, other, sign])
    best = order[np.unique(sign[order] * count + other[order], return_index=True)[1]]
    odds = np.bincount(sign[best], np.exp(np.minimum(gain[best], 500.0)), count)
    return odds.astype(float)


def held_links(followed: IntArray, rank: IntArray) -> Links:
    """Tie the sign along each followed trail together, as sure as can be."""
    rows = np.flatnonzero(followed >= 0)
    order = rows[np.lexsort([rank[rows], followed[rows]])]
    same = followed[order[1:]] == followed[order[:-1]]
    first, second = order[:-1][same], order[1:][same]
    return Links(first, second, np.full(len(first), np.inf))


def stacked(parts: list[Links]) -> Links:
    """Put links behind one another."""
    return Links(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def no_links() -> Links:
    """Return no links."""
    return Links(np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0))
