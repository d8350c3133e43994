"""Intervals: exact and score limits for counts and shares, and what blank effort says.

Plain functions on numbers and arrays. `doubtful_poisson_limits` carries the doubt about what was
counted into the limits of the rate.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

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
    tail = _tail(level)
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
    z = -special.ndtri(_tail(level))
    middle = 2 * x + z**2
    half = z * np.sqrt(z**2 + 4 * x * (n - x) / n)
    scale = 2 * (n + z**2)
    low = np.where(x == 0, 0.0, (middle - half) / scale)
    return low, np.where(x == n, 1.0, (middle + half) / scale)


def clopper_pearson_limits(
    found: npt.ArrayLike, looked: npt.ArrayLike, *, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Exact (tail) limits of a share; wider than Wilson's, never too narrow.

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
    tail = _tail(level)
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


def poisson_binomial_pmf(probability: npt.ArrayLike) -> FloatArray:
    """Distribution of the number of successes among unlike, independent trials.

    Parameters
    ----------
    probability : array-like
        Probability of each of n trials.

    Returns
    -------
    array of n + 1
        Probability of 0, 1, ..., n successes.

    Notes
    -----
    One trial after the other is convolved in; all terms are positive, so that nothing cancels
    and small tails stay exact (a Fourier transform loses them below 1e-16).

    Examples
    --------
    >>> poisson_binomial_pmf([0.1, 0.2, 0.3, 0.4, 0.5]).round(4).tolist()
    [0.1512, 0.3714, 0.3274, 0.1274, 0.0214, 0.0012]
    """
    trials = np.asarray(probability, dtype=float).ravel()
    if not ((trials >= 0) & (trials <= 1)).all():
        raise InputError(
            "a probability is missing, below 0 or above 1", remedy="Give numbers from 0 to 1."
        )
    pmf = np.zeros(len(trials) + 1)
    pmf[0] = 1.0
    for done, p in enumerate(trials, start=1):
        pmf[1 : done + 1] = pmf[1 : done + 1] * (1 - p) + pmf[:done] * p
        pmf[0] *= 1 - p
    return pmf


def doubtful_poisson_limits(
    probability: npt.ArrayLike, *, level: float = 0.95
) -> tuple[float, float]:
    r"""Limits of the mean of a Poisson count whose items are each only probably what they seem.

    Parameters
    ----------
    probability : array-like
        Probability of each item counted that it belongs.
    level : float
        Confidence of the two-sided interval.

    Returns
    -------
    low, high : float
        Limits of the mean.

    Notes
    -----
    Let K be the true number among the items: Poisson-binomial, P(K = k) from
    `poisson_binomial_pmf`. Were K known to be k, the limits would solve

    .. math:: P(X \ge k \mid \mu) = \alpha/2 \quad\text{and}\quad P(X \le k \mid \mu) = \alpha/2

    (`poisson_limits`). As K is known only in distribution, each tail is averaged over it:

    .. math:: \sum_k P(K=k)\, P(X \ge k \mid \mu_{low}) = \alpha/2, \qquad
              \sum_k P(K=k)\, P(X \le k \mid \mu_{high}) = \alpha/2.

    As functions of mu the two tails of one k are the distribution functions of a gamma variate
    with shape k, and k + 1 (from above), so that the limits are quantiles of mixtures of the
    confidence distributions of the single counts. If every probability is 0 or 1, one k has all
    the weight and the limits are Garwood's. The term k = 0 of the lower sum is 1 at every mu:
    where P(K = 0) is alpha/2 or more the lower limit is 0. The limits suppose that the
    probabilities are right (calibrated) and that the doubts about two items are independent.

    With doubt they are wide: they add the doubt about K to the chance of K, as if nothing were
    known of how many look-alikes there are. Where the prior behind the probabilities is right,
    95 % limits hold the truth in over 99 of 100 drawn seasons (``tests/benchmarks``, limits);
    where it is not, the room is needed.

    Examples
    --------
    >>> low, high = doubtful_poisson_limits([1.0, 1.0])
    >>> round(low, 4), round(high, 4)
    (0.2422, 7.2247)
    >>> low, high = doubtful_poisson_limits([0.5, 0.5, 0.5, 0.5])
    >>> round(low, 4), round(high, 4)
    (0.0, 7.8611)
    """
    tail = _tail(level)
    pmf = poisson_binomial_pmf(probability)
    count = np.arange(len(pmf))
    positive = count > 0

    def as_many(mu: float) -> float:
        return float(pmf[0] + pmf[positive] @ special.gammainc(count[positive], mu)) - tail

    def as_few(mu: float) -> float:
        return float(pmf @ special.gammaincc(count + 1, mu)) - tail

    possible = count[pmf > 0]
    if len(possible) == 1:
        certain = poisson_limits(possible[0], level=level)
        return float(certain[0]), float(certain[1])
    most = float(poisson_limits(possible.max(), level=level)[1]) + 1.0
    high = float(optimize.brentq(as_few, 0.0, most, xtol=1e-10))
    if pmf[0] >= tail:
        return 0.0, high
    return float(optimize.brentq(as_many, 0.0, most, xtol=1e-10)), high


def detection_curve(km: npt.ArrayLike, *, km_per_find: float) -> FloatArray:
    """Probability of at least one find in `km`, where one is made every `km_per_find` on average.

    Finds are taken as a Poisson process along the effort: 1 - exp(-km / km_per_find). Sign is
    often clumped, and then blanks are more frequent than this.

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


def _tail(level: float) -> float:
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
