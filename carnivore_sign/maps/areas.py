"""Areas: units that are polygons - grid cells, hexagons, management units - on a map.

An area is drawn in the language of a line. Its state is the colour of its core. How probable
use is says how much of the area the core fills, in the four steps that a line has in weight;
the pale edge around the core fills as much as the upper limit. Cores shrink about the middle of
their area, as in a cartogram of areas that do not touch (Olson 1976, The Professional
Geographer 28:371-380, from memory).
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from carnivore_sign.maps.layers import draw_segments, draw_tally
from carnivore_sign.maps.lettering import (
    drawable,
    font,
    map_units_per_point,
    plate,
    sheet_of,
    text_width_in,
)
from carnivore_sign.maps.style import AREA_EDGE, QUIET, SMALL_PT, STATES, WEIGHTS

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

#: Types of geometry that are areas: polygon and multipolygon.
_AREAL: Final = (3, 6)
_LINEAR: Final = (1, 5)
#: Level of drawing of areas: under transects, outlines of parcels, and units that are lines.
AREA_LEVEL: Final = 1.1
#: An area wider and higher than this on the sheet, points, has room for its visits in words.
_ROOM_PT: Final = 72.0
#: One wider and higher than this has room for their number.
_NUMBER_PT: Final = 24.0
#: How far from its corner a label of an area stands, points.
_INSET_PT: Final = 3.0
#: With more areas than this, their names would hide what the map shows.
MOST_NAMED: Final = 60
#: Drawing order of the states, as for lines.
_ORDER: Final = ("not_looked", "not_found", "found_likely", "found_sure")


def are_areas(units: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    """Which units are polygons.

    Examples
    --------
    >>> units = gpd.GeoDataFrame(geometry=[shapely.box(0, 0, 1, 1), shapely.Point(0, 0)])
    >>> are_areas(units).tolist()
    [True, False]
    """
    return np.isin(shapely.get_type_id(units.geometry.to_numpy()), _AREAL)


def draw_units(ax: Axes, units: gpd.GeoDataFrame) -> Axes:
    """Draw units of a month, lines as lines and areas as areas.

    Parameters
    ----------
    ax : Axes
        A map in the CRS of `units`.
    units : GeoDataFrame
        MONTHLY of one period and taxon; its units are lines, polygons or both.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> march = analysis.presence("2026-03").table.to_crs("EPSG:32609")
    >>> ax = Figure().add_subplot()
    >>> draw_units(ax, march) is ax
    True
    """
    areal = are_areas(units)
    lines = units[np.isin(shapely.get_type_id(units.geometry.to_numpy()), _LINEAR)]
    draw_areas(ax, units[areal])
    write_visits(ax, units[areal])
    write_area_names(ax, units[areal])
    if len(lines):
        draw_segments(ax, lines)
        draw_tally(ax, lines)
    return ax


def draw_areas(ax: Axes, units: gpd.GeoDataFrame) -> Axes:
    """Draw areas by state, their core filled from `p_presence`, its edge from the upper limit.

    Parameters
    ----------
    ax : Axes
        A map in the CRS of `units`.
    units : GeoDataFrame
        MONTHLY of one period and taxon. An area without an estimate has the smallest core; one
        that was not looked for has none, whatever its estimate, and is crossed through.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> areas = analysis.presence("2026-03").table.to_crs("EPSG:32609")
    >>> areas = areas.set_geometry(areas.buffer(300))
    >>> ax = Figure().add_subplot()
    >>> draw_areas(ax, areas) is ax
    True
    """
    if units.empty:
        return ax
    shapes = units.geometry.to_numpy()
    state = units["state"].to_numpy(dtype=object)
    _fill(ax, shapes, "none", edge=AREA_EDGE, level=AREA_LEVEL - 0.1, gid="area-outlines")
    best = core_share(units["p_presence"])
    most = np.maximum(core_share(units["p_presence_high"]), best)
    for order, name in enumerate(_ORDER):
        rows = state == name
        if not rows.any():
            continue
        if STATES[name].dotted:
            _cross(ax, shapes[rows], gid=f"area-{name}")
            continue
        for share, color, level, part in (
            (most, STATES[name].edge, AREA_LEVEL, "edge"),
            (best, STATES[name].color, AREA_LEVEL + 0.1, "core"),
        ):
            cores = shrunk(shapes[rows], share[rows])
            _fill(ax, cores, color, level=level + order / 100, gid=f"area-{name}-{part}")
    return ax


def write_visits(ax: Axes, units: gpd.GeoDataFrame) -> Axes:
    """Write the visits into the lower corner of each area: in words, or their number alone."""
    room = _room_pt(ax, units)
    if room < _NUMBER_PT:
        return ax
    west, south, _, _ = shapely.bounds(units.geometry.to_numpy()).T
    for x, y, visits in zip(west, south, units["visits"].fillna(0).astype(int), strict=True):
        words = f"{visits} {'visit' if visits == 1 else 'visits'}"
        _label(ax, (x, y), words if room >= _ROOM_PT else str(visits), gid="visits")
    return ax


def write_area_names(ax: Axes, units: gpd.GeoDataFrame) -> Axes:
    """Write the name of each area into its upper corner, where they are few and have room."""
    names = [drawable(name) for name in units["segment"]]
    room = _room_pt(ax, units) - 2 * _INSET_PT
    widest = max((_width_pt(ax, name) for name in names), default=0.0)
    if not names or len(names) > MOST_NAMED or room < max(widest, _NUMBER_PT + SMALL_PT):
        return ax
    west, _, _, north = shapely.bounds(units.geometry.to_numpy()).T
    for x, y, name in zip(west, north, names, strict=True):
        _label(ax, (x, y), name, gid="area-name", top=True)
    return ax


def _room_pt(ax: Axes, units: gpd.GeoDataFrame) -> float:
    """The lesser of the median width and height of areas on the sheet, points; 0 of none."""
    if not len(units):
        return 0.0
    west, south, east, north = shapely.bounds(units.geometry.to_numpy()).T
    least = min(np.median(east - west), np.median(north - south))
    return float(least / map_units_per_point(ax))


def _width_pt(ax: Axes, text: str) -> float:
    return text_width_in(sheet_of(ax), text, font(SMALL_PT)) * 72


def _label(
    ax: Axes, corner: tuple[float, float], text: str, *, gid: str, top: bool = False
) -> None:
    """Write a text inside a corner of an area, on a plate, so that any fill leaves it readable."""
    inset = _INSET_PT * map_units_per_point(ax)
    ax.text(
        corner[0] + inset,
        corner[1] + (-inset if top else inset),
        text,
        va="top" if top else "baseline",
        fontproperties=font(SMALL_PT),
        color=QUIET,
        bbox=plate(),
        parse_math=False,
        clip_on=True,
        zorder=5.0,
        gid=gid,
    )


def number_areas(ax: Axes, units: gpd.GeoDataFrame) -> Axes:
    """Number areas from 1, each in its lower corner, as a list beside the map numbers them."""
    west, south, _, _ = shapely.bounds(units.geometry.to_numpy()).T
    for number, corner in enumerate(zip(west, south, strict=True), start=1):
        _label(ax, corner, str(number), gid="area-number")
    return ax


def has_visits_written(ax: Axes) -> bool:
    """Whether the visits are written into the areas of a map."""
    return any(text.get_gid() == "visits" for text in ax.texts)


def has_names_written(ax: Axes) -> bool:
    """Whether the names of areas are written into them."""
    return any(text.get_gid() == "area-name" for text in ax.texts)


def core_share(probability: npt.ArrayLike) -> FloatArray:
    """Share of an area that its core fills, from the steps of `style.WEIGHTS`.

    Examples
    --------
    >>> core_share([0.1, 0.3, 0.6, 0.9, np.nan]).tolist()
    [0.08, 0.25, 0.5, 0.86, 0.08]
    """
    values = np.nan_to_num(np.asarray(probability, dtype=float))
    steps = np.searchsorted([step.at_least for step in WEIGHTS], values, side="right") - 1
    return np.array([step.core_share for step in WEIGHTS])[np.maximum(steps, 0)]


def shrunk(shapes: Shapes, share: FloatArray) -> Shapes:
    """Shrink areas about their middles to a share of their size; no core leaves its area.

    Examples
    --------
    >>> shrunk(np.array([shapely.box(0, 0, 2, 2)]), np.array([0.25]))[0].area
    1.0
    """
    points, owner = shapely.get_coordinates(shapes, return_index=True)
    middle = shapely.get_coordinates(shapely.centroid(shapes))
    factor = np.sqrt(share)[:, None]
    moved = middle[owner] + (points - middle[owner]) * factor[owner]
    cores = shapely.set_coordinates(shapes.copy(), moved)
    jutting = ~shapely.covered_by(cores, shapes)
    cores[jutting] = shapely.intersection(shapely.make_valid(cores[jutting]), shapes[jutting])
    return cores


def _fill(
    ax: Axes, shapes: Shapes, color: str, *, level: float, gid: str, edge: str = "none"
) -> None:
    parts = shapely.get_parts(shapes)
    parts = parts[shapely.get_type_id(parts) == _AREAL[0]]
    ax.add_collection(
        PolyCollection(
            _rings(shapely.get_exterior_ring(parts)),
            facecolors=color,
            edgecolors=edge,
            linewidths=0.6 if edge != "none" else 0,
            zorder=level,
            gid=gid,
        )
    )


def _cross(ax: Axes, shapes: Shapes, *, gid: str) -> None:
    """Draw one thin line through each area, from its lower left to its upper right."""
    west, south, east, north = shapely.bounds(shapes).T
    ends = np.stack([np.stack([west, south], 1), np.stack([east, north], 1)], axis=1)
    inside = shapely.intersection(shapely.linestrings(ends), shapes)
    lines = shapely.get_parts(inside)
    lines = lines[shapely.get_type_id(lines) == _LINEAR[0]]
    ax.add_collection(
        LineCollection(_rings(lines), colors=QUIET, linewidths=0.8, zorder=AREA_LEVEL, gid=gid)
    )


def _rings(lines: Shapes) -> list[FloatArray]:
    points, owner = shapely.get_coordinates(lines, return_index=True)
    return np.split(points, np.flatnonzero(np.diff(owner)) + 1) if len(points) else []
