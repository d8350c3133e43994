"""Trails room: the course of a trail, and where each print lies along it and beside it.

Prints lie left and right of a course that may bend. The course is their weighted mean over five
prints, with weights under which any order of feet that repeats after two or four prints cancels
out. Sequences are laid out as rows of padded arrays, so that all are worked on at once.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_WEIGHTS: Final = (0.125, 0.25, 0.25, 0.25, 0.125)


class Layout(NamedTuple):
    """Where each print stands in padded arrays: ``row`` the sequence, ``place`` in it."""

    row: IntArray
    place: IntArray
    there: np.ndarray

    def spread(self, values: np.ndarray, fill: float = np.nan) -> np.ndarray:
        """Lay values of prints out as rows of sequences."""
        shape = (*self.there.shape, *values.shape[1:])
        padded = np.full(shape, fill, dtype=values.dtype)
        padded[self.row, self.place] = values
        return padded


class Course(NamedTuple):
    """Place of each print: along the course and beside it (left above 0), in metres.

    ``advance_m`` is the progress since the print before, NaN for the first; ``heading_deg``
    the direction of travel, clockwise from the y axis.
    """

    along_m: FloatArray
    across_m: FloatArray
    advance_m: FloatArray
    heading_deg: FloatArray


def lay_out(sequence: IntArray) -> Layout:
    """Lay out sequences, whose numbers rise from 0 without gaps and are sorted."""
    count = np.bincount(sequence)
    first = np.concatenate([[0], np.cumsum(count)[:-1]]).astype(np.intp)
    place = np.arange(len(sequence)) - first[sequence]
    there = np.arange(count.max() if len(count) else 0) < count[:, None]
    return Layout(sequence, place, there)


def follow_course(xy_m: FloatArray, sequence: IntArray) -> Course:
    """Place prints along and beside the course of their sequence.

    Parameters
    ----------
    xy_m : ndarray, shape (prints, 2)
        Positions in a plane, in the order in which they were made.
    sequence : ndarray of int
        Number of the sequence of each, sorted, from 0 without gaps.
    """
    number = np.bincount(sequence)
    first = np.concatenate([[0], np.cumsum(number)[:-1]]).astype(np.intp)
    last = first + number - 1
    low, high = first[sequence], last[sequence]
    own = np.arange(len(sequence))
    middle = np.zeros_like(xy_m)
    for offset, weight in zip(range(-2, 3), _WEIGHTS, strict=True):
        middle += weight * _mirrored(xy_m, own + offset, low, high)
    ahead = middle[np.minimum(own + 1, high)] - middle[np.maximum(own - 1, low)]
    size = np.hypot(*ahead.T)
    with np.errstate(invalid="ignore", divide="ignore"):
        tangent = ahead / size[:, None]
    tangent[~(size > 0)] = (1.0, 0.0)
    beside = xy_m - middle
    across = beside[:, 1] * tangent[:, 0] - beside[:, 0] * tangent[:, 1]
    before = np.maximum(own - 1, low)
    mean = tangent + tangent[before]
    mean /= np.maximum(np.hypot(*mean.T), 1e-12)[:, None]
    advance = ((xy_m - xy_m[before]) * mean).sum(axis=1)
    advance[first] = 0.0
    total = np.cumsum(advance)
    along = total - total[first][sequence]
    advance[first] = np.nan
    heading = np.mod(np.degrees(np.arctan2(tangent[:, 0], tangent[:, 1])), 360.0)
    return Course(along, across, advance, heading)


def _mirrored(xy_m: FloatArray, wanted: IntArray, low: IntArray, high: IntArray) -> FloatArray:
    """Positions at places that may lie beyond an end, where the trail is continued by mirror.

    Beyond an end, the step of the print one cycle of four (or as far as there is) inside it is
    repeated, so that left and right keep their turn.
    """
    cycle = np.minimum(4, (high - low) // 2 * 2)
    inside = np.clip(wanted, low, high)
    under, over = wanted < low, wanted > high
    shift = np.where(under, cycle, np.where(over, -cycle, 0))
    source = np.clip(np.where(under | over, wanted + shift, inside), low, high)
    moved = xy_m[np.clip(low + cycle, low, high)] - xy_m[low]
    back = xy_m[high] - xy_m[np.clip(high - cycle, low, high)]
    return xy_m[source] + np.where(over[:, None], back, 0.0) - np.where(under[:, None], moved, 0.0)
