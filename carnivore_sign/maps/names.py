"""Names on a map: beside a line or in a parcel, clear of lines, outlines and each other.

Each name has several places where it may stand, best first. It takes the first that lies on
the map and touches no outline, no line and no other name; else the first that touches no
outline and no other name; else it is left out, as a name on a name says nothing. The name of a
line stands where it is nearer to its own line than to any other, or else is led to it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import product
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from carnivore_sign.maps.furniture import NORTH_AT
from carnivore_sign.maps.lettering import drawable, font, map_units_per_point, plate, sheet_of
from carnivore_sign.maps.lettering import text_width_in as width_in
from carnivore_sign.maps.style import GROUND, INK, PARCEL_TYPE, QUIET, RING_PT, SMALL_PT

FloatArray = npt.NDArray[np.float64]
Shapes = npt.NDArray[np.object_]

#: The longest name that is written out, and the room it keeps from lines, points.
LONGEST: Final = 22
_CLEAR_PT: Final = 5.0
#: Another line must be this many times as far from a name as its own, or this far, points.
_OWN: Final = 2.5
_FAR_PT: Final = 36.0
#: With more transects, or parcels, than this, their names would hide what the map shows.
MOST_TRANSECTS: Final = 60
MOST_PARCELS: Final = 60
_HIGH_PT: Final = 1.3 * SMALL_PT
#: Directions in which a name may stand beside a point: above, right, below, left, between.
_AROUND: Final = ((0, 1), (1, 0), (0, -1), (-1, 0), (1, 1), (-1, 1), (1, -1), (-1, -1))


@dataclass
class _Board:
    """A map while names are put on it: what they must not touch, and what is taken."""

    ax: Axes
    outlines: shapely.STRtree
    lines: shapely.STRtree
    room: float
    taken: list[shapely.Geometry] = field(default_factory=list)
    on_areas: bool = False

    def free(
        self, places: Shapes, wanted: npt.NDArray[np.bool_] | None = None
    ) -> shapely.Geometry | None:
        """Return the first of some boxes that is free; a line is the first thing to give way.

        Boxes that are `wanted` come before all others.
        """
        west, east = self.ax.get_xlim()
        south, north = self.ax.get_ylim()
        good = shapely.covered_by(places, shapely.box(west, south, east, north))
        good &= ~_near(self.outlines, places, 0.5 * self.room)
        good &= ~_near(shapely.STRtree(self.taken), places, 0.0)
        clear = good & ~_near(self.lines, places, self.room)
        if wanted is not None and (clear & wanted).any():
            clear &= wanted
        best = np.flatnonzero(clear if clear.any() else good)
        return places[best[0]] if len(best) else None

    def write(self, text: str, place: shapely.Geometry, *, color: str, bold: bool = False) -> None:
        """Write a text in a box, and take the box."""
        self.taken.append(place)
        west, south, _, north = shapely.bounds(place)
        look = {"bbox": plate()} if self.on_areas else {"path_effects": [halo()]}
        self.ax.text(
            west,
            south + 0.28 * (north - south),
            text,
            fontproperties=font(SMALL_PT, bold=bold),
            color=color,
            zorder=10 if bold else 7.5,
            parse_math=False,
            clip_on=True,
            **look,
        )


def draw_names(
    ax: Axes,
    *,
    transects: gpd.GeoDataFrame | None = None,
    parcels: gpd.GeoDataFrame | None = None,
    clear_of: Iterable[gpd.GeoDataFrame] = (),
    on_areas: bool = False,
) -> Axes:
    """Write the names of parcels inside them, and of transects beside their ends or middle.

    Where there are more than `MOST_TRANSECTS` transects they go without names, and so do more
    than `MOST_PARCELS` parcels.

    Parameters
    ----------
    ax : Axes
        A map that has its window, in the CRS of the layers.
    transects, parcels : GeoDataFrame, optional
        TRANSECTS and PARCELS.
    clear_of : iterable of GeoDataFrame
        Other layers that names keep clear of where they can.
    on_areas : bool
        Whether the map shows units that are areas: names then stand on plates, and keep clear of
        what is written into the areas.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> parcels = analysis.parcels.to_crs("EPSG:32609")
    >>> ax = parcels.plot(ax=Figure().add_subplot())
    >>> sorted(text.get_text() for text in draw_names(ax, parcels=parcels).texts)[:2]
    ['Alder Flat', 'Heron Lease']
    """
    lines = [layer.geometry.to_numpy() for layer in clear_of]
    lines += [] if transects is None else [transects.geometry.to_numpy()]
    board = _board(ax, lines, parcels)
    board.on_areas = on_areas
    board.taken += _labels_of_areas(ax)
    if parcels is not None and len(parcels) <= MOST_PARCELS:
        for name, places in _parcel_places(ax, parcels):
            _write_if_free(board, name, places, PARCEL_TYPE)
    if transects is not None and len(transects) <= MOST_TRANSECTS:
        for name, places, line, others in _transect_places(ax, transects):
            _write_beside_line(board, name, places, line, others)
    return ax


def draw_numbers(
    ax: Axes,
    at: FloatArray,
    *,
    parcels: gpd.GeoDataFrame,
    clear_of: Iterable[gpd.GeoDataFrame],
    ringed: npt.NDArray[np.bool_] | None = None,
) -> Axes:
    """Number points from 1, each beside its point; points that coincide share one label.

    Parameters
    ----------
    ax : Axes
        A map that has its window.
    at : ndarray of shape (n, 2)
        Points in the CRS of the map; NaN where there is none, which keeps its number.
    parcels : GeoDataFrame
        Outlines to keep clear of.
    clear_of : iterable of GeoDataFrame
        Lines to keep clear of where that is possible.
    ringed : ndarray of bool, shape (n,), optional
        Which points have a ring: their numbers stand off it, are bold and written first, and
        share no label with the others, which are quiet. Unless given, none has, and all are bold.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> parcels = analysis.parcels.to_crs("EPSG:32609")
    >>> at = np.column_stack([parcels.centroid.x, parcels.centroid.y])
    >>> ax = parcels.plot(ax=Figure().add_subplot())
    >>> len(draw_numbers(ax, at, parcels=parcels, clear_of=[]).texts)
    4
    """
    bold = np.ones(len(at), dtype=bool) if ringed is None else ringed
    off = 0.0 if ringed is None else RING_PT / 2
    board = _board(ax, [layer.geometry.to_numpy() for layer in clear_of], parcels)
    size = map_units_per_point(ax)
    groups = [
        group
        for chosen in (bold, ~bold)
        for group in _coinciding(np.where(chosen[:, None], at, np.nan), within=9.0 * size)
    ]
    known = np.isfinite(at[:, 0])
    half = np.where(bold & (off > 0), off, 4.0)[known, None] * size
    corners = np.hstack([at[known] - half, at[known] + half])
    board.taken += list(shapely.box(*corners.T))
    for numbers in groups:
        strong = bool(bold[numbers[0]])
        text = ", ".join(str(number + 1) for number in numbers)
        anchor = at[numbers].mean(axis=0)
        places = np.concatenate(
            [
                _beside(ax, text, anchor, gap_pt=gap + off * strong, bold=strong)
                for gap in (4.5 if off else 6.0, 12.0, 20.0, 30.0)
            ]
        )
        free = board.free(places)
        place = places[0] if free is None else free
        board.write(text, place, color=INK if strong else QUIET, bold=strong)
    return ax


def halo() -> withStroke:
    """Return the pale rim that keeps letters readable on lines."""
    return withStroke(linewidth=2.2, foreground=GROUND)


def _board(ax: Axes, lines: Sequence[Shapes], parcels: gpd.GeoDataFrame | None) -> _Board:
    room = _CLEAR_PT * map_units_per_point(ax)
    drawn = np.concatenate([np.empty(0, dtype=object), *lines])
    drawn = drawn[~shapely.is_missing(drawn)]
    outlines = np.empty(0, dtype=object) if parcels is None else parcels.geometry.to_numpy()
    outlines = shapely.boundary(outlines[~shapely.is_missing(outlines)])
    return _Board(
        ax,
        shapely.STRtree(outlines),
        shapely.STRtree(drawn),
        room,
        [_north_box(ax)],
    )


def _labels_of_areas(ax: Axes) -> list[shapely.Geometry]:
    """Boxes of what is written into the areas of a map."""
    boxes = []
    for text in ax.texts:
        if text.get_gid() in ("visits", "area-name", "area-number"):
            x, y = text.get_position()
            wide, high = _size(ax, text.get_text())
            low = y - high if text.get_verticalalignment() == "top" else y - 0.28 * high
            boxes.append(shapely.box(x, low, x + wide, low + high))
    return boxes


def _near(tree: shapely.STRtree, places: Shapes, within: float) -> npt.NDArray[np.bool_]:
    """Which boxes lie within a distance, map units, of any shape of a tree."""
    hit = np.zeros(len(places), dtype=bool)
    hit[tree.query(places, predicate="dwithin", distance=within)[0]] = True
    return hit


def _write_if_free(board: _Board, name: str, places: Shapes, color: str) -> None:
    place = board.free(places)
    if place is not None:
        board.write(name, place, color=color)


def _write_beside_line(
    board: _Board, name: str, places: Shapes, line: shapely.Geometry, others: Shapes
) -> None:
    """Write the name of a line where it can be read as of no other, or lead it to its line."""
    size = map_units_per_point(board.ax)
    own = shapely.distance(places, line)
    other = np.full(len(places), np.inf)
    if len(others):
        other = shapely.distance(places[:, None], others[None, :]).min(axis=1)
    plain = other > np.maximum(np.minimum(_OWN * own, _FAR_PT * size), own + 2 * size)
    place = board.free(places, plain)
    if place is None:
        return
    board.write(name, place, color=QUIET)
    if not plain[np.flatnonzero(places == place)[0]]:
        leader = shapely.get_coordinates(shapely.shortest_line(place, line))
        board.ax.plot(*leader.T, color=QUIET, linewidth=0.7, zorder=6, gid="leader")


def _short(name: object) -> str:
    text = drawable(name)
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "\u2026"


def _size(ax: Axes, text: str, *, bold: bool = False) -> tuple[float, float]:
    """Width and height of a name on the map, map units."""
    size = map_units_per_point(ax)
    return width_in(sheet_of(ax), text, font(SMALL_PT, bold=bold)) * 72 * size, _HIGH_PT * size


def _beside(
    ax: Axes, text: str, anchor: FloatArray, *, gap_pt: float = 6.0, bold: bool = False
) -> Shapes:
    """Boxes around a point, `gap_pt` points from it."""
    wide, high = _size(ax, text, bold=bold)
    gap = gap_pt * map_units_per_point(ax)
    toward = np.array(_AROUND, dtype=float)
    # Between two directions the corner comes near, so that the gap is shared by both.
    share = np.where(np.abs(toward).sum(axis=1) == 2, 0.7, 1.0)
    x = anchor[0] + toward[:, 0] * (wide / 2 + gap * share)
    y = anchor[1] + toward[:, 1] * (high / 2 + gap * share)
    return shapely.box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)


def _transect_places(
    ax: Axes, transects: gpd.GeoDataFrame
) -> Iterable[tuple[str, Shapes, shapely.Geometry, Shapes]]:
    """Yield each transect's name, the boxes where it may stand, its line and all the others."""
    known = transects[~shapely.is_missing(transects.geometry.to_numpy())]
    parts = known.geometry.to_numpy()
    parts = np.where(shapely.get_type_id(parts) == 5, shapely.get_geometry(parts, 0), parts)
    for at, (name, line) in enumerate(zip(known["transect"], parts, strict=True)):
        text = _short(name)
        anchors = shapely.get_coordinates(
            shapely.line_interpolate_point(line, [0.0, 1.0, 0.5, 0.25, 0.75], normalized=True)
        )
        places = [
            _beside(ax, text, anchor, gap_pt=gap)
            for gap, anchor in product((7.0, 11.0, 17.0, 26.0), anchors)
        ]
        yield text, np.concatenate(places), line, np.delete(parts, at)


