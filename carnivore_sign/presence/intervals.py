"""Intervals: limits by the profile of the likelihood, as well as by the standard error.

The usual limits take the log-likelihood for a parabola. With few finds it is not one, and
limits from its profile follow its true shape.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from carnivore_sign.presence.fitting import Evaluate, Maximum, profile_limit
from carnivore_sign.presence.layout import FloatArray
from carnivore_sign.presence.result import OccupancyFit, from_link
from carnivore_sign.presence.two_states import Evaluation


def profile_limits(fit: OccupancyFit, *, level: float = 0.95) -> pd.DataFrame:
    """Return limits of every parameter from the profile of the likelihood.

    Parameters
    ----------
    fit : OccupancyFit
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
