"""Placing photos: a photo without a position gets that of the log at the time it was taken.

The place lies between the two fixes around that time, in proportion to the time, on the
ellipsoid. Nothing is placed before a log begins, after it ends or across a gap in it. Times
that rest on the camera's clock are set right first, as far as the photos tell how wrong it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import FIXES, PHOTOS
from carnivore_sign.space import GEOD, distances_m

#: Flags of fixes that no photo is placed by.
UNUSABLE: Final = ("no_time", "zero_island", "too_fast", "backwards")
#: Two logs that hold the same time this far apart do not tell where the photo was taken.
MAX_APART_M: Final = 100.0
#: Photos with both clocks that one estimate needs, and the spread it may have.
MIN_PHOTOS: Final = 3
MAX_SPREAD_S: Final = 60.0

FloatArray = npt.NDArray[np.float64]


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


def place_photos(
    photos: gpd.GeoDataFrame,
    fixes: gpd.GeoDataFrame,
    *,
    clock_offset_s: float | Mapping[str, float] | None = None,
    max_gap_s: float = 300.0,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Give photos without a position that of the log at the time they were taken.

    Parameters
    ----------
    photos : GeoDataFrame
        As table ``photos``.
    fixes : GeoDataFrame
        As table ``fixes``: the logs of the party that took the photos, and no others.
    clock_offset_s : float or mapping of str to float, optional
        Seconds to add to the camera's clock, for all or by ``device``. Unless given, it is
        estimated by `estimate_clock_offsets`; where that is not usable, the clock is taken at
        its word and ``clock_offset_s`` stays missing. GPS times are never moved.
    max_gap_s : float
        No photo is placed between two fixes farther apart in time than this.

    Returns
    -------
    placed : GeoDataFrame
        The photos that have a position, with the labels and order of `photos`. A position that
        was there stays; the others have ``position_source`` ``log``, and their notes name the
        log and the two fixes. ``time`` is the corrected one, ``clock_offset_s`` what was added.
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
    photos = _on_time(conform(photos, PHOTOS), clock_offset_s)
    shapes = photos.geometry.to_numpy().copy()
    bare = np.flatnonzero(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    found, reasons = _place(photos["time"].iloc[bare], fixes, max_gap_s)
    at = bare[found["row"].to_numpy(dtype=int)]
    shapes[at] = shapely.points(found["lon"].to_numpy(float), found["lat"].to_numpy(float))
    placed = photos.set_geometry(gpd.GeoSeries(shapes, index=photos.index, crs=photos.crs))
    _fill(placed, at, found)
    without = bare[np.fromiter(reasons, dtype=int, count=len(reasons))]
    unplaced = pd.DataFrame(placed.iloc[without].drop(columns="geometry"))
    unplaced["reason"] = pd.Series(list(reasons.values()), index=unplaced.index, dtype="object")
    keep = np.ones(len(placed), dtype=bool)
    keep[without] = False
    return placed.loc[keep], unplaced


def _on_time(
    photos: gpd.GeoDataFrame, clock_offset_s: float | Mapping[str, float] | None
) -> gpd.GeoDataFrame:
    """Set the times right that rest on the camera's clock."""
    by_camera = photos["time"].notna() & photos["time_source"].ne("gps")
    device = photos["device"].astype("object")
    if clock_offset_s is None:
        estimates = estimate_clock_offsets(photos)
        offset = device.map(estimates.loc[estimates["usable"], "offset_s"]).astype(float)
    elif isinstance(clock_offset_s, Mapping):
        offset = device.map(dict(clock_offset_s)).astype(float)
    else:
        offset = pd.Series(float(clock_offset_s), index=photos.index)
    offset = offset.where(by_camera)
    change = offset.fillna(0) - photos["clock_offset_s"].where(by_camera).fillna(0)
    moved = photos["time"] + pd.to_timedelta(change.round(3), unit="s")
    return photos.assign(
        time=moved.dt.round("ms").astype(photos["time"].dtype), clock_offset_s=offset
    )


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
    columns = ["row", "log", "lat", "lon", "elevation_m", "gap_s", "span_m", "fault"]
    offers = pd.concat(tried, ignore_index=True) if tried else pd.DataFrame(columns=columns)
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
        "then: hand in the fixes of the party that took it"
        for row in far.itertuples()
    }


def _fill(photos: gpd.GeoDataFrame, at: npt.NDArray[np.intp], found: pd.DataFrame) -> None:
    """Write what was found on the placed photos."""
    labels = photos.index[at]
    photos.loc[labels, "position_source"] = "log"
    height = photos.loc[labels, "elevation_m"]
    photos.loc[labels, "elevation_m"] = height.where(
        height.notna(), pd.Series(found["elevation_m"].to_numpy(dtype=float), index=labels)
    )
    told = [
        f"placed on {row.log} between fixes {row.gap_s:.0f} s and {row.span_m:.0f} m apart"
        for row in found.itertuples()
    ]
    notes = photos.loc[labels, "notes"].astype("object")
    photos.loc[labels, "notes"] = [
        said if pd.isna(was) else f"{was}; {said}" for was, said in zip(notes, told, strict=True)
    ]
