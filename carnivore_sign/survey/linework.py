"""Linework: segments as short straight pieces on a grid, and the passes of lines near points.

A *pass* is one stretch of a transect that comes within reach of a point: the run of pieces,
each continuing the one before it, that lie within the tolerance. A straight road gives one
pass; a crossing, a parallel track or the other leg of a hairpin gives a second. For each pass
the nearest place is known: which segment, how far along the transect, how far off.

Pieces are laid on a grid of square cells, each in all cells that it comes within reach of, so
that a point looks into one cell only. Distances are planar in the working CRS and scaled to
the ellipsoid piece by piece; metres along are interpolated in geodesic lengths.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.space import distances_m, project, stored

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Points looked up in one go: small enough for the arrays to stay in the processor's cache.
_CHUNK: Final = 65_536

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
    order = np.lexsort((segments["from_m"], segments["transect"].astype("object")))
    ordered = segments.iloc[order]
    geographic = stored(ordered, "the segments").geometry.to_numpy()
    planar = project(ordered, crs).geometry.to_numpy()
    parts, owner = shapely.get_parts(geographic, return_index=True)
    lonlat, part = shapely.get_coordinates(parts, return_index=True)
    xy = shapely.get_coordinates(planar)
    _refuse_far_apart(ordered, owner[part], xy)
    edge = np.flatnonzero((part[1:] == part[:-1]) & (xy[1:] != xy[:-1]).any(axis=1))
    length_m = distances_m(*lonlat[edge].T, *lonlat[edge + 1].T)
    segment = owner[part[edge]]
    along = _starts(ordered, segment, length_m)
    flat = np.hypot(*(xy[edge + 1] - xy[edge]).T)
    count = np.maximum(np.ceil(flat / longest_piece_m), 1).astype(int)
    of_edge = np.repeat(np.arange(len(edge)), count)
    nth = np.arange(len(of_edge)) - np.repeat(np.cumsum(count) - count, count)
    share = 1 / count[of_edge]
    step = (xy[edge + 1] - xy[edge])[of_edge] * share[:, None]
    begin = xy[edge][of_edge] + step * nth[:, None]
    piece_m = length_m[of_edge] * share
    transects = ordered["transect"].astype("object").to_numpy()[segment[of_edge]]
    joins = nth > 0
    first = np.flatnonzero(~joins)[1:]
    follows = (xy[edge[1:]] == xy[edge[:-1] + 1]).all(axis=1)
    joins[first] = follows & (transects[first] == transects[first - 1])
    return Linework(
        x=begin[:, 0], y=begin[:, 1], dx=step[:, 0], dy=step[:, 1],
        from_m=along[of_edge] + piece_m * nth, length_m=piece_m,
        scale=(length_m / flat)[of_edge], segment=order[segment[of_edge]], joins=joins, crs=crs,
    )  # fmt: skip


def _refuse_far_apart(segments: gpd.GeoDataFrame, owner: IntArray, xy: FloatArray) -> None:
    lost = ~np.isfinite(xy).all(axis=1)
    if lost.any():
        names = sorted(set(segments["transect"].iloc[np.unique(owner[lost])]))
        raise InputError(
            f"transects too far from the others for one working CRS: {', '.join(names[:5])}",
            remedy="Check their coordinates and CRS, or keep each region in a season of its own.",
        )


def _starts(segments: gpd.GeoDataFrame, segment: IntArray, length_m: FloatArray) -> FloatArray:
    """Metres along the transect at which each edge begins, fitted to ``from_m`` and ``to_m``."""
    through = np.cumsum(length_m) - length_m
    first = np.searchsorted(segment, np.arange(len(segments)))
    within = through - through[np.minimum(first, len(through) - 1)][segment]
    measured = np.bincount(segment, weights=length_m, minlength=len(segments))
    from_m = segments["from_m"].to_numpy(dtype=float)
    stated = segments["to_m"].to_numpy(dtype=float) - from_m
    return from_m[segment] + within * (stated / measured)[segment]


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
    near = offset <= grid.reach_m
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
    cell = np.searchsorted(grid.key, key)
    cell[cell == len(grid.key)] = 0
    known = grid.key[cell] == key
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
