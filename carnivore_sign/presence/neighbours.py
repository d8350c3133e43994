"""Neighbours: are segments next to each other more alike than the model knows.

An animal that follows a road leaves sign on one segment after another. A model that takes
segments for independent then gives limits that are too narrow. The check correlates what is
left of each unit after the model, P(used | its record) - psi, with what is left of the next
unit along the same transect, and compares with the same units shuffled.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import expit

from carnivore_sign.errors import EstimateError, InputError
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.result import OccupancyFit

#: Fewer pairs of visited neighbours than this say nothing.
_LEAST_PAIRS = 10


class Likeness(NamedTuple):
    """How alike neighbours are: correlation, share of shuffles as high or higher, pairs."""

    correlation: float
    p_value: float
    pairs: int


def unit_residuals(fit: OccupancyFit, histories: Histories | None = None) -> pd.DataFrame:
    """Return what each visited unit has beyond what the model expects of any such unit.

    Parameters
    ----------
    fit : OccupancyFit
        Of a model without a chain.
    histories : Histories, optional
        Other histories to judge with the fitted parameters.

    Returns
    -------
    DataFrame
        ``unit``, ``period``, ``residual``: P(used | its record) minus P(used) at its
        covariates, between -1 and 1; only units with visits. Mapped, it shows where the
        model is too low or too high.

    Examples
    --------
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> unit_residuals(fit)["residual"].head(2).round(2).to_list()
    [0.18, -0.53]
    """
    if fit.model.chain is not None:
        raise InputError("residuals are for a model without a chain")
    histories = fit.histories if histories is None else histories
    told = fit.posterior(histories)
    matrix = fit.model.parts[0].covariates.matrix(histories.units)
    head = matrix @ fit.parameters[fit.model.parts[0].positions]
    expected = -np.expm1(-np.exp(head)) if fit.model.name == "abundance" else expit(head)
    table = told[["unit", "period"]].assign(residual=told["p_presence"].to_numpy() - expected)
    return table[told["visits"] > 0].reset_index(drop=True)


def likeness_of_neighbours(
    fit: OccupancyFit,
    histories: Histories | None = None,
    *,
    shuffles: int = 999,
    rng: np.random.Generator | None = None,
) -> Likeness:
    """Test whether neighbouring segments are more alike than independent ones would be.

    Parameters
    ----------
    fit : OccupancyFit
        Of a model without a chain.
    histories : Histories, optional
        Other histories to judge with the fitted parameters. They must come from
        `make_histories` with ``segments=``, to know which segments are neighbours.
    shuffles : int
        Number of times the residuals are shuffled among the units of a period.
    rng : Generator, optional
        Where the shuffles come from; ``numpy.random.default_rng(0)`` by default.

    Returns
    -------
    Likeness

    Raises
    ------
    EstimateError
        If there are fewer than 10 pairs of neighbours, or no residual differs from another.
    """
    histories = fit.histories if histories is None else histories
    table = unit_residuals(fit, histories)
    left, right = _pairs(table, histories.units)
    values = table["residual"].to_numpy()
    if len(left) < _LEAST_PAIRS or values.std() < 1e-12:
        raise EstimateError(
            f"{len(left)} pairs of neighbouring segments were visited, or all look alike: too "
            "little to tell whether neighbours are."
        )
    rng = np.random.default_rng(0) if rng is None else rng
    period = pd.factorize(table["period"])[0]
    observed = _correlation(values, left, right)
    as_high = sum(
        _correlation(_shuffled(values, period, rng), left, right) >= observed
        for _ in range(shuffles)
    )
    return Likeness(observed, (as_high + 1) / (shuffles + 1), len(left))


def _pairs(table: pd.DataFrame, units: pd.DataFrame) -> tuple[IntArray, IntArray]:
    lacking = {"transect", "from_m"} - set(units)
    if lacking:
        raise InputError(
            f"the units have no {', '.join(sorted(lacking))}",
            remedy="Make the histories with make_histories(..., segments=segments).",
        )
    where = ["period", "transect", "from_m"]
    order = units[["unit", *where]].sort_values(where)
    place = order.assign(place=order.groupby(["period", "transect"]).cumcount())
    rows = table.reset_index(names="row").merge(place, on=["unit", "period"])
    following = rows.assign(place=rows["place"] - 1)
    keys = ["period", "transect", "place"]
    both = rows.merge(following, on=keys, suffixes=("_left", "_right"))
    return both["row_left"].to_numpy(), both["row_right"].to_numpy()


def _correlation(values: FloatArray, left: IntArray, right: IntArray) -> float:
    apart = values - values.mean()
    return float((apart[left] * apart[right]).mean() / apart.var())


def _shuffled(values: FloatArray, period: IntArray, rng: np.random.Generator) -> FloatArray:
    """Shuffle the values within each period."""
    order = np.lexsort((rng.random(len(values)), period))
    mixed = np.empty_like(values)
    mixed[np.argsort(period, kind="stable")] = values[order]
    return mixed
