"""Identification room: shapes of closed outlines, many at a time, from their vertices.

Outlines are held as rings: the vertices of all of them in one array, without the closing
vertex, and the offset at which each begins. Area, centroid and moments are exact for a
polygon; what needs a tangent is taken from the outline resampled at equal steps along its
length and cut off at a given number of harmonics, so that neither the number of clicks nor
their jitter decides it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: The part of the perimeter over which turning is summed when corners are looked for.
CORNER_SHARE: Final = 0.1


@dataclass(frozen=True, eq=False)
class Rings:
    """Closed outlines as flat arrays.

    Attributes
    ----------
    xy : ndarray, shape (vertices, 2)
        Vertices, ring after ring, none repeated at the end of its ring.
    offsets : ndarray, shape (rings + 1,)
        Where each ring begins in `xy`; the last is the number of vertices.
    """

    xy: FloatArray
    offsets: IntArray

    def __len__(self) -> int:
        return len(self.offsets) - 1

    @property
    def start(self) -> IntArray:
        """First vertex of each ring."""
        return self.offsets[:-1]

    @property
    def ring_of_vertex(self) -> IntArray:
        """Ring that each vertex belongs to."""
        return np.repeat(np.arange(len(self)), np.diff(self.offsets))

    @property
    def following(self) -> IntArray:
        """Vertex after each vertex, around its ring."""
        after = np.arange(1, len(self.xy) + 1)
        after[self.offsets[1:] - 1] = self.start
        return after

    def take(self, rings: IntArray) -> Rings:
        """Return some of the rings, in the order asked for; a ring may be asked for twice."""
        sizes = np.diff(self.offsets)[rings]
        offsets = np.concatenate([[0], np.cumsum(sizes)])
        within = np.arange(offsets[-1]) - np.repeat(offsets[:-1], sizes)
        return Rings(self.xy[np.repeat(self.start[rings], sizes) + within], offsets)

    def polygons(self) -> npt.NDArray[np.object_]:
        """Return the rings as shapely polygons."""
        return np.asarray(
            shapely.polygons(shapely.linearrings(self.xy, indices=self.ring_of_vertex))
        )


def rings_from_geometries(geometries: npt.ArrayLike) -> Rings:
    """Take the outer boundaries of polygons, or the vertices of lines, as rings.

    Parameters
    ----------
    geometries : array_like of shapely Polygon or LineString
        None empty.

    Returns
    -------
    Rings
        One per geometry, in their order.

    Examples
    --------
    >>> square = rings_from_geometries([shapely.box(0, 0, 2, 3)])
    >>> polygon_moments(square).area.tolist()
    [6.0]
    """
    shapes = np.asarray(geometries, dtype=object)
    polygon = shapely.get_type_id(shapes) == shapely.GeometryType.POLYGON
    lines = shapes.copy()
    lines[polygon] = shapely.get_exterior_ring(shapes[polygon])
    xy, ring = shapely.get_coordinates(lines, return_index=True)
    closing = np.zeros(len(xy), dtype=bool)
    last = np.cumsum(np.bincount(ring, minlength=len(shapes))) - 1
    closing[last[shapely.is_closed(lines)]] = True
    sizes = np.bincount(ring[~closing], minlength=len(shapes))
    return Rings(xy[~closing], np.concatenate([[0], np.cumsum(sizes)]))


@dataclass(frozen=True, eq=False)
class Moments:
    """Moments of area of each ring.

    Attributes
    ----------
    area : ndarray, shape (rings,)
        Whatever the direction the ring runs in.
    centroid : ndarray, shape (rings, 2)
    elongation : ndarray, shape (rings,)
        Length over width of the ellipse, and of the rectangle, with the same second moments.
    long_axis : ndarray, shape (rings, 2)
        Unit vector of the direction in which the shape is longest.
    covariance : ndarray, shape (rings, 2, 2)
        Second central moments over the area.
    """

    area: FloatArray
    centroid: FloatArray
    elongation: FloatArray
    long_axis: FloatArray
    covariance: FloatArray


def polygon_moments(rings: Rings) -> Moments:
    """Compute area, centroid and second moments of each ring, exactly.

    Parameters
    ----------
    rings : Rings

    Returns
    -------
    Moments

    Examples
    --------
    >>> shape = polygon_moments(rings_from_geometries([shapely.box(0, 0, 2, 6)]))
    >>> shape.centroid.tolist(), shape.elongation.round(6).tolist()
    ([[1.0, 3.0]], [3.0])
    """
    local, after, cross = _fan(rings)
    area = _sums(cross, rings) / 2.0
    with np.errstate(divide="ignore", invalid="ignore"):
        center = _sums(cross[:, None] * (local + after), rings) / (6.0 * area[:, None])
        second = _second_moments(local, after, cross, rings) / area[:, None, None]
    covariance = second - center[:, :, None] * center[:, None, :]
    long_axis, elongation = _long_axis(covariance)
    return Moments(np.abs(area), center + rings.xy[rings.start], elongation, long_axis, covariance)


def skewness_along(rings: Rings, moments: Moments, direction: FloatArray) -> FloatArray:
    """Return the skewness of the area along a direction: how far a shape tapers that way.

    Parameters
    ----------
    rings : Rings
    moments : Moments
        Of the same rings.
    direction : ndarray, shape (rings, 2)
        Unit vectors.

    Returns
    -------
    ndarray, shape (rings,)
        0 for an ellipse or rectangle, positive where the shape narrows in that direction;
        2 sqrt(2) / 5 for a triangle towards its tip. Exact for polygons.

    Examples
    --------
    >>> tip = rings_from_geometries([shapely.Polygon([(-1, 0), (1, 0), (0, 3)])])
    >>> skewness_along(tip, polygon_moments(tip), np.array([[0.0, 1.0]])).round(6).tolist()
    [0.565685]
    """
    ring = rings.ring_of_vertex
    centered = rings.xy - moments.centroid[ring]
    along = (centered * direction[ring]).sum(axis=1)
    after = along[rings.following]
    cross = _cross(centered, centered[rings.following])
    area = _sums(cross, rings) / 2.0
    cubes = along**3 + along**2 * after + along * after**2 + after**3
    variance = np.einsum("ri,rij,rj->r", direction, moments.covariance, direction)
    with np.errstate(divide="ignore", invalid="ignore"):
        return _sums(cross * cubes, rings) / 20.0 / area / np.maximum(variance, 0.0) ** 1.5


def resample(rings: Rings, count: int) -> npt.NDArray[np.complex128]:
    """Place points at equal steps along each ring.

    Returns
    -------
    ndarray of complex, shape (rings, count)
        x + iy, from the first vertex on.

    Examples
    --------
    >>> resample(rings_from_geometries([shapely.box(0, 0, 1, 1)]), 4).round(6).tolist()
    [[(1+0j), (1+1j), 1j, 0j]]
    """
    z = rings.xy[:, 0] + 1j * rings.xy[:, 1]
    step = np.abs(z[rings.following] - z)
    total = np.cumsum(step)
    before = total - step
    ends = total[rings.offsets[1:] - 1]
    begins = before[rings.start]
    wanted = begins[:, None] + (ends - begins)[:, None] * (np.arange(count) / count)
    at = np.searchsorted(total, wanted.ravel(), side="right").reshape(wanted.shape)
    at = np.clip(at, rings.start[:, None], rings.offsets[1:, None] - 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(step[at] > 0, (wanted - before[at]) / step[at], 0.0)
    return z[at] + part * (z[rings.following[at]] - z[at])


@dataclass(frozen=True, eq=False)
class SmoothOutline:
    """Outlines of a few harmonics, anticlockwise, at equal steps.

    Attributes
    ----------
    point : ndarray of complex, shape (rings, count)
    tangent : ndarray of complex, shape (rings, count)
        Of length 1.
    turning : ndarray, shape (rings, count)
        Radians that the outline turns from half a step before each point to half a step
        after it; a convex outline turns left everywhere, and sums to 2 pi.
    """

    point: npt.NDArray[np.complex128]
    tangent: npt.NDArray[np.complex128]
    turning: FloatArray


def smooth(points: npt.NDArray[np.complex128], *, harmonics: int) -> SmoothOutline:
    """Keep the lowest harmonics of resampled outlines (a low-pass filter along the outline).

    Parameters
    ----------
    points : ndarray of complex, shape (rings, count)
        From `resample`.
    harmonics : int
        How many waves around the outline the finest detail kept has; under ``count / 2``.

    Returns
    -------
    SmoothOutline
    """
    count = points.shape[1]
    signed = (points.real * np.roll(points.imag, -1, axis=1)).sum(axis=1)
    signed -= (points.imag * np.roll(points.real, -1, axis=1)).sum(axis=1)
    points = np.where((signed < 0)[:, None], points[:, ::-1], points)
    wave = np.fft.fftfreq(count, 1.0 / count)
    kept = np.fft.fft(points, axis=1) * (np.abs(wave) <= harmonics)
    halfway = kept * np.exp(1j * np.pi * wave / count)
    ahead = np.fft.ifft(1j * wave * halfway, axis=1)
    tangent = np.fft.ifft(1j * wave * kept, axis=1)
    turning = np.angle(ahead * np.conj(np.roll(ahead, 1, axis=1)))
    with np.errstate(divide="ignore", invalid="ignore"):
        return SmoothOutline(np.fft.ifft(kept, axis=1), tangent / np.abs(tangent), turning)


def angularity(rings: Rings, moments: Moments, *, harmonics: int = 10) -> FloatArray:
    """Return how far the turning of each outline is gathered in corners.

    The shape is first stretched to equal second moments, so that an oval is not taken for
    angular. Turning is then summed over a sliding tenth of the perimeter; angularity is the
    square of its coefficient of variation.

    Parameters
    ----------
    rings : Rings
    moments : Moments
        Of the same rings.
    harmonics : int
        As for `smooth`.

    Returns
    -------
    ndarray, shape (rings,)
        0 for any ellipse. For a regular polygon of k < 10 sides ``10 / k - 1`` in the limit of
        many harmonics; less when smoothed.
    """
    values, vectors = np.linalg.eigh(np.nan_to_num(moments.covariance, nan=1.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        stretch = (vectors / np.sqrt(values)[:, None, :]) @ np.swapaxes(vectors, 1, 2)
    ring = rings.ring_of_vertex
    xy = np.einsum("vij,vj->vi", stretch[ring], rings.xy - moments.centroid[ring])
    count = max(80, 4 * harmonics)
    turning = smooth(resample(Rings(xy, rings.offsets), count), harmonics=harmonics).turning
    width = round(count * CORNER_SHARE)
    summed = np.cumsum(np.concatenate([turning, turning[:, :width]], axis=1), axis=1)
    window = summed[:, width:] - summed[:, :-width]
    mean = 2.0 * np.pi * width / count
    return (window**2).mean(axis=1) / mean**2 - 1.0


def _fan(rings: Rings) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return vertices, the next ones, and their cross products, seen from the first vertex."""
    local = rings.xy - rings.xy[rings.start][rings.ring_of_vertex]
    after = local[rings.following]
    return local, after, _cross(local, after)


