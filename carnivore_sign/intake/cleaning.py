"""Cleaning: a smoother line beside the raw fixes, for those who ask for one.

Nothing in the library smooths by itself. A cleaned track has a row for every fix, in its order,
with the raw place in columns beside the cleaned one; the record keeps the raw fixes.

Three ways. *Median*: the middle of the neighbours, which a single stray fix cannot move.
*Hampel*: only fixes that lie far from the median of their neighbours, measured by their median
absolute deviation, are moved onto it. *Kalman*: a walker of changing speed is assumed, and each
place is estimated from all fixes before and behind it, weighted by their stated accuracy.

Sources: Hampel identifier with the factor 1.4826 that makes the median absolute deviation the
standard deviation of normal errors (Pearson 2002, IEEE Trans. Control Syst. Technol. 10: 55-63);
constant-velocity model with white-noise acceleration and the smoother of Rauch, Tung and
Striebel (1965, AIAA J. 3: 1445-1450). From memory.
"""

from __future__ import annotations

from typing import Final, Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.linalg import solveh_banded
from scipy.ndimage import median_filter

from carnivore_sign.errors import InputError
from carnivore_sign.space import STORED_CRS, project, stored, working_crs

FloatArray = npt.NDArray[np.float64]
Way = Literal["hampel", "median", "kalman"]

#: Fixes that carry one of these say nothing of the line and are not smoothed over.
UNUSABLE_FLAGS: Final = ("no_time", "backwards", "same_time", "zero_island")
#: Accuracy that is assumed where the device states none, in metres; common practice, no source.
USUAL_ACCURACY_M: Final = 5.0
#: Standard deviation of a walker's changes of speed in one second, in m/s; common practice, no
#: source.
WALKER_M_S2: Final = 0.5
#: Standard deviation of the speed at the first fix, in m/s, before anything is known of it.
FIRST_SPEED_M_S: Final = 20.0
#: Shortest time between two fixes that is reckoned with, in seconds.
_SHORTEST_S: Final = 1e-3
_TO_SIGMA: Final = 1.4826


def clean_track(
    fixes: gpd.GeoDataFrame,
    *,
    way: Way = "hampel",
    window_fixes: int = 7,
    limit_sigmas: float = 3.0,
) -> gpd.GeoDataFrame:
    """Smooth the tracks of fixes, robustly; the raw fixes stay beside the result.

    Parameters
    ----------
    fixes : GeoDataFrame
        As table ``fixes``. Each part of each log is smoothed by itself; fixes flagged with one
        of `UNUSABLE_FLAGS` are left where they are and not looked at.
    way : {'hampel', 'median', 'kalman'}
        How; see the head of this file.
    window_fixes : int
        Odd number of fixes that ``median`` and ``hampel`` look at.
    limit_sigmas : float
        Distance from the median, in robust standard deviations, from which on ``hampel`` moves
        a fix; a metre is the least that counts.

    Returns
    -------
    GeoDataFrame
        `fixes` with the cleaned places as geometry, in `STORED_CRS`, and with columns
        ``raw_longitude_deg``, ``raw_latitude_deg`` and ``moved_m``. Index as given.

    Raises
    ------
    InputError
        If `way` is unknown or `window_fixes` is not odd.

    Examples
    --------
    >>> walk = gpd.GeoDataFrame(
    ...     {"log": "a", "part": 0, "flags": None, "accuracy_m": None,
    ...      "time": pd.date_range("2026-02-14T15:40Z", periods=5, freq="1s")},
    ...     geometry=gpd.points_from_xy([-119.2] * 5, [37.4, 37.40001, 37.41, 37.40003, 37.40004]),
    ...     crs=4326)
    >>> clean_track(walk, window_fixes=5)["moved_m"].round().tolist()
    [0.0, 0.0, 1107.0, 0.0, 0.0]
    """
    if way not in ("hampel", "median", "kalman"):
        raise InputError(f"'{way}' is no way of smoothing", remedy="Use hampel, median or kalman.")
    if window_fixes < 3 or window_fixes % 2 == 0:
        raise InputError(f"a window of {window_fixes} fixes", remedy="Use an odd number from 3 on.")
    fixes = stored(fixes, "the table of fixes")
    raw = shapely.get_coordinates(fixes.geometry.to_numpy())
    told = fixes.assign(raw_longitude_deg=raw[:, 0], raw_latitude_deg=raw[:, 1], moved_m=0.0)
    usable = np.flatnonzero(_usable(fixes))
    if not len(usable):
        return told
    plane = project(fixes.iloc[usable], working_crs(fixes.iloc[usable]))
    places = shapely.get_coordinates(plane.geometry.to_numpy())
    cleaned = places.copy()
    groups = plane.groupby(["log", "part"], sort=False, dropna=False).indices
    for rows in groups.values():
        if way == "kalman":
            cleaned[rows] = _kalman(places[rows], *_times_and_errors(plane.iloc[rows]))
        else:
            cleaned[rows] = _by_median(
                places[rows], window_fixes, None if way == "median" else limit_sigmas
            )
    moved = np.hypot(*(cleaned - places).T)
    shapes = fixes.geometry.to_numpy().copy()
    changed = moved > 0
    back = gpd.GeoSeries(shapely.points(cleaned[changed]), crs=plane.crs).to_crs(STORED_CRS)
    shapes[usable[changed]] = back.to_numpy()
    distances = np.zeros(len(fixes))
    distances[usable] = moved
    return told.assign(moved_m=distances).set_geometry(
        gpd.GeoSeries(shapes, index=fixes.index, crs=STORED_CRS)
    )


