"""The receiver (simulate): fixes along a course, with fading noise, gaps and stray positions."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.simulate.country import Country, elevation_m, shifted
from carnivore_sign.simulate.settings import WalkingSettings
from carnivore_sign.simulate.walks import Course, fading_noise
from carnivore_sign.units import SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]

#: Shortest and longest loss of reception, in seconds.
GAP_S = (45.0, 300.0)

#: Nearest and farthest that a stray fix lies from where it should, in metres.
STRAY_M = (60.0, 300.0)

#: Decimals of a degree of a position as a receiver writes it: about a decimetre.
POSITION_DECIMALS = 6


def draw_fixes(
    course: Course,
    course_m: FloatArray,
    time_s: FloatArray,
    country: Country,
    walking: WalkingSettings,
    *,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Draw the fixes of one walk.

    Parameters
    ----------
    course : Course
        The way.
    course_m, time_s : arrays
        Rising distances on the course and the seconds since 1970 at each (halts stand as two
        rows of the same distance).
    country : Country
        Gives the height of the ground.
    walking : WalkingSettings
        Interval, noise, gaps and stray fixes.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    DataFrame
        One row per fix: ``part`` from 0, ``time_s``, ``lon``, ``lat`` (degrees, rounded to
        1e-6), ``elevation_m``, ``hdop``, and ``stray``.
    """
    step = walking.fix_interval_s
    moments = np.arange(np.ceil(time_s[0]), time_s[-1], step)
    lon, lat = course.path.at(np.interp(moments, time_s, course_m))
    ground = elevation_m(country.settings, lon, lat)
    keep = float(np.exp(-step / walking.noise_memory_s))
    count = len(moments)
    east, north, height = (fading_noise(count, keep, rng) for _ in range(3))
    stray = _marks(count, walking.outliers_per_hour * step / SECONDS_PER_HOUR, rng)
    off_m = np.where(stray, rng.uniform(*STRAY_M, count), 0.0)
    towards = rng.uniform(0, 2 * np.pi, count)
    lon, lat = shifted(
        lon, lat,
        walking.noise_sd_m * east + off_m * np.sin(towards),
        walking.noise_sd_m * north + off_m * np.cos(towards),
    )  # fmt: skip
    hdop = 0.8 + 0.15 * rng.standard_gamma(2.0, count)
    hdop = np.where(stray, hdop + rng.uniform(1.0, 12.0, count), hdop)
    fixes = pd.DataFrame(
        {
            "time_s": moments,
            "lon": np.round(lon, POSITION_DECIMALS),
            "lat": np.round(lat, POSITION_DECIMALS),
            "elevation_m": np.round(ground + 5.0 * height, 1),
            "hdop": np.round(hdop, 1),
            "stray": stray,
        }
    )
    lost, part = _gaps(moments, walking.gaps_per_hour * step / SECONDS_PER_HOUR, rng)
    fixes.insert(0, "part", part)
    fixes = fixes[~lost].reset_index(drop=True)
    fixes["part"] = fixes["part"].rank(method="dense").astype(int) - 1
    return fixes


def _marks(count: int, chance: float, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    return rng.random(count) < chance


def _gaps(
    moments: FloatArray, chance: float, rng: np.random.Generator
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.int64]]:
    """Which fixes are lost, and the part of the log that each belongs to.

    The first and the last fix are never lost.
    """
    begins = moments[_marks(len(moments), chance, rng)]
    ends = begins + rng.uniform(*GAP_S, len(begins))
    inside = (moments[:, None] > begins) & (moments[:, None] < ends)
    lost: npt.NDArray[np.bool_] = np.asarray(inside.any(axis=1))
    lost[[0, -1]] = False
    part = np.cumsum(np.concatenate([[False], lost[:-1] & ~lost[1:]]))
    return lost, part.astype(np.int64)
