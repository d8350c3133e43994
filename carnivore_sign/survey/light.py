"""Light: how high the sun stood when a stretch was walked.

Under a low sun the rims of a print throw shadows; under a high one the same print is flat and
easily passed over (common practice, no source). The height of the sun is kept with each visit,
so that a rate can be told by it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]

_NOON_OF_2000: Final = pd.Timestamp("2000-01-01 12:00", tz="UTC")
_DAY: Final = pd.Timedelta(days=1)


def sun_height_deg(
    times: pd.Series, longitude_deg: npt.ArrayLike, latitude_deg: npt.ArrayLike
) -> FloatArray:
    """Height of the middle of the sun above the horizon, without refraction.

    Parameters
    ----------
    times : Series of datetime
        Moments, UTC.
    longitude_deg, latitude_deg : array-like
        Places, WGS84, degrees.

    Returns
    -------
    array
        Degrees, below zero while the sun is down; missing where time or place is.

    Notes
    -----
    The low-precision formulas for the sun of the Astronomical Almanac, which hold to 0.01 degrees
    from 1950 to 2050 (cited from memory).

    Examples
    --------
    >>> noon_and_midnight = pd.Series(pd.to_datetime(["2024-06-20 12:00Z", "2024-06-21 00:00Z"]))
    >>> sun_height_deg(noon_and_midnight, 0.0, 50.0).round(1).tolist()
    [63.4, -16.6]
    """
    days = ((times - _NOON_OF_2000) / _DAY).to_numpy(dtype=float)
    latitude = np.radians(np.asarray(latitude_deg, dtype=float))
    mean_longitude = 280.460 + 0.9856474 * days
    anomaly = np.radians(357.528 + 0.9856003 * days)
    ecliptic = np.radians(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.radians(23.439 - 4e-7 * days)
    ascension = np.degrees(np.arctan2(np.cos(tilt) * np.sin(ecliptic), np.cos(ecliptic)))
    declination = np.arcsin(np.sin(tilt) * np.sin(ecliptic))
    sidereal = 15.0 * np.mod(18.697374558 + 24.06570982441908 * days, 24.0)
    hour_angle = np.radians(sidereal + np.asarray(longitude_deg, dtype=float) - ascension)
    sine = np.sin(latitude) * np.sin(declination)
    sine = sine + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    height: FloatArray = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    return height
