"""Measured lines: transects as rows of vertices, measured through along the ellipsoid.

Bad rows are named together, parts that meet are joined, and the line can be cut at any metre.
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
from carnivore_sign.records.check import FAULT_COLUMNS
from carnivore_sign.space import GEOD, distances_m, line_lengths_m, stored

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Shapes = npt.NDArray[np.object_]

#: Two places on a line nearer than this are one.
SAME_PLACE_M: Final = 1e-6


@dataclass(frozen=True)
class Chain:
    """Vertices of all transects in one row, measured through.

    `global_m` runs through all transects; `base_m` is where each transect begins on it.
    """

    lon: FloatArray
    lat: FloatArray
    part: IntArray
    global_m: FloatArray
    base_m: FloatArray
    total_m: FloatArray


def checked_lines(transects: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, Shapes]:
    """Return transects in EPSG:4326 and their lines, with the parts that meet joined.

    Raises
    ------
    TableFaults
        Naming every row that has no name, a name twice, no line, or a line of no length.
    CrsMissing
        If the lines have no CRS.
    """
    frame = stored(transects, "the transects")
    _refuse_faults(frame)
    return frame, _join_parts(frame.geometry.to_numpy())


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
    no_length[sound] = line_lengths_m(shapes[sound]) < SAME_PLACE_M
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


def measure_lines(lines: Shapes) -> Chain:
    """Measure lines of longitude and latitude along the ellipsoid, vertex by vertex."""
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
    return Chain(lon, lat, part, global_m, base, global_m[last] - base)


def cut_chain(chain: Chain, owner: IntArray, from_m: FloatArray) -> Shapes:
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


def _with_vertices_at(chain: Chain, at_m: FloatArray) -> Chain:
    """Add a vertex at each global distance, on the geodesic between its neighbours."""
    before = np.searchsorted(chain.global_m, at_m, side="right") - 1
    after = np.minimum(before + 1, len(chain.lon) - 1)
    known = at_m - chain.global_m[before] < SAME_PLACE_M
    known |= chain.global_m[after] - at_m < SAME_PLACE_M
    at_m, before, after = at_m[~known], before[~known], after[~known]
    azimuth, _, _ = GEOD.inv(
        chain.lon[before], chain.lat[before], chain.lon[after], chain.lat[after]
    )
    lon, lat, _ = GEOD.fwd(
        chain.lon[before], chain.lat[before], azimuth, at_m - chain.global_m[before]
    )
    return Chain(
        np.insert(chain.lon, before + 1, lon),
        np.insert(chain.lat, before + 1, lat),
        np.insert(chain.part, before + 1, chain.part[before]),
        np.insert(chain.global_m, before + 1, at_m),
        chain.base_m,
        chain.total_m,
    )
