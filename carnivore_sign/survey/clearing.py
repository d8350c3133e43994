"""Clearing: when the surface of a segment was last wiped, and since when it collects new sign.

Rain, snow, wind, a drag or traffic wipe a surface. Sign found on it was made after that. On a
segment that is walked again before it was wiped, only sign made since the walk before is new.
"""

from __future__ import annotations

import warnings
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.errors import DataWarning
from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING
from carnivore_sign.units import HOURS_PER_DAY, SECONDS_PER_HOUR

#: The word in ``clearings.transects`` that means every transect.
EVERY_TRANSECT: Final = "all"


def spread_clearings(clearings: pd.DataFrame | None, transects: pd.Index) -> pd.DataFrame:
    """List each clearing once per transect that it wiped.

    Parameters
    ----------
    clearings : DataFrame or None
        As `records.tables.CLEARINGS`: ``cause``, ``time`` (UTC), ``transects`` (names joined by
        ``;``, or ``all``).
    transects : Index
        Names of all transects.

    Returns
    -------
    DataFrame
        ``transect``, ``time``, ``cause``, in order of time.

    Warns
    -----
    DataWarning
        If a clearing names transects that do not exist; those names are passed over.
    """
    return spread_events(clearings, transects, columns=["cause"], what="clearings")


def spread_events(
    events: pd.DataFrame | None, transects: pd.Index, *, columns: list[str], what: str | pd.Series
) -> pd.DataFrame:
    """List each event once per transect that it names: ``transect``, ``time`` and `columns`.

    As `spread_clearings`, for any table with ``time`` and ``transects``. `what` is how the events
    are called in a warning; with the index of `events`, where they come from several tables.
    """
    order = ["transect", "time", *columns]
    none = pd.DataFrame(columns=order).astype({"time": "datetime64[ms, UTC]"})
    if events is None or events.empty:
        return none
    names = events["transects"].astype("object").str.split(";").explode().str.strip()
    listed = events[["time", *columns]].join(names.rename("transect"))
    every = listed["transect"].str.lower().eq(EVERY_TRANSECT)
    whole = listed.loc[every, ["time", *columns]].merge(
        pd.DataFrame({"transect": transects}), how="cross"
    )
    named = listed.loc[~every & listed["transect"].ne("")]
    strange = named.loc[~named["transect"].isin(transects), "transect"]
    called = what if isinstance(what, pd.Series) else pd.Series(what, index=events.index)
    for table, names in strange.groupby(called.reindex(strange.index).to_numpy()):
        warnings.warn(
            f"{table} name transects that do not exist: {', '.join(sorted(set(names)))}; the "
            f"transects are {', '.join(map(str, transects))}",
            DataWarning,
            stacklevel=3,
        )
    named = named.loc[named["transect"].isin(transects)]
    some = [frame[order] for frame in (whole, named) if len(frame)]
    spread = pd.concat(some, ignore_index=True) if some else none
    return spread.sort_values("time", kind="stable", ignore_index=True)


def add_conditions(
    visits: pd.DataFrame,
    clearings: pd.DataFrame | None,
    segments: gpd.GeoDataFrame,
    *,
    max_days_collecting: float = MAX_DAYS_COLLECTING,
) -> pd.DataFrame:
    """Add ``hours_since_cleared``, ``cleared_by`` and ``effort_km_days`` to visits.

    ``hours_since_cleared`` runs from the latest clearing at or before the start of the visit;
    it is missing where no clearing is known. ``effort_km_days`` is the effort in km times the
    days in which *new* sign could gather: since the clearing or since the end of the visit
    before on the same segment, whichever is later, and at most `max_days_collecting`. It is
    missing where neither is known.
    """
    visits = visits.sort_values(["start", "visit"], kind="stable", ignore_index=True)
    events = spread_clearings(clearings, pd.Index(segments["transect"].unique()))
    cleared = _latest_clearing(visits, events)
    since_cleared = (visits["start"] - cleared["time"]).dt.total_seconds() / SECONDS_PER_HOUR
    walked_until = visits.groupby("segment")["end"].cummax().groupby(visits["segment"]).shift()
    since_walked = (visits["start"] - walked_until).dt.total_seconds() / SECONDS_PER_HOUR
    days = np.fmin(since_cleared, since_walked).clip(lower=0.0) / HOURS_PER_DAY
    return visits.assign(
        hours_since_cleared=since_cleared,
        cleared_by=cleared["cause"].to_numpy(),
        effort_km_days=visits["effort_km"] * days.clip(upper=max_days_collecting),
    )


def _latest_clearing(visits: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """Latest event on the transect of each visit, at or before its start."""
    codes = pd.Index(visits["transect"].unique())
    left = pd.DataFrame(
        {"start": visits["start"].astype("datetime64[ms, UTC]"),
         "line": codes.get_indexer(visits["transect"])}
    )  # fmt: skip
    right = events.assign(
        time=events["time"].astype("datetime64[ms, UTC]"),
        line=codes.get_indexer(events["transect"]),
    )
    return pd.merge_asof(
        left, right[["time", "cause", "line"]], left_on="start", right_on="time", by="line"
    )
