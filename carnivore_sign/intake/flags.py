"""Flags: what is doubtful about a fix, said beside it; nothing is ever taken away.

The flags and their meaning are `carnivore_sign.records.vocabularies.FIX_FLAGS`. A fix is
compared with the fix in front of it and behind it in the same segment of the same log. Which
flags keep a fix out of effort is decided in the survey room (`survey.EXCLUDING_FLAGS`, a table
that can be seen and changed).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.intake.rollover import are_suspect
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.vocabularies import FIX_FLAGS
from carnivore_sign.space import distances_m

#: Faster than this from both neighbours (or the only one) and a fix is ``too_fast``, in m/s.
#: 60 m/s is 216 km/h. A vehicle on a dirt road stays far below; common practice, no source.
MAX_SPEED_M_S: Final = 60.0
#: Stated accuracy in metres, and HDOP, beyond which a fix is ``low_accuracy``.
MAX_ACCURACY_M: Final = 50.0
MAX_HDOP: Final = 10.0

#: A step longer than this is a ``jump`` if it is also faster than `JUMP_SPEED_M_S`, which no
#: walker reaches, and `JUMP_STEPS` times as long as the median step of its segment, which it
#: is not in a car. Common practice, no source.
JUMP_M: Final = 100.0
JUMP_SPEED_M_S: Final = 10.0
JUMP_STEPS: Final = 20.0
#: A wait of this long, in seconds, is a ``gap`` if it is also `GAP_STEPS` times the median wait
#: of its segment. Common practice, no source.
GAP_S: Final = 300.0
GAP_STEPS: Final = 20.0
#: Fixes in a row of one time, at several places, from which on the clock is a ``frozen_clock``.
FROZEN_FIXES: Final = 5
#: Degrees from a pole within which a fix is ``near_pole``.
POLE_DEG: Final = 1.0
#: Flags that only the reader of the file can tell.
TOLD_FLAGS: Final = ("unknown_datum", "hour_twice")

#: Shortest time that a speed is taken over, in seconds; most devices write whole seconds.
_SHORTEST_S: Final = 1.0
#: Largest radius of curvature of the WGS84 ellipsoid, at the poles (a**2 / b), rounded up.
_LARGEST_RADIUS_M: Final = 6_399_600.0

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
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
    told : dict of str to array of bool
        Any of `TOLD_FLAGS`.
    """

    lon: FloatArray
    lat: FloatArray
    time_ms: npt.NDArray[np.int64]
    group: npt.NDArray[np.int64]
    hdop: FloatArray
    accuracy_m: FloatArray
    told: Mapping[str, BoolArray] = field(default_factory=dict)


