"""Identification room: from the pixels of a photo to millimetres on the ground.

A scale of known length gives one factor, right where the camera looked straight down. Two
rulers at a right angle take out a tilt as far as a stretch can (an affine map). Four points
whose places are known, such as the corners of a square, take out the perspective whole (a
homography, fitted by the direct linear transform with normalised coordinates; Hartley &
Zisserman, Multiple View Geometry, section 4.1, from memory).

Pixels count from the upper left corner, y downwards; millimetres have y upwards, so that a
print is seen from above as it lay. A map that would mirror the print is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.identify.shapes import FloatArray

#: SD of a click on a photo, each way (working choice; common practice, no source).
CLICK_ERROR_PX: Final = 1.5

#: What can be wrong with the points of a scale, and what to do about it: said here and on the
#: page on which prints are traced.
SCALE_FAULTS: Final[dict[str, str]] = {
    "zeroScale": "a scale of zero: both its ends are one pixel",
    "sameWay": "the rulers have no length or run the same way",
    "mirrored": "the points of the scale run the wrong way round: the photo is mirrored, or they "
    "were clicked out of order",
    "inLine": "three of the four points lie on a line, so that they fix no perspective",
    "horizon": "a point lies on or beyond the horizon of the photo",
}
_CLICK_AGAIN: Final = "Click them clockwise as seen from above, or mirror the photo back."

_SQUARE: Final = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, -1.0], [0.0, -1.0]])


@dataclass(frozen=True, eq=False)
class PhotoScale:
    """A map from pixels to millimetres.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        Homography: ``[x w, y w, w] = matrix @ [column, row, 1]``.
    error_fraction : float
        Relative SD of a length measured with it, from the clicks on the scale alone.
    residual_mm : float
        Root mean square misfit of the points it was fitted to; 0 where none is left over.
    way : str
        ``length``, ``rulers`` or ``points``.
    """

    matrix: FloatArray
    error_fraction: float
    residual_mm: float
    way: str

    def to_mm(self, pixels: npt.ArrayLike) -> FloatArray:
        """Return the places of pixels on the ground, shape (points, 2).

        Raises
        ------
        InputError
            If a pixel lies on or beyond the horizon of the photo.
        """
        points = np.atleast_2d(np.asarray(pixels, dtype=float))
        mapped = np.column_stack([points, np.ones(len(points))]) @ self.matrix.T
        if (mapped[:, 2] <= 0).any():
            raise InputError(
                SCALE_FAULTS["horizon"],
                remedy="Click the points of the scale again, in their order.",
            )
        return mapped[:, :2] / mapped[:, 2:]


def scale_from_length(
    ends_px: npt.ArrayLike, *, length_mm: float, click_error_px: float = CLICK_ERROR_PX
) -> PhotoScale:
    """Scale a photo by a thing of known length that lies in it.

    Parameters
    ----------
    ends_px : array_like, shape (2, 2)
        Column and row of its two ends.
    length_mm : float
        Above 0.
    click_error_px : float
        SD of each click.

    Returns
    -------
    PhotoScale
        Right only where the camera looked straight down, and scale and print lay level.

    Raises
    ------
    InputError
        If the length or the distance between the ends is zero, or not a number.

    Examples
    --------
    >>> scale = scale_from_length([[100, 50], [400, 50]], length_mm=150)
    >>> scale.to_mm([[10, 20]]).tolist()
    [[5.0, -10.0]]
    """
    ends = _points(ends_px, 2)
    _check_length(length_mm)
    apart = float(np.hypot(*(ends[1] - ends[0])))
    if apart == 0:
        raise InputError(SCALE_FAULTS["zeroScale"], remedy="Click its two ends.")
    factor = length_mm / apart
    return PhotoScale(
        np.diag([factor, -factor, 1.0]), np.sqrt(2.0) * click_error_px / apart, 0.0, "length"
    )


def scale_from_rulers(
    first_px: npt.ArrayLike,
    second_px: npt.ArrayLike,
    *,
    first_mm: float,
    second_mm: float,
    click_error_px: float = CLICK_ERROR_PX,
) -> PhotoScale:
    """Scale a photo by two rulers that lie at a right angle.

    Parameters
    ----------
    first_px, second_px : array_like, shape (2, 2)
        The ends of each ruler, the zero end first; the second ruler points a quarter turn to
        the left of the first, as seen from above.
    first_mm, second_mm : float
        Their lengths.
    click_error_px : float
        SD of each click.

    Returns
    -------
    PhotoScale
        An affine map: it takes out the stretch of a tilted photo near the rulers, not its
        perspective. For that give four points to `scale_from_points`.

    Raises
    ------
    InputError
        If a ruler has no length, or the second points to the right of the first (mirrored).

    Examples
    --------
    >>> along, up = [[0, 0], [200, 0]], [[0, 0], [0, -50]]
    >>> scale = scale_from_rulers(along, up, first_mm=100, second_mm=100)
    >>> scale.to_mm([[20, -10]]).tolist()
    [[10.0, 20.0]]
    """
    first, second = _points(first_px, 2), _points(second_px, 2)
    _check_length(first_mm)
    _check_length(second_mm)
    columns = np.column_stack([first[1] - first[0], second[1] - second[0]])
    if np.abs(np.linalg.det(columns)) < 1e-9 * max(np.abs(columns).max() ** 2, 1e-300):
        raise InputError(
            SCALE_FAULTS["sameWay"],
            remedy="Lay them at a right angle and click both ends of each.",
        )
    linear = np.diag([first_mm, second_mm]) @ np.linalg.inv(columns)
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = -linear @ first[0]
    _check_not_mirrored(matrix, first)
    shorter = min(np.hypot(*column) for column in columns.T)
    return PhotoScale(matrix, np.sqrt(2.0) * click_error_px / shorter, 0.0, "rulers")


def scale_from_square(
    corners_px: npt.ArrayLike, *, side_mm: float, click_error_px: float = CLICK_ERROR_PX
) -> PhotoScale:
    """Scale a photo and take out its perspective by the corners of a square.

    Parameters
    ----------
    corners_px : array_like, shape (4, 2)
        Column and row of the corners, clockwise as seen from above, beginning anywhere.
    side_mm : float
        Side of the square.
    click_error_px : float
        SD of each click.

    Returns
    -------
    PhotoScale
        From pixels to millimetres, with its error.

    Raises
    ------
    InputError
        If the corners run the other way (a mirrored photo) or make no square.

    Examples
    --------
    >>> scale = scale_from_square([[0, 0], [100, 0], [100, 100], [0, 100]], side_mm=50)
    >>> scale.to_mm([[50, 50]]).round(6).tolist()
    [[25.0, -25.0]]
    """
    _check_length(side_mm)
    return scale_from_points(corners_px, _SQUARE * side_mm, click_error_px=click_error_px)


def scale_from_points(
    pixels: npt.ArrayLike, millimetres: npt.ArrayLike, *, click_error_px: float = CLICK_ERROR_PX
) -> PhotoScale:
    """Scale a photo and take out its perspective by four or more points of known place.

    Parameters
    ----------
    pixels : array_like, shape (points, 2)
        Columns and rows.
    millimetres : array_like, shape (points, 2)
        Their places on the ground, y upwards; such as marks on two rulers.
    click_error_px : float
        SD of each click.

    Returns
    -------
    PhotoScale
        From pixels to millimetres, with its error.

    Raises
    ------
    InputError
        If there are under four points, three of four lie on a line, or the photo is mirrored.

    Examples
    --------
    >>> corners = [[0, 0], [10, 0], [10, 10], [0, 10]]
    >>> scale = scale_from_points(corners, [[0, 0], [5, 0], [5, -5], [0, -5]])
    >>> scale.to_mm([[4, 2]]).round(6).tolist()
    [[2.0, -1.0]]
    """
    seen, lying = np.asarray(pixels, dtype=float), np.asarray(millimetres, dtype=float)
    if seen.shape != lying.shape or seen.ndim != 2 or len(seen) < 4 or seen.shape[1] != 2:
        raise InputError(
            "perspective needs four or more points, each in pixels and in millimetres",
            remedy="Click four corners, or give a single length to scale_from_length.",
        )
    if not (np.isfinite(seen).all() and np.isfinite(lying).all()):
        raise InputError("a point of the scale is no finite number")
    _check_not_in_line(seen)
    _check_not_in_line(lying)
    matrix = _direct_linear_transform(seen, lying)
    _check_not_mirrored(matrix, seen)
    scale = PhotoScale(matrix, 0.0, 0.0, "points")
    misfit = float(np.sqrt(((scale.to_mm(seen) - lying) ** 2).sum(axis=1).mean()))
    size = np.hypot(*np.ptp(seen, axis=0)) / np.sqrt(2.0)
    return PhotoScale(matrix, float(np.sqrt(2.0) * click_error_px / size), misfit, "points")


def to_millimetres(outlines: pd.DataFrame, scale: PhotoScale) -> pd.DataFrame:
    """Bring outlines traced on a photo to millimetres.

    Parameters
    ----------
    outlines : DataFrame
        ``geometry`` in pixels, y downwards.
    scale : PhotoScale
        Of the photo on which they were traced.

    Returns
    -------
    DataFrame
        The same rows, geometry in mm, y upwards; rows without a geometry keep none.

    Examples
    --------
    >>> traced = pd.DataFrame({"geometry": [shapely.box(0, 0, 30, 60)]})
    >>> scale = scale_from_length([[0, 0], [300, 0]], length_mm=100)
    >>> round(to_millimetres(traced, scale)["geometry"][0].area, 6)
    200.0
    """
    shapes = np.array(outlines["geometry"].to_numpy(), dtype=object)
    mapped = shapely.transform(shapes, scale.to_mm)
    return outlines.assign(geometry=mapped)


def _points(points: npt.ArrayLike, count: int) -> FloatArray:
    found = np.asarray(points, dtype=float)
    if found.shape != (count, 2) or not np.isfinite(found).all():
        raise InputError(f"{count} points with a column and a row each are needed")
    return found


def _check_length(length_mm: float) -> None:
    if not (np.isfinite(length_mm) and length_mm > 0):
        raise InputError(
            f"a scale of {length_mm:g} mm", remedy="Give its length in millimetres, above 0."
        )


def _check_not_mirrored(matrix: FloatArray, seen: FloatArray) -> None:
    """Refuse a map under which what turned left as seen from above would turn right.

    Pixels have y downwards, so that a right map has a negative determinant where it is used.
    """
    around = np.column_stack([seen, np.ones(len(seen))])
    depth = around @ matrix[2]
    if (depth <= 0).any() or np.linalg.det(matrix) >= 0:
        raise InputError(SCALE_FAULTS["mirrored"], remedy=_CLICK_AGAIN)


def _check_not_in_line(points: FloatArray) -> None:
    """Refuse points of which no four are in general position."""
    size = np.ptp(points, axis=0).max() ** 2
    if len(points) > 4:
        return  # the fit itself tells
    for left_out in range(4):
        one, two, three = np.delete(points, left_out, axis=0)
        doubled_area = np.linalg.det(np.stack([two - one, three - one]))
        if abs(doubled_area) <= 1e-6 * size:
            raise InputError(SCALE_FAULTS["inLine"], remedy="Use the corners of a square.")


def _direct_linear_transform(seen: FloatArray, lying: FloatArray) -> FloatArray:
    """Return the homography that takes `seen` to `lying`, least squares if there are over four."""
    one, two = _normaliser(seen), _normaliser(lying)
    a = _apply(one, seen)
    b = _apply(two, lying)
    zero, unit = np.zeros(len(a)), np.ones(len(a))
    x, y = a.T
    u, v = b.T
    rows = np.concatenate(
        [
            np.column_stack([x, y, unit, zero, zero, zero, -u * x, -u * y, -u]),
            np.column_stack([zero, zero, zero, x, y, unit, -v * x, -v * y, -v]),
        ]
    )
    _, sizes, right = np.linalg.svd(rows)
    if sizes[7] < 1e-7 * sizes[0]:
        raise InputError(SCALE_FAULTS["inLine"], remedy="Use the corners of a square.")
    matrix = np.linalg.inv(two) @ right[8].reshape(3, 3) @ one
    depth = float(np.append(seen.mean(axis=0), 1.0) @ matrix[2])
    if abs(depth) < 1e-12 * np.abs(matrix).max():
        raise InputError(SCALE_FAULTS["mirrored"], remedy=_CLICK_AGAIN)
    return np.asarray(matrix / depth)


def _normaliser(points: FloatArray) -> FloatArray:
    """Return the map to mean 0 and mean distance sqrt(2), for a well-conditioned fit."""
    middle = points.mean(axis=0)
    far = np.hypot(*(points - middle).T).mean()
    size = np.sqrt(2.0) / max(far, 1e-300)
    return np.array([[size, 0, -size * middle[0]], [0, size, -size * middle[1]], [0, 0, 1.0]])


def _apply(matrix: FloatArray, points: FloatArray) -> FloatArray:
    return points @ matrix[:2, :2].T + matrix[:2, 2]
