"""Trails room: the mean of stated directions, as directions and not as numbers.

The mean of 350 and 10 degrees is 0, not 180: directions are averaged as unit vectors. Where
they contradict each other the vectors cancel, and there is no mean to speak of.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from carnivore_sign.trails.likelihood import FloatArray, IntArray

#: Mean vectors shorter than this mean that the directions contradict each other.
LEAST_AGREEMENT: Final = 0.5


def mean_direction_deg(direction_deg: FloatArray, group: IntArray, count: int) -> FloatArray:
    """Return the mean direction of each group.

    Parameters
    ----------
    direction_deg : ndarray
        Degrees clockwise from north; NaN where none was stated.
    group : ndarray of int
        Number of the group of each, 0 to `count` - 1.
    count : int
        Number of groups.

    Returns
    -------
    ndarray, shape (count,)
        Degrees in [0, 360); NaN where none was stated or where they contradict each other
        (mean vector shorter than `LEAST_AGREEMENT`).

    Examples
    --------
    >>> group = np.array([0, 0, 1, 1, 2])
    >>> stated = np.array([350.0, 20.0, 90.0, 270.0, np.nan])
    >>> mean_direction_deg(stated, group, 3).round(1).tolist()
    [5.0, nan, nan]
    """
    known = np.isfinite(direction_deg)
    angle = np.radians(direction_deg[known])
    group = group[known]
    number = np.bincount(group, minlength=count)
    east = np.bincount(group, np.sin(angle), count)
    north = np.bincount(group, np.cos(angle), count)
    mean = np.mod(np.degrees(np.arctan2(east, north)), 360.0)
    agree = np.hypot(east, north) >= LEAST_AGREEMENT * np.maximum(number, 1)
    return np.where(agree, mean, np.nan)
