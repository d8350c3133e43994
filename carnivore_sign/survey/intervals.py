"""Intervals: exact and score limits for counts and shares, and what blank effort says.

Plain functions on numbers and arrays. Limits of counts whose items are in doubt are in
``doubt.py``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from carnivore_sign.errors import InputError

FloatArray = npt.NDArray[np.float64]


def poisson_limits(count: npt.ArrayLike, *, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
    """Exact limits of the mean of a Poisson count.

    Parameters
    ----------
    count : array-like of int
        Counts, 0 or more.
    level : float
        Confidence of the two-sided interval.

    Returns
    -------
    low, high : array
        Central limits; the lower one of a count of 0 is 0.

    Notes
    -----
    Source: Garwood 1936, Biometrika 28:437-442. The lower limit makes a count as high as the
    one seen, or higher, have probability (1 - level) / 2; the upper one a count as low or lower.

    Examples
    --------
    >>> low, high = poisson_limits([0, 10])
    >>> low.round(4).tolist(), high.round(4).tolist()
    ([0.0, 4.7954], [3.6889, 18.3904])
    """
    counts = _counts(count)
    tail = tail_of(level)
    low = np.where(counts > 0, special.gammaincinv(np.maximum(counts, 1), tail), 0.0)
    return low, special.gammainccinv(counts + 1, tail)


def wilson_limits(
    found: npt.ArrayLike, looked: npt.ArrayLike, *, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Score limits of a share, without continuity correction.

    Parameters
    ----------
    found, looked : array-like of int
        How many of how many.
    level : float
        Confidence of the two-sided interval.

    Returns
    -------
    low, high : array
        Limits of the share.

    Notes
    -----
    Source: Wilson 1927; method 3 of Newcombe 1998, Stat Med 17:857-872.

    Examples
    --------
    >>> low, high = wilson_limits(81, 263)
    >>> round(float(low), 4), round(float(high), 4)
    (0.2553, 0.3662)
    """
    x, n = _shares(found, looked)
    z = -special.ndtri(tail_of(level))
    middle = 2 * x + z**2
    half = z * np.sqrt(z**2 + 4 * x * (n - x) / n)
    scale = 2 * (n + z**2)
    low = np.where(x == 0, 0.0, (middle - half) / scale)
    return low, np.where(x == n, 1.0, (middle + half) / scale)


def clopper_pearson_limits(
    found: npt.ArrayLike, looked: npt.ArrayLike, *, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Exact (tail) limits of a share; wider than Wilson's, never too narrow.

    Parameters
    ----------
    found, looked : array_like of int
        How many of how many.
    level : float
        Confidence of the two-sided interval.

    Returns
    -------
    low, high : array
        Limits of the share.

    Notes
    -----
    Source: Clopper & Pearson 1934, Biometrika 26:404-413.

    Examples
    --------
    >>> low, high = clopper_pearson_limits(0, 20)
    >>> round(float(low), 4), round(float(high), 4)
    (0.0, 0.1684)
    """
    x, n = _shares(found, looked)
    tail = tail_of(level)
    low = np.where(x > 0, special.betaincinv(np.maximum(x, 1), n - x + 1, tail), 0.0)
    high = np.where(x < n, special.betaincinv(x + 1, np.maximum(n - x, 1), 1 - tail), 1.0)
    return low, high


def newcombe_difference_limits(
    first: tuple[int, int], second: tuple[int, int], *, level: float = 0.95
) -> tuple[float, float]:
    """Limits of the difference of two independent shares, first less second.

    Parameters
    ----------
    first, second : (found, looked)
        How many of how many, in each.
    level : float
        Confidence of the two-sided interval.

    Returns
    -------
    low, high : float
        Limits of the difference.

    Notes
    -----
    Source: Newcombe 1998, Stat Med 17:873-890, method 10: the Wilson limits of the two shares,
    squared and added.

    Examples
    --------
    >>> low, high = newcombe_difference_limits((56, 70), (48, 80))
    >>> round(low, 4), round(high, 4)
    (0.0524, 0.3339)
    """
    (low1, high1), (low2, high2) = (
        (float(low), float(high))
        for low, high in (wilson_limits(*pair, level=level) for pair in (first, second))
    )
    p1, p2 = first[0] / first[1], second[0] / second[1]
    low = p1 - p2 - np.hypot(p1 - low1, high2 - p2)
    return float(low), float(p1 - p2 + np.hypot(high1 - p1, p2 - low2))


def detection_curve(km: npt.ArrayLike, *, km_per_find: float) -> FloatArray:
    """Probability of at least one find in `km`, where one is made every `km_per_find` on average.

    Finds are taken as a Poisson process along the effort: 1 - exp(-km / km_per_find). Sign is
    often clumped, and then blanks are more frequent than this.

    Parameters
    ----------
    km : array_like
        Effort in km.
    km_per_find : float
        Effort for one find on average, in km.

    Returns
    -------
    array
        Probabilities.

    Examples
    --------
    >>> detection_curve([10, 96], km_per_find=51.1).round(4).tolist()
    [0.1777, 0.8472]
    """
    _above_zero(km_per_find, "km_per_find")
    walked = np.asarray(km, dtype=float)
    if not (walked >= 0).all():
        raise InputError("an effort in km is missing or below zero", remedy="Give km from 0 up.")
    return -np.expm1(-walked / km_per_find)


def km_for_certainty(certainty: npt.ArrayLike, *, km_per_find: float) -> FloatArray:
    """Effort in km for a wanted probability of at least one find.

    Parameters
    ----------
    certainty : array_like
        Wanted probability, from 0 to below 1.
    km_per_find : float
        Effort for one find on average, in km.

    Returns
    -------
    array
        Effort in km.

    Examples
    --------
    >>> round(float(km_for_certainty(0.95, km_per_find=51.1)), 2)
    153.08
    """
    _above_zero(km_per_find, "km_per_find")
    wanted = np.asarray(certainty, dtype=float)
    if not ((wanted >= 0) & (wanted < 1)).all():
        raise InputError(
            "a certainty is below 0, or 1 or more", remedy="No effort makes certain; ask for 0.95."
        )
    return -np.log1p(-wanted) * km_per_find


def tail_of(level: float) -> float:
    """Return the probability on either side of central limits."""
    if not 0 < level < 1:
        raise InputError(
            f"the level is {level}", remedy="Give a share between 0 and 1, such as 0.95."
        )
    return (1 - level) / 2


def _counts(count: npt.ArrayLike) -> FloatArray:
    counts = np.asarray(count, dtype=float)
    if not (np.isfinite(counts) & (counts >= 0) & (counts == np.floor(counts))).all():
        raise InputError(
            "a count is missing, infinite, below zero or not whole",
            remedy="For items in doubt use doubtful_poisson_limits.",
        )
    return counts


def _shares(found: npt.ArrayLike, looked: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    x, n = np.broadcast_arrays(_counts(found), _counts(looked))
    if not ((n > 0) & (x <= n)).all():
        raise InputError(
            "more were found than were looked at, or none were looked at",
            remedy="Give (found, looked) with 0 <= found <= looked and looked above 0.",
        )
    return x, n


def _above_zero(value: float, name: str) -> None:
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"{name} is {value}", remedy="Give km above zero.")
