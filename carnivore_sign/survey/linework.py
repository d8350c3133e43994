"""Linework: segments as short straight pieces on a grid, and the passes of lines near points.

A *pass* is one stretch of a transect that comes within reach of a point: the run of pieces,
each continuing the one before it, that lie within the tolerance. A straight road gives one
pass; a crossing, a parallel track or the other leg of a hairpin gives a second. For each pass
the nearest place is known: which segment, how far along the transect, how far off.

Pieces are laid on a grid of square cells, each in all cells that it comes within reach of, so
that a point looks into one cell only. Distances are planar in the working CRS and scaled to
the ellipsoid; metres along add up to the geodesic length of the segment.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.space import STORED_CRS, distances_m, project

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Points looked up in one go: small enough for the arrays to stay in the processor's cache.
_CHUNK: Final = 65_536

#: In a segment up to this long the scale of a UTM zone changes by less than 0.00004, which
#: misplaces a point by 2 cm at most.
LONG_SEGMENT_M: Final = 5000.0

_MOST_CELLS: Final = 2**62


@dataclass(frozen=True)
class Linework:
    """Pieces of all segments, in order along each transect.

    Attributes
    ----------
    x, y, dx, dy : array
        Start and extent of each piece in the working CRS, metres.
    from_m, length_m : array
        Where the piece begins along its transect, and its geodesic length.
    scale : array
        Ground metres per metre of the working CRS, at the piece.
    segment : array of int
        Row of the segment in the frame that was given.
    joins : array of bool
        Whether the piece continues the one in front of it.
    crs : pyproj.CRS
        The working CRS.
    """

    x: FloatArray
    y: FloatArray
    dx: FloatArray
    dy: FloatArray
    from_m: FloatArray
    length_m: FloatArray
    scale: FloatArray
    segment: IntArray
    joins: npt.NDArray[np.bool_]
    crs: pyproj.CRS


@dataclass(frozen=True)
class Grid:
    """Which pieces each cell holds: pieces ``piece[start[c]:start[c + 1]]`` for cell ``key[c]``."""

    lines: Linework
    reach_m: float
    cell_m: float
    x0: float
    y0: float
    rows: int
    columns: int
    key: IntArray
    start: IntArray
    piece: IntArray


@dataclass(frozen=True)
class Passes:
    """Lines within reach of points, in order of the points and then along the lines.

    Attributes
    ----------
    point : array of int
        Row of the point.
    segment : array of int
        Row of the segment that is nearest on this pass.
    along_m : array
        Metres along the transect of the nearest place.
    offset_m : array
        Distance from the point to it, metres.
    """

    point: IntArray
    segment: IntArray
    along_m: FloatArray
    offset_m: FloatArray

    def __len__(self) -> int:
        return len(self.point)


def lay_lines(
    segments: gpd.GeoDataFrame, crs: pyproj.CRS, *, longest_piece_m: float = 60.0
) -> Linework:
    """Break segments into straight pieces no longer than `longest_piece_m`.

    Parameters
    ----------
    segments : GeoDataFrame
        As `records.tables.SEGMENTS`.
    crs : pyproj.CRS
        Projected working CRS, in metres.
    longest_piece_m : float
        Longer edges are divided, metres.

    Raises
    ------
    InputError
        If there are no segments, or some lie where the working CRS does not reach.
    GeographicCrs
        If `crs` is in degrees.
    """
    if not len(segments):
        raise InputError(
            "there are no segments to match to", remedy="Import transects and cut them first."
        )
    transect = pd.factorize(segments["transect"], sort=True)[0]
    order = np.lexsort((segments["from_m"], transect))
    ordered = segments.iloc[order]
    begin, end, segment = _edges(ordered, crs)
    flat_m = np.hypot(*(end - begin).T)
    length_m = _ground_lengths(ordered, segment, begin, end, crs)
    line = transect[order][segment]
    follows = np.zeros(len(segment), dtype=bool)
    follows[1:] = (begin[1:] == end[:-1]).all(axis=1) & (line[1:] == line[:-1])

    count = np.maximum(np.ceil(flat_m / longest_piece_m), 1).astype(np.int64)
    edge = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
    dx, dy = ((end - begin) / count[:, None])[edge].T
    x, y = begin[edge].T
    piece_m = (length_m / count)[edge]
    from_m = _starts(ordered, segment, length_m)[edge] + piece_m * nth
    return Linework(
        x=x + dx * nth, y=y + dy * nth, dx=dx, dy=dy, from_m=from_m, length_m=piece_m,
        scale=(length_m / flat_m)[edge], segment=order[segment[edge]],
        joins=(nth > 0) | follows[edge], crs=crs,
    )  # fmt: skip


def _edges(segments: gpd.GeoDataFrame, crs: pyproj.CRS) -> tuple[FloatArray, FloatArray, IntArray]:
    """Ends of every edge in the working CRS, shape (edges, 2), and the segment it is of."""
    lines = project(segments, crs).geometry.to_numpy()
    parts, owner = shapely.get_parts(lines, return_index=True)
    xy, part = shapely.get_coordinates(parts, return_index=True)
    _refuse_far_apart(segments, owner[part], xy)
    edge = np.flatnonzero((part[1:] == part[:-1]) & (xy[1:] != xy[:-1]).any(axis=1))
    return xy[edge], xy[edge + 1], owner[part[edge]]


def _ground_lengths(
    segments: gpd.GeoDataFrame,
    segment: IntArray,
    begin: FloatArray,
    end: FloatArray,
    crs: pyproj.CRS,
) -> FloatArray:
    """Lengths of edges on the ellipsoid, which add up to the length of their segment.

    Within a segment of up to `LONG_SEGMENT_M` the scale of the working CRS is as good as
    constant; edges of longer ones are measured one by one.
    """
    stated = (segments["to_m"] - segments["from_m"]).to_numpy(dtype=float)
    length_m = np.hypot(*(end - begin).T)
    long = (stated > LONG_SEGMENT_M)[segment]
    if long.any():
        to_degrees = pyproj.Transformer.from_crs(crs, STORED_CRS, always_xy=True)
        ends = (axis for xy in (begin[long], end[long]) for axis in to_degrees.transform(*xy.T))
        length_m[long] = distances_m(*ends)
    measured = np.bincount(segment, weights=length_m, minlength=len(segments))
    return length_m * (stated[segment] / measured[segment])


def _refuse_far_apart(segments: gpd.GeoDataFrame, owner: IntArray, xy: FloatArray) -> None:
    lost = ~np.isfinite(xy).all(axis=1)
    if lost.any():
        names = sorted(set(segments["transect"].iloc[np.unique(owner[lost])]))
        raise InputError(
            f"transects too far from the others for one working CRS: {', '.join(names[:5])}",
            remedy="Check their coordinates and CRS, or keep each region in a season of its own.",
        )


def _starts(segments: gpd.GeoDataFrame, segment: IntArray, length_m: FloatArray) -> FloatArray:
    """Metres along the transect at which each edge begins."""
    through = np.cumsum(length_m) - length_m
    first = np.flatnonzero(np.diff(segment, prepend=-1))
    within = through - np.repeat(through[first], np.diff(np.append(first, len(segment))))
    return segments["from_m"].to_numpy(dtype=float)[segment] + within


def lay_grid(lines: Linework, *, reach_m: float) -> Grid:
    """Enter each piece in every cell that it comes within `reach_m` of."""
    reach = reach_m / lines.scale.min()
    cell = max(2 * reach, 1.0)
    x0 = float(np.minimum(lines.x, lines.x + lines.dx).min() - reach - cell)
    y0 = float(np.minimum(lines.y, lines.y + lines.dy).min() - reach - cell)
    low_x, high_x = _cells(lines.x, lines.dx, x0, reach, cell)
    low_y, high_y = _cells(lines.y, lines.dy, y0, reach, cell)
    columns, rows = int(high_x.max()) + 2, int(high_y.max()) + 2
    if columns * rows > _MOST_CELLS:
        raise InputError(f"a tolerance of {reach_m} m is too small", remedy="Give metres: 30.")
    wide, high = high_x - low_x + 1, high_y - low_y + 1
    piece = np.repeat(np.arange(len(lines.x)), wide * high)
    nth = np.arange(len(piece)) - np.repeat(np.cumsum(wide * high) - wide * high, wide * high)
    column, row = low_x[piece] + nth // high[piece], low_y[piece] + nth % high[piece]
    off = _distances(lines, piece, x0 + (column + 0.5) * cell, y0 + (row + 0.5) * cell)[0]
    near = off <= (reach + cell * np.sqrt(0.5)) ** 2
    key, piece = (column * rows + row)[near], piece[near]
    order = np.argsort(key, kind="stable")
    keys, start = np.unique(key[order], return_index=True)
    return Grid(
        lines, reach_m, cell, x0, y0, rows, columns, keys,
        np.append(start, len(key)), piece[order],
    )  # fmt: skip


def _cells(
    at: FloatArray, extent: FloatArray, zero: float, reach: float, cell: float
) -> tuple[IntArray, IntArray]:
    low = np.minimum(at, at + extent) - reach - zero
    high = np.maximum(at, at + extent) + reach - zero
    return np.floor(low / cell).astype(np.int64), np.floor(high / cell).astype(np.int64)


def _distances(
    lines: Linework, piece: IntArray, x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Squared planar distances of points from pieces, and the share along the piece."""
    dx, dy = lines.dx[piece], lines.dy[piece]
    px, py = x - lines.x[piece], y - lines.y[piece]
    share = (px * dx + py * dy) / (dx * dx + dy * dy)
    np.clip(share, 0.0, 1.0, out=share)
    px -= share * dx
    py -= share * dy
    return px * px + py * py, share


