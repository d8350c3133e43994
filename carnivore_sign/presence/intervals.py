"""Intervals: limits by the profile of the likelihood, as well as by the standard error.

The usual limits take the log-likelihood for a parabola. With few finds it is not one, and
limits from its profile follow its true shape.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from carnivore_sign.errors import InputError
from carnivore_sign.presence.fitting import Evaluate, Maximum, maximise, profile_limit
from carnivore_sign.presence.layout import FloatArray
from carnivore_sign.presence.models import from_link
from carnivore_sign.presence.result import OccupancyFit
from carnivore_sign.presence.two_states import Evaluation

#: How far a curve runs, on the logit or log scale, where the likelihood sets no limit.
_FARTHEST: Final = 6.0


def profile_limits(fit: OccupancyFit, *, level: float = 0.95) -> pd.DataFrame:
    """Return limits of every parameter from the profile of the likelihood.

    Parameters
    ----------
    fit : OccupancyFit
        From `fit_occupancy`.
    level : float
        Probability that the limits are to cover.

    Returns
    -------
    DataFrame
        Index and scales as `OccupancyFit.summary`; ``estimate``, ``low``, ``high``. A limit
        that the likelihood does not set is the end of the range: 0 or 1, or infinity.

    Examples
    --------
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1], [0, 0, 0], [0, 1, 0], [0, 0, None]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> profile_limits(fit).round(3).to_numpy().tolist()
    [[0.751, 0.487, 1.0], [0.355, 0.211, 0.518]]
    """
    turn = block_diag(*(part.covariates.to_reported() for part in fit.model.parts))
    criterion = fit.model.criterion(fit.model.on(fit.histories).states)
    evaluate = _in_reported(criterion, np.linalg.inv(turn))
    reported = turn @ fit.parameters
    maximum = Maximum(reported, evaluate(reported), 0, True)
    rows = []
    for part in fit.model.parts:
        back = from_link(part.kind.link) if part.is_constant else np.asarray
        for position in range(part.positions.start, part.positions.stop):
            ends = [_end(evaluate, maximum, position, side, level) for side in (-1, 1)]
            rows.append([float(back(x)) for x in (reported[position], *ends)])
    names = fit.summary().index
    return pd.DataFrame(rows, index=names, columns=["estimate", "low", "high"])


def _end(evaluate: Evaluate, maximum: Maximum, position: int, side: int, level: float) -> float:
    limit = profile_limit(evaluate, maximum, position, side=side, level=level)
    return side * np.inf if limit is None else float(limit[position])


def _in_reported(evaluate: Evaluate, back: FloatArray) -> Evaluate:
    """Return the likelihood as a function of the coefficients in the caller's units."""

    def turned(reported: FloatArray) -> Evaluation:
        inner = evaluate(back @ reported)
        return Evaluation(inner.loglik, back.T @ inner.gradient, back.T @ inner.hessian @ back)

    return turned


def profile_curve(
    fit: OccupancyFit, parameter: str, *, points: int = 25, level: float = 0.99
) -> pd.DataFrame:
    """Return how the profile likelihood of a part without covariates falls from its maximum.

    Parameters
    ----------
    fit : OccupancyFit
        From `fit_occupancy`.
    parameter : str
        Name of the part: ``psi``, ``sign_rate`` and so on.
    points : int
        Number of values, evenly over the logit or log scale.
    level : float
        The curve runs to where limits of this level would lie, or 6 to either side.

    Returns
    -------
    DataFrame
        ``value`` on the scale of the part, ``fall``: twice the fall of the log-likelihood;
        limits of 95 % lie where it is 3.84.

    Examples
    --------
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1], [0, 0, 0], [0, 1, 0], [0, 0, None]] * 10)
    >>> curve = profile_curve(fit_occupancy(histories_from_matrix(matrix)), "p", points=5)
    >>> bool(curve["fall"].min() >= 0), len(curve)
    (True, 5)
    """
    part = fit.model.part(parameter)
    if not part.is_constant:
        raise InputError(
            f"{parameter} depends on covariates, so it has no one profile",
            remedy="Take profile_limits(fit) for its coefficients.",
        )
    evaluate = fit.model.criterion(fit.model.on(fit.histories).states)
    maximum = Maximum(fit.parameters, evaluate(fit.parameters), 0, True)
    position = part.positions.start
    middle = fit.parameters[position]
    ends = [
        middle + side * _FARTHEST if limit is None else float(limit[position])
        for side in (-1, 1)
        for limit in [profile_limit(evaluate, maximum, position, side=side, level=level)]
    ]
    free = np.ones(len(fit.parameters), dtype=bool)
    free[position] = False
    values = np.linspace(ends[0], ends[1], points)
    falls, start = np.empty(points), fit.parameters.copy()
    for k in np.argsort(np.abs(values - middle)):
        start[position] = values[k]
        best = maximise(evaluate, start, free=free).evaluation.loglik
        falls[k] = 2.0 * (maximum.evaluation.loglik - best)
    value = from_link(part.kind.link)(values)
    return pd.DataFrame({"value": value, "fall": falls.clip(min=0.0)})
