"""Segments: transects cut into pieces of a chosen length along the ellipsoid.

A segment is the unit of effort and of presence. It is named after its transect and its number
from the digitised start, ``MESA ROAD#003``, so that the names stay when a transect is cut again
at the same length or extended at its end; see `cut_segments` for one that is extended at its
start or digitised the other way.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import SEGMENTS
from carnivore_sign.space import STORED_CRS, distances_m, stored
from carnivore_sign.survey.measured import (
    SAME_PLACE_M,
    Chain,
    checked_lines,
    cut_chain,
    measure_lines,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Shapes = npt.NDArray[np.object_]

#: A rest at the end of a transect shorter than this share of the length joins the last segment.
SHORTEST_REST: Final = 0.2

#: A transect that passes the start of its earlier self no nearer than this is another one.
_SAME_START_M: Final = 100.0


def cut_segments(
    transects: gpd.GeoDataFrame,
    *,
    length_m: float = 1000.0,
    breaks: gpd.GeoDataFrame | None = None,
    earlier: gpd.GeoDataFrame | None = None,
) -> gpd.GeoDataFrame:
    """Cut transects into segments of equal length, in order from their digitised start.

    Lengths are geodesic, on the WGS84 ellipsoid, summed along the line. A rest at the end that
    is shorter than a fifth of `length_m` joins the last segment; a longer rest is a segment of
    its own. So a segment is between 0.2 and 1.2 times `length_m` long, or the whole transect
    where that is shorter. Parts of a multi-part line are joined where their ends meet (they
    take the direction of the first part); where they do not meet they are measured through in
    the order of the parts, and the gap between them has no length.

    Parameters
    ----------
    transects : GeoDataFrame
        As `records.tables.TRANSECTS`: column ``transect``, perhaps ``surface``, and lines in
        any CRS.
    length_m : float
        Wanted length of a segment, metres.
    breaks : GeoDataFrame, optional
        Points at which to cut instead (gates, drainages), with a column ``transect``. Each cuts
        its transect at the place nearest to it, and `length_m` is not used for that transect.
    earlier : GeoDataFrame, optional
        Segments of these transects as they were cut before, at the same length. A transect
        that was digitised again the other way, or extended at its start, keeps the names and
        places that it had; what lies in front of its old start is named ``MESA#-001`` and on,
        counted away from it. One extended at its end keeps them without.

    Returns
    -------
    GeoDataFrame
        As `records.tables.SEGMENTS`, EPSG:4326, in order of `transects` and along each.

    Raises
    ------
    TableFaults
        Naming every row that has no name, a name twice, no line, or a line of no length.
    CrsMissing
        If the lines have no CRS.
    InputError
        If `length_m` is not above zero, a break names no transect, or a transect no longer
        passes where it began earlier.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import LineString
    >>> road = gpd.GeoDataFrame(
    ...     {"transect": ["MESA"]}, geometry=[LineString([(0, 0), (0.019, 0)])], crs="EPSG:4326"
    ... )
    >>> segments = cut_segments(road, length_m=1000)
    >>> list(segments["segment"]), [round(length, 1) for length in segments["length_m"]]
    (['MESA#001', 'MESA#002'], [1000.0, 1115.1])
    """
    if not (np.isfinite(length_m) and length_m > 0):
        raise InputError(
            f"the length of a segment is {length_m} m", remedy="Give metres above zero: 1000."
        )
    frame, lines = checked_lines(transects)
    ahead_m = np.zeros(len(frame))
    if earlier is not None and len(earlier):
        lines, ahead_m = _as_before(frame, lines, earlier)
    chain = measure_lines(lines)
    owner, from_m, to_m, number = _bounds(chain.total_m, length_m, ahead_m)
    if breaks is not None and len(breaks):
        owner, from_m, to_m = _own_bounds(frame, lines, chain, breaks, (owner, from_m, to_m))
        number = np.arange(len(owner)) - np.searchsorted(owner, owner) + 1
    names = frame["transect"].astype("object").to_numpy()[owner]
    table = {
        "segment": [f"{name}#{_numbered(n)}" for name, n in zip(names, number, strict=True)],
        "transect": names,
        "from_m": from_m,
        "to_m": to_m,
        "length_m": to_m - from_m,
    }
    if "surface" in frame:
        table["surface"] = frame["surface"].to_numpy()[owner]
    shapes = cut_chain(chain, owner, from_m)
    cut = gpd.GeoDataFrame(table, geometry=list(shapes), crs=STORED_CRS)
    return conform(cut, SEGMENTS)


def _numbered(number: int) -> str:
    """Write the number of a segment: 001 from the old start on, -001 in front of it."""
    return f"{number:03d}" if number > 0 else f"-{1 - number:03d}"


def _bounds(
    total_m: FloatArray, length_m: float, ahead_m: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, IntArray]:
    """Transect, ends and number of each segment; numbers from 1 begin `ahead_m` from the start."""
    in_front = np.floor(ahead_m / length_m + 1 - SHORTEST_REST + 1e-9).astype(int)
    behind = np.floor((total_m - ahead_m) / length_m + 1 - SHORTEST_REST + 1e-9).astype(int)
    count = in_front + behind.clip(min=1)
    owner = np.repeat(np.arange(len(total_m)), count)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    number = nth - in_front[owner] + 1
    starts = ahead_m[owner] + (number - 1) * float(length_m)
    from_m = np.where(nth == 0, 0.0, starts)
    ends = ahead_m[owner] + number * float(length_m)
    to_m = np.where(nth == count[owner] - 1, total_m[owner], ends)
    return owner, from_m, to_m, number


def _as_before(
    frame: gpd.GeoDataFrame, lines: Shapes, earlier: gpd.GeoDataFrame
) -> tuple[Shapes, FloatArray]:
    """Turn lines to the direction that they had, and say how far in each begins as it did."""
    known = stored(earlier, "the earlier segments")
    is_first = known["segment"].astype("object").str.endswith(f"#{_numbered(1)}")
    first = known[is_first].set_index("transect").geometry
    lines, ahead_m = lines.copy(), np.zeros(len(lines))
    for row, name in enumerate(frame["transect"]):
        if name in first.index:
            ends = shapely.get_coordinates(first[name])[[0, -1]]
            lines[row], ahead_m[row] = _turned(str(name), lines[row], ends)
    return lines, ahead_m


def _turned(name: str, line: shapely.Geometry, ends: FloatArray) -> tuple[shapely.Geometry, float]:
    """Turn one line so that it passes `ends` of its old first segment in order.

    A closed line is begun at its old start.
    """
    line = _begun_at(line, ends[0]) if shapely.is_closed(line) else line
    ways = []
    for way in (line, shapely.reverse(line)):
        chain = measure_lines(np.array([way], dtype=object))
        start, then = _measure_points(way, chain, 0, shapely.points(ends))
        ways.append((then - start if then > start else np.inf, way, float(start)))
    _, turned, ahead = min(ways, key=lambda told: told[0])
    at = shapely.get_coordinates(shapely.line_interpolate_point(
        turned, shapely.line_locate_point(turned, shapely.points(ends[0]))
    ))[0]  # fmt: skip
    if distances_m(*ends[0], *at) > _SAME_START_M:
        raise InputError(
            f"transect '{name}' no longer passes where it began earlier",
            remedy="It is another transect: give it another name, or leave it out of 'earlier'.",
        )
    return turned, ahead if ahead > SAME_PLACE_M else 0.0


def _begun_at(ring: shapely.LineString, place: FloatArray) -> shapely.LineString:
    """Begin a closed line at the place on it that is nearest to `place`."""
    at = shapely.line_locate_point(ring, shapely.points(place))
    points = shapely.get_coordinates(ring)
    through = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    start = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
    before, after = points[through < at], points[:-1][through[:-1] > at]
    return shapely.LineString(np.concatenate([start, after, before, start]))


def _own_bounds(
    frame: gpd.GeoDataFrame,
    lines: Shapes,
    chain: Chain,
    breaks: gpd.GeoDataFrame,
    equal: tuple[IntArray, FloatArray, FloatArray],
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Replace the equal cuts of the transects that have breaks of their own."""
    place = stored(breaks, "the breaks")
    rows = pd.Index(frame["transect"]).get_indexer(place["transect"])
    if (rows < 0).any():
        strange = sorted(set(place["transect"][rows < 0].astype(str)))
        raise InputError(
            f"breaks name transects that do not exist: {', '.join(strange)}",
            remedy=f"The transects are {', '.join(frame['transect'].astype(str))}.",
        )
    owners, froms, tos = [], [], []
    for row in range(len(lines)):
        own = rows == row
        if own.any():
            cuts = _measure_points(lines[row], chain, row, place.geometry.to_numpy()[own])
            total = chain.total_m[row]
            inner = np.unique(cuts[(cuts > SAME_PLACE_M) & (cuts < total - SAME_PLACE_M)])
            inner = inner[np.diff(inner, prepend=-1.0) > SAME_PLACE_M]
            ends = np.concatenate([[0.0], inner, [total]])
            low, high = ends[:-1], ends[1:]
        else:
            low, high = equal[1][equal[0] == row], equal[2][equal[0] == row]
        owners.append(np.full(len(low), row))
        froms.append(low)
        tos.append(high)
    return np.concatenate(owners), np.concatenate(froms), np.concatenate(tos)


def _measure_points(line: shapely.Geometry, chain: Chain, row: int, points: Shapes) -> FloatArray:
    """Metres along one transect of the places nearest to `points`.

    Longitudes are shortened to the scale of latitude first, so that *nearest* is nearest on
    the ground.
    """
    shrink = np.cos(np.radians(shapely.get_coordinates(line)[:, 1].mean()))
    flat, near = (
        shapely.transform(shape, lambda xy: xy * [shrink, 1.0]) for shape in (line, points)
    )
    vertices = shapely.get_coordinates(flat)
    part = shapely.get_coordinates(shapely.get_parts(flat), return_index=True)[1]
    step = np.hypot(*np.diff(vertices, axis=0).T) * (np.diff(part) == 0)
    planar = np.concatenate([[0.0], np.cumsum(step)])
    first = np.searchsorted(chain.global_m, chain.base_m[row], side="right") - 1
    metres = chain.global_m[first : first + len(planar)] - chain.base_m[row]
    return np.interp(shapely.line_locate_point(flat, near), planar, metres)
