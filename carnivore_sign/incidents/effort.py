"""Who looked near the place: before the incident window, during it, and after it.

A walk tells of the window only through the surface: tracks made in the window could lie there
if the surface had not been wiped since. So each visit carries the share of the window during
which its surface was collecting tracks.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.incidents.place import IncidentPlace
from carnivore_sign.incidents.window import IncidentWindow
from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING
from carnivore_sign.units import HOURS_PER_DAY, SECONDS_PER_HOUR

#: Words for when a visit was, in order; and those where nobody knows when the window began.
WHEN = ("before", "during", "after")
WHEN_OPEN = ("before or during", "after")


def visits_near(
    visits: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    place: IncidentPlace,
    window: IncidentWindow,
    *,
    within_m: float,
    listed: IncidentWindow,
) -> pd.DataFrame:
    """Visits to segments within reach, in the listed time.

    Returns
    -------
    DataFrame
        The columns of VISITS and ``distance_m``, ``when`` (`WHEN`, or
        `WHEN_OPEN` for a window that is open at its start), ``window_share`` (share of the
        window in which the surface that was walked was collecting tracks before the walk
        began; NaN where unknown); by time.
    """
    reach = place.nearest(segments)["distance_m"]
    reach.index = pd.Index(segments["segment"].astype("object"))
    near = visits.assign(distance_m=visits["segment"].astype("object").map(reach).astype(float))
    timely = (near["start"] > listed.start) & (near["start"] <= listed.end)
    near = near[timely & (near["distance_m"] <= within_m)]
    return near.assign(
        when=_when(near["start"], window), window_share=_window_share(near, window)
    ).sort_values(["start", "visit"], ignore_index=True)


def summarise_visits(near: pd.DataFrame, window: IncidentWindow) -> pd.DataFrame:
    """Walks, kilometres and dates before, during and after; a line of zeros for nobody.

    Returns
    -------
    DataFrame
        Index `WHEN` or `WHEN_OPEN`; ``walks``, ``effort_km``, ``first``, ``last``,
        ``nearest_m``.
    """
    grouped = near.groupby("when")
    table = pd.DataFrame(
        {
            "walks": grouped["walk"].nunique(),
            "effort_km": grouped["effort_km"].sum(),
            "first": grouped["start"].min(),
            "last": grouped["start"].max(),
            "nearest_m": grouped["distance_m"].min(),
        }
    ).reindex(list(WHEN_OPEN if window.open_at_start else WHEN))
    return table.assign(
        walks=table["walks"].fillna(0).astype(int), effort_km=table["effort_km"].fillna(0.0)
    )


def _when(start: pd.Series, window: IncidentWindow) -> pd.Series:
    words = pd.Series("before or during", index=start.index, dtype="object")
    if window.start is not None:
        words[:] = "during"
        words[start <= window.start] = "before"
    words[start > window.end] = "after"
    return words


def _window_share(near: pd.DataFrame, window: IncidentWindow) -> npt.NDArray[np.float64]:
    """Overlap of the time in which the surface collected and kept tracks with the window."""
    if window.start is None:
        return np.full(len(near), np.nan)
    until_h = (near["start"] - window.start).dt.total_seconds() / SECONDS_PER_HOUR
    longest_h = MAX_DAYS_COLLECTING * HOURS_PER_DAY
    from_h = until_h - near["hours_since_cleared"].clip(upper=longest_h)
    overlap = until_h.clip(upper=window.length_h) - from_h.clip(lower=0.0)
    return (overlap.clip(lower=0.0) / window.length_h).to_numpy(dtype=float)
