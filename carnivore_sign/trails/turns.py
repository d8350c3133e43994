"""Trails room: the turn from one link of a trail to the next.

An animal at walking pace keeps its course: the farther it goes, the less. Turns follow a
wrapped Cauchy distribution about straight on, as in correlated random walks; its
concentration falls with the metres walked, and with the error of the receiver where sign lie
close together. On a road every animal goes straight on, whosever sign come next; so it is
learned how often links turn, and how often pairs do that are none.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from carnivore_sign.trails.candidates import Links, Noted
from carnivore_sign.trails.likelihood import FloatArray, IntArray, LinkModel

_BINS: Final = 6  # of the turn either way, 30 degrees each
_EDGES_DEG: Final = np.linspace(0.0, 180.0, _BINS + 1)
_TURNS_BEHIND: Final = 40.0  # the working distribution counts as so many turns

#: What is taken off or added by turn where nothing was learned.
AS_THEY_ARE: Final = (0.0,) * _BINS


class Turns(NamedTuple):
    """Turns at both ends of pairs: ``angle_deg`` from straight on, 0 to 180, and ``rho``.

    Shape (pairs, 2); NaN where no link leads on, or a direction was stated, which says more.
    ``rho`` is the mean cosine of the turn that a walking animal makes.
    """

    angle_deg: FloatArray
    rho: FloatArray


def turns_of(pairs: Links, chosen: Links, noted: Noted, model: LinkModel) -> Turns:
    """Turn from the chosen link before each pair, and to the chosen link after it.

    Parameters
    ----------
    pairs : Links
        Candidate links.
    chosen : Links
        Links of the trails as they are known so far.
    noted : Noted
        Places of the sign, and directions that were stated.
    model : LinkModel
        Its `course_m` and `gps_error_m`.
    """
    count = len(noted.walk)
    before, after = np.full(count, -1), np.full(count, -1)
    before[chosen.second], after[chosen.first] = chosen.first, chosen.second
    ahead = noted.xy_m[pairs.second] - noted.xy_m[pairs.first]
    sides = [
        _turn(ahead, pairs.first, before[pairs.first], noted, model, way=1.0),
        _turn(ahead, pairs.second, after[pairs.second], noted, model, way=-1.0),
    ]
    own = (before[pairs.first] == pairs.second) | (after[pairs.second] == pairs.first)
    angle, rho = (np.stack(part, axis=1) for part in zip(*sides, strict=True))
    angle[own] = np.nan
    return Turns(angle, np.where(np.isnan(angle), np.nan, rho))


def _turn(
    ahead: FloatArray, corner: IntArray, other: IntArray, noted: Noted, model: LinkModel,
    *, way: float,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Turn at `corner` between a pair and the link to `other`; NaN where there is none."""
    leg = way * (noted.xy_m[corner] - noted.xy_m[other])
    one, two = np.hypot(*ahead.T), np.hypot(*leg.T)
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = (ahead * leg).sum(axis=1) / (one * two)
        error = model.gps_error_m**2 * (one**-2.0 + two**-2.0)
    rho = np.exp(-(one + two) / 2.0 / model.course_m - error)
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    silent = (other < 0) | np.isfinite(noted.direction_deg[corner])
    return np.where(silent, np.nan, angle), rho


def turn_ratio(turns: Turns, learned: tuple[float, ...] = AS_THEY_ARE) -> FloatArray:
    """Weigh the turns of each pair; each turn is shared between the two links it joins.

    Parameters
    ----------
    turns : Turns
        From `turns_of`.
    learned : tuple of float
        From `learn_turns`.

    Returns
    -------
    ndarray, shape (pairs,)
        Log of the likelihood ratio; 0 where there is no turn to speak of.

    Examples
    --------
    >>> sharp_and_straight = Turns(np.array([[170.0, np.nan], [5.0, np.nan]]), np.full((2, 2), 0.6))
    >>> turn_ratio(sharp_and_straight).round(2).tolist()
    [-0.69, 0.68]
    """
    cosine = np.cos(np.radians(turns.angle_deg))
    rho = turns.rho
    with np.errstate(invalid="ignore", divide="ignore"):
        said = np.log((1.0 - rho**2) / (1.0 + rho**2 - 2.0 * rho * cosine))
    said = said + np.array(learned)[_bin_of(turns.angle_deg)]
    return np.asarray(0.5 * np.where(np.isnan(said), 0.0, said).sum(axis=1))


def learn_turns(turns: Turns, same: FloatArray) -> tuple[float, ...]:
    """Learn how often links turn, and how often pairs do that are none.

    Parameters
    ----------
    turns : Turns
        Turns of all candidate pairs.
    same : ndarray, shape (pairs,)
        Probability that each is a link.

    Returns
    -------
    tuple of float
        By 30 degrees of turn, what is added to the log of the ratio of the working
        distribution; few turns change little.
    """
    known = np.isfinite(turns.angle_deg)
    pair = np.nonzero(known)[0]
    which, rho, linked = _bin_of(turns.angle_deg[known]), turns.rho[known], same[pair]
    of_link = np.bincount(which, linked, _BINS) + _TURNS_BEHIND / _BINS
    of_other = np.bincount(which, 1.0 - linked, _BINS) + _TURNS_BEHIND / _BINS
    walked = linked @ _shares(rho) + _TURNS_BEHIND / _BINS
    even = (1.0 - linked).sum() / _BINS + _TURNS_BEHIND / _BINS
    return tuple((np.log(of_link / walked) - np.log(of_other / even)).tolist())


def _shares(rho: FloatArray) -> FloatArray:
    """Share of turns in each bin under the wrapped Cauchy distribution, shape (turns, bins)."""
    half = np.tan(np.radians(_EDGES_DEG[:-1]) / 2.0)
    below = 2.0 / np.pi * np.arctan(((1.0 + rho) / (1.0 - rho))[:, None] * half)
    return np.diff(below, axis=1, append=1.0)


def _bin_of(angle_deg: FloatArray) -> IntArray:
    with np.errstate(invalid="ignore"):
        which = np.nan_to_num(angle_deg) // (180.0 / _BINS)
    return np.minimum(which, _BINS - 1).astype(np.intp)