def _cross(one: FloatArray, two: FloatArray) -> FloatArray:
    return one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]


def _sums(values: FloatArray, rings: Rings) -> FloatArray:
    return np.add.reduceat(values, rings.start, axis=0)


def _second_moments(
    local: FloatArray, after: FloatArray, cross: FloatArray, rings: Rings
) -> FloatArray:
    both = local + after
    x = cross * (both[:, 0] ** 2 - local[:, 0] * after[:, 0])
    y = cross * (both[:, 1] ** 2 - local[:, 1] * after[:, 1])
    mixed = both[:, 0] * both[:, 1] - (local[:, 0] * after[:, 1] + local[:, 1] * after[:, 0]) / 2.0
    sums = _sums(np.column_stack([x, cross * mixed, cross * mixed, y]), rings) / 12.0
    return sums.reshape(-1, 2, 2)


def _long_axis(covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    xx, xy, yy = covariance[:, 0, 0], covariance[:, 0, 1], covariance[:, 1, 1]
    half = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    middle, apart = (xx + yy) / 2.0, np.hypot((xx - yy) / 2.0, xy)
    with np.errstate(divide="ignore", invalid="ignore"):
        elongation = np.sqrt((middle + apart) / (middle - apart))
    return np.column_stack([np.cos(half), np.sin(half)]), elongation
