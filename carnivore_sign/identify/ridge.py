"""Identification room: the negative space between toes and pad.

Two things are read off it. How much the *ridge* is bent: a circle through the middles of the
shortest lines from each toe to the pad. And whether straight lines pass through it without
touching: a *diagonal* parts one outer toe and the pad from the other three toes, a *side line*
parts one outer toe from everything else. The room a line has is the width of the widest
straight strip that parts the two; below 0 it is how far they would have to be moved apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from carnivore_sign.identify.shapes import FloatArray, Rings, resample

#: Toe A is the left outer one, D the right outer one.
_TOE_A, _TOE_B, _TOE_C, _TOE_D, _PAD = range(5)

_STEP_DEG: Final = 6.0
_BOUNDARY_POINTS: Final = 60

#: Around the best angle of the first search, and then of the second, lines are tried again.
_FINER: Final = np.radians(_STEP_DEG) * np.linspace(-1.0, 1.0, 11)


@dataclass(frozen=True, eq=False)
class LineRoom:
    """Room for straight lines through the negative space, in the unit of the outlines.

    Attributes
    ----------
    diagonals : ndarray, shape (prints, 2)
        From ahead on the left to behind on the right, and its mirror image.
    sides : ndarray, shape (prints, 2)
        Inside the left and inside the right outer toe.
    """

    diagonals: FloatArray
    sides: FloatArray


def line_room(marks: Rings) -> LineRoom:
    """Find the room for the diagonals and the side lines.

    Parameters
    ----------
    marks : Rings
        Five for each print, in the order toes from left to right and then the pad, turned so
        that the axis is y.

    Returns
    -------
    LineRoom
        The best angle is found to a quarter of a degree, so that the room is less than 0.3 %
        of the distance along the line between the marks that bound it too small.
    """
    points = resample(marks, _BOUNDARY_POINTS).reshape(-1, 5, _BOUNDARY_POINTS)
    down_right = _angles(-80.0, -10.0)
    upright = _angles(55.0, 125.0)
    return LineRoom(
        diagonals=np.column_stack(
            [
                _room(points, down_right, (_TOE_B, _TOE_C, _TOE_D), (_TOE_A, _PAD)),
                _room(points, -down_right, (_TOE_A, _TOE_B, _TOE_C), (_TOE_D, _PAD)),
            ]
        ),
        sides=np.column_stack(
            [
                _room(points, upright, (_TOE_A,), (_TOE_B, _TOE_C, _TOE_D, _PAD)),
                _room(points, upright, (_TOE_A, _TOE_B, _TOE_C, _PAD), (_TOE_D,)),
            ]
        ),
    )


def _angles(from_deg: float, to_deg: float) -> FloatArray:
    return np.radians(np.arange(from_deg, to_deg + _STEP_DEG / 2.0, _STEP_DEG))


def _room(
    points: npt.NDArray[np.complex128],
    angles: FloatArray,
    ahead: tuple[int, ...],
    behind: tuple[int, ...],
) -> FloatArray:
    """Return the widest strip, over lines at the angles, with `ahead` on its left."""
    first = points[:, ahead].reshape(len(points), -1)
    second = points[:, behind].reshape(len(points), -1)
    widest = np.full(len(points), -np.inf)
    best = np.zeros((len(points), 1))
    for tried in (angles, _FINER, _FINER / 5.0):
        middle = best * (tried is not angles)
        for angle in tried:
            normal = 1j * np.exp(1j * (middle + angle))
            near = (first.real * normal.real + first.imag * normal.imag).min(axis=1)
            far = (second.real * normal.real + second.imag * normal.imag).max(axis=1)
            better = near - far > widest
            widest = np.where(better, near - far, widest)
            best = np.where(better[:, None], middle + angle, best)
    return widest


def ridge_bend(toes: npt.NDArray[np.object_], pads: npt.NDArray[np.object_]) -> FloatArray:
    """Return how much the ridge is bent around the pad.

    Parameters
    ----------
    toes : ndarray of shapely Polygon, shape (prints, 4)
        Turned so that the axis is y.
    pads : ndarray of shapely Polygon, shape (prints,)

    Returns
    -------
    ndarray, shape (prints,)
        Curvature of the circle fitted to the four middles, in 1 / unit of the outlines.
        Positive where the ridge bends around the pad, 0 where it is straight.

    Examples
    --------
    Four toes of radius 1, 10 from the centre of a round pad of radius 3, leave a ridge whose
    middle line has radius (3 + 9) / 2 = 6:

    >>> angles = np.radians([150, 110, 70, 30])
    >>> toes = shapely.buffer(shapely.points(10 * np.cos(angles), 10 * np.sin(angles)), 1)
    >>> round(float(ridge_bend(toes[None], [shapely.Point(0, 0).buffer(3)])[0] * 6), 2)
    1.0
    """
    lines = shapely.shortest_line(toes, np.asarray(pads, dtype=object)[:, None])
    ends = shapely.get_coordinates(lines.ravel()).reshape(-1, 4, 2, 2)
    return circle_curvature(ends.mean(axis=2))


def circle_curvature(points: FloatArray) -> FloatArray:
    """Fit a circle to each set of points by algebraic least squares (Kasa 1976).

    Parameters
    ----------
    points : ndarray, shape (sets, points, 2)

    Returns
    -------
    ndarray, shape (sets,)
        1 / radius, positive where the centre lies below the points (smaller y).

    Examples
    --------
    >>> round(float(circle_curvature(np.array([[[-1.0, 0], [0, 1], [1, 0]]]))[0]), 6)
    1.0
    """
    middle = points.mean(axis=1, keepdims=True)
    apart = points - middle
    square = (apart**2).sum(axis=2)
    # x^2 + y^2 = 2 a x + 2 b y + c; sums of x and y are zero
    moments = np.einsum("pki,pkj->pij", apart, apart)
    right = np.einsum("pki,pk->pi", apart, square) / 2.0
    flat = np.linalg.det(moments) <= 1e-9 * np.trace(moments, axis1=1, axis2=2) ** 2
    moments[flat] = np.eye(2)
    centre = np.linalg.solve(moments, right[..., None])[..., 0]
    radius = np.sqrt((centre**2).sum(axis=1) + square.mean(axis=1))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(flat, 0.0, -np.sign(centre[:, 1]) / radius)
