"""Flags: what is doubtful about a fix, said beside it; nothing is ever taken away.

The flags and their meaning are `carnivore_sign.records.vocabularies.FIX_FLAGS`. A fix is
compared with the fix in front of it and behind it in the same segment of the same log. Which
flags keep a fix out of effort is decided in the survey room.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.records.check import TEXT
from carnivore_sign.records.vocabularies import FIX_FLAGS
from carnivore_sign.space import distances_m

#: Faster than this from both neighbours (or the only one) and a fix is ``too_fast``, in m/s.
#: 60 m/s is 216 km/h. A vehicle on a dirt road stays far below; common practice, no source.
MAX_SPEED_M_S: Final = 60.0
#: Stated accuracy in metres, and HDOP, beyond which a fix is ``low_accuracy``.
MAX_ACCURACY_M: Final = 50.0
MAX_HDOP: Final = 10.0

#: Shortest time that a speed is taken over, in seconds; most devices write whole seconds.
_SHORTEST_S: Final = 1.0
#: Largest radius of curvature of the WGS84 ellipsoid, at the poles (a**2 / b), rounded up.
_LARGEST_RADIUS_M: Final = 6_399_600.0

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Track:
    """Fixes as arrays of one length, in the order of the file.

    Attributes
    ----------
    lon, lat : array of float
        Degrees.
    time_ms : array of int
        Milliseconds since 1970 UTC; the smallest integer where missing (as NaT is held).
    group : array of int
        Number of the segment; neighbours are looked for within it only.
    hdop, accuracy_m : array of float
        NaN where the device said nothing.
    """

    lon: FloatArray
    lat: FloatArray
    time_ms: npt.NDArray[np.int64]
    group: npt.NDArray[np.int64]
    hdop: FloatArray
    accuracy_m: FloatArray


def flag_fixes(fixes: gpd.GeoDataFrame) -> pd.Series:
    """Flag the fixes of one or more logs.

    Parameters
    ----------
    fixes : GeoDataFrame
        As table ``fixes``, in the order of the file.

    Returns
    -------
    Series of str
        Flags joined by ``;`` in the order of `FIX_FLAGS`, missing where there is none.

    Examples
    --------
    >>> from shapely import Point
    >>> fixes = gpd.GeoDataFrame(
    ...     {"log": "a", "part": 0, "hdop": [1.0, 22.0], "accuracy_m": None,
    ...      "time": pd.to_datetime(["2026-02-14T15:40Z", None])},
    ...     geometry=[Point(-119.2, 37.4), Point(0, 0)], crs="EPSG:4326")
    >>> flag_fixes(fixes).tolist()
    [nan, 'no_time;zero_island;low_accuracy']
    """
    stamps = fixes["time"].dt.tz_convert("UTC").dt.tz_localize(None)
    group = fixes.groupby(["log", "part"], sort=False, dropna=False).ngroup()
    track = Track(
        lon=shapely.get_x(fixes.geometry.to_numpy()),
        lat=shapely.get_y(fixes.geometry.to_numpy()),
        time_ms=stamps.to_numpy(dtype="datetime64[ms]").astype(np.int64),
        group=group.to_numpy(dtype=np.int64),
        hdop=pd.to_numeric(fixes["hdop"]).to_numpy(dtype=float),
        accuracy_m=pd.to_numeric(fixes["accuracy_m"]).to_numpy(dtype=float),
    )
    return pd.Series(flag_track(track), index=fixes.index)


def flag_track(track: Track) -> pd.api.extensions.ExtensionArray:
    """Flag fixes held as arrays; see `flag_fixes`."""
    code = np.zeros(len(track.lon), dtype=np.int64)
    marks = _marks(track) if len(code) else dict.fromkeys(FIX_FLAGS, code)
    for bit, flag in enumerate(FIX_FLAGS):
        code |= marks[flag].astype(np.int64) << bit
    return _WORDS.take(code)


def _all_words() -> pd.api.extensions.ExtensionArray:
    """Return the text of every set of flags, at the place that its bits give."""
    flags = list(FIX_FLAGS)
    words = [
        ";".join(flag for bit, flag in enumerate(flags) if code >> bit & 1) or np.nan
        for code in range(2 ** len(flags))
    ]
    return pd.array(words, dtype=TEXT)


_WORDS: Final = _all_words()


def _marks(track: Track) -> dict[str, BoolArray]:
    timed = track.time_ms != np.iinfo(np.int64).min
    same_part = track.group[1:] == track.group[:-1]
    both = same_part & timed[1:] & timed[:-1]
    waited = np.where(both, track.time_ms[1:] - np.where(both, track.time_ms[:-1], 0), 1)
    in_place = (track.lon[1:] == track.lon[:-1]) & (track.lat[1:] == track.lat[:-1])
    at_once = both & (waited == 0)
    low = np.greater(track.accuracy_m, MAX_ACCURACY_M) | np.greater(track.hdop, MAX_HDOP)
    return {
        "no_time": ~timed,
        "backwards": _behind(both & (waited < 0)),
        "duplicate": _behind(at_once & in_place),
        "same_time": _behind(at_once & ~in_place),
        "zero_island": (track.lon == 0) & (track.lat == 0),
        "too_fast": _too_fast(track, both & (waited >= 0), same_part, waited),
        "low_accuracy": low,
    }


def _behind(steps: BoolArray) -> BoolArray:
    """Mark the second fix of each step."""
    return np.concatenate([np.zeros(1, dtype=bool), steps])


def _too_fast(
    track: Track, forward: BoolArray, same_part: BoolArray, waited_ms: npt.NDArray[np.int64]
) -> BoolArray:
    """Mark fixes that cannot be reached from either neighbour.

    At the end of a segment there is one neighbour only; of the two fixes of a fast step it is
    then the outer one that is marked, and only if the inner one agrees with what follows.
    """
    count = len(track.lon)
    fast = _fast_steps(track, forward, waited_ms)
    if not fast.any():
        return np.zeros(count, dtype=bool)
    edge = np.array([True])
    starts = np.concatenate([edge, ~same_part])
    ends = np.concatenate([~same_part, edge])
    none = np.array([False])
    before = np.concatenate([none, fast])
    after = np.concatenate([fast, none])
    slow_on = np.concatenate([forward & ~fast, none])
    slow_in = np.concatenate([none, forward & ~fast])
    first = starts & after & np.append(slow_on[1:], False)
    last = ends & before & np.insert(slow_in[:-1], 0, False)
    return (before & after) | first | last


def _fast_steps(track: Track, forward: BoolArray, waited_ms: npt.NDArray[np.int64]) -> BoolArray:
    """Mark steps faster than `MAX_SPEED_M_S`; a bound screens, the ellipsoid decides."""
    limit_m = MAX_SPEED_M_S * np.maximum(waited_ms / 1000.0, _SHORTEST_S)
    suspect = np.flatnonzero(forward & (_bound_m(track) > limit_m))
    fast = np.zeros(len(forward), dtype=bool)
    if len(suspect):
        exact = distances_m(
            track.lon[suspect], track.lat[suspect], track.lon[suspect + 1], track.lat[suspect + 1]
        )
        fast[suspect] = exact > limit_m[suspect]
    return fast


def _bound_m(track: Track) -> FloatArray:
    """Upper bound of each step: its degrees north and east, on the largest sphere there is."""
    north = np.abs(np.diff(track.lat))
    east = np.abs(np.diff(track.lon))
    return np.radians(north + np.minimum(east, 360 - east)) * _LARGEST_RADIUS_M