def flag_fixes(fixes: gpd.GeoDataFrame, *, now: pd.Timestamp | None = None) -> pd.Series:
    """Flag the fixes of one or more logs.

    Parameters
    ----------
    fixes : GeoDataFrame
        As table ``fixes``, in the order of the file; columns of True and False named as
        `TOLD_FLAGS` say what only the reader of the file can tell.
    now : Timestamp, optional
        UTC, for ``week_rollover``; the time of the call, unless given.

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
        told={
            flag: fixes[flag].eq(True).to_numpy(dtype=bool) for flag in TOLD_FLAGS if flag in fixes
        },
    )
    return pd.Series(flag_track(track, now=now), index=fixes.index)


def flag_track(
    track: Track, *, now: pd.Timestamp | None = None
) -> pd.api.extensions.ExtensionArray:
    """Flag fixes held as arrays; see `flag_fixes`."""
    code = np.zeros(len(track.lon), dtype=np.int64)
    if len(code):
        marks = _marks(track, now)
        for bit, flag in enumerate(FIX_FLAGS):
            code |= marks[flag].astype(np.int64) << bit
    sets, which = np.unique(code, return_inverse=True)
    return pd.array([_words(int(one)) for one in sets], dtype=TEXT).take(which)


def _words(code: int) -> object:
    """Return the text of a set of flags, given as bits in the order of `FIX_FLAGS`."""
    return ";".join(flag for bit, flag in enumerate(FIX_FLAGS) if code >> bit & 1) or np.nan


def _marks(track: Track, now: pd.Timestamp | None) -> dict[str, BoolArray]:
    timed = track.time_ms != np.iinfo(np.int64).min
    same_part = track.group[1:] == track.group[:-1]
    both = same_part & timed[1:] & timed[:-1]
    waited = np.where(both, track.time_ms[1:] - np.where(both, track.time_ms[:-1], 0), 1)
    in_place = (track.lon[1:] == track.lon[:-1]) & (track.lat[1:] == track.lat[:-1])
    at_once = both & (waited == 0)
    forward = both & (waited >= 0)
    low = np.greater(track.accuracy_m, MAX_ACCURACY_M) | np.greater(track.hdop, MAX_HDOP)
    bound_m = _bound_m(track)
    none = np.zeros(len(timed), dtype=bool)
    too_fast = _too_fast(track, forward, same_part, waited, bound_m)
    sound = ~too_fast[1:] & ~too_fast[:-1]
    return {
        "no_time": ~timed,
        "backwards": _behind(both & (waited < 0)),
        "duplicate": _behind(at_once & in_place),
        "same_time": _behind(at_once & ~in_place),
        "zero_island": (track.lon == 0) & (track.lat == 0),
        "too_fast": too_fast,
        "low_accuracy": low,
        "jump": _behind(_jumps(track, forward & sound, waited, bound_m)),
        "frozen_clock": _frozen(at_once, in_place),
        "gap": _behind(_gaps(track, both, waited)),
        "week_rollover": timed & are_suspect(track.time_ms, now=now),
        "antimeridian": (np.abs(track.lon) == 180)
        | _behind(same_part & (np.abs(np.diff(track.lon)) > 180)),
        "near_pole": np.abs(track.lat) > 90 - POLE_DEG,
        **{flag: np.asarray(track.told.get(flag, none)) for flag in TOLD_FLAGS},
    }


def _jumps(track: Track, forward: BoolArray, waited_ms: IntArray, bound_m: FloatArray) -> BoolArray:
    """Mark long steps of a segment that is otherwise of short ones."""
    limit_m = np.maximum(JUMP_M, JUMP_SPEED_M_S * waited_ms / 1000.0)
    found = _longer(track, forward & (bound_m > limit_m), limit_m)
    if found.any():
        usual = _median_of_segment(track, bound_m, forward)
        found &= bound_m > JUMP_STEPS * usual
    return found


def _gaps(track: Track, both: BoolArray, waited_ms: IntArray) -> BoolArray:
    """Mark long waits of a segment that is otherwise of short ones."""
    found = both & (waited_ms >= GAP_S * 1000)
    if found.any():
        found &= waited_ms > GAP_STEPS * _median_of_segment(
            track, waited_ms, both & (waited_ms > 0)
        )
    return found


def _median_of_segment(
    track: Track, values: FloatArray | IntArray, counted: BoolArray
) -> FloatArray:
    """Return, for each step, the median over the steps of its segment that are counted."""
    groups = pd.Series(np.where(counted, values, np.nan)).groupby(track.group[1:])
    return groups.transform("median").to_numpy(dtype=float)


def _frozen(at_once: BoolArray, in_place: BoolArray) -> BoolArray:
    """Mark the fixes of runs of one time, but the first, if they are long and lead anywhere."""
    marked = np.zeros(len(at_once) + 1, dtype=bool)
    if not (at_once & ~in_place).any():
        return marked
    edges = np.flatnonzero(np.diff(np.concatenate([[0], at_once.astype(np.int8), [0]])))
    for start, end in edges.reshape(-1, 2).tolist():
        if end - start + 1 >= FROZEN_FIXES and not in_place[start:end].all():
            marked[start + 1 : end + 1] = True
    return marked


def _behind(steps: BoolArray) -> BoolArray:
    """Mark the second fix of each step."""
    return np.concatenate([np.zeros(1, dtype=bool), steps])


def _too_fast(
    track: Track,
    forward: BoolArray,
    same_part: BoolArray,
    waited_ms: IntArray,
    bound_m: FloatArray,
) -> BoolArray:
    """Mark fixes that cannot be reached from either neighbour.

    At the end of a segment there is one neighbour only; of the two fixes of a fast step it is
    then the outer one that is marked, and only if the inner one agrees with what follows.
    """
    count = len(track.lon)
    limit_m = MAX_SPEED_M_S * np.maximum(waited_ms / 1000.0, _SHORTEST_S)
    fast = _longer(track, forward & (bound_m > limit_m), limit_m)
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


def _longer(track: Track, suspects: BoolArray, limit_m: FloatArray) -> BoolArray:
    """Mark the suspect steps that are longer than their limit: a bound screened them, and here
    the ellipsoid decides.
    """
    suspect = np.flatnonzero(suspects)
    longer = np.zeros(len(suspects), dtype=bool)
    if len(suspect):
        exact = distances_m(
            track.lon[suspect], track.lat[suspect], track.lon[suspect + 1], track.lat[suspect + 1]
        )
        longer[suspect] = exact > limit_m[suspect]
    return longer


def _bound_m(track: Track) -> FloatArray:
    """Upper bound of each step: its degrees north and east, on the largest sphere there is."""
    north = np.abs(np.diff(track.lat))
    east = np.abs(np.diff(track.lon))
    return np.radians(north + np.minimum(east, 360 - east)) * _LARGEST_RADIUS_M
