"""Placing: sign that names a waypoint gets its position from that waypoint."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import SIGN

#: A waypoint marked longer than this before or after the sign is not its waypoint.
MAX_GAP: Final = pd.Timedelta(days=1)


def place_sign(
    sign: gpd.GeoDataFrame, waypoints: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Give sign without a position that of the waypoint it names.

    Parameters
    ----------
    sign : GeoDataFrame
        As table ``sign``.
    waypoints : GeoDataFrame
        As table ``waypoints``.

    Returns
    -------
    placed : GeoDataFrame
        The sign that has a position now, with the labels and order of `sign`. A position that
        was there already stays.
    unplaced : DataFrame
        The others, with a column ``reason``.

    Notes
    -----
    Names are compared without regard to case and outer spaces. Devices use a name again, so
    that of several waypoints the nearest in time is taken, and none that was marked more than
    a day from the sign. A waypoint without a time serves where it is the only one of its name.

    Examples
    --------
    >>> from shapely import Point
    >>> sign = gpd.GeoDataFrame(
    ...     {"sign": ["a"], "waypoint": ["s014"], "time": pd.to_datetime(["2026-02-14T15:40Z"])},
    ...     geometry=[None], crs="EPSG:4326")
    >>> waypoints = gpd.GeoDataFrame(
    ...     {"name": ["S014"], "time": pd.to_datetime(["2026-02-14T15:38Z"])},
    ...     geometry=[Point(-119.2, 37.4)], crs="EPSG:4326")
    >>> placed, unplaced = place_sign(sign, waypoints)
    >>> placed.geometry.iloc[0].x, len(unplaced)
    (-119.2, 0)
    """
    sign = conform(sign, SIGN)
    shapes = sign.geometry.to_numpy().copy()
    bare = np.flatnonzero(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    pairs = _pairs(sign.iloc[bare], bare, waypoints)
    chosen, reasons = _choose(pairs, bare, named=sign["waypoint"].notna().to_numpy())
    shapes[chosen["place"]] = chosen["shape"].to_numpy()
    filled = sign.set_geometry(gpd.GeoSeries(shapes, index=sign.index, crs=sign.crs))
    without = np.zeros(len(sign), dtype=bool)
    without[list(reasons)] = True
    unplaced = pd.DataFrame(sign.drop(columns="geometry").loc[without])
    unplaced["reason"] = pd.Series(
        [reasons[int(place)] for place in np.flatnonzero(without)],
        index=unplaced.index,
        dtype="object",
    )
    return filled.loc[~without], unplaced


def _pairs(sign: gpd.GeoDataFrame, places: np.ndarray, waypoints: gpd.GeoDataFrame) -> pd.DataFrame:
    """Pair each sign with every waypoint of the name it gives."""
    left = pd.DataFrame(
        {"place": places, "time": sign["time"].to_numpy(), "name": _plain(sign["waypoint"])}
    ).dropna(subset="name")
    right = pd.DataFrame(
        {
            "marked": waypoints["time"].to_numpy(),
            "name": _plain(waypoints["name"]),
            "shape": np.asarray(waypoints.geometry.to_numpy(), dtype=object),
        }
    ).dropna(subset="name")
    pairs = left.merge(right, on="name", how="inner")
    pairs["gap"] = (
        pd.to_datetime(pairs["time"], utc=True) - pd.to_datetime(pairs["marked"], utc=True)
    ).abs()
    return pairs


def _choose(
    pairs: pd.DataFrame, bare: np.ndarray, *, named: np.ndarray
) -> tuple[pd.DataFrame, dict[int, str]]:
    """Choose one waypoint for each sign; say why there is none for the others."""
    count = pairs.groupby("place")["gap"].transform("size")
    near = pairs["gap"] <= MAX_GAP
    lone = pairs["gap"].isna() & count.eq(1)
    fit = pairs.loc[near | lone].sort_values("gap", kind="stable")
    chosen = fit.drop_duplicates("place")
    left = np.setdiff1d(bare, chosen["place"].to_numpy())
    offered = pairs.groupby("place")["gap"].agg(["size", "min"])
    reasons = {int(place): _reason(int(place), offered, named=named) for place in left}
    return chosen, reasons


def _reason(place: int, offered: pd.DataFrame, *, named: np.ndarray) -> str:
    if not named[place]:
        return "no position, and no waypoint is named"
    if place not in offered.index:
        return "no log holds a waypoint of that name: import the log it was marked in"
    nearest = offered.loc[place, "min"]
    if pd.isna(nearest):
        return "several waypoints of that name, and none has a time"
    days = nearest / pd.Timedelta(days=1)
    return f"the waypoint of that name was marked {days:.0f} days from it: look at dates and names"


def _plain(names: pd.Series) -> np.ndarray:
    return names.astype("object").str.strip().str.casefold().to_numpy()
