"""Trails room: links that were chosen are weighed again, in the light of each other.

How far the next sign of a passage lies, and how a trail turns from link to link, is known only
when links have been chosen. So the best set is chosen, what it shows is learned, the
candidates are weighed anew, and the best set is chosen again, a few times over.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from scipy.special import expit

from carnivore_sign.trails.candidates import Links, Said
from carnivore_sign.trails.estimating import LinkFit
from carnivore_sign.trails.likelihood import FloatArray, IntArray, LinkModel
from carnivore_sign.trails.solving import Candidates, Chosen, rivalled, stacked
from carnivore_sign.trails.turns import AS_THEY_ARE, learn_turns, turn_ratio, turns_of

_ROUNDS: Final = 3


def weigh_links(
    said: Said, fit: LinkFit, candidates: Candidates, working: LinkModel
) -> tuple[LinkFit, Candidates]:
    """Weigh the candidate links between tracks.

    Parameters
    ----------
    said : Said
        What speaks for each pair of tracks.
    fit : LinkFit
        Learned from pairs, or working values; where it was learned, the distance to the next
        sign and the turns are learned too.
    candidates : Candidates
        What else is needed to choose: its ``tracks`` are replaced.
    working : LinkModel
        Working values, to which what is learned is shrunk.

    Returns
    -------
    fit : LinkFit
        With the distance to the next sign in the place of that to any.
    candidates : Candidates
        With the candidate links weighed.
    """
    noted = candidates.noted
    price = fit.local_price(said, len(noted.walk))
    links = fit.gains(said, price)
    added: FloatArray = np.zeros(len(links.first))
    for _ in range(_ROUNDS):
        candidates = replace(candidates, tracks=links._replace(gain=links.gain + added))
        chosen = candidates.solve()
        if fit.learned:
            rows = _rows_of(chosen.links, links, len(noted.walk))
            sure = expit(rivalled(chosen.links, candidates.tracks, chosen.trail).gain)
            fit = fit.following(said.chosen(rows), sure, working)
            links = fit.gains(said, price)
        added = _turned(links, chosen, candidates, fit)
    return fit, replace(candidates, tracks=links._replace(gain=links.gain + added))


def _turned(links: Links, chosen: Chosen, candidates: Candidates, fit: LinkFit) -> FloatArray:
    """Weigh the turns of every candidate against the links that were chosen."""
    made = stacked([chosen.links, chosen.held])
    turns = turns_of(links, made, candidates.noted, fit.model)
    learned = learn_turns(turns, expit(links.gain)) if fit.learned else AS_THEY_ARE
    return turn_ratio(turns, learned)


def _rows_of(chosen: Links, links: Links, count: int) -> IntArray:
    """Row among the candidates of each chosen link."""
    keys = links.first * count + links.second
    order = np.argsort(keys)
    return order[np.searchsorted(keys[order], chosen.first * count + chosen.second)]
