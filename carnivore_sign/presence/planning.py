"""Planning: how many visits, how many units, and what decline they would show.

Everything here is large-sample arithmetic on the constant model: psi and p are what the
planner expects, and a plan is as good as that guess. Try the range that is thinkable.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from carnivore_sign.errors import InputError
from carnivore_sign.presence.absence import MOST_VISITS, require_count, require_probability
from carnivore_sign.presence.layout import FloatArray

#: The best number of visits times p lies between these: 1.4 where presence is rare, and not
#: above 60 for any psi that differs from 1.
_NEAREST: Final = 0.5
_FARTHEST: Final = 60.0


def psi_variance(psi: npt.ArrayLike, p: npt.ArrayLike, visits: npt.ArrayLike) -> FloatArray:
    """Return the large-sample variance of psi, times the number of units.

    Standard design: every unit is visited `visits` times.
    ``psi [(1 - psi) + (1 - q) / (q - K p (1 - p)^(K - 1))]`` with ``q = 1 - (1 - p)^K``.

    Source: MacKenzie & Royle 2005, J Appl Ecol 42:1105-1114.
    """
    chance, found = require_probability(psi, "psi"), require_probability(p, "p")
    with np.errstate(invalid="ignore"):
        return np.asarray(chance * ((1.0 - chance) + _lost(found, require_count(visits))))


def best_number_of_visits(psi: npt.ArrayLike, p: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Return the number of visits to each unit that makes psi most precise for its cost.

    With a fixed number of visits in all, more visits a unit leave fewer units; the best
    number does not depend on how many there are in all.

    Parameters
    ----------
    psi, p : array_like
        What is expected of presence (below 1) and of detection on one visit (above 0).

    Returns
    -------
    array of int
        Visits to each unit.

    Raises
    ------
    InputError
        If psi is 1 (ever more visits pay), or p is so small that nobody could visit enough.

    Source: MacKenzie & Royle 2005, J Appl Ecol 42:1105-1114, standard design.

    Examples
    --------
    >>> best_number_of_visits([0.2, 0.8], 0.3)
    array([5, 8])
    """
    chance, found = np.broadcast_arrays(
        require_probability(psi, "psi"), require_probability(p, "p")
    )
    if (chance >= 1.0).any() or (found * MOST_VISITS < _FARTHEST).any():
        raise InputError(
            "there is no best number of visits where psi is 1, or p is 0 or next to it",
            remedy="Give a psi below 1, and a p that a survey can have, such as 0.05.",
        )
    low = np.maximum(2, np.floor(_NEAREST / found))
    high = np.ceil(_FARTHEST / found) + 2
    while (low < high).any():
        middle = np.floor((low + high) / 2)
        falls = _cost(chance, found, middle + 1) < _cost(chance, found, middle)
        low, high = np.where(falls, middle + 1, low), np.where(falls, high, middle)
    return low.astype(np.int64)


def _cost(chance: FloatArray, found: FloatArray, visits: FloatArray) -> FloatArray:
    """Return the variance of psi for a given number of visits in all, over psi."""
    return visits * ((1.0 - chance) + _lost(found, visits))


def _lost(found: FloatArray, visits: FloatArray) -> FloatArray:
    """Return what imperfect detection adds to the variance of psi, over psi."""
    ever = 1.0 - (1.0 - found) ** visits
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = (1.0 - ever) / (ever - visits * found * (1.0 - found) ** (visits - 1.0))
    return np.where((visits < 2) | (found <= 0), np.inf, lost)


def units_needed(
    psi: npt.ArrayLike, p: npt.ArrayLike, visits: npt.ArrayLike, *, se: float
) -> npt.NDArray[np.int64]:
    """Return how many units, each visited `visits` times, give psi a standard error of `se`.

    Source: MacKenzie & Royle 2005, J Appl Ecol 42:1105-1114, standard design.

    Parameters
    ----------
    psi, p : array_like
        What is expected of presence, and of detection on one visit.
    visits : array_like of int
        Visits to each unit.
    se : float
        Wanted standard error of psi.

    Returns
    -------
    array of int
        Number of units.

    Examples
    --------
    >>> int(units_needed(0.2, 0.5, 3, se=0.05))
    84
    """
    if se <= 0:
        raise InputError(f"a standard error of {se:g} is not above 0", remedy="Give 0.05, say.")
    needed = psi_variance(psi, p, visits) / se**2
    if not np.isfinite(needed).all():
        raise InputError("one visit a unit cannot tell psi from p", remedy="Plan two or more.")
    return np.ceil(needed - 1e-9).astype(np.int64)


def power_to_see_change(
    psi_before: float, psi_after: float, p: float, *, units: int, visits: int, alpha: float = 0.05
) -> float:
    """Return the chance that two surveys alike show a change of presence.

    A two-sided test of the difference of the two estimates of psi against its large-sample
    standard error, the two surveys being independent.

    Parameters
    ----------
    psi_before, psi_after : float
        Presence in the two surveys.
    p : float
        Probability of finding it on one visit to a used unit, in both.
    units, visits : int
        Units in each survey, and visits to each unit.
    alpha : float
        Chance of seeing a change where there is none.

    Returns
    -------
    float
        Probability.

    Examples
    --------
    >>> round(power_to_see_change(0.6, 0.4, 0.4, units=100, visits=5), 2)
    0.73
    """
    if units < 1 or not 0.0 < alpha < 1.0:
        raise InputError("a plan needs one unit or more, and an alpha between 0 and 1")
    variance = psi_variance([psi_before, psi_after], p, visits).sum() / units
    if not np.isfinite(variance):
        raise InputError("one visit a unit cannot tell psi from p", remedy="Plan two or more.")
    reach, z = abs(psi_before - psi_after) / np.sqrt(variance), norm.ppf(1.0 - alpha / 2.0)
    return float(norm.sf(z - reach) + norm.cdf(-z - reach))


def units_to_see_change(
    psi_before: float,
    psi_after: float,
    p: float,
    *,
    visits: int,
    power: float = 0.8,
    alpha: float = 0.05,
) -> int:
    """Return the units each of two surveys needs to show a change with the wanted power.

    Parameters
    ----------
    psi_before, psi_after, p, visits
        As for `power_to_see_change`.
    power : float
        Wanted chance of seeing the change.
    alpha : float
        As for `power_to_see_change`.

    Returns
    -------
    int
        Units in each survey.

    Examples
    --------
    >>> units_to_see_change(0.6, 0.4, 0.4, visits=5)
    118
    """
    if psi_before == psi_after or not alpha < power < 1.0:
        raise InputError(
            "no number of units shows a change of nothing, or with a power of 1",
            remedy="Give two different psi, and a power between alpha and 1.",
        )

    def power_of(units: int) -> float:
        return power_to_see_change(
            psi_before, psi_after, p, units=units, visits=visits, alpha=alpha
        )

    high = 1
    while power_of(high) < power:
        high *= 2
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if power_of(middle) >= power else (middle, high)
    return high
