"""Neighbours: are segments next to each other more alike than the model knows.

An animal that follows a road leaves sign on one segment after another. A model that takes
segments for independent then gives limits that are too narrow. The check correlates what is
left of each unit after the model, P(used | its record) - P(used), with what is left of the next
unit along the same transect, and compares with the same units shuffled. A model that knows of
stretches is held against surveys drawn from it instead, in what it leaves of the finds.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from carnivore_sign.errors import EstimateError, InputError
from carnivore_sign.presence.drawing import Survey, survey_of
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.result import OccupancyFit

#: Fewer pairs of visited neighbours than this say nothing.
_LEAST_PAIRS = 10


class Likeness(NamedTuple):
    """How alike neighbours are: correlation, share of shuffles as high or higher, pairs.

    Attributes
    ----------
    correlation : float
        Of the residuals of neighbours.
    p_value : float
        Share of shuffles that were as much alike, or more.
    pairs : int
        How many pairs of neighbours it rests on.
    """

    correlation: float
    p_value: float
    pairs: int


def unit_residuals(fit: OccupancyFit, histories: Histories | None = None) -> pd.DataFrame:
    """Return what each visited unit has beyond what the model expects of any such unit.

    Parameters
    ----------
    fit : OccupancyFit
        Of any model, with or without a chain.
    histories : Histories, optional
        Other histories to judge with the fitted parameters.

    Returns
    -------
    DataFrame
        ``unit`` (the line, where segments are chained along them), ``period``, ``residual``:
        P(used | all records) minus what the model expects before anybody looks, between -1
        and 1; only units with visits. Mapped (`draw_residuals` of ``maps.presence_plots``),
        it shows where the model is too low or too high.

    Examples
    --------
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> unit_residuals(fit)["residual"].head(2).round(2).to_list()
    [0.18, -0.53]
    """
    survey = survey_of(fit, histories)
    told = fit.posterior(survey.histories)
    left = told["p_presence"].to_numpy() - survey.expected_presence()
    table = told[["unit", "period"]].assign(residual=left)
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
        Of a model of segments, with or without a chain; not of lines (whose check is
        `check_fit`).
    histories : Histories, optional
        Other histories to judge with the fitted parameters. They must come from
        `make_histories` with ``segments=``, to know which segments are neighbours.
    shuffles : int
        Number of times the residuals are shuffled among the units of a period; or of surveys
        drawn, from a fit that chains neighbours.
    rng : Generator, optional
        Where they come from; ``numpy.random.default_rng(0)`` by default.

    Returns
    -------
    Likeness
        The correlation, its p-value, and how many pairs it rests on.

    Raises
    ------
    EstimateError
        If there are fewer than 10 pairs of neighbours, or no residual differs from another.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> fit = analysis.season_presence.fit
    >>> likeness = likeness_of_neighbours(fit, shuffles=19)
    >>> likeness.pairs > 10
    True
    """
    if fit.model.chain == "line":
        raise InputError(
            "the units of this fit are lines, which have no neighbours",
            remedy="Take check_fit(fit), which looks at pieces of the lines.",
        )
    survey, stretches = survey_of(fit, histories), fit.model.chain == "neighbours"
    table = unit_residuals(fit, survey.histories) if not stretches else _left_of_finds(survey)
    left, right = _pairs(table, survey.histories.units)
    values = table["residual"].to_numpy()
    if len(left) < _LEAST_PAIRS or values.std() < 1e-12:
        raise EstimateError(
            f"{len(left)} pairs of neighbouring segments were visited, or all look alike: too "
            "little to tell whether neighbours are."
        )
    rng = np.random.default_rng(0) if rng is None else rng
    period = pd.factorize(table["period"])[0]
    observed = _correlation(values, left, right)

    def again() -> FloatArray:
        if stretches:
            return _left_of_finds(survey.drawn(rng))["residual"].to_numpy()
        return _shuffled(values, period, rng)

    as_high = sum(_correlation(again(), left, right) >= observed for _ in range(shuffles))
    return Likeness(observed, (as_high + 1) / (shuffles + 1), len(left))


def _left_of_finds(survey: Survey) -> pd.DataFrame:
    """Return what was found on each visited unit beyond what the model expects."""
    site, size = survey.layout.site, survey.layout.n_sites
    left = np.bincount(site, survey.finds() - survey.expected_finds(), minlength=size)
    table = survey.layout.units.assign(residual=left)
    return table[survey.layout.visits_per_site > 0].reset_index(drop=True)


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
