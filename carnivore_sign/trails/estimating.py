"""Trails room: what a season says about its own links.

How far apart the sign of one passage lie, how dense other passages are, and how much of each
likelihood ratio to believe differ from season to season and from road to open ground. All of
it is learned from the season by a few steps of expectation and maximisation, and shrunk to
working values, so that few sign change little.

It is learned first from all pairs of a passage, and then, where links were chosen
(``reweighing.py``), from each sign and the next one: the next is nearer than any.

The weights are learned against *strangers*: pairs at one place, found on different outings days
apart, which are surely of different passages. On a road every animal walks along the road, and
the residents of a place resemble themselves; strangers show how alike two sign are for such
reasons alone. With ratios z, weights w and strangers x, the gain of a pair is ::

    log f(distance) - log(density of other sign) + w.z - log mean exp(w.x)

where the last mean is over strangers of whom the same things were noted. So a stranger is, on
the mean, never evidence for a link, whatever the ratios were.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.special import expit

from carnivore_sign.trails.candidates import SPEAKERS, Links, Said
from carnivore_sign.trails.likelihood import FloatArray, LinkModel, distance_ratio, gap_log_density
from carnivore_sign.units import M_PER_KM

#: Passages per kilometre that a link is weighed against where nothing was learned.
WORKING_TRAILS_PER_KM: Final = 1.5

_PATTERNS: Final = 8  # what was noted of both: direction, size, stride, or not
_STEPS: Final = 30
_PAIRS_BEHIND: Final = 40.0  # working values count as so many pairs
_STRANGERS_BEHIND: Final = 5.0  # and so many strangers who show nothing
_LEAST_STRANGERS: Final = 50
_SIGN_BEHIND: Final = 2.0  # the season's density counts as so many sign near each sign
_SHAPES: Final = np.linspace(0.8, 2.0, 25)
_SHAPE_STEP: Final = 0.12
_MOST_PAIRS: Final = 60_000
_SETTLED: Final = 1e-3  # so little a link's probability changes at most in the last step


@dataclass(frozen=True, eq=False)
class LinkFit:
    """What links are weighed with: working values, or what was learned from the season.

    Attributes
    ----------
    model : LinkModel
        With the distance to the next sign that holds, and its shape.
    trails_per_km : float
        Density of sign of other passages per sign of this one: the price of starting a trail.
    weights : tuple of float
        How much of each ratio is believed, 0 to 1, in the order of `SPEAKERS`.
    offsets : tuple of float
        What is taken off, by what was noted of both sign (see the notes of the file).
    pairs, strangers : int
        Pairs it was learned from; 0 where working values hold.
    """

    model: LinkModel
    trails_per_km: float = WORKING_TRAILS_PER_KM
    weights: tuple[float, ...] = (1.0,) * len(SPEAKERS)
    offsets: tuple[float, ...] = (0.0,) * _PATTERNS
    pairs: int = 0
    strangers: int = 0

    @property
    def learned(self) -> bool:
        """Whether the season was asked."""
        return self.pairs > 0

    def likeness(self, said: Said) -> FloatArray:
        """Weigh what was noted of both sign of every pair, without their distance."""
        return said.ratios @ np.array(self.weights) - np.array(self.offsets)[said.noted]

    def local_price(self, said: Said, count: int) -> FloatArray:
        """Price of starting a trail at every pair, per km; `count` is the number of sign.

        Where the fit was learned it is that of the place: more where many sign lie that belong
        to other passages, less where there are few.
        """
        likeness = self.likeness(said)
        price: FloatArray = np.full(len(likeness), self.trails_per_km)
        for _ in range(_STEPS // 3 if self.learned else 0):
            gain = self._by_distance(said, price) + likeness
            price = self.trails_per_km * _local(said, 1.0 - expit(gain), count)
        return price

    def gains(self, said: Said, price: float | FloatArray) -> Links:
        """Weigh every pair under a price of starting a trail, per km."""
        gain = self._by_distance(said, price) + self.likeness(said)
        return Links(said.first, said.second, gain)

    def following(self, said: Said, chosen: FloatArray, working: LinkModel) -> LinkFit:
        """Learn the distance to the next sign from pairs that were linked, so probably each."""
        return replace(self, model=_gaps(said, chosen, self.model, working, _SHAPES))

    def _by_distance(self, said: Said, price: float | FloatArray) -> FloatArray:
        return distance_ratio(said.metres, self.model, trails_per_km=price, bare=said.bare)


def estimate_links(said: Said, strangers: Said, count: int, model: LinkModel) -> LinkFit:
    """Learn from a season how its links are to be weighed.

    Parameters
    ----------
    said : Said
        Pairs of tracks of one outing that can be of one time.
    strangers : Said
        Pairs that are surely of different passages; with fewer than 50 the weights stay 1.
    count : int
        Number of sign.
    model : LinkModel
        Working values, which count as 40 pairs.

    Returns
    -------
    LinkFit
    """
    if not len(said.first):
        return LinkFit(model)
    said, strangers = _thinned(said), _thinned(strangers)
    fit = LinkFit(model, pairs=len(said.first), strangers=len(strangers.first))
    price: FloatArray = np.full(len(said.first), fit.trails_per_km)
    weights = np.ones(len(SPEAKERS))
    offsets = _offsets(weights, strangers)[1]
    before: FloatArray = np.zeros(len(said.first))
    for _ in range(_STEPS):
        likeness = said.ratios @ weights - offsets[said.noted]
        distance = distance_ratio(said.metres, fit.model, trails_per_km=price, bare=said.bare)
        same = expit(distance + likeness)
        if np.abs(same - before).max() < _SETTLED:
            break
        before = same
        per_km = _density(same, model)
        near = _SHAPES[np.abs(_SHAPES - fit.model.gap_shape) < _SHAPE_STEP]  # it moves by steps
        fit = replace(fit, model=_gaps(said, same, fit.model, model, near), trails_per_km=per_km)
        price = per_km * _local(said, 1.0 - same, count)
        if len(strangers.first) >= _LEAST_STRANGERS:
            weights = _weights(weights, said, same, strangers)
            offsets = _offsets(weights, strangers)[1]
    return replace(fit, weights=tuple(weights.tolist()), offsets=tuple(offsets.tolist()))


def _thinned(said: Said) -> Said:
    """Keep every so many of very many sign, each with all of its pairs to later ones.

    What is counted near a sign is then too little for all alike, and compared with its mean.
    """
    step = len(said.first) // _MOST_PAIRS + 1
    kept = np.arange(len(said.first)) if step == 1 else np.flatnonzero(said.first % step == 0)
    return said.chosen(kept)


def _density(same: FloatArray, model: LinkModel) -> float:
    reach_km = model.max_gap_m / M_PER_KM
    behind = WORKING_TRAILS_PER_KM * reach_km * _PAIRS_BEHIND
    return float(((1.0 - same).sum() + behind) / (same.sum() + _PAIRS_BEHIND) / reach_km)


def _gaps(
    said: Said, same: FloatArray, model: LinkModel, working: LinkModel, shapes: FloatArray
) -> LinkModel:
    """Fit the distance of sign of one passage: its mean, on bare ground too, then its shape."""
    open_, bare = same * (1.0 - said.bare), same * said.bare
    mean = (open_ @ said.metres + _PAIRS_BEHIND * working.gap_m) / (open_.sum() + _PAIRS_BEHIND)
    behind = _PAIRS_BEHIND * working.bare_factor * mean
    factor = (bare @ said.metres + behind) / (bare.sum() + _PAIRS_BEHIND) / mean
    found = replace(model, gap_m=float(mean), bare_factor=float(factor))
    shaped = [replace(found, gap_shape=float(shape)) for shape in shapes]
    fits = [
        same @ gap_log_density(said.metres, one, bare=said.bare)
        - _PAIRS_BEHIND * (one.gap_shape - working.gap_shape) ** 2
        for one in shaped
    ]
    return shaped[int(np.argmax(fits))]


def _local(said: Said, other: FloatArray, count: int) -> FloatArray:
    """Density of other passages about each pair, relative to that of the season.

    The sign near each sign that are probably of other passages are counted, the pair itself
    left out, with the mean of the season behind the count.
    """
    near = np.bincount(said.first, other, count) + np.bincount(said.second, other, count)
    mean = near.sum() / max(np.count_nonzero(near), 1)
    both = near[said.first] + near[said.second] - 2.0 * other
    return np.asarray((both / 2.0 + _SIGN_BEHIND) / (mean + _SIGN_BEHIND))


def _offsets(weights: FloatArray, strangers: Said) -> tuple[FloatArray, FloatArray]:
    """Return exp(w.x) of every stranger, and the log of its mean by what was noted."""
    odds = np.exp(np.clip(strangers.ratios @ weights, -20.0, 20.0))
    total = np.bincount(strangers.noted, odds, _PATTERNS) + _STRANGERS_BEHIND
    number = np.bincount(strangers.noted, minlength=_PATTERNS) + _STRANGERS_BEHIND
    return odds, np.log(total / number)


def _weights(weights: FloatArray, said: Said, same: FloatArray, strangers: Said) -> FloatArray:
    """Take one Newton step towards the weights under which the links are the most likely."""
    odds, _ = _offsets(weights, strangers)
    expected = np.bincount(said.noted, same, _PATTERNS)
    total = np.bincount(strangers.noted, odds, _PATTERNS) + _STRANGERS_BEHIND
    share = odds / total[strangers.noted]
    shared = (strangers.ratios * share[:, None]).T
    mean = np.stack([np.bincount(strangers.noted, column, _PATTERNS) for column in shared], axis=1)
    weighted = share * expected[strangers.noted]
    slope = same @ said.ratios - weighted @ strangers.ratios - _PAIRS_BEHIND * (weights - 1.0)
    curve = (strangers.ratios * weighted[:, None]).T @ strangers.ratios
    curve -= (mean * expected[:, None]).T @ mean
    curve += _PAIRS_BEHIND * np.eye(len(SPEAKERS))
    step = np.clip(np.linalg.solve(curve, slope), -0.3, 0.3)
    return np.asarray(np.clip(weights + step, 0.0, 1.0))
