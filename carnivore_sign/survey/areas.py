"""Areas: grid cells or management units as the unit, instead of segments of equal length.

Transects are cut where they cross the border of an area. The pieces are segments like any other,
so that logs are matched, effort is measured and trails are placed as ever; at the end the pieces
of one area are gathered into one unit.
"""

from __future__ import annotations

import warnings
from typing import Final, Literal, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from pandas.api.typing import SeriesGroupBy

from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.records.check import check_table, conform
from carnivore_sign.records.tables import DETECTIONS, SEGMENTS, VISITS
from carnivore_sign.space import STORED_CRS, project, require_projected, stored, working_crs
from carnivore_sign.survey.measured import (
    SAME_PLACE_M,
    Chain,
    checked_lines,
    cut_chain,
    measure_lines,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: More cells than this are taken for a slip in the size.
_MOST_CELLS: Final = 1_000_000


class Gathered(NamedTuple):
    """Units, and the visits and detections on them, in the tables of segments.

    Attributes
    ----------
    units : GeoDataFrame
        As SEGMENTS.
    visits, detections : DataFrame
        VISITS and DETECTIONS of these units.
    """

    units: gpd.GeoDataFrame
    visits: pd.DataFrame
    detections: pd.DataFrame


def grid_cells(
    transects: gpd.GeoDataFrame,
    *,
    size_m: float,
    shape: Literal["square", "hexagon"] = "square",
    crs: pyproj.CRS | str | None = None,
) -> gpd.GeoDataFrame:
    """Lay a grid over transects, and keep the cells that they pass through.

    Parameters
    ----------
    transects : GeoDataFrame
        Lines in any CRS.
    size_m : float
        Side of a square; width of a hexagon from side to side. Metres of `crs`.
    shape : {'square', 'hexagon'}
        Shape of a cell. Hexagons stand on a corner.
    crs : CRS, optional
        Projected CRS in which the grid is laid, from its origin; that of the UTM zone of the
        transects if not given. State it where transects may be added in another zone.

    Returns
    -------
    GeoDataFrame
        ``unit`` (name: shape, column and row) and polygons, EPSG:4326. A cell has the same name
        whatever the transects, as long as `size_m`, `shape` and `crs` are the same.

    Raises
    ------
    InputError
        If the size is not above zero, or so small that there were over a million cells.
    GeographicCrs
        If `crs` is in degrees.

    Examples
    --------
    >>> from shapely import LineString
    >>> road = gpd.GeoDataFrame(
    ...     {"transect": ["MESA"]}, crs="EPSG:32611",
    ...     geometry=[LineString([(500_200, 4_500_100), (501_700, 4_500_900)])],
    ... )
    >>> grid_cells(road, size_m=1000)["unit"].tolist()
    ['S500-4500', 'S501-4500']
    """
    if not (np.isfinite(size_m) and size_m > 0):
        raise InputError(f"a cell is {size_m} m wide", remedy="Give metres above zero: 5000.")
    if shape not in ("square", "hexagon"):
        raise InputError(f"the shape is '{shape}'", remedy="Take 'square' or 'hexagon'.")
    lines = project(transects, working_crs(transects) if crs is None else pyproj.CRS(crs))
    plane = require_projected(lines, "the grid")
    low_x, low_y, high_x, high_y = lines.total_bounds
    tall = size_m if shape == "square" else size_m * np.sqrt(0.75)
    columns = np.arange(np.floor(low_x / size_m) - 1, np.floor(high_x / size_m) + 2)
    rows = np.arange(np.floor(low_y / tall) - 1, np.floor(high_y / tall) + 3)
    if len(columns) * len(rows) > _MOST_CELLS:
        raise InputError(f"cells of {size_m:g} m make over a million", remedy="Take larger cells.")
    column, row = (grid.ravel() for grid in np.meshgrid(columns, rows, indexing="ij"))
    cells = _squares(column, row, size_m) if shape == "square" else _hexagons(column, row, size_m)
    met = np.unique(shapely.STRtree(cells).query(lines.geometry.to_numpy(), "intersects")[1])
    names = [
        f"{shape[0].upper()}{column[n]:.0f}-{row[n]:.0f}" for n in met
    ]  # the row and column count from the origin of the CRS
    return gpd.GeoDataFrame({"unit": names}, geometry=cells[met], crs=plane).to_crs(STORED_CRS)


def _squares(column: FloatArray, row: FloatArray, size_m: float) -> npt.NDArray[np.object_]:
    x, y = column * size_m, row * size_m
    squares: npt.NDArray[np.object_] = shapely.box(x, y, x + size_m, y + size_m)
    return squares


def _hexagons(column: FloatArray, row: FloatArray, size_m: float) -> npt.NDArray[np.object_]:
    """Hexagons on a corner; every other row is shifted by half a cell.

    Corners are numbered on a lattice first, so that neighbours share them to the last digit.
    """
    half = 2 * column + 1 + np.mod(row, 2)
    across = np.array([0, 1, 1, 0, -1, -1]) + half[:, None]
    up = np.array([2, 1, -1, -2, -1, 1]) + 3 * row[:, None]
    x, y = across * (size_m / 2), up * (size_m / np.sqrt(12))
    hexagons: npt.NDArray[np.object_] = shapely.polygons(np.stack([x, y], axis=-1))
    return hexagons


def cut_by_areas(transects: gpd.GeoDataFrame, areas: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Cut transects where they cross the borders of areas.

    Parameters
    ----------
    transects : GeoDataFrame
        As for `cut_segments`.
    areas : GeoDataFrame
        ``unit`` (name) and polygons in any CRS: from `grid_cells`, or management units.

    Returns
    -------
    GeoDataFrame
        As `records.tables.SEGMENTS`, with a further column ``unit``: the area that the piece
        lies in, missing outside all of them. A piece is named after transect and unit,
        ``MESA@S500-4500``; where a transect comes back into a unit, the second is
        ``MESA@S500-4500/2``.

    Raises
    ------
    TableFaults
        As for `cut_segments`.
    InputError
        If areas overlap, or one has no name or a name twice.

    Examples
    --------
    >>> from shapely import LineString, box
    >>> road = gpd.GeoDataFrame(
    ...     {"transect": ["MESA"]}, geometry=[LineString([(0, 0), (0.03, 0)])], crs="EPSG:4326"
    ... )
    >>> areas = gpd.GeoDataFrame(
    ...     {"unit": ["West", "East"]}, crs="EPSG:4326",
    ...     geometry=[box(0, -1, 0.01, 1), box(0.01, -1, 0.02, 1)],
    ... )
    >>> cut_by_areas(road, areas)[["segment", "unit"]].fillna("-").values.tolist()
    [['MESA@West', 'West'], ['MESA@East', 'East'], ['MESA@outside', '-']]
    """
    place = stored(areas, "the areas")
    _refuse_areas(place)
    frame, lines = checked_lines(transects)
    chain = measure_lines(lines)
    owner, from_m = _borders(chain, place)
    unit = _unit_of(cut_chain(chain, owner, from_m), place)
    starts = np.append(True, (np.diff(owner) != 0) | (unit[1:] != unit[:-1]))
    owner, from_m, unit = owner[starts], from_m[starts], unit[starts]
    names = frame["transect"].astype("object").to_numpy()[owner]
    words = pd.Series([*place["unit"].astype(str), "outside"])
    piece = names + "@" + words.to_numpy(dtype=object)[unit]
    again = pd.Series(piece).groupby(piece).cumcount().to_numpy()
    last = np.append(np.diff(owner) != 0, True)
    to_m = np.where(last, chain.total_m[owner], np.append(from_m[1:], 0.0))
    table = {
        "segment": [f"{p}/{n + 1}" if n else p for p, n in zip(piece, again, strict=True)],
        "transect": names,
        "from_m": from_m,
        "to_m": to_m,
        "length_m": to_m - from_m,
    }
    if "surface" in frame:
        table["surface"] = frame["surface"].to_numpy()[owner]
    shapes = cut_chain(chain, owner, from_m)
    pieces = conform(gpd.GeoDataFrame(table, geometry=shapes, crs=STORED_CRS), SEGMENTS)
    return pieces.assign(unit=words.where(words.index < len(place), None).to_numpy()[unit])


def _refuse_areas(areas: gpd.GeoDataFrame) -> None:
    if areas["unit"].isna().any() or areas["unit"].duplicated().any():
        raise InputError(
            "an area has no name, or two have one name", remedy="Name them apart in 'unit'."
        )
    shapes = areas.geometry.to_numpy()
    one, other = shapely.STRtree(shapes).query(shapes, "intersects")
    pairs = one < other
    one, other = one[pairs], other[pairs]
    common = shapely.area(shapely.intersection(shapes[one], shapes[other]))
    smaller = np.minimum(shapely.area(shapes[one]), shapely.area(shapes[other]))
    overlap = np.flatnonzero(common > 1e-6 * smaller)
    if len(overlap):
        names = areas["unit"].to_numpy()
        raise InputError(
            f"areas '{names[one[overlap[0]]]}' and '{names[other[overlap[0]]]}' overlap",
            remedy="A piece of ground belongs to one unit: mend their borders.",
        )


def _borders(chain: Chain, areas: gpd.GeoDataFrame) -> tuple[IntArray, FloatArray]:
    """Where each transect and part begins, and where a border is crossed: owner, metres along."""
    edge = np.flatnonzero(chain.part[1:] == chain.part[:-1])
    begin = np.column_stack([chain.lon[edge], chain.lat[edge]])
    end = np.column_stack([chain.lon[edge + 1], chain.lat[edge + 1]])
    edges = shapely.linestrings(np.stack([begin, end], axis=1))
    borders = shapely.boundary(areas.geometry.to_numpy())
    of_edge, border = shapely.STRtree(borders).query(edges, "intersects")
    met = shapely.intersection(edges[of_edge], borders[border])
    points, which = shapely.get_coordinates(met, return_index=True)
    of_edge = of_edge[which]
    along = end[of_edge] - begin[of_edge]
    share = ((points - begin[of_edge]) * along).sum(axis=1) / (along**2).sum(axis=1)
    length_m = chain.global_m[edge[of_edge] + 1] - chain.global_m[edge[of_edge]]
    at_m = chain.global_m[edge[of_edge]] + np.clip(share, 0, 1) * length_m
    part_m = chain.global_m[np.flatnonzero(np.diff(chain.part, prepend=-1))]
    at_m = np.unique(np.concatenate([chain.base_m, part_m, at_m]))
    owner = np.searchsorted(chain.base_m, at_m, side="right") - 1
    from_m = at_m - chain.base_m[owner]
    apart = (np.diff(from_m, prepend=-1.0) > SAME_PLACE_M) | (np.diff(owner, prepend=-1) != 0)
    inside = (from_m == 0) | (from_m < chain.total_m[owner] - SAME_PLACE_M)
    return owner[apart & inside], from_m[apart & inside]


def _unit_of(pieces: npt.NDArray[np.object_], areas: gpd.GeoDataFrame) -> IntArray:
    """Row of the area that each piece lies in, by its middle; one past the last for none."""
    longest = _longest_part(pieces)
    middle = shapely.line_interpolate_point(longest, 0.5, normalized=True)
    unit = np.full(len(pieces), len(areas), dtype=np.int64)
    piece, area = shapely.STRtree(areas.geometry.to_numpy()).query(middle, "intersects")
    unit[piece[::-1]] = area[::-1]
    return unit


def _longest_part(lines: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    parts, owner = shapely.get_parts(lines, return_index=True)
    order = np.lexsort((-shapely.length(parts), owner))
    longest: npt.NDArray[np.object_] = parts[order[np.unique(owner[order], return_index=True)[1]]]
    return longest


def gather_units(
    segments: gpd.GeoDataFrame, visits: pd.DataFrame, detections: pd.DataFrame
) -> Gathered:
    """Gather the pieces of each area into one unit, with its visits and detections.

    Parameters
    ----------
    segments : GeoDataFrame
        From `cut_by_areas`.
    visits, detections : DataFrame
        From `make_visits` and `make_detections` on those segments.

    Returns
    -------
    Gathered
        ``units`` as `records.tables.SEGMENTS` (a unit stands for segment and transect, its lines
        are those of its pieces), ``visits`` (one per walk and unit; metres, km and km-days
        added up, km-days missing where those of a piece are; hours and speed as a mean over
        the metres) and ``detections`` (one per trail and visit). Rates and presence take them
        as they take segments.

    Warns
    -----
    DataWarning
        If some effort lies outside all areas; it is left out.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign.survey import make_visits, match_logs
    >>> season = analysis.season
    >>> cells = grid_cells(analysis.transects, size_m=5000)
    >>> segments = cut_by_areas(analysis.transects, cells)
    >>> matched = match_logs(season.read("fixes"), segments)
    >>> visits = make_visits(
    ...     matched, segments, analysis.clearings, season.read("logs"), time_zone=season.time_zone
    ... )
    >>> gathered = gather_units(segments, visits, analysis.detections.head(0))
    >>> len(gathered.units) == segments["unit"].nunique()
    True
    """
    within = segments[segments["unit"].notna()].astype({"unit": "object"})
    unit = within.set_index(within["segment"].astype("object"))["unit"]
    inside = visits["segment"].isin(unit.index)
    outside_km = float(visits.loc[~inside, "effort_km"].sum())
    if outside_km > 0:
        warnings.warn(
            f"{outside_km:.1f} km were walked outside all areas and are left out",
            DataWarning,
            stacklevel=2,
        )
    units = _units_of(within)
    walked = visits[inside].assign(unit=visits.loc[inside, "segment"].astype("object").map(unit))
    walked["visit_of_unit"] = walked["walk"].astype("object") + "@" + walked["unit"]
    found = _detections_of(walked, detections)
    return Gathered(units, _visits_of(walked, units), found)


def _units_of(pieces: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    by = pieces.groupby("unit", sort=False)
    length = by["length_m"].sum()
    surfaces = by["surface"].first().where(_all_alike(by["surface"]), None)
    shapes = by["geometry"].agg(lambda lines: shapely.line_merge(shapely.union_all(list(lines))))
    table = {
        "segment": length.index,
        "transect": length.index,
        "from_m": 0.0,
        "to_m": length.to_numpy(),
        "length_m": length.to_numpy(),
        "surface": surfaces.to_numpy(),
    }
    frame = gpd.GeoDataFrame(table, geometry=shapes.to_numpy(), crs=STORED_CRS)
    return check_table(frame, SEGMENTS)


def _all_alike(groups: SeriesGroupBy) -> pd.Series:
    """Whether the values of each group are one and the same."""
    kinds: pd.Series = groups.nunique(dropna=False)
    return kinds.le(1)


def _visits_of(walked: pd.DataFrame, units: gpd.GeoDataFrame) -> pd.DataFrame:
    length_m = units.set_index("segment")["length_m"]
    weighted = walked.assign(
        hours=walked["hours_since_cleared"] * walked["covered_m"],
        speed=walked["speed_m_s"] * walked["covered_m"],
    )
    by = weighted.sort_values("start", kind="stable").groupby("visit_of_unit", sort=False)
    table = by.first()
    for name in ("covered_m", "effort_km", "walked_m"):
        table[name] = by[name].sum()
    for name in ("effort_km_days", "hours", "speed"):
        table[name] = by[name].sum().where(by[name].count() == by.size())
    table["end"] = by["end"].max()
    for name in ("cleared_by", "surface_state", "tracking_quality", "effort_source"):
        table[name] = table[name].where(_all_alike(by[name]), None)
    table["hours_since_cleared"] = table["hours"] / table["covered_m"]
    table["speed_m_s"] = table["speed"] / table["covered_m"]
    table["coverage"] = (table["covered_m"] / table["unit"].map(length_m)).clip(upper=1.0)
    table = table.assign(visit=table.index, segment=table["unit"], transect=table["unit"])
    return check_table(table.reset_index(drop=True), VISITS)


def _detections_of(walked: pd.DataFrame, detections: pd.DataFrame) -> pd.DataFrame:
    place = walked.set_index("visit")[["visit_of_unit", "unit"]]
    here = detections[detections["visit"].isin(place.index)]
    place = place.loc[here["visit"]]
    moved = here.assign(visit=place["visit_of_unit"].to_numpy(), segment=place["unit"].to_numpy())
    nearest = moved.sort_values("offset_m", kind="stable").drop_duplicates(["trail", "visit"])
    return check_table(nearest.sort_index(ignore_index=True), DETECTIONS)
