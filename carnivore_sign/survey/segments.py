"""Segments: transects cut into pieces of a chosen length along the ellipsoid.

A segment is the unit of effort and of presence. It is named after its transect and its number
from the digitised start, ``MESA ROAD#003``, so that the names stay when a transect is cut again
at the same length or extended at its end.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import InputError, TableFaults
from carnivore_sign.records.check import FAULT_COLUMNS, conform
from carnivore_sign.records.tables import SEGMENTS
from carnivore_sign.space import GEOD, STORED_CRS, distances_m, line_lengths_m, stored

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Shapes = npt.NDArray[np.object_]

#: A rest at the end of a transect shorter than this share of the length joins the last segment.
SHORTEST_REST: Final = 0.2

_SAME_PLACE_M: Final = 1e-6


@dataclass(frozen=True)
class _Chain:
    """Vertices of all transects in one row, measured through.

    `global_m` runs through all transects; `base_m` is where each transect begins on it.
    """

    lon: FloatArray
    lat: FloatArray
    part: IntArray
    global_m: FloatArray
    base_m: FloatArray
    total_m: FloatArray


def cut_segments(
    transects: gpd.GeoDataFrame,
    *,
    length_m: float = 1000.0,
    breaks: gpd.GeoDataFrame | None = None,
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
        If `length_m` is not above zero, or a break names no transect.

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
    frame = stored(transects, "the transects")
    _refuse_faults(frame)
    lines = _join_parts(frame.geometry.to_numpy())
    chain = _measure(lines)
    owner, from_m, to_m = _bounds(chain.total_m, length_m)
    if breaks is not None and len(breaks):
        owner, from_m, to_m = _own_bounds(frame, lines, chain, breaks, (owner, from_m, to_m))
    number = np.arange(len(owner)) - np.searchsorted(owner, owner)
    names = frame["transect"].astype("object").to_numpy()[owner]
    table = {
        "segment": [f"{name}#{n + 1:03d}" for name, n in zip(names, number, strict=True)],
        "transect": names,
        "from_m": from_m,
        "to_m": to_m,
        "length_m": to_m - from_m,
    }
    if "surface" in frame:
        table["surface"] = frame["surface"].to_numpy()[owner]
    shapes = _cut(chain, owner, from_m)
    cut = gpd.GeoDataFrame(table, geometry=list(shapes), crs=STORED_CRS)
    return conform(cut, SEGMENTS)


def _refuse_faults(frame: gpd.GeoDataFrame) -> None:
    if "transect" not in frame:
        raise InputError(
            "the transects have no column 'transect'",
            remedy="Rename the column that holds their names: frame.rename(columns=...).",
        )
    shapes = frame.geometry.to_numpy()
    names = frame["transect"]
    absent = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    no_line = ~absent & ~np.isin(shapely.get_type_id(shapes), (1, 2, 5))
    no_length = np.zeros(len(frame), dtype=bool)
    sound = ~absent & ~no_line
    no_length[sound] = line_lengths_m(shapes[sound]) < _SAME_PLACE_M
    off_earth = np.zeros(len(frame), dtype=bool)
    off_earth[sound] = ~(np.abs(shapely.bounds(shapes[sound])[:, [1, 3]]) <= 90).all(axis=1)
    kinds = frame.geometry.geom_type
    wrong = (
        ("transect", names, names.isna(), "no name: give the transect one"),
        ("transect", names, names.duplicated() & names.notna(), _TWICE),
        ("geometry", kinds, absent, "no line: draw it, or take the row out"),
        ("geometry", kinds, no_line, "not a line: a transect is drawn as a line"),
        ("geometry", names, no_length, "a line of no length: draw it again"),
        ("geometry", names, off_earth, "latitude out of range: check its CRS"),
    )
    found = [
        pd.DataFrame(
            {"row": frame.index[np.asarray(bad)], "column": column, "reason": reason}
            | {"value": values.astype("object").to_numpy()[np.asarray(bad)]},
            columns=FAULT_COLUMNS,
        )
        for column, values, bad, reason in wrong
        if np.asarray(bad).any()
    ]
    if found:
        raise TableFaults("transects", pd.concat(found, ignore_index=True))


_TWICE: Final = "a name that another row has: name them apart, or draw them as one multi-part line"


def _join_parts(shapes: Shapes) -> Shapes:
    """Merge the parts of multi-part lines where they meet; drop repeated vertices."""
    lines = shapely.remove_repeated_points(shapely.force_2d(shapes), 0.0)
    lines = lines.copy()
    for row in np.flatnonzero(shapely.get_num_geometries(lines) > 1):
        lines[row] = _join_one(lines[row])
    return lines


def _join_one(line: shapely.MultiLineString) -> shapely.LineString | shapely.MultiLineString:
    parts = [part for part in line.geoms if part.length > 0]
    if all(a.coords[-1] == b.coords[0] for a, b in pairwise(parts)):
        points = [part.coords[:] for part in parts]
        return shapely.LineString(points[0] + [p for rest in points[1:] for p in rest[1:]])
    merged = shapely.line_merge(shapely.MultiLineString(parts))
    if merged.geom_type != "LineString":
        return shapely.MultiLineString(parts)
    start, then = (merged.project(shapely.Point(p)) for p in parts[0].coords[:2])
    return merged.reverse() if start > then else merged


def _measure(lines: Shapes) -> _Chain:
    parts, owner_of_part = shapely.get_parts(lines, return_index=True)
    points, part = shapely.get_coordinates(parts, return_index=True)
    lon, lat = points.T
    steps = np.zeros(len(points))
    joined = part[1:] == part[:-1]
    steps[1:][joined] = distances_m(
        lon[:-1][joined], lat[:-1][joined], lon[1:][joined], lat[1:][joined]
    )
    global_m = np.cumsum(steps)
    owner = owner_of_part[part]
    first = np.searchsorted(owner, np.arange(len(lines)))
    last = np.searchsorted(owner, np.arange(len(lines)), side="right") - 1
    base = global_m[first]
    return _Chain(lon, lat, part, global_m, base, global_m[last] - base)


def _bounds(total_m: FloatArray, length_m: float) -> tuple[IntArray, FloatArray, FloatArray]:
    count = np.floor(total_m / length_m + 1 - SHORTEST_REST + 1e-9).astype(int).clip(min=1)
    owner = np.repeat(np.arange(len(total_m)), count)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    from_m = number * float(length_m)
    to_m = np.where(number == count[owner] - 1, total_m[owner], (number + 1) * float(length_m))
    return owner, from_m, to_m


def _own_bounds(
    frame: gpd.GeoDataFrame,
    lines: Shapes,
    chain: _Chain,
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
            inner = np.unique(cuts[(cuts > _SAME_PLACE_M) & (cuts < total - _SAME_PLACE_M)])
            inner = inner[np.diff(inner, prepend=-1.0) > _SAME_PLACE_M]
            ends = np.concatenate([[0.0], inner, [total]])
            low, high = ends[:-1], ends[1:]
        else:
            low, high = equal[1][equal[0] == row], equal[2][equal[0] == row]
        owners.append(np.full(len(low), row))
        froms.append(low)
        tos.append(high)
    return np.concatenate(owners), np.concatenate(froms), np.concatenate(tos)


def _measure_points(line: shapely.Geometry, chain: _Chain, row: int, points: Shapes) -> FloatArray:
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


def _cut(chain: _Chain, owner: IntArray, from_m: FloatArray) -> Shapes:
    """Lines of the segments that begin at `from_m` of their `owner`, both in order."""
    start = chain.base_m[owner] + from_m
    chain = _with_vertices_at(chain, start[from_m > 0])
    edge = np.flatnonzero(chain.part[1:] == chain.part[:-1])
    middle = (chain.global_m[edge] + chain.global_m[edge + 1]) / 2
    segment = np.searchsorted(start, middle, side="right") - 1
    new = np.ones(len(edge), dtype=bool)
    new[1:] = (np.diff(segment) != 0) | (np.diff(edge) != 1)
    first = np.flatnonzero(new)
    edges_in_run = np.diff(np.append(first, len(edge)))
    run = np.repeat(np.arange(len(first)), edges_in_run + 1)
    within = np.arange(len(run)) - np.searchsorted(run, run)
    vertex = edge[first][run] + within
    lines = shapely.linestrings(chain.lon[vertex], chain.lat[vertex], indices=run)
    of_segment = segment[first]
    shapes = lines[np.searchsorted(of_segment, np.arange(len(start)))].copy()
    for many in np.flatnonzero(np.bincount(of_segment, minlength=len(start)) > 1):
        shapes[many] = shapely.multilinestrings(lines[of_segment == many])
    return shapes


def _with_vertices_at(chain: _Chain, at_m: FloatArray) -> _Chain:
    """Add a vertex at each global distance, on the geodesic between its neighbours."""
    before = np.searchsorted(chain.global_m, at_m, side="right") - 1
    after = np.minimum(before + 1, len(chain.lon) - 1)
    known = at_m - chain.global_m[before] < _SAME_PLACE_M
    known |= chain.global_m[after] - at_m < _SAME_PLACE_M
    at_m, before, after = at_m[~known], before[~known], after[~known]
    azimuth, _, _ = GEOD.inv(
        chain.lon[before], chain.lat[before], chain.lon[after], chain.lat[after]
    )
    lon, lat, _ = GEOD.fwd(
        chain.lon[before], chain.lat[before], azimuth, at_m - chain.global_m[before]
    )
    return _Chain(
        np.insert(chain.lon, before + 1, lon),
        np.insert(chain.lat, before + 1, lat),
        np.insert(chain.part, before + 1, chain.part[before]),
        np.insert(chain.global_m, before + 1, at_m),
        chain.base_m,
        chain.total_m,
    )
