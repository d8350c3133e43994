"""Effort: who walked what, and when; with the gaps.

A month in which nobody walked a transect has a row that says so. Its effort is 0, and nothing is
known of the animals there: *not looked for* is not *not found*.
"""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import pandas as pd

from carnivore_sign.errors import InputError, NothingSurveyed


def effort_table(
    visits: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    *,
    by: str = "transect",
    periods: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Sum up the effort on each transect (or segment) in each month, gaps included.

    Parameters
    ----------
    visits : DataFrame
        From `make_visits`.
    segments : GeoDataFrame
        From `cut_segments`: what there was to walk.
    by : {'transect', 'segment'}
        Unit of the rows.
    periods : sequence of str, optional
        Months ``YYYY-MM``; all from the first visit to the last if not given.

    Returns
    -------
    DataFrame
        One row per unit and month: the unit, ``period``, ``segments`` (how many there are),
        ``segments_walked``, ``walks``, ``observers`` (names joined by ``;``), ``effort_km`` (a
        party counted once), ``stated_km`` (how much of it was typed and not measured),
        ``effort_km_days`` (missing if unknown for all), ``last`` (UTC, end of the last visit;
        missing where nobody walked), ``gap`` (whether nobody walked).

    Raises
    ------
    NothingSurveyed
        If there are no visits and no months are given.
    InputError
        If `by` is another.

    Examples
    --------
    >>> from shapely import LineString
    >>> from carnivore_sign.survey.segments import cut_segments
    >>> roads = gpd.GeoDataFrame(
    ...     {"transect": ["MESA", "WASH"]}, crs="EPSG:4326",
    ...     geometry=[LineString([(0, y), (0.009, y)]) for y in (0, 1)],
    ... )
    >>> visits = pd.DataFrame({
    ...     "walk": "MON#1", "observer": "Ann", "transect": "MESA", "segment": "MESA#001",
    ...     "period": ["2024-05"], "start": pd.to_datetime(["2024-05-06 14:00Z"]),
    ...     "end": pd.to_datetime(["2024-05-06 14:20Z"]), "effort_km": 1.0, "effort_km_days": 3.0,
    ... })
    >>> effort_table(visits, cut_segments(roads))[["transect", "effort_km", "gap"]].values.tolist()
    [['MESA', 1.0, False], ['WASH', 0.0, True]]
    """
    if by not in ("transect", "segment"):
        raise InputError(f"by is '{by}'", remedy="Take 'transect' or 'segment'.")
    months = list(periods) if periods is not None else _months(visits)
    units = segments.groupby(by, sort=False, observed=True).size().rename("segments")
    stated_km = 0.0
    if "effort_source" in visits:
        stated_km = visits["effort_km"].where(visits["effort_source"].eq("stated"), 0.0)
    visits = visits.assign(stated_km=stated_km)
    walked = visits.groupby([by, "period"], observed=True)
    done = walked.agg(
        segments_walked=("segment", "nunique"),
        walks=("walk", "nunique"),
        observers=("observer", lambda names: ";".join(sorted(set(names.dropna())))),
        effort_km=("effort_km", "sum"),
        stated_km=("stated_km", "sum"),
        last=("end", "max"),
    )
    done.insert(5, "effort_km_days", walked["effort_km_days"].sum(min_count=1))
    every = pd.MultiIndex.from_product([units.index, months], names=[by, "period"])
    table = done.reindex(every).reset_index()
    table.insert(2, "segments", table[by].map(units))
    gap = table["walks"].isna()
    nobody = {"segments_walked": 0, "walks": 0, "observers": "", "effort_km": 0.0, "stated_km": 0.0}
    filled = table.fillna(nobody)
    return filled.astype({"segments_walked": int, "walks": int}).assign(gap=gap)


def _months(visits: pd.DataFrame) -> list[str]:
    """All months from the first visit to the last."""
    if visits.empty:
        raise NothingSurveyed("there are no visits; import GPS logs, or name the months")
    seen = visits["period"]
    return list(pd.period_range(seen.min(), seen.max(), freq="M").strftime("%Y-%m"))
