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
from carnivore_sign.maps.lettering import font, map_units_per_point
from carnivore_sign.maps.style import AREA_EDGE, QUIET, SMALL_PT, STATES, WEIGHTS

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

#: Types of geometry that are areas: polygon and multipolygon.
_AREAL: Final = (3, 6)
_LINEAR: Final = (1, 5)
#: An area wider and higher than this on the sheet, points, has room for its visits in words.
_ROOM_PT: Final = 72.0
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
    _fill(ax, shapes, "none", edge=AREA_EDGE, level=2.0, gid="area-outlines")
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
            (most, STATES[name].edge, 3.0, "edge"),
            (best, STATES[name].color, 4.0, "core"),
        ):
            cores = shrunk(shapes[rows], share[rows])
            _fill(ax, cores, color, level=level + order / 10, gid=f"area-{name}-{part}")
    return ax


def write_visits(ax: Axes, units: gpd.GeoDataFrame) -> Axes:
    """Write the number of visits into the corner of each area, where all have room for it."""
    west, south, east, north = shapely.bounds(units.geometry.to_numpy()).T
    size = map_units_per_point(ax)
    if not len(units) or min(np.median(east - west), np.median(north - south)) < _ROOM_PT * size:
        return ax
    for x, y, visits in zip(west, south, units["visits"].fillna(0).astype(int), strict=True):
        ax.text(
            x + 4 * size,
            y + 4 * size,
            f"{visits} {'visit' if visits == 1 else 'visits'}",
            fontproperties=font(SMALL_PT),
            color=QUIET,
            clip_on=True,
            zorder=5.0,
            gid="visits",
        )
    return ax


def has_visits_written(ax: Axes) -> bool:
    """Whether the visits are written into the areas of a map."""
    return any(text.get_gid() == "visits" for text in ax.texts)


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
        LineCollection(_rings(lines), colors=QUIET, linewidths=0.8, zorder=2.1, gid=gid)
    )


def _rings(lines: Shapes) -> list[FloatArray]:
    points, owner = shapely.get_coordinates(lines, return_index=True)
    return np.split(points, np.flatnonzero(np.diff(owner)) + 1) if len(points) else []
