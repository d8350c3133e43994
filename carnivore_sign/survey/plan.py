"""Plan: how many walks it takes to know a rate, or to notice that it changed.

Surveys are drawn and judged by the limits and the comparison that a real one would be judged by;
the large-sample formula stands beside it, so that one can see where it fails: at few trails.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm

from carnivore_sign.errors import InputError
from carnivore_sign.progress import with_progress
from carnivore_sign.survey.intervals import clopper_pearson_limits, poisson_limits

FloatArray = npt.NDArray[np.float64]

#: Walks that are tried unless others are named.
WALKS: Final = (5, 10, 20, 40, 80, 160, 320)


def plan_walks(
    rate_per_km: float,
    *,
    km_per_walk: float,
    cost_per_km: float,
    rng: np.random.Generator,
    walks: Sequence[int] = WALKS,
    dispersion: float = 1.0,
    change: float = 0.5,
    level: float = 0.95,
    draws: int = 4000,
    show_progress: bool = False,
) -> pd.DataFrame:
    r"""Draw surveys of different size, and say how much each would tell.

    Parameters
    ----------
    rate_per_km : float
        Trails per km that are expected.
    km_per_walk, cost_per_km : float
        Length of a walk, and its cost in any currency.
    rng : numpy.random.Generator
        Source of randomness.
    walks : sequence of int
        Numbers of walks that are tried, in each of two periods.
    dispersion : float
        Variance over mean of the trails on a walk: 1 where they are independent, more where
        they are clumped (`clumping_test`).
    change : float
        Rate of the second period over that of the first which should be noticed: 0.5 for a half.
    level : float
        Confidence of the limits.
    draws : int
        Surveys drawn for each number of walks.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        A row per number of walks: ``walks``, ``km``, ``cost`` (of one period),
        ``trails_expected``, ``half_width`` (median of half the width of the limits over the
        true rate) and ``half_width_formula``, ``power`` (share of drawn pairs of periods whose
        limits of the ratio leave out 1) and ``power_formula``.

    Raises
    ------
    InputError
        If a rate, length or change is not above zero, or the dispersion is below 1.

    Notes
    -----
    Counts are Poisson, or negative binomial with the dispersion d. Limits are Garwood's and those
    of `doubtful_ratio_limits`, with the counts divided by d first, as quasi-Poisson has it. The
    formulas: half width :math:`z \sqrt{d / \mu}` with the expected count :math:`\mu`; power
    :math:`\Phi(|\log r| / \sqrt{d/\mu + d/(r\mu)} - z)`.

    Examples
    --------
    >>> plan = plan_walks(
    ...     0.2, km_per_walk=8, cost_per_km=3, rng=np.random.default_rng(1), walks=[10, 80],
    ...     draws=200,
    ... )
    >>> plan[["km", "cost", "trails_expected"]].values.tolist()
    [[80.0, 240.0, 16.0], [640.0, 1920.0, 128.0]]
    >>> bool(plan["power"][0] < 0.5 < 0.9 < plan["power"][1])
    True
    """
    _refuse(rate_per_km, km_per_walk, change, dispersion)
    rows = []
    for number in with_progress(walks, "numbers of walks", show=show_progress):
        expected = rate_per_km * km_per_walk * number
        first, second = (
            _draw(mean, number, dispersion, draws, rng) / dispersion
            for mean in (expected, expected * change)
        )
        low, high = poisson_limits(np.round(first), level=level)
        rows.append(
            {
                "walks": int(number),
                "km": km_per_walk * number,
                "cost": cost_per_km * km_per_walk * number,
                "trails_expected": expected,
                "half_width": float(np.median(high - low)) * dispersion / (2 * expected),
                "half_width_formula": _z(level) * np.sqrt(dispersion / expected),
                "power": _noticed(first, second, level),
                "power_formula": _power(expected, change, dispersion, level),
            }
        )
    return pd.DataFrame(rows)


def walks_needed(
    plan: pd.DataFrame, *, half_width: float | None = None, power: float | None = None
) -> pd.Series:
    """Return the cheapest row of a plan that is precise enough and notices the change.

    Parameters
    ----------
    plan : DataFrame
        From `plan_walks`.
    half_width : float, optional
        Largest half width, over the rate: 0.3 for limits of some 30 % on either side.
    power : float, optional
        Smallest share of surveys that notice the change.

    Returns
    -------
    Series
        That row.

    Raises
    ------
    InputError
        If no row is good enough; the message names the best.

    Examples
    --------
    >>> plan = pd.DataFrame({"walks": [10, 80], "half_width": [0.6, 0.2], "power": [0.3, 0.9]})
    >>> int(walks_needed(plan, half_width=0.3, power=0.8)["walks"])
    80
    """
    good = pd.Series(True, index=plan.index)
    if half_width is not None:
        good &= plan["half_width"] <= half_width
    if power is not None:
        good &= plan["power"] >= power
    if not good.any():
        best = plan.loc[plan["walks"].idxmax()]
        raise InputError(
            f"{int(best['walks'])} walks reach a half width of {best['half_width']:.2f} and a "
            f"power of {best['power']:.2f}, which is not enough",
            remedy="Plan for more walks, or ask for less.",
        )
    return plan[good].sort_values("walks").iloc[0]


def _refuse(rate_per_km: float, km_per_walk: float, change: float, dispersion: float) -> None:
    for name, value in (
        ("rate_per_km", rate_per_km), ("km_per_walk", km_per_walk), ("change", change)
    ):  # fmt: skip
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"{name} is {value}", remedy="Give a number above zero.")
    if not dispersion >= 1:
        raise InputError(
            f"the dispersion is {dispersion}", remedy="Give 1 for independent trails, or more."
        )


def _draw(
    mean: float, walks: int, dispersion: float, draws: int, rng: np.random.Generator
) -> FloatArray:
    """Trails of drawn surveys: the walks of one add up to a count of the same family."""
    if dispersion == 1:
        return rng.poisson(mean, draws).astype(float)
    clusters = mean / (dispersion - 1)
    return rng.negative_binomial(clusters, 1 / dispersion, draws).astype(float)


def _noticed(first: FloatArray, second: FloatArray, level: float) -> float:
    """Share of pairs of counts whose limits of the ratio leave out 1.

    With counts that are known those limits follow from Clopper and Pearson's for the share of
    the second count in both (see `doubtful_ratio_limits`): a ratio of 1 is a share of a half.
    """
    one, both = np.round(second), np.round(first) + np.round(second)
    low, high = clopper_pearson_limits(one, np.maximum(both, 1), level=level)
    return float((((low > 0.5) | (high < 0.5)) & (both > 0)).mean())


def _z(level: float) -> float:
    return float(norm.isf((1 - level) / 2))


def _power(expected: float, change: float, dispersion: float, level: float) -> float:
    error = np.sqrt(dispersion / expected + dispersion / (change * expected))
    return float(norm.cdf(abs(np.log(change)) / error - _z(level)))
