"""Identification room: mirror symmetry, the overlap of a print with its own reflection.

For a print of area A and its reflection, which has the same area, intersection over union is
I / (2 A - I). The axis starts from the closed-form best one for the centroids of the marks
(left outer toe on right outer toe, and so on) and is moved and turned until the overlap grows
no more.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from carnivore_sign.identify.shapes import FloatArray, Rings, polygon_moments, resample

#: The mark that each mark is laid on: left outer toe on right outer toe, pad on itself.
_OPPOSITE: Final = (3, 2, 1, 0, 4)
_FIRST_TURN: Final = 0.04
_FIRST_MOVE: Final = 0.02
_ROUNDS: Final = 3

#: Points of the outlines, and lines across them, while the axis is searched; the overlap that
#: is given is cut exactly.
_SEARCH_POINTS: Final = 24
_LINES: Final = 20


def mirror_overlap(marks: Rings) -> tuple[FloatArray, FloatArray]:
    """Find the overlap of each print with its reflection about the best axis.

    Parameters
    ----------
    marks : Rings
        Five for each print: toes from left to right, and the pad.

    Returns
    -------
    overlap : ndarray, shape (prints,)
        Intersection over union, 0 to 1; 1 for a print that is its own mirror image.
    axis : ndarray, shape (prints, 2)
        Angle of the best axis in radians, and its distance from the origin to the left.
    """
    shapes = polygon_moments(marks)
    area = shapes.area.reshape(-1, 5)
    axis = _axis_of_centroids(shapes.centroid.reshape(-1, 5, 2), area)
    scale = np.sqrt(area.sum(axis=1))
    points = _few_points(marks)
    best = _shared_on_lines(points, axis)
    step = np.column_stack([np.full(len(axis), _FIRST_TURN), _FIRST_MOVE * scale])
    for _ in range(_ROUNDS):
        for which in (0, 1):
            best, axis = _climb(points, axis, best, step * np.eye(2)[which])
        step = step * 0.4
    return overlap_at(marks, axis), axis


def overlap_at(marks: Rings, axis: FloatArray) -> FloatArray:
    """Return intersection over union of each print with its reflection about a given axis."""
    area = polygon_moments(marks).area.reshape(-1, 5).sum(axis=1)
    shared = shared_area(marks, marks.polygons().reshape(-1, 5), axis)
    return shared / (2.0 * area - shared)


def nearly_overlap_at(marks: Rings, axis: FloatArray) -> FloatArray:
    """Return about what `overlap_at` does, several times as fast; for differences of overlaps."""
    area = polygon_moments(marks).area.reshape(-1, 5).sum(axis=1)
    shared = _shared_on_lines(_few_points(marks), axis)
    return shared / (2.0 * area - shared)


def shared_area(marks: Rings, polygons: npt.NDArray[np.object_], axis: FloatArray) -> FloatArray:
    """Return the area that each print shares with its reflection, shape (prints,).

    A reflection undoes itself, so that mark i shares with the reflection of mark j what j
    shares with the reflection of i: each pair is cut once. Pairs whose boxes lie apart are
    not cut at all.
    """
    mirrored = Rings(_reflect(marks, axis), marks.offsets)
    box = _boxes(marks)
    image = _boxes(mirrored)
    one, two = np.triu_indices(5)
    meet = (
        (box[:, one, :2] <= image[:, two, 2:]) & (image[:, two, :2] <= box[:, one, 2:])
    ).all(axis=2)  # fmt: skip
    row, pair = np.nonzero(meet)
    reflected = mirrored.take(row * 5 + two[pair]).polygons()
    cut = _shared(polygons[row, one[pair]], reflected)
    twice = np.where(one == two, 1.0, 2.0)[pair]
    shared = np.bincount(row, weights=cut * twice, minlength=len(polygons))
    return np.asarray(shared, dtype=float)


def _shared(one: npt.NDArray[np.object_], two: npt.NDArray[np.object_]) -> FloatArray:
    """Return the area that polygons share; retraced tiny outlines may cross themselves."""
    try:
        return np.asarray(shapely.area(shapely.intersection(one, two)))
    except shapely.errors.GEOSException:
        mended = shapely.intersection(shapely.buffer(one, 0), shapely.buffer(two, 0))
        return np.asarray(shapely.area(mended))


def _few_points(marks: Rings) -> npt.NDArray[np.complex128]:
    """Return the outlines as a few points each, shape (prints, 5, points)."""
    return resample(marks, _SEARCH_POINTS).reshape(-1, 5, _SEARCH_POINTS)


def _shared_on_lines(points: npt.NDArray[np.complex128], axis: FloatArray) -> FloatArray:
    """Return about the area that marks share with their opposites, from lines across the axis.

    On each line a mark reaches from its leftmost to its rightmost crossing, and its reflected
    opposite likewise; what both cover, times the distance of the lines, adds up to the area.
    """
    turned = points * np.exp(-1j * axis[:, 0])[:, None, None]
    along, across = turned.real, turned.imag - axis[:, 1][:, None, None]
    low, high = along.min(axis=2), along.max(axis=2)
    bottom = np.maximum(low, low[:, _OPPOSITE])
    height = np.maximum(np.minimum(high, high[:, _OPPOSITE]) - bottom, 0.0)
    share = (np.arange(_LINES) + 0.5) / _LINES
    level = (bottom[..., None] + height[..., None] * share)[:, :, None, :]
    below = along[..., None] <= level
    crossed = below != np.roll(below, -1, axis=2)
    rise = np.roll(along, -1, axis=2) - along
    slope = (np.roll(across, -1, axis=2) - across) / np.where(rise == 0, np.inf, rise)
    at = across[..., None] + (level - along[..., None]) * slope[..., None]
    right = np.where(crossed, at, -np.inf).max(axis=2)
    left = np.where(crossed, at, np.inf).min(axis=2)
    end = np.minimum(right, -left[:, _OPPOSITE])
    begin = np.maximum(left, -right[:, _OPPOSITE])
    return (np.maximum(end - begin, 0.0).mean(axis=2) * height).sum(axis=1)


def _reflect(marks: Rings, axis: FloatArray) -> FloatArray:
    angle, offset = axis.T
    each = marks.ring_of_vertex // 5
    z = marks.xy[:, 0] + 1j * marks.xy[:, 1]
    foot = (1j * np.exp(1j * angle) * offset)[each]
    mirrored = foot + np.exp(2j * angle)[each] * (z - foot).conj()
    return np.column_stack([mirrored.real, mirrored.imag])


def _boxes(marks: Rings) -> FloatArray:
    low = np.minimum.reduceat(marks.xy, marks.start, axis=0)
    high = np.maximum.reduceat(marks.xy, marks.start, axis=0)
    return np.column_stack([low, high]).reshape(-1, 5, 4)


def _axis_of_centroids(centroids: FloatArray, area: FloatArray) -> FloatArray:
    """Return the axis that lays the centroids best on their opposites, weighted by area."""
    z = centroids[..., 0] + 1j * centroids[..., 1]
    middle = (z * area).sum(axis=1) / area.sum(axis=1)
    apart = z - middle[:, None]
    weight = np.sqrt(area * area[:, _OPPOSITE])
    angle = np.angle((weight * apart * apart[:, _OPPOSITE]).sum(axis=1)) / 2.0
    return np.column_stack([angle, (middle * np.exp(-1j * angle)).imag])


def _climb(
    points: npt.NDArray[np.complex128], axis: FloatArray, best: FloatArray, step: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Try a step either way and the top of the parabola through all three; keep the best."""
    ahead = _shared_on_lines(points, axis + step)
    back = _shared_on_lines(points, axis - step)
    bend = ahead + back - 2.0 * best
    with np.errstate(divide="ignore", invalid="ignore"):
        top = np.where(bend < 0, (back - ahead) / (2.0 * bend), 0.0)
    top = np.clip(np.nan_to_num(top), -2.0, 2.0)
    tried = axis + top[:, None] * step
    values = np.stack([best, ahead, back, _shared_on_lines(points, tried)])
    places = np.stack([axis, axis + step, axis - step, tried])
    winner = values.argmax(axis=0)
    rows = np.arange(len(axis))
    return values[winner, rows], places[winner, rows]
