"""Fitting: the maximum of a likelihood, how sharp it is, and what the data leave open.

Newton's method with the exact gradient and Hessian, on the logit and log scales. A
direction in which the likelihood does not curve downward is turned or shortened, and no
step is taken that lowers the likelihood. What does not curve at the maximum is *flat*: an
estimate at the edge of its range, or a combination of parameters that the data do not tell
apart. A flat parameter gets no standard error; one at its edge gets a one-sided limit from
the profile of the likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.stats import chi2

from carnivore_sign.errors import NotConverged
from carnivore_sign.presence.layout import FloatArray
from carnivore_sign.presence.two_states import Evaluation

BoolArray = npt.NDArray[np.bool_]
Evaluate = Callable[[FloatArray], Evaluation]

#: Information below which a direction counts as flat: a standard error above 30 on the
#: logit or log scale, which spans all that a probability can be.
FLAT: Final = 1e-3

#: Beyond this distance from 0 on the logit scale a probability is at its edge.
EDGE: Final = 6.0

_MAX_STEP: Final = 4.0
_FLOOR: Final = 1e-12
_DECREMENT: Final = 1e-11
_LEVEL: Final = 1e-9
_CREEP: Final = 1e-3


@dataclass(frozen=True)
class Maximum:
    """Where the search ended.

    Attributes
    ----------
    parameters : array
    evaluation : Evaluation
        Log-likelihood, gradient and Hessian there.
    steps : int
        Newton steps taken.
    converged : bool
    """

    parameters: FloatArray
    evaluation: Evaluation
    steps: int
    converged: bool


def maximise(
    evaluate: Evaluate,
    start: FloatArray,
    *,
    free: BoolArray | None = None,
    max_steps: int = 200,
) -> Maximum:
    """Climb from `start` to a maximum of the log-likelihood.

    Parameters
    ----------
    evaluate : callable
        Gives the `Evaluation` at a point.
    start : array
        Where to begin.
    free : array of bool, optional
        Which parameters may move; all by default.
    max_steps : int
        Newton steps before giving up.

    Returns
    -------
    Maximum
        With ``converged`` false if the steps ran out, unless all that was left was to creep
        along a flat direction, as under complete separation, where there is no end.

    Examples
    --------
    >>> hill = lambda x: Evaluation(float(-(x @ x)), -2 * x, -2 * np.eye(len(x)))
    >>> maximise(hill, np.array([3.0, -1.0])).parameters.round(9) + 0.0
    array([0., 0.])
    """
    moving = np.arange(len(start)) if free is None else np.flatnonzero(free)
    square = np.ix_(moving, moving)
    rise = np.inf
    here, now = np.array(start, dtype=float), evaluate(start)
    for step in range(max_steps):
        uphill = np.zeros_like(here)
        uphill[moving] = _newton_direction(now.gradient[moving], now.hessian[square])
        rise = float(now.gradient @ uphill)
        level = np.abs(now.gradient[moving]).max(initial=0.0) < _LEVEL
        if level or rise <= _DECREMENT * (1.0 + abs(now.loglik)):
            return Maximum(here, now, step, True)
        there, then = _climb(evaluate, here, now, uphill, rise)
        if then is now:
            near = rise <= 1e-7 * (1.0 + abs(now.loglik))
            return Maximum(here, now, step, near)
        here, now = there, then
    return Maximum(here, now, max_steps, rise < _CREEP and _is_flat_somewhere(now.hessian))


def best_maximum(evaluate: Evaluate, starts: list[FloatArray]) -> Maximum:
    """Return the highest of the maxima reached from `starts`.

    Raises
    ------
    NotConverged
        If no start led to a maximum.
    """
    reached = [maximise(evaluate, start) for start in starts]
    converged = [end for end in reached if end.converged]
    if not converged:
        raise NotConverged(
            f"no maximum of the likelihood after {reached[0].steps} steps from {len(starts)} "
            "starting point(s). Try fewer covariates, or a simpler model."
        )
    return max(converged, key=lambda end: end.evaluation.loglik)


@dataclass(frozen=True)
class Sharpness:
    """How well the data hold each parameter.

    Attributes
    ----------
    covariance : array, shape (n, n)
        Inverse of the observed information, in the directions that are not flat.
    flat : array of bool, shape (n,)
        Parameters that take part in a flat direction.
    """

    covariance: FloatArray
    flat: BoolArray


def sharpness(hessian: FloatArray) -> Sharpness:
    """Invert the observed information, and say which parameters it leaves open.

    Examples
    --------
    >>> found = sharpness(np.diag([-4.0, -1e-9]))
    >>> found.covariance[0, 0], found.flat
    (np.float64(0.25), array([False,  True]))
    """
    information, direction = np.linalg.eigh(-hessian)
    held = information >= FLAT
    inverse = np.divide(1.0, information, where=held, out=np.zeros_like(information))
    flat = (np.abs(direction[:, ~held]) > 0.1).any(axis=1)
    return Sharpness((direction * inverse) @ direction.T, flat)


def profile_limit(
    evaluate: Evaluate,
    maximum: Maximum,
    position: int,
    *,
    side: int,
    level: float = 0.95,
) -> FloatArray | None:
    """Find where the profile likelihood of one parameter has fallen to its limit.

    The profile is the likelihood maximised over the other parameters; the limit is where
    twice its logarithm lies the `level` quantile of chi-squared with one degree of freedom
    below the maximum.

    Parameters
    ----------
    evaluate : callable
        Gives the `Evaluation` at a point.
    maximum : Maximum
        The maximum of the likelihood.
    position : int
        Which parameter.
    side : {-1, 1}
        Look below, or above the estimate.
    level : float
        Two-sided level of the interval that the limit belongs to.

    Returns
    -------
    array or None
        All parameters at the limit; None if the profile does not fall that far.
    """
    top = maximum.evaluation.loglik - 0.5 * float(chi2.ppf(level, 1))
    free = np.ones(len(maximum.parameters), dtype=bool)
    free[position] = False
    reached = {0.0: maximum.parameters}
    heights = {0.0: maximum.evaluation.loglik - top}

    def above(distance: float) -> float:
        if distance not in heights:
            nearest = min(reached, key=lambda known: abs(known - distance))
            start = reached[nearest].copy()
            start[position] = maximum.parameters[position] + side * distance
            end = maximise(evaluate, start, free=free)
            reached[distance] = end.parameters
            heights[distance] = end.evaluation.loglik - top
        return heights[distance]

    near, far = 0.0, 0.25
    while above(far) > 0:
        near, far = far, 2.0 * far
        if far > 64.0:
            return None
    crossing = float(brentq(above, near, far, xtol=1e-7))
    above(crossing)
    return reached[crossing]


def _is_flat_somewhere(hessian: FloatArray) -> bool:
    return bool(np.linalg.eigvalsh(-hessian)[0] < FLAT)


def _newton_direction(gradient: FloatArray, hessian: FloatArray) -> FloatArray:
    """Return the Newton step, uphill whatever the curvature, and of bounded length."""
    information, direction = np.linalg.eigh(-hessian)
    along = direction.T @ gradient
    step = direction @ (along / np.maximum(np.abs(information), _FLOOR))
    longest = float(np.abs(step).max(initial=0.0))
    return step * min(1.0, _MAX_STEP / longest) if longest > 0 else step


def _climb(
    evaluate: Evaluate, here: FloatArray, now: Evaluation, uphill: FloatArray, rise: float
) -> tuple[FloatArray, Evaluation]:
    """Go along `uphill`, halving the way until the likelihood has risen enough."""
    share = 1.0
    for _ in range(40):
        there = here + share * uphill
        then = evaluate(there)
        if np.isfinite(then.loglik) and then.loglik >= now.loglik + 1e-4 * share * rise:
            return there, then
        share *= 0.5
    return here, now
