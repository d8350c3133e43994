"""Doubt: limits of counts and rates whose items are each only probably what they seem.

A trail counts with its probability of being the taxon's. Three things are then unsure, and are
kept apart: how many of the trails found are the taxon's (`poisson_binomial_pmf`), the rate at
which such trails come (`doubtful_poisson_limits`), and the share of the taxon that the
probabilities themselves rest on (`LearnedShare`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from carnivore_sign.errors import InputError
from carnivore_sign.survey.intervals import tail_of

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LearnedShare:
    """The taxon's share among trails, where it was estimated from trails like those counted.

    Attributes
    ----------
    share : float
        The share: the prior probability behind the probabilities.
    information : float
        How much the trails say about the log odds of the share: the inverse of the variance.
    """

    share: float
    information: float


def learned_share(
    probability: npt.ArrayLike, share: float, *, prior_trails: float = 0.0
) -> LearnedShare:
    r"""Say how well a share is known that was estimated from trails in doubt.

    Parameters
    ----------
    probability : array-like
        Probability of each trail that the share was estimated from, under that share.
    share : float
        The share that was estimated.
    prior_trails : float
        How many trails of the prior share were imagined beside them.

    Returns
    -------
    LearnedShare
        The share, and the information on its log odds.

    Notes
    -----
    In the log odds :math:`\theta` of the share :math:`\pi` the score of the mixture is
    :math:`\sum (p_i - \pi)`; its slope at the maximum is :math:`-\sum (p_i - \pi)^2`, and each
    imagined trail adds :math:`-\pi (1 - \pi)`. Trails that all look alike say nothing.

    Examples
    --------
    >>> learned_share([0.0, 1.0, 0.0, 1.0], 0.5)
    LearnedShare(share=0.5, information=1.0)
    """
    p = _probabilities(probability)
    imagined = prior_trails * share * (1 - share)
    return LearnedShare(float(share), float(((p - share) ** 2).sum() + imagined))


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
    trials = _probabilities(probability)
    pmf = np.zeros(len(trials) + 1)
    pmf[0] = 1.0
    for done, p in enumerate(trials, start=1):
        pmf[1 : done + 1] = pmf[1 : done + 1] * (1 - p) + pmf[:done] * p
        pmf[0] *= 1 - p
    return pmf


def poisson_binomial_limits(probability: npt.ArrayLike, *, level: float = 0.95) -> tuple[int, int]:
    """Limits of how many of the items belong: quantiles of `poisson_binomial_pmf`.

    Parameters
    ----------
    probability : array-like
        Probability of each item that it belongs.
    level : float
        Probability that the limits hold, at least.

    Returns
    -------
    low, high : int
        Outside of them lies no more than (1 - level) / 2 on either side.

    Examples
    --------
    >>> poisson_binomial_limits([1.0, 1.0, 0.9, 0.5, 0.5, 0.1])
    (3, 5)
    """
    tail = tail_of(level)
    reached = np.cumsum(poisson_binomial_pmf(probability))
    low = np.searchsorted(reached, tail, side="right")
    high = np.searchsorted(reached, 1 - tail - 1e-12, side="left")
    return int(low), int(high)


def doubtful_poisson_limits(
    probability: npt.ArrayLike, *, level: float = 0.95, learned: LearnedShare | None = None
) -> tuple[float, float]:
    r"""Limits of the mean of a Poisson count whose items are each only probably what they seem.

    Parameters
    ----------
    probability : array-like
        Probability of each item counted that it belongs.
    level : float
        Confidence of the two-sided interval.
    learned : LearnedShare, optional
        How well the share behind the probabilities is known, where it was estimated from these
        items or from such items. Without it the limits hold for the share as it was stated.

    Returns
    -------
    low, high : float
        Limits of the mean number that belongs.

    Notes
    -----
    Items of every kind come as a Poisson process, each with its evidence. Let items of
    probability p have the mean number :math:`\Lambda(dp)`. If the probabilities are right
    (calibrated), the share p of them belongs, and the mean wanted is
    :math:`\mu = \int p\, \Lambda(dp)`. Counts of items of different p are independent Poisson
    counts, so that :math:`S = \sum p_i` is a weighted sum of such counts:

    .. math:: E\,S = \mu, \qquad V = \operatorname{var} S = \int p^2 \Lambda(dp),
              \text{ estimated by } \sum p_i^2 .

    Given the items, the number K that belongs is Poisson-binomial with mean S and variance
    :math:`\sum p_i (1 - p_i)`, and :math:`\mu = V + \int p (1 - p) \Lambda(dp)` is the Poisson
    variance of K parted in two. What is known is S and not K: adding the doubt about K to the
    whole Poisson variance of K would count it twice, and such limits hold the truth in over 99
    of 100 drawn seasons.

    The limits are those of Fay & Feuer 1997 (Stat Med 16:791-801, cited from memory) for
    weighted sums of Poisson counts: quantiles of gamma distributions with mean S and variance V
    below, and with one more item, which belongs for sure, above. They are Garwood's where every
    probability is 0 or 1, and like those too careful for small counts. Where it may be, with a
    probability of (1 - level) / 2 or more, that no item belongs, the lower limit is 0: that
    there is a share at all is then a belief and nothing found.

    Where the share :math:`\pi` was estimated (`learned`, information J on its log odds), S
    moves with it by :math:`B = \sum p_i (1 - p_i)` per unit of log odds. Each item then counts
    with :math:`p_i + (p_i - \pi) B / J`, and

    .. math:: V = \sum p_i^2 + 2 \frac{B}{J} \sum p_i (p_i - \pi) + \frac{B^2}{J},

    never taken for less than :math:`\sum p_i^2`. The limits suppose that items are independent
    of each other. How often they hold the truth is shown by ``python -m tests.benchmarks
    limits``.

    Examples
    --------
    >>> low, high = doubtful_poisson_limits([1.0, 1.0])
    >>> round(low, 4), round(high, 4)
    (0.2422, 7.2247)
    >>> low, high = doubtful_poisson_limits([0.9] * 4 + [0.4] * 4)
    >>> round(low, 4), round(high, 4)
    (2.0855, 11.2212)
    """
    p = _probabilities(probability)
    tail = tail_of(level)
    mean, variance = float(p.sum()), _variance(p, learned)
    high = special.gammainccinv((mean + 1) ** 2 / (variance + 1), tail)
    high *= (variance + 1) / (mean + 1)
    if np.prod(1 - p) >= tail:
        return 0.0, float(high)
    low = special.gammaincinv(mean**2 / variance, tail) * variance / mean
    return float(low), float(high)


def _variance(p: FloatArray, learned: LearnedShare | None) -> float:
    """Variance of the sum of probabilities, with that of the share they rest on."""
    own = float((p**2).sum())
    moves = float((p * (1 - p)).sum())
    if learned is None or moves == 0 or not learned.information > 0:
        return own
    shift = moves / learned.information
    with_share = own + 2 * shift * float((p * (p - learned.share)).sum()) + shift * moves
    return max(own, with_share)


def doubtful_ratio_limits(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    first_effort: float,
    second_effort: float,
    *,
    level: float = 0.95,
) -> tuple[float, float]:
    r"""Limits of the ratio of two Poisson rates, second over first, with doubt in the counts.

    Parameters
    ----------
    first, second : array-like
        Probability of each item counted that it belongs.
    first_effort, second_effort : float
        Effort in each, in one unit.
    level : float
        Confidence of the two-sided interval.

    Returns
    -------
    low, high : float
        Limits; 0 and infinity where the counts leave that side open.

    Notes
    -----
    The lower limit is a quantile of the ratio of two gamma variates, that of the lower limit of
    the second mean over that of the upper limit of the first, as `doubtful_poisson_limits` has
    them; with :math:`n = S^2 / V` and :math:`n' = (S + 1)^2 / (V + 1)`

    .. math:: r_{low} = \frac{t_1}{t_2}\, \frac{S_2}{S_1 + 1}\,
              F^{-1}_{2 n_2,\, 2 n'_1}(\alpha / 2)

    and likewise the upper one (Fay 1999, Commun Stat Theory Methods 28:2141-2160, cited from
    memory). Where nothing is in doubt these are the exact conditional limits: given the sum of
    two Poisson counts the second is binomial, with Clopper and Pearson's limits. A share that
    was estimated for both sides alike moves both, and is left out.

    Examples
    --------
    >>> low, high = doubtful_ratio_limits([1] * 4, [1] * 16, 100, 100)
    >>> round(low, 2), round(high, 2)
    (1.29, 16.44)
    """
    if not (first_effort > 0 and second_effort > 0):
        raise InputError("there is no effort on one side", remedy="Compare efforts above zero.")
    p, q = _probabilities(first), _probabilities(second)
    tail, scale = tail_of(level), first_effort / second_effort
    low = scale * _lower_ratio(q, p, tail)
    turned = _lower_ratio(p, q, tail)
    return low, scale / turned if turned > 0 else np.inf


def _lower_ratio(above: FloatArray, below: FloatArray, tail: float) -> float:
    """Lower limit of the ratio of two means."""
    if np.prod(1 - above) >= tail:
        return 0.0
    mean, other = float(above.sum()), float(below.sum()) + 1
    items = mean**2 / float((above**2).sum())
    others = other**2 / (float((below**2).sum()) + 1)
    # The quantile of F through that of the beta distribution, which takes any degrees of freedom.
    share = float(special.betaincinv(items, others, tail))
    return mean / other * share * others / ((1 - share) * items)


def _probabilities(probability: npt.ArrayLike) -> FloatArray:
    p = np.asarray(probability, dtype=float).ravel()
    if not ((p >= 0) & (p <= 1)).all():
        raise InputError(
            "a probability is missing, below 0 or above 1", remedy="Give numbers from 0 to 1."
        )
    return p
