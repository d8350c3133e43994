"""Identification room: the main pad, its front and rear edge, and its shape.

Lobes are counted from curvature: between two lobes the outline bends inwards, and how far it
turns inwards there (the *dent*, in degrees) says how plain the lobes are. Shape is read off
the widths of the pad across the axis, from its rear to its front.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.identify.shapes import (
    FloatArray,
    Moments,
    Rings,
    resample,
    skewness_along,
    smooth,
)

#: Waves around the outline that are kept: finer detail is the hand's, not the pad's.
PAD_HARMONICS: Final = 12

_POINTS: Final = 96

#: An edge counts as front or rear where its outward normal is within 60 degrees of the axis.
_EDGE_COSINE: Final = 0.5

#: A dent of less than this parts no lobes (a working choice; common practice, no source).
LOBE_DENT_DEG: Final = 20.0

_LEVELS: Final = np.linspace(0.1, 0.9, 17)


@dataclass(frozen=True, eq=False)
class PadEdges:
    """Dents in the edges of each pad, the deepest first; 0 where there is none.

    Attributes
    ----------
    rear_dents_deg : ndarray, shape (pads, 2)
    front_dent_deg : ndarray, shape (pads,)
    """

    rear_dents_deg: FloatArray
    front_dent_deg: FloatArray

    @property
    def rear_lobes(self) -> FloatArray:
        """Lobes of the rear edge: dents that part lobes, and one."""
        return 1.0 + (self.rear_dents_deg >= LOBE_DENT_DEG).sum(axis=1)

    @property
    def front_lobes(self) -> FloatArray:
        """Lobes of the front edge, one or two."""
        return np.where(self.front_dent_deg >= LOBE_DENT_DEG, 2.0, 1.0)


def pad_edges(pads: Rings) -> PadEdges:
    """Find the dents in the front and rear edges of pads.

    Parameters
    ----------
    pads : Rings
        Turned so that the axis of the print is y.

    Returns
    -------
    PadEdges

    Examples
    --------
    >>> import shapely
    >>> from carnivore_sign.identify.shapes import rings_from_geometries
    >>> disc = shapely.Point(0, 0).buffer(25)
    >>> pad_edges(rings_from_geometries([disc])).rear_lobes.tolist()
    [1.0]
    """
    outline = smooth(resample(pads, _POINTS), harmonics=PAD_HARMONICS)
    turning = np.nan_to_num(outline.turning)
    first = turning.argmax(axis=1)  # a convex place, so that no dent is cut in two
    around = (first[:, None] + np.arange(_POINTS)) % _POINTS
    turning = np.take_along_axis(turning, around, axis=1)
    outward = (-1j * np.take_along_axis(outline.tangent, around, axis=1)).imag
    dented = turning < 0
    begins = dented & ~np.roll(dented, 1, axis=1)
    run = np.cumsum(begins.ravel()).reshape(dented.shape)[dented] - 1
    row = np.nonzero(dented)[0]
    depth = -turning[dented]
    total = np.bincount(run, weights=depth)
    facing = np.bincount(run, weights=depth * outward[dented]) / total
    owner = np.zeros(len(total), dtype=np.intp)
    owner[run] = row
    degrees = np.degrees(total)
    rear = _deepest(owner, np.where(facing < -_EDGE_COSINE, degrees, 0.0), len(pads))
    front = _deepest(owner, np.where(facing > _EDGE_COSINE, degrees, 0.0), len(pads))
    return PadEdges(rear, front[:, 0])


def _deepest(owner: npt.NDArray[np.intp], depth: FloatArray, count: int) -> FloatArray:
    """Return the two greatest depths of each owner, shape (count, 2)."""
    order = np.lexsort((-depth, owner))
    owner, depth = owner[order], depth[order]
    rank = np.arange(len(owner)) - np.searchsorted(owner, owner)
    found = np.zeros((count, 2))
    kept = rank < 2
    found[owner[kept], rank[kept]] = depth[kept]
    return found


def pad_axes(pads: Rings, shapes: Moments) -> FloatArray:
    """Return the axis of each pad by its shape alone, towards its narrower side.

    The axis is that about which the outline is its own mirror image, as nearly as it is about
    any. Written as a Fourier series, z(s) = sum_k c_k exp(i k s), the outline reflected about
    an axis at the angle a, and run backwards from s0, has the coefficients exp(2 i a) conj(c_k)
    exp(-i k s0); its product with the outline is greatest where |sum_k c_k^2 exp(i k s0)| is,
    and 2 a is the argument of that sum. Pads narrow to the front (common practice, no source).

    Parameters
    ----------
    pads : Rings
    shapes : Moments
        Of the same rings.

    Returns
    -------
    ndarray, shape (pads, 2)
        Unit vectors.

    Examples
    --------
    >>> import shapely
    >>> from carnivore_sign.identify.shapes import polygon_moments, rings_from_geometries
    >>> tip = rings_from_geometries([shapely.Polygon([(-2, 0), (2, 0), (0, 3)])])
    >>> pad_axes(tip, polygon_moments(tip)).round(1).tolist()
    [[0.0, 1.0]]
    """
    outline = smooth(resample(pads, _POINTS), harmonics=PAD_HARMONICS).point
    series = np.fft.fft(outline - outline.mean(axis=1, keepdims=True), axis=1)
    likeness = np.fft.ifft(series**2, axis=1)
    best = likeness[np.arange(len(pads)), np.abs(likeness).argmax(axis=1)]
    angle = np.angle(best) / 2.0
    axis = np.column_stack([np.cos(angle), np.sin(angle)])
    skew = skewness_along(pads, shapes, axis)
    return axis * np.where(skew < 0, -1.0, 1.0)[:, None] + 0.0


@dataclass(frozen=True, eq=False)
class PadShape:
    """Shape of each pad from its widths across the axis.

    Attributes
    ----------
    top_to_base : ndarray, shape (pads,)
        Width at four fifths of the length over width at one fifth: 1 for a rectangle, 1/4 for
        a triangle whose tip is its front.
    front_width_ratio : ndarray, shape (pads,)
        Width a tenth of the length behind the front, over the greatest width: 1 for a
        rectangle, 0.6 for an ellipse, 0.1 for a triangle.
    pinch : ndarray, shape (pads,)
        How far the sides are hollow: the most that the width falls short of the width between
        two wider places, over the greatest width. 0 for every convex pad.
    """

    top_to_base: FloatArray
    front_width_ratio: FloatArray
    pinch: FloatArray


def pad_shape(pads: Rings) -> PadShape:
    """Read the shape of pads off their widths.

    Parameters
    ----------
    pads : Rings
        Turned so that the axis of the print is y, front up.

    Returns
    -------
    PadShape

    Examples
    --------
    >>> import shapely
    >>> from carnivore_sign.identify.shapes import rings_from_geometries
    >>> tip = rings_from_geometries([shapely.Polygon([(-1, 0), (1, 0), (0, 2)])])
    >>> shape = pad_shape(tip)
    >>> shape.top_to_base.round(3).tolist(), shape.front_width_ratio.round(3).tolist()
    ([0.25], [0.1])
    """
    widths = widths_across(pads, _LEVELS)
    across = np.maximum.reduceat(pads.xy[:, 0], pads.start)
    across = across - np.minimum.reduceat(pads.xy[:, 0], pads.start)
    with np.errstate(divide="ignore", invalid="ignore"):
        return PadShape(
            top_to_base=widths[:, 14] / widths[:, 2],
            front_width_ratio=widths[:, -1] / across,
            pinch=_shortfall(widths) / across,
        )


def widths_across(rings: Rings, levels: FloatArray) -> FloatArray:
    """Return the width of each shape across y at shares of its length, exact for polygons.

    Parameters
    ----------
    rings : Rings
    levels : ndarray, shape (levels,)
        Shares of the extent along y, 0 the rear and 1 the front.

    Returns
    -------
    ndarray, shape (rings, levels)
        From the leftmost to the rightmost crossing.
    """
    x, y = rings.xy[:, 0], rings.xy[:, 1]
    low = np.minimum.reduceat(y, rings.start)
    high = np.maximum.reduceat(y, rings.start)
    ring = rings.ring_of_vertex
    wanted = low[ring, None] + (high - low)[ring, None] * levels
    after = rings.following
    rise = (y[after] - y)[:, None]
    crossed = (y[:, None] <= wanted) != (y[after][:, None] <= wanted)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = x[:, None] + (wanted - y[:, None]) / rise * (x[after] - x)[:, None]
    right = np.maximum.reduceat(np.where(crossed, at, -np.inf), rings.start, axis=0)
    left = np.minimum.reduceat(np.where(crossed, at, np.inf), rings.start, axis=0)
    return right - left


def _shortfall(widths: FloatArray) -> FloatArray:
    """Return how far widths fall below the straight line between two others, at most."""
    count = widths.shape[1]
    worst = np.zeros(len(widths))
    for middle in range(1, count - 1):
        before, after = np.arange(middle), np.arange(middle + 1, count)
        share = (middle - before)[:, None] / (after[None, :] - before[:, None])
        line = widths[:, before, None] * (1 - share) + widths[:, None, after] * share
        worst = np.maximum(worst, line.max(axis=(1, 2)) - widths[:, middle])
    return np.asarray(worst)
