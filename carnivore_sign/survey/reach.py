"""Reach: the lines near fixes, looked for among the segments that any fix comes near.

A season's logs touch a small part of a country's transects. Boxes around the segments tell
cheaply which of them no fix can reach; only the others are laid on a grid (``linework.py``).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from carnivore_sign.space import STORED_CRS
from carnivore_sign.survey.linework import Passes, find_passes, lay_grid, lay_lines

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Cells in which fixes are looked for are no smaller than this, metres.
_CELL_M: Final = 500.0

#: A box is widened by this share of its size: its edges bend where they are projected.
_BEND: Final = 0.02

#: A box over more cells than this is taken to be near, and not looked at cell by cell.
_MOST_CELLS: Final = 10_000


def passes_near(
    segments: gpd.GeoDataFrame,
    crs: pyproj.CRS,
    x: FloatArray,
    y: FloatArray,
    *,
    reach_m: float,
) -> Passes:
    """Find every pass of a segment within reach of points.

    Parameters
    ----------
    segments : GeoDataFrame
        As `records.tables.SEGMENTS`, EPSG:4326.
    crs : pyproj.CRS
        Projected working CRS, in metres.
    x, y : array
        Points in it, metres. Points that are not finite have no passes.
    reach_m : float
        Farthest that a line may be, metres.

    Returns
    -------
    Passes
        ``segment`` counts the rows of `segments`.
    """
    x, y = np.ascontiguousarray(x, dtype=float), np.ascontiguousarray(y, dtype=float)
    rows = np.flatnonzero(may_reach(segments, crs, x, y, reach_m=reach_m))
    if not len(rows):
        none, nowhere = np.empty(0, dtype=np.int64), np.empty(0)
        return Passes(none, none, nowhere, nowhere)
    grid = lay_grid(lay_lines(segments.iloc[rows], crs), reach_m=reach_m)
    passes = find_passes(grid, x, y)
    return replace(passes, segment=rows[passes.segment])


def may_reach(
    segments: gpd.GeoDataFrame,
    crs: pyproj.CRS,
    x: FloatArray,
    y: FloatArray,
    *,
    reach_m: float,
) -> BoolArray:
    """Whether a point may be within reach of each segment: never false where one is."""
    cell = max(_CELL_M, 20 * reach_m)
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        return np.zeros(len(segments), dtype=bool)
    x, y = (x, y) if known.all() else (x[known], y[known])
    x0, y0 = float(x.min()), float(y.min())
    rows = int((float(y.max()) - y0) // cell) + 1
    occupied = _occupied((x - x0) // cell * rows + (y - y0) // cell)

    low, high = _boxes(segments, crs, reach_m)
    first, last = (np.floor((corner - (x0, y0)) / cell) for corner in (low, high))
    size = last - first + 1
    unlimited = ~np.isfinite(size).all(axis=1) | (size.prod(axis=1) > _MOST_CELLS)
    box, column, row = _cells_of(first[~unlimited], size[~unlimited])
    inside = (row >= 0) & (row < rows) & (column >= 0)
    key = column * rows + row
    at = np.minimum(np.searchsorted(occupied, key), len(occupied) - 1)
    met = np.zeros(int((~unlimited).sum()), dtype=bool)
    met[box[inside & (occupied[at] == key)]] = True
    near = unlimited.copy()
    near[~unlimited] = met
    return near


def _occupied(key: FloatArray) -> IntArray:
    """Cells with a point; most points are in the cell of the one in front of them."""
    whole = key.astype(np.int64)
    return np.unique(whole[np.append(True, whole[1:] != whole[:-1])])


def _boxes(
    segments: gpd.GeoDataFrame, crs: pyproj.CRS, reach_m: float
) -> tuple[FloatArray, FloatArray]:
    """Lower and upper corners of boxes around all that is within reach, shape (segments, 2)."""
    bounds = shapely.bounds(segments.geometry.to_numpy())
    to_plane = pyproj.Transformer.from_crs(STORED_CRS, crs, always_xy=True)
    corners = np.stack(to_plane.transform(bounds[:, [0, 0, 2, 2]], bounds[:, [1, 3, 1, 3]]))
    low, high = corners.min(axis=2).T, corners.max(axis=2).T
    with np.errstate(invalid="ignore"):
        wider = 1.1 * reach_m + _BEND * (high - low).max(axis=1, keepdims=True)
        return low - wider, high + wider


def _cells_of(first: FloatArray, size: FloatArray) -> tuple[IntArray, IntArray, IntArray]:
    """Cells of each box: the box, the column and the row."""
    wide, tall = size.astype(np.int64).T
    count = wide * tall
    box = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(box)) - np.repeat(np.cumsum(count) - count, count)
    column, row = first.astype(np.int64)[box].T
    return box, column + nth // tall[box], row + nth % tall[box]
