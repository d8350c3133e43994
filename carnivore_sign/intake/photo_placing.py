"""Placing photos: a photo without a position gets that of the log at the time it was taken.

The place lies between the two fixes around that time, in proportion to the time, on the
ellipsoid. Nothing is placed before a log begins, after it ends or across a gap in it. Times
that rest on the camera's clock are set right first (``photo_clocks.py``).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.intake.photo_clocks import set_clocks
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import FIXES, PHOTOS
from carnivore_sign.space import GEOD, distances_m

#: Flags of fixes that no photo is placed by.
UNUSABLE: Final = ("no_time", "zero_island", "too_fast", "backwards")
#: Two logs that hold the same time this far apart do not tell where the photo was taken.
MAX_APART_M: Final = 100.0
#: No photo is placed between two fixes farther apart in time than this, unless asked.
MAX_GAP_S: Final = 300.0

_OFFER: Final = ("row", "log", "lat", "lon", "elevation_m", "gap_s", "span_m", "fault")


def place_photos(
    photos: gpd.GeoDataFrame,
    fixes: gpd.GeoDataFrame,
    *,
    clock_offset_s: float | Mapping[str, float] | None = None,
    max_gap_s: float = MAX_GAP_S,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Give photos without a position that of the log at the time they were taken.

    Parameters
    ----------
    photos : GeoDataFrame
        As table ``photos``.
    fixes : GeoDataFrame
        As table ``fixes``: the logs of the party that took the photos, and no others.
    clock_offset_s : float or mapping of str to float, optional
        Seconds to add to the camera's clock, for all or by ``device``. Where it is not given, it
        is estimated (`carnivore_sign.intake.estimate_clock_offsets`); where that is not usable,
        the clock is taken at its word and ``clock_offset_s`` stays missing. GPS times are never
        moved.
    max_gap_s : float
        No photo is placed between two fixes farther apart in time than this.

    Returns
    -------
    placed : GeoDataFrame
        The photos that have a position, with the labels and order of `photos`. A position that
        was there stays; the others have ``position_source`` ``log``, and their notes name the
        log and the two fixes. ``time`` is the corrected one, ``clock_offset_s`` what was added,
        and ``clock_source`` says whether that was given or estimated.
    unplaced : DataFrame
        The others, with a column ``reason``.

    Notes
    -----
    A second call starts from the camera's clock again, so that nothing is added twice.

    Examples
    --------
    >>> from shapely import Point
    >>> fixes = gpd.GeoDataFrame(
    ...     {"log": "walk", "time": pd.to_datetime(["2026-02-14T15:40Z", "2026-02-14T15:41Z"])},
    ...     geometry=[Point(-119.2, 37.4), Point(-119.2, 37.402)], crs="EPSG:4326")
    >>> photos = gpd.GeoDataFrame(
    ...     {"photo": ["a.jpg"], "time": pd.to_datetime(["2026-02-14T15:40:15Z"]),
    ...      "time_source": "camera_offset"}, geometry=[None], crs="EPSG:4326")
    >>> placed, unplaced = place_photos(photos, fixes, clock_offset_s=15)
    >>> round(placed.geometry.iloc[0].y, 6), placed["position_source"].item(), len(unplaced)
    (37.401, 'log', 0)
    """
    photos = set_clocks(conform(photos, PHOTOS), clock_offset_s)
    found = find_places(photos.loc[without_position(photos)], fixes, max_gap_s=max_gap_s)
    placed = fill_places(photos, found)
    missed = found.loc[found["log"].isna()]
    unplaced = pd.DataFrame(placed.loc[missed.index].drop(columns="geometry"))
    return placed.drop(index=missed.index), unplaced.assign(reason=missed["told"])


def without_position(photos: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    """Tell which photos have no position."""
    shapes = photos.geometry.to_numpy()
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes))


def find_places(
    photos: pd.DataFrame, fixes: gpd.GeoDataFrame, *, max_gap_s: float
) -> gpd.GeoDataFrame:
    """Find where photos were taken, by their times alone.

    Returns
    -------
    GeoDataFrame
        Index that of `photos`; ``log``, ``elevation_m``, ``gap_s``, ``span_m``, the point, and
        ``told``: how it was found, or why there is none.
    """
    chosen, reasons = _place(photos["time"], fixes, max_gap_s)
    chosen = chosen.set_index("row").reindex(range(len(photos)))
    placed = chosen["log"].notna().to_numpy()
    told = pd.Series(reasons, dtype="object").reindex(range(len(photos)))
    told[placed] = [
        f"placed on {row.log} between fixes {row.gap_s:.0f} s and {row.span_m:.0f} m apart"
        for row in chosen.loc[placed].itertuples()
    ]
    points = shapely.points(chosen["lon"].to_numpy(float), chosen["lat"].to_numpy(float))
    found = gpd.GeoDataFrame(
        {
            "log": chosen["log"].astype("object").where(placed, None),
            **{name: chosen[name].astype(float) for name in ("elevation_m", "gap_s", "span_m")},
            "told": told,
        },
        geometry=np.where(placed, points, None),
        crs="EPSG:4326",
    )
    return found.set_axis(photos.index)


