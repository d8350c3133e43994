"""Arrange: histories of units turned into lines of segments, or into runs of months.

The chained models look at the same visits in another order. These functions change frames
into frames and find the grid of steps; the mathematics are in ``chain.py``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import IntArray, Layout


def along_lines(histories: Histories) -> Histories:
    """Make each transect a unit, and each segment a place along it.

    Parameters
    ----------
    histories : Histories
        From `make_histories` with ``segments=``: the visits name their ``walk`` and
        ``transect``, the units their ``transect`` and ``from_m``.

    Returns
    -------
    Histories
        Units are transects; the visits have two more columns, ``segment`` and ``place``
        (the number of the segment along its transect, from 0).

    Raises
    ------
    InputError
        If the histories do not know where the segments lie.
    """
    if "place" in histories.visits:
        return histories
    lacking = {"walk", "transect"} - set(histories.visits)
    lacking |= {"transect", "from_m"} - set(histories.units)
    if lacking:
        raise InputError(
            f"the histories have no {', '.join(sorted(lacking))}, so the order of the segments "
            "along a line is not known",
            remedy="Make them with make_histories(..., segments=segments).",
        )
    segments = histories.units.drop_duplicates("unit").sort_values(["transect", "from_m"])
    place = segments.groupby("transect").cumcount()
    places = pd.Series(place.to_numpy(), index=segments["unit"])
    visits = histories.visits.rename(columns={"unit": "segment"})
    visits["unit"] = visits["transect"]
    visits["place"] = visits["segment"].map(places)
    _require_one_look(visits)
    by_line = histories.units.assign(unit=histories.units["transect"]).groupby(
        ["period", "unit"], as_index=False
    )
    same = by_line.nunique(dropna=False).drop(columns=["period", "unit"]).max().le(1)
    units = by_line.first()[["unit", "period", *same.index[same]]]
    return Histories(units, visits, histories.signs, histories.taxon)


def line_steps(histories: Histories) -> tuple[IntArray, pd.DataFrame]:
    """Return the grid of visits by walk and place, and the unit and period of each walk."""
    visits = histories.visits
    walk = visits.groupby(["unit", "period", "walk"], sort=True).ngroup().to_numpy()
    steps = np.full((walk.max(initial=-1) + 1, int(visits["place"].max()) + 1), -1, dtype=np.int64)
    steps[walk, visits["place"].to_numpy()] = np.arange(len(visits))
    head = visits[["unit", "period"]].assign(walk=walk).drop_duplicates("walk")
    return steps, head.sort_values("walk")[["unit", "period"]].reset_index(drop=True)


def over_months(histories: Histories) -> Histories:
    """Give every unit a row in every period from the first to the last.

    Periods written ``YYYY-MM`` run through the calendar, so that a month without walks has
    its place; others are taken in alphabetical order as they come. What is the same for a unit
    in all its periods holds in the added ones; what changes from period to period is missing.
    """
    units = histories.units
    run = _run_of(units["period"])
    if len(units) == units["unit"].nunique() * len(run):
        return histories
    grid = units[["unit"]].drop_duplicates().merge(pd.DataFrame({"period": run}), how="cross")
    grid = grid.merge(units, on=["unit", "period"], how="left", indicator=True)
    added = grid.pop("_merge").eq("left_only")
    if added.any():
        by_unit = units.drop(columns="period").groupby("unit")
        steady = by_unit.nunique(dropna=False).max().le(1)
        names = list(steady.index[steady])
        grid.loc[added, names] = by_unit.first()[names].loc[grid.loc[added, "unit"]].to_numpy()
    return Histories(grid, histories.visits, histories.signs, histories.taxon)


def month_steps(layout: Layout) -> IntArray:
    """Return the row of each unit (in order of appearance) in each period (in order)."""
    shape = layout.place.max(initial=-1) + 1, layout.time.max(initial=-1) + 1
    steps = np.full(shape, -1, dtype=np.int64)
    steps[layout.place, layout.time] = np.arange(layout.n_sites)
    return steps


def neighbour_steps(units: pd.DataFrame) -> IntArray:
    """Return the row of each place along each transect in each period; -1 for none.

    Raises
    ------
    InputError
        If the units do not know where they lie.
    """
    lacking = {"transect", "from_m"} - set(units)
    if lacking:
        raise InputError(
            f"the units have no {', '.join(sorted(lacking))}, so neighbours are not known",
            remedy="Make the histories with make_histories(..., segments=segments).",
        )
    order = units.reset_index(drop=True).sort_values(["period", "transect", "from_m"])
    along = order.groupby(["period", "transect"])
    line, place = along.ngroup().to_numpy(), along.cumcount().to_numpy()
    steps = np.full((line.max(initial=-1) + 1, place.max(initial=-1) + 1), -1, dtype=np.int64)
    steps[line, place] = order.index.to_numpy()
    return steps


def _run_of(periods: pd.Series) -> list[str]:
    there = sorted(periods.unique())
    if all(pd.Series(there).str.fullmatch(r"\d{4}-\d{2}")):
        return [str(month) for month in pd.period_range(there[0], there[-1], freq="M")]
    return there


def _require_one_look(visits: pd.DataFrame) -> None:
    twice = visits.duplicated(["unit", "period", "walk", "place"])
    if twice.any():
        row = visits[twice].iloc[0]
        raise InputError(f"walk {row['walk']!r} has two visits to segment {row['segment']!r}")
