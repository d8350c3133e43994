"""Matching: each fix of a log to the segment that was being walked, or the reason why not.

A fix ends in one of `STATES`. Only *matched* fixes make effort; the others stay in the table
with what is known of them, so that every fix of a log can be accounted for.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.space import STORED_CRS, stored, working_crs
from carnivore_sign.survey.company import join_company
from carnivore_sign.survey.linework import Passes
from carnivore_sign.survey.reach import passes_near
from carnivore_sign.survey.sequence import choose_passes
from carnivore_sign.survey.tracks import Track, number_walks, order_track, speeds_m_s

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: What became of a fix, and what each word means.
STATES: Final[dict[str, str]] = {
    "matched": "on a segment, on foot",
    "off transect": "no segment within the tolerance",
    "too fast": "faster than anyone reads sign: a ride to the start, or a jump of the receiver",
    "flagged": "set aside for a quality flag",
    "no time": "without a time there is no effort",
}

#: Quality flags that keep a fix out of effort, and why. Another table may be handed in.
EXCLUDING_FLAGS: Final[dict[str, str]] = {
    "no_time": "it cannot be put in order",
    "backwards": "its place in the order is not known",
    "duplicate": "the fix in front of it says the same",
    "same_time": "one of the two places is wrong",
    "zero_island": "the receiver did not know its place",
    "too_fast": "a jump of the receiver",
    "low_accuracy": "it may lie on another line than the one walked",
    "frozen_clock": "its time is not known",
    "week_rollover": "its date may be 1024 weeks early; repair it on import if it is",
    "unknown_datum": "it may lie a hundred metres off",
}

#: Quality flags that leave a fix in effort, and why; to keep one out, hand in
#: ``EXCLUDING_FLAGS | {"gap": "..."}``.
PERMITTED_FLAGS: Final[dict[str, str]] = {
    "jump": "both ends of the step may be right; what lies between is not counted as walked",
    "gap": "the fix itself is right; what lies between is not counted as walked",
    "hour_twice": "one hour at most, which does not change the month",
    "antimeridian": "distances are taken on the ellipsoid",
    "near_pole": "distances are taken on the ellipsoid",
}

#: Fixes nearer in time than this give no speed along the line: their noise would be one.
SHORTEST_STEP_FOR_SPEED_S: Final = 10.0


def match_logs(
    fixes: gpd.GeoDataFrame,
    segments: gpd.GeoDataFrame,
    *,
    tolerance_m: float = 30.0,
    max_speed_m_s: float = 4.0,
    excluding_flags: dict[str, str] | None = None,
    crs: pyproj.CRS | str | None = None,
) -> pd.DataFrame:
    """Match fixes to the segments that were being walked.

    A fix near one transect goes to the nearest place on it. Where several passes of lines are
    within the tolerance, the run of fixes is decided together, so that a walk stays on its line
    through crossings and beside parallel roads (see ``sequence.py``).

    Parameters
    ----------
    fixes : GeoDataFrame
        As `records.tables.FIXES`: ``log``, ``part``, ``time`` (UTC), ``flags``, points.
    segments : GeoDataFrame
        From `cut_segments`.
    tolerance_m : float
        Farthest that a fix may lie from the line, metres. A third of it is taken as the
        standard deviation of a fix across the line.
    max_speed_m_s : float
        Fastest that counts as walking, metres per second.
    excluding_flags : dict, optional
        Flags that keep a fix out of effort, with the reason; `EXCLUDING_FLAGS` if not given.
    crs : CRS, optional
        Projected working CRS; chosen from the segments if not given.

    Returns
    -------
    DataFrame
        One row per fix, with the index of `fixes`: ``log``, ``part``, ``walk`` (log, hash sign,
        number; a walk ends at a pause of over four hours, and the logs of one party, see
        `join_company`, have the walk of the earliest of them), ``time``, ``longitude_deg``,
        ``latitude_deg``, ``segment``, ``transect``, ``along_m`` (geodesic, along the transect
        from its start), ``offset_m``, ``speed_m_s`` (over 15 s), ``on_foot`` (whether the step
        from the usable fix in front of it was made at walking speed), ``state`` (see `STATES`).
        Names are categorical. A fix that is too fast still shows the segment that it is on.

    Raises
    ------
    InputError
        If there are no segments, or a limit is not above zero.
    CrsMissing
        If fixes or segments have no CRS.

    Examples
    --------
    >>> from shapely import LineString
    >>> from carnivore_sign.survey.segments import cut_segments
    >>> road = gpd.GeoDataFrame(
    ...     {"transect": ["MESA"]}, geometry=[LineString([(0, 0), (0.02, 0)])], crs="EPSG:4326"
    ... )
    >>> fixes = gpd.GeoDataFrame(
    ...     {"log": "MON", "part": 0, "flags": "",
    ...      "time": pd.date_range("2024-05-06 13:00", periods=3, freq="min", tz="UTC")},
    ...     geometry=gpd.points_from_xy([0.0000, 0.0006, 0.0012], [0.0001, 0.0, 0.01]),
    ...     crs="EPSG:4326",
    ... )
    >>> matched = match_logs(fixes, cut_segments(road))
    >>> matched[["walk", "segment", "state"]].astype(object).values.tolist()[1:]
    [['MON#1', 'MESA#001', 'matched'], ['MON#1', nan, 'too fast']]
    """
    _refuse_limits(tolerance_m=tolerance_m, max_speed_m_s=max_speed_m_s)
    _refuse_segments(segments)
    place = stored(fixes, "the fixes").geometry.to_numpy()
    crs = working_crs(segments) if crs is None else pyproj.CRS(crs)
    timed = fixes["time"].notna().to_numpy()
    flagged = _carries(fixes, EXCLUDING_FLAGS if excluding_flags is None else excluding_flags)
    track = order_track(fixes, timed & ~flagged)
    longitude, latitude = shapely.get_x(place), shapely.get_y(place)
    x, y = _planar(longitude[track.row], latitude[track.row], crs)

    passes = passes_near(segments, crs, x, y, reach_m=tolerance_m)
    transect, transects = pd.factorize(segments["transect"])
    chosen = choose_passes(passes, track, transect, x, y, noise_m=tolerance_m / 3)

    speed = speeds_m_s(track, x, y)
    on_foot = _on_foot(track, passes, chosen, transect, max_speed_m_s)
    state = _states(timed, track, chosen, speed > max_speed_m_s)
    near = chosen >= 0
    row, chosen = track.row[near], chosen[near]
    segment = passes.segment[chosen]
    return pd.DataFrame(
        {
            "log": fixes["log"].astype("category").array,
            "part": fixes["part"].to_numpy(),
            "walk": _walk_names(fixes, track, x, y),
            "time": fixes["time"].array,
            "longitude_deg": longitude,
            "latitude_deg": latitude,
            "segment": _named(len(fixes), row, segment, segments["segment"]),
            "transect": _named(len(fixes), row, transect[segment], transects),
            "along_m": _filled(len(fixes), row, passes.along_m[chosen]),
            "offset_m": _filled(len(fixes), row, passes.offset_m[chosen]),
            "speed_m_s": _filled(len(fixes), track.row, speed),
            "on_foot": np.isin(np.arange(len(fixes)), track.row[on_foot]),
            "state": state,
        },
        index=fixes.index,
    )


def _refuse_limits(**limits: float) -> None:
    for name, value in limits.items():
        if not (np.isfinite(value) and value > 0):
            raise InputError(f"{name} is {value}", remedy="Give a number above zero.")


def _refuse_segments(segments: gpd.GeoDataFrame) -> None:
    if not len(segments):
        raise InputError(
            "there are no segments to match to", remedy="Import transects and cut them first."
        )
    if segments["segment"].duplicated().any():
        raise InputError(
            "two segments have one name", remedy="Name the transects apart and cut them again."
        )


def _carries(fixes: pd.DataFrame, flags: dict[str, str]) -> BoolArray:
    """Whether a fix carries one of the flags; each distinct set of flags is looked at once."""
    if "flags" not in fixes or not flags:
        return np.zeros(len(fixes), dtype=bool)
    code, words = pd.factorize(fixes["flags"])
    hit = np.array([not set(flags).isdisjoint(str(word).split(";")) for word in words] + [False])
    return hit[code]


def _planar(
    longitude: FloatArray, latitude: FloatArray, crs: pyproj.CRS
) -> tuple[FloatArray, FloatArray]:
    to_plane = pyproj.Transformer.from_crs(STORED_CRS, crs, always_xy=True)
    x, y = to_plane.transform(longitude, latitude)
    return np.asarray(x, dtype=float), np.asarray(y, dtype=float)


def _states(
    timed: BoolArray, track: Track, chosen: IntArray, too_fast: BoolArray
) -> pd.Categorical:
    """Say of each fix what became of it."""
    words = list(STATES)
    state = np.where(timed, words.index("flagged"), words.index("no time"))
    state[track.row] = np.where(chosen >= 0, words.index("matched"), words.index("off transect"))
    state[track.row[too_fast]] = words.index("too fast")
    return pd.Categorical.from_codes(state, categories=words)


def _on_foot(
    track: Track, passes: Passes, chosen: IntArray, transect: IntArray, max_speed_m_s: float
) -> BoolArray:
    """Whether the step to each fix fits walking along its line.

    A short cut between two places far apart on a winding line is fast along the line, and so is
    a car ride between two fixes a minute apart.
    """
    if not len(passes):
        return np.zeros(len(track), dtype=bool)
    along = np.where(chosen >= 0, passes.along_m[chosen], np.nan)
    line = np.where(chosen >= 0, transect[passes.segment[chosen]], -1)
    same_line = track.continues & (line >= 0) & (line == np.roll(line, 1))
    step_s = track.step_s
    with np.errstate(invalid="ignore"):
        least_s = np.maximum(step_s, SHORTEST_STEP_FOR_SPEED_S)
        return same_line & (np.abs(np.diff(along, prepend=np.nan)) <= max_speed_m_s * least_s)


def _walk_names(fixes: pd.DataFrame, track: Track, x: FloatArray, y: FloatArray) -> pd.Categorical:
    numbers = number_walks(track)
    log, logs = pd.factorize(fixes["log"])
    pair = log[track.row] * (int(numbers.max(initial=0)) + 1) + numbers
    code, pairs = pd.factorize(pair, sort=True)
    most = int(numbers.max(initial=0)) + 1
    code, kept = pd.factorize(join_company(code, track.seconds, x, y), sort=True)
    names = [f"{logs[p // most]}#{p % most}" for p in pairs[kept]]
    codes = np.full(len(fixes), -1)
    codes[track.row] = code
    return pd.Categorical.from_codes(codes, categories=pd.Index(names, dtype=object))


def _named(size: int, row: IntArray, code: IntArray, names: pd.Series) -> pd.Categorical:
    codes = np.full(size, -1)
    codes[row] = code
    return pd.Categorical.from_codes(codes, categories=pd.Index(names, dtype=object))


def _filled(size: int, row: IntArray, values: FloatArray) -> FloatArray:
    whole = np.full(size, np.nan)
    whole[row] = values
    return whole