def fill_places(photos: gpd.GeoDataFrame, found: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Write the places that were found, by their labels, on photos that have none.

    Parameters
    ----------
    photos : GeoDataFrame
        As table ``photos``.
    found : GeoDataFrame
        From `find_places`.
    """
    placed = found.loc[found["log"].notna()]
    labels = placed.index
    shapes = photos.geometry.copy()
    shapes.loc[labels] = placed.geometry
    filled = photos.set_geometry(shapes)
    filled.loc[labels, "position_source"] = "log"
    height = filled.loc[labels, "elevation_m"]
    filled.loc[labels, "elevation_m"] = height.fillna(placed["elevation_m"])
    notes = filled.loc[labels, "notes"].astype("object")
    filled.loc[labels, "notes"] = [
        said if pd.isna(was) else f"{was}; {said}"
        for was, said in zip(notes, placed["told"], strict=True)
    ]
    return filled


def _place(
    times: pd.Series, fixes: gpd.GeoDataFrame, max_gap_s: float
) -> tuple[pd.DataFrame, dict[int, str]]:
    """Find the place of each time: rows by position in `times`, and the reasons of the rest."""
    usable = _usable(fixes)
    clock = times.to_numpy(dtype="datetime64[ms]")
    known = np.flatnonzero(~np.isnat(clock))
    tried = [
        _between(log, name, clock[known], known, max_gap_s)
        for name, log in usable.groupby("log", sort=True)
    ]
    offers = pd.concat(tried, ignore_index=True) if tried else pd.DataFrame(columns=list(_OFFER))
    good = offers.loc[offers["fault"].isna()].sort_values(["row", "gap_s"], kind="stable")
    chosen = good.drop_duplicates("row")
    apart = _apart(good, chosen)
    chosen = chosen.loc[~chosen["row"].isin(apart)]
    reasons = dict.fromkeys(np.flatnonzero(np.isnat(clock)).tolist(), "it has no time")
    faults = offers.loc[offers["fault"].notna()].sort_values("gap_s", kind="stable")
    nearest = faults.drop_duplicates("row").set_index("row")["fault"]
    for row in np.setdiff1d(known, chosen["row"].to_numpy(dtype=int)).tolist():
        reasons[row] = apart.get(row) or nearest.get(row, "there is no log with times")
    return chosen, dict(sorted(reasons.items()))


def _usable(fixes: gpd.GeoDataFrame) -> pd.DataFrame:
    fixes = conform(fixes, FIXES)
    flags = fixes["flags"].astype("object").fillna("").str.split(";")
    barred = flags.map(lambda some: not set(UNUSABLE).isdisjoint(some)).to_numpy(dtype=bool)
    shapes = fixes.geometry.to_numpy()
    sound = ~barred & fixes["time"].notna().to_numpy() & ~shapely.is_missing(shapes)
    points = shapes[sound]
    table = pd.DataFrame(
        {
            "log": fixes["log"].astype("object").fillna("").to_numpy()[sound],
            "time": fixes["time"].to_numpy(dtype="datetime64[ms]")[sound],
            "lat": shapely.get_y(points),
            "lon": shapely.get_x(points),
            "elevation_m": fixes["elevation_m"].to_numpy()[sound],
        }
    )
    return table.sort_values(["log", "time"], kind="stable")


def _between(
    log: pd.DataFrame,
    name: object,
    clock: npt.NDArray[np.datetime64],
    rows: npt.NDArray[np.intp],
    max_gap_s: float,
) -> pd.DataFrame:
    """Place times between the fixes of one log; a fault where it does not hold them."""
    stamps = log["time"].to_numpy()
    after = np.clip(np.searchsorted(stamps, clock, side="left"), 0, len(stamps) - 1)
    exact = stamps[after] == clock
    before = np.where(exact, after, np.maximum(after - 1, 0))
    early, late = clock < stamps[0], clock > stamps[-1]
    second = np.timedelta64(1000, "ms")
    gap = (stamps[after] - stamps[before]) / second
    share = np.divide(
        (clock - stamps[before]) / second, gap, out=np.zeros(len(clock)), where=gap > 0
    )
    lat, lon, rise = (log[column].to_numpy() for column in ("lat", "lon", "elevation_m"))
    azimuth, _, span = GEOD.inv(lon[before], lat[before], lon[after], lat[after])
    x, y, _ = GEOD.fwd(lon[before], lat[before], azimuth, np.asarray(span) * share)
    outside = np.maximum(stamps[0] - clock, clock - stamps[-1]) / second
    fault = np.full(len(clock), None, dtype=object)
    for where, what in ((early, "before {} begins"), (late, "after {} ends")):
        fault[where] = [f"taken {seconds:.0f} s {what.format(name)}" for seconds in outside[where]]
    wide = ~early & ~late & (gap > max_gap_s)
    fault[wide] = [f"in a gap of {seconds:.0f} s in {name}" for seconds in gap[wide]]
    return pd.DataFrame(
        {
            "row": rows,
            "log": name,
            "lat": y,
            "lon": x,
            "elevation_m": rise[before] + share * (rise[after] - rise[before]),
            "gap_s": np.where(early | late, outside, gap),
            "span_m": span,
            "fault": fault,
        }
    )


def _apart(good: pd.DataFrame, chosen: pd.DataFrame) -> dict[int, str]:
    """Find the photos that two logs would place far from each other, and say so."""
    pairs = good.merge(chosen, on="row", suffixes=("", "_first"))
    pairs["metres"] = distances_m(
        pairs["lon"].astype(float), pairs["lat"].astype(float),
        pairs["lon_first"].astype(float), pairs["lat_first"].astype(float),
    )  # fmt: skip
    far = pairs.loc[pairs["metres"] > MAX_APART_M].sort_values("metres")
    return {
        int(row.row): f"the logs {row.log_first} and {row.log} were {row.metres:.0f} m apart "
        "then: say who took it and who carried each log (observer)"
        for row in far.itertuples()
    }