def _parcel_places(ax: Axes, parcels: gpd.GeoDataFrame) -> Iterable[tuple[str, Shapes]]:
    known = parcels[~shapely.is_missing(parcels.geometry.to_numpy())]
    inside = shapely.get_coordinates(shapely.point_on_surface(known.geometry.to_numpy()))
    bounds = shapely.bounds(known.geometry.to_numpy())
    for name, (x, y), (_, south, _, north) in zip(known["parcel"], inside, bounds, strict=True):
        text = _short(name)
        wide, high = _size(ax, text)
        steps = np.array(list(product(range(-7, 8), range(-4, 5))))
        steps = steps[np.argsort(np.abs(steps).sum(axis=1), kind="stable")]
        middles = np.array([x, y]) + steps[:, ::-1] * (0.08 * wide, 0.5 * high)
        outside = [(x, north + 0.8 * high), (x, south - 0.8 * high)]
        at, up = np.concatenate([middles, outside]).T
        yield text, shapely.box(at - wide / 2, up - high / 2, at + wide / 2, up + high / 2)


def _coinciding(at: FloatArray, *, within: float) -> list[list[int]]:
    """Gather points into groups about the first of each; points that are missing have none."""
    groups: list[list[int]] = []
    for number in np.flatnonzero(np.isfinite(at).all(axis=1)):
        near = (g for g in groups if np.hypot(*(at[g[0]] - at[number])) <= within)
        group = next(near, None)
        if group is None:
            groups.append([int(number)])
        else:
            group.append(int(number))
    return groups


def _north_box(ax: Axes) -> shapely.Geometry:
    """The place of the north arrow."""
    west, east = ax.get_xlim()
    south, north = ax.get_ylim()
    x, y = west + NORTH_AT[0] * (east - west), south + NORTH_AT[1] * (north - south)
    size = map_units_per_point(ax)
    return shapely.box(x - 14 * size, y - 28 * size, x + 14 * size, y + 16 * size)