def find_passes(grid: Grid, x: FloatArray, y: FloatArray) -> Passes:
    """Find every pass of a line within reach of each point.

    Parameters
    ----------
    grid : Grid
        From `lay_grid`; its ``reach_m`` is the farthest that a line may be.
    x, y : array of float
        Points in the working CRS, metres. Points that are not finite have no passes.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    starts = range(0, max(len(x), 1), _CHUNK)
    found = [_passes_of_chunk(grid, x[s : s + _CHUNK], y[s : s + _CHUNK], s) for s in starts]
    return Passes(*(np.concatenate(column) for column in zip(*found, strict=True)))


def _passes_of_chunk(
    grid: Grid, x: FloatArray, y: FloatArray, first: int
) -> tuple[IntArray, IntArray, FloatArray, FloatArray]:
    lines = grid.lines
    point, piece = _pairs(grid, x, y)
    squared, share = _distances(lines, piece, x[point], y[point])
    offset = np.sqrt(squared) * lines.scale[piece]
    near = np.flatnonzero(offset <= grid.reach_m)
    point, piece, offset, share = point[near], piece[near], offset[near], share[near]
    if not len(point):
        return point, point, offset, offset
    new = np.ones(len(point), dtype=bool)
    new[1:] = (point[1:] != point[:-1]) | (piece[1:] != piece[:-1] + 1) | ~lines.joins[piece[1:]]
    best = first_smallest(offset, np.flatnonzero(new))
    point, piece = point[best], piece[best]
    along = lines.from_m[piece] + share[best] * lines.length_m[piece]
    return point + first, lines.segment[piece], along, offset[best]


def _pairs(grid: Grid, x: FloatArray, y: FloatArray) -> tuple[IntArray, IntArray]:
    """Points and the pieces entered in their cells."""
    with np.errstate(invalid="ignore"):
        column, row = (x - grid.x0) / grid.cell_m, (y - grid.y0) / grid.cell_m
        inside = (column >= 0) & (column < grid.columns) & (row >= 0) & (row < grid.rows)
    point = np.flatnonzero(inside)
    key = column[point].astype(np.int64) * grid.rows + row[point].astype(np.int64)
    # Fixes follow each other: most are in the cell of the one in front of them.
    changes = np.diff(key, prepend=-1) != 0
    cell = np.searchsorted(grid.key, key[changes])
    cell[cell == len(grid.key)] = 0
    cell[grid.key[cell] != key[changes]] = -1
    cell = cell[np.cumsum(changes) - 1]
    known = np.flatnonzero(cell >= 0)
    point, cell = point[known], cell[known]
    count = grid.start[cell + 1] - grid.start[cell]
    skip = np.cumsum(count) - count
    entry = np.arange(int(count.sum())) + np.repeat(grid.start[cell] - skip, count)
    return np.repeat(point, count), grid.piece[entry]


def first_smallest(values: FloatArray, starts: IntArray) -> IntArray:
    """Position of the first smallest value of each run that begins at `starts`.

    Examples
    --------
    >>> first_smallest(np.array([3.0, 1.0, 1.0, 5.0, 4.0]), np.array([0, 3])).tolist()
    [1, 4]
    """
    lengths = np.diff(np.append(starts, len(values)))
    smallest = np.repeat(np.minimum.reduceat(values, starts), lengths)
    at = np.flatnonzero(values == smallest)
    run = np.repeat(np.arange(len(starts)), lengths)[at]
    return at[np.flatnonzero(np.diff(run, prepend=-1))]


def nearest_pass(passes: Passes, points: int) -> IntArray:
    """Row in `passes` of the nearest pass of each of `points` points; -1 where there is none."""
    chosen = np.full(points, -1)
    if len(passes):
        starts = np.flatnonzero(np.diff(passes.point, prepend=-1))
        best = first_smallest(passes.offset_m, starts)
        chosen[passes.point[best]] = best
    return chosen
