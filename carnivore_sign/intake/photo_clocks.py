"""Clocks of cameras: how far each is off, as given or as its own photos tell, put right.

A GPS time is never moved. A time by the camera's clock is moved by the offset that was given,
else by one estimated from photos of the same camera that have both times, else not at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

#: Sources of a time that rests on the receiver and not on the camera's clock.
BY_RECEIVER: Final = ("gps", "gps_clock")
#: Photos with both clocks that one estimate needs, and the spread it may have.
MIN_PHOTOS: Final = 3
MAX_SPREAD_S: Final = 60.0


def estimate_clock_offsets(photos: pd.DataFrame) -> pd.DataFrame:
    """Estimate how far the clock of each camera is behind, from its photos with both times.

    Parameters
    ----------
    photos : DataFrame
        As table ``photos``; ``clock_behind_s`` is there where a photo has a GPS time, and a
        camera time with an offset or in a stated zone.

    Returns
    -------
    DataFrame
        Index ``device``; columns ``offset_s`` (median of ``clock_behind_s``), ``spread_s``
        (largest distance of the middle half from it), ``photos`` (how many it rests on) and
        ``usable``: it rests on at least `MIN_PHOTOS` photos and spreads by `MAX_SPREAD_S` at
        most.

    Notes
    -----
    A receiver that lost its fix repeats an old time; the median is not moved by a few such
    photos, and the spread shows when there are many.

    Examples
    --------
    >>> photos = pd.DataFrame({"device": ["A"] * 4, "clock_behind_s": [59.0, 60.0, 61.0, 900.0]})
    >>> estimate_clock_offsets(photos).loc["A", ["offset_s", "photos"]].tolist()
    [60.5, 4.0]
    """
    known = photos.loc[photos["clock_behind_s"].notna() & photos["device"].notna()]
    behind = known["clock_behind_s"].groupby(known["device"].astype("object"))
    middle = behind.median()
    spread = np.maximum(middle - behind.quantile(0.25), behind.quantile(0.75) - middle)
    found = pd.DataFrame({"offset_s": middle, "spread_s": spread, "photos": behind.size()})
    found["usable"] = (found["photos"] >= MIN_PHOTOS) & (found["spread_s"] <= MAX_SPREAD_S)
    return found.rename_axis("device")


def set_clocks(
    photos: gpd.GeoDataFrame, clock_offset_s: float | Mapping[str, float] | pd.Series | None
) -> gpd.GeoDataFrame:
    """Set the times right that rest on the camera's clock.

    Parameters
    ----------
    photos : GeoDataFrame
        As table ``photos``; what was added to a time before, by ``clock_offset_s``, is taken
        off first.
    clock_offset_s : float, mapping of str to float, or Series, optional
        Seconds to add, for all, by ``device``, or by the labels of `photos`.

    Returns
    -------
    GeoDataFrame
        With ``time``, ``clock_offset_s`` and ``clock_source`` anew.
    """
    timed = photos["time"].notna()
    by_camera = timed & ~photos["time_source"].isin(BY_RECEIVER)
    given = _given(photos, clock_offset_s).where(by_camera)
    estimates = estimate_clock_offsets(photos)
    usable = estimates.loc[estimates["usable"], "offset_s"]
    device = photos["device"].astype("object")
    offset = given.fillna(device.map(usable).astype(float).where(by_camera))
    source = pd.Series("as_set", index=photos.index).where(offset.isna(), "estimated")
    source = source.where(given.isna(), "given").where(by_camera, "gps").where(timed, None)
    change = offset.fillna(0) - photos["clock_offset_s"].where(by_camera).fillna(0)
    moved = photos["time"] + pd.to_timedelta(change.round(3), unit="s")
    return photos.assign(
        time=moved.dt.round("ms").astype(photos["time"].dtype),
        clock_offset_s=offset,
        clock_source=source.astype(photos["clock_source"].dtype),
    )


def _given(
    photos: pd.DataFrame, clock_offset_s: float | Mapping[str, float] | pd.Series | None
) -> pd.Series:
    """Return the offset given for each photo; missing where there is none."""
    if isinstance(clock_offset_s, pd.Series):
        return clock_offset_s.reindex(photos.index).astype(float)
    if isinstance(clock_offset_s, Mapping):
        return photos["device"].astype("object").map(dict(clock_offset_s)).astype(float)
    one = np.nan if clock_offset_s is None else float(clock_offset_s)
    return pd.Series(one, index=photos.index, dtype=float)