def _usable(fixes: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    usable = fixes["time"].notna().to_numpy(copy=True)
    if "flags" in fixes:
        words = fixes["flags"].astype("object").where(fixes["flags"].notna(), "").astype(str)
        pattern = r"(?:^|;)(?:" + "|".join(UNUSABLE_FLAGS) + r")(?:;|$)"
        usable &= ~words.str.contains(pattern).to_numpy(dtype=bool)
    return usable


def _by_median(places: FloatArray, window: int, limit_sigmas: float | None) -> FloatArray:
    """Return the running median of the places, or only that of the strays among them."""
    if len(places) < window:
        return places
    middle = median_filter(places, size=(window, 1), mode="nearest")
    # Near the ends the window is not full; the fixes there are left.
    half = window // 2
    middle[:half], middle[-half:] = places[:half], places[-half:]
    if limit_sigmas is None:
        return middle
    distance = np.hypot(*(places - middle).T)
    spread = _TO_SIGMA * median_filter(distance, size=window, mode="nearest")
    stray = distance > np.maximum(limit_sigmas * spread, 1.0)
    return np.where(stray[:, None], middle, places)


def _times_and_errors(fixes: gpd.GeoDataFrame) -> tuple[FloatArray, FloatArray]:
    seconds = (fixes["time"] - fixes["time"].iloc[0]).dt.total_seconds().to_numpy(dtype=float)
    stated = pd.to_numeric(fixes["accuracy_m"]).to_numpy(dtype=float)
    error = np.where(np.isfinite(stated) & (stated > 0), stated, USUAL_ACCURACY_M)
    return seconds, error


def _kalman(places: FloatArray, seconds: FloatArray, error_m: FloatArray) -> FloatArray:
    """Smooth by a walker of changing speed, east and north alike.

    Filter and smoother together give the most likely course, which is the solution of one
    banded system: place and speed at each fix, weighed by the errors of the fixes and by how
    much a walker changes speed in between.
    """
    count = len(places)
    if count < 3:
        return places
    step = np.maximum(np.diff(seconds), _SHORTEST_S)
    # What a step says of place and speed at both its ends: from' W from, -from' W, W.
    weight = np.array([[12 / step**3, -6 / step**2], [-6 / step**2, 4 / step]]) / WALKER_M_S2**2
    one, none = np.ones_like(step), np.zeros_like(step)
    move = np.array([[one, step], [none, one]])
    back = np.einsum("jin,jkn->ikn", move, weight)
    diagonal = np.zeros((2, 2, count))
    diagonal[:, :, :-1] += np.einsum("ijn,jkn->ikn", back, move)
    diagonal[:, :, 1:] += weight
    diagonal[0, 0] += 1 / error_m**2
    diagonal[1, 1, 0] += 1 / FIRST_SPEED_M_S**2
    bands = np.zeros((4, 2 * count))
    bands[0, 0::2], bands[0, 1::2] = diagonal[0, 0], diagonal[1, 1]
    bands[1, 0::2] = diagonal[0, 1]
    bands[1, 1:-1:2] = -back[1, 0]
    bands[2, 0:-2:2], bands[2, 1:-2:2] = -back[0, 0], -back[1, 1]
    bands[3, 0:-2:2] = -back[0, 1]
    side = np.zeros((2 * count, 2))
    middle = places.mean(axis=0)
    side[0::2] = (places - middle) / error_m[:, None] ** 2
    solved: FloatArray = solveh_banded(bands, side, lower=True)
    return solved[0::2] + middle
