"""Trails room: the geometry of step, stride and straddle, and nothing that is guessed.

A *step* goes from left to right or from right to left; a *stride* from a foot to the same foot.
Field guides disagree: five of six measure the half cycle and call it stride. Here a length
always says which it is, and only a full stride is ever halved.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from carnivore_sign.errors import InputError

FloatArray = npt.NDArray[np.float64]

#: What each length of a gait is, and how it was measured.
DEFINITIONS = {
    "step_m": "from a print to that of the other side of the same pair of feet (half a cycle)",
    "stride_m": "from a print to the next of the same foot (a full cycle)",
    "straddle_m": "between centre lines: from the middle of a print to the line through those "
    "of the other side before and after it",
    "straddle_outer_m": "between outer edges: straddle_m and the width of one print",
    "pace_angulation_deg": "angle at a print between the steps before and after it",
    "hind_on_front_m": "hind print past the front print of its side, along the course; below 0 "
    "is an understep",
    "foot_angle_deg": "axis of the foot against the course; outward is above 0",
    "group_length_m": "from the first to the last print of one group of four",
    "group_pair_m": "from the first to the second print of one group of four",
}


def pace_angulation_deg(
    step_before: npt.ArrayLike, step_after: npt.ArrayLike, stride: npt.ArrayLike
) -> FloatArray:
    """Angle at the middle print of three, from the law of cosines.

    Parameters
    ----------
    step_before, step_after, stride : array-like
        Lengths in one unit, whichever. The stride joins the first print and the third.

    Returns
    -------
    ndarray
        Degrees in [0, 180]; NaN where no triangle has these sides, or a step is 0. A stride
        that is longer than both steps by less than 2 % is taken for their sum.

    Examples
    --------
    >>> pace_angulation_deg(45, 45, 80).round(3).item()
    125.468
    >>> pace_angulation_deg(45, 45, 90).item()
    180.0
    """
    one, two, long = (np.asarray(side, dtype=float) for side in (step_before, step_after, stride))
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = (one**2 + two**2 - long**2) / (2.0 * one * two)
        possible = (one > 0) & (two > 0) & (long <= 1.02 * (one + two))
        possible &= long >= np.abs(one - two) * 0.98
        angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return np.where(possible, angle, np.nan)


def straddle_from_steps(
    step_before: npt.ArrayLike, step_after: npt.ArrayLike, stride: npt.ArrayLike
) -> FloatArray:
    """Distance of the middle print from the line of the first and third: height of the triangle.

    Parameters
    ----------
    step_before, step_after, stride : array-like
        Lengths in one unit.

    Returns
    -------
    ndarray
        In that unit: the straddle between centre lines.

    Examples
    --------
    >>> straddle_from_steps(45, 45, 80).round(3).item()
    20.616
    """
    angle = np.radians(pace_angulation_deg(step_before, step_after, stride))
    one, two = np.asarray(step_before, dtype=float), np.asarray(step_after, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(one * two * np.sin(angle) / np.asarray(stride, dtype=float))


def stride_from_steps(
    step_before: npt.ArrayLike, step_after: npt.ArrayLike, angulation_deg: npt.ArrayLike
) -> FloatArray:
    """Stride of two steps that meet at an angle; their sum at 180 degrees.

    Parameters
    ----------
    step_before, step_after : array_like
        Steps to and from the middle print, in one unit.
    angulation_deg : array_like
        The angle at it, in degrees.

    Returns
    -------
    array
        Full stride, in that unit.

    Examples
    --------
    >>> stride_from_steps(45, 45, 125.468).round(1).item()
    80.0
    """
    one, two = np.asarray(step_before, dtype=float), np.asarray(step_after, dtype=float)
    cosine = np.cos(np.radians(np.asarray(angulation_deg, dtype=float)))
    return np.asarray(np.sqrt(one**2 + two**2 - 2.0 * one * two * cosine))


def full_stride(length: npt.ArrayLike, *, means: str) -> FloatArray:
    """Read a published or noted length under a stated definition, as a full stride.

    Parameters
    ----------
    length : array-like
        In any unit.
    means : {"full_stride", "step"}
        What the source measured: the full cycle, or half of it.

    Returns
    -------
    ndarray
        The full stride, in that unit; a step is doubled, as if the trail had no width.

    Examples
    --------
    >>> full_stride(48.0, means="step").item()
    96.0
    """
    factors = {"full_stride": 1.0, "step": 2.0}
    if means not in factors:
        raise InputError(
            f"a length that means '{means}' is neither",
            remedy=f"Say which it is: {' or '.join(factors)}.",
        )
    return np.asarray(np.asarray(length, dtype=float) * factors[means])
