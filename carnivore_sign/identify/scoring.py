"""Identification room: how well stated probabilities agreed with what turned out to be true.

Four numbers say it. The *Brier score* is the mean square of what was stated less what was true
(0 is best, 0.25 is what an honest "I do not know" gets); the *log loss* punishes a wrong
certainty without end; the *calibration slope* is 1 where stated probabilities are as bold as they
should be, below 1 where they are too bold and above 1 where they are too timid; the *reliability
table* shows, of all that was stated between two bounds, how often it was true.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import minimize
from scipy.special import logit
from scipy.stats import binomtest

from carnivore_sign.errors import EstimateError, InputError

#: Bounds of the bins of a reliability table; the last bin holds its upper bound.
RELIABILITY_EDGES: Final = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.0)

#: Nearest to 0 or 1 that a stated probability is taken to be where its logarithm is needed.
_NEAREST: Final = 1e-15


class CalibrationLine(NamedTuple):
    """Line through the logits: logit of what is true = intercept + slope * logit of the stated."""

    intercept: float
    slope: float


def brier_score(stated: npt.ArrayLike, true: npt.ArrayLike) -> float:
    """Return the mean of (stated - true)^2.

    Parameters
    ----------
    stated : array_like of float
        Probabilities, 0 to 1.
    true : array_like of bool
        Whether each came true.

    Returns
    -------
    float
        The mean square; 0 is best.

    Examples
    --------
    >>> round(brier_score([0.9, 0.4], [True, False]), 3)
    0.085
    """
    p, y = _pairs(stated, true)
    return float(((p - y) ** 2).mean())


def log_loss(stated: npt.ArrayLike, true: npt.ArrayLike) -> float:
    """Return the mean of -log of the probability that was stated for what came true.

    A certainty that was wrong is taken as 1e-15 from certain, so that the mean stays finite.

    Parameters
    ----------
    stated, true : array_like
        As for `brier_score`.

    Returns
    -------
    float
        In natural units; 0 is best.

    Examples
    --------
    >>> round(log_loss([0.5, 0.5], [True, False]), 3)
    0.693
    """
    p, y = _pairs(stated, true)
    p = np.clip(p, _NEAREST, 1 - _NEAREST)
    return float(-(y * np.log(p) + (1 - y) * np.log1p(-p)).mean())


def reliability(
    stated: npt.ArrayLike,
    true: npt.ArrayLike,
    *,
    edges: tuple[float, ...] = RELIABILITY_EDGES,
) -> pd.DataFrame:
    """Hold what was stated against how often it was true, bin by bin.

    Parameters
    ----------
    stated : array_like of float
        Probabilities, 0 to 1.
    true : array_like of bool
        Whether each came true.
    edges : tuple of float
        Rising bounds of the bins, from 0 to 1. A bin holds its lower bound.

    Returns
    -------
    DataFrame
        One row per bin that holds anything: ``from_stated``, ``to_stated``, ``count``,
        ``mean_stated``, ``share_true``, ``low``, ``high`` (95 % limits of the share, Wilson
        1927, J Am Stat Assoc 22:209-212).

    Examples
    --------
    >>> reliability([0.9, 0.9, 0.1], [True, False, False])["share_true"].tolist()
    [0.0, 0.5]
    """
    p, y = _pairs(stated, true)
    bounds = np.asarray(edges, dtype=float)
    if bounds[0] > 0 or bounds[-1] < 1 or (np.diff(bounds) <= 0).any():
        raise InputError("the bounds of the bins must rise from 0 to 1")
    place = np.minimum(np.searchsorted(bounds, p, side="right") - 1, len(bounds) - 2)
    by = pd.DataFrame({"stated": p, "true": y}).groupby(place)
    table = by.agg(count=("stated", "size"), mean_stated=("stated", "mean"),
                   share_true=("true", "mean"), hits=("true", "sum"))  # fmt: skip
    counted = zip(table["hits"].astype(int), table["count"], strict=True)
    limits = [share_limits(hits, count) for hits, count in counted]
    table.insert(0, "from_stated", bounds[table.index])
    table.insert(1, "to_stated", bounds[table.index + 1])
    table["low"], table["high"] = [low for low, _ in limits], [high for _, high in limits]
    return table.drop(columns="hits").reset_index(drop=True)


def share_limits(hits: int, count: int) -> tuple[float, float]:
    """Return the 95 % Wilson limits of a share; 0 and 1 where nothing was counted.

    Parameters
    ----------
    hits, count : int
        How many of how many.

    Returns
    -------
    low, high : float
        95 % limits.

    Examples
    --------
    Newcombe 1998, Stat Med 17:857-872, Table I: 81 of 263.

    >>> [round(limit, 4) for limit in share_limits(81, 263)]
    [0.2553, 0.3662]
    """
    if count == 0:
        return 0.0, 1.0
    low, high = binomtest(hits, count).proportion_ci(method="wilson")
    return float(low), float(high)


def calibration_line(stated: npt.ArrayLike, true: npt.ArrayLike) -> CalibrationLine:
    """Fit the logit of what is true as a line of the logit of what was stated.

    Parameters
    ----------
    stated : array_like of float
        Probabilities; 0 and 1 are taken as 1e-9 from it.
    true : array_like of bool
        Whether each came true.

    Returns
    -------
    CalibrationLine
        Intercept 0 and slope 1 where the stated probabilities are right. A slope below 1 says
        that they are over-confident (Cox 1958, Biometrika 45:562-565).

    Raises
    ------
    EstimateError
        If all came true, or none did: no line can be fitted.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> p = rng.uniform(0.02, 0.98, 20_000)
    >>> round(calibration_line(p, rng.random(20_000) < p).slope, 1)
    1.0
    """
    p, y = _pairs(stated, true)
    if y.min() == y.max():
        raise EstimateError("all of them came out alike, so that no calibration line can be fitted")
    x = logit(np.clip(p, 1e-9, 1 - 1e-9))
    sides = 2.0 * y - 1.0

    def loss(line: npt.NDArray[np.float64]) -> float:
        return float(np.logaddexp(0.0, -(line[0] + line[1] * x) * sides).sum())

    fitted = minimize(loss, x0=np.array([0.0, 1.0]), method="BFGS").x
    return CalibrationLine(float(fitted[0]), float(fitted[1]))


def _pairs(
    stated: npt.ArrayLike, true: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    p, y = np.asarray(stated, dtype=float), np.asarray(true, dtype=float)
    if p.shape != y.shape or p.ndim != 1 or len(p) == 0:
        raise InputError("probabilities and outcomes must be two columns of one length above 0")
    if not ((p >= 0) & (p <= 1)).all() or not np.isin(y, (0.0, 1.0)).all():
        raise InputError("probabilities lie between 0 and 1, and outcomes are true or false")
    return p, y
