"""Layers of a map: one function per layer, Axes in and Axes out, geometries in the map's CRS.

Every layer is drawn as a few collections, however many units there are.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection

from carnivore_sign.maps.lettering import map_units_per_point
from carnivore_sign.maps.style import (
    ARROW_PT,
    GROUND,
    HAIRLINE,
    INK,
    PAPER,
    PARCEL,
    PLAIN_PT,
    QUIET,
    STATES,
    TALLY_MOST,
    TALLY_PT,
    TRAILS,
    WEIGHTS,
    TrailStyle,
)

FloatArray = npt.NDArray[np.float64]

#: A unit shorter than this on the sheet, points, is drawn with lighter lines.
_SHORT_PT = 18.0

#: Marks of one class that are nearer to each other than this on the sheet, points, share one.
SHARED_PT = 13.0

#: How pale a faded trail is, and the level of drawing below which trails are faded.
FADED = 0.4
_FADED_BELOW = 6.5
#: Diameter in points of the dot of a trail of unknown direction.
DOT_PT = 5.0

#: The dots of a line that nobody walked.
DOTTED = (0, (0.8, 1.2))

#: Drawing order of the states: what matters most comes last, on top.
_ORDER = ("not_looked", "not_found", "found_likely", "found_sure")


def draw_segments(ax: Axes, monthly: gpd.GeoDataFrame) -> Axes:
    """Draw units by state, their weight from `p_presence`, their edge from its upper limit.

    Parameters
    ----------
    ax : Axes
        A map in the CRS of `monthly`.
    monthly : GeoDataFrame
        MONTHLY of one period and taxon. A unit without an estimate is drawn at its
        plain weight; a unit that was not looked for is dotted whatever its estimate.
        Where units are short on the sheet, all weights are scaled down alike (`weight_scale`).

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
    >>> draw_segments(ax, march) is ax
    True
    """
    scale = weight_scale(ax, monthly)
    for order, state in enumerate(_ORDER):
        style = STATES[state]
        rows = monthly[monthly["state"].eq(state).to_numpy(dtype=bool)]
        lines, owner = _lines(rows)
        if not lines:
            continue
        if style.dotted:
            ax.add_collection(
                LineCollection(lines, colors=QUIET, linewidths=0.6, zorder=1.9, gid=f"{state}-hair")
            )
            ax.add_collection(
                LineCollection(
                    lines, colors=style.color, linewidths=PLAIN_PT, linestyles=[DOTTED],
                    zorder=2, gid=state,
                )
            )  # fmt: skip
            continue
        core = widths_pt(rows["p_presence"])[owner] * scale
        edge = np.maximum(widths_pt(rows["p_presence_high"])[owner] * scale, core)
        for widths, color, level in ((edge, style.edge, 3.0), (core, style.color, 4.0)):
            ax.add_collection(
                LineCollection(
                    lines,
                    colors=color,
                    linewidths=widths,
                    capstyle="butt",
                    zorder=level + order / 10,
                    gid=f"{state}-{'core' if level > 3 else 'edge'}",
                )
            )
    return ax


def weight_scale(ax: Axes, units: gpd.GeoDataFrame) -> float:
    """Factor for the weight of lines, from 0.35 to 1, so that short units stay longer than wide."""
    lengths = shapely.length(units.geometry.to_numpy())
    lengths = lengths[np.isfinite(lengths)]
    if not len(lengths):
        return 1.0
    return float(np.clip(np.median(lengths) / map_units_per_point(ax) / _SHORT_PT, 0.35, 1.0))


def draw_tally(ax: Axes, monthly: gpd.GeoDataFrame) -> Axes:
    """Draw a mark beside a unit for each visit, at most five; none where they would crowd.

    The marks stand to the left of the line as it runs, off its widest edge, so that neither
    the colour of the unit nor the trails on it are covered.

    Parameters
    ----------
    ax : Axes
        To draw on, in a projected CRS; layers are in the same.
    monthly : GeoDataFrame
        MONTHLY of one period and taxon.

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
    >>> draw_tally(ax, march) is ax
    True
    """
    size = map_units_per_point(ax)
    rows = monthly[(monthly["visits"].fillna(0) > 0).to_numpy(dtype=bool)]
    shapes = rows.geometry.to_numpy()
    marks = rows["visits"].clip(upper=TALLY_MOST).to_numpy(dtype=int)
    gap = 2.6 * size
    roomy = shapely.length(shapes) > (TALLY_MOST + 1) * gap
    widest = np.fmax(widths_pt(rows["p_presence"]), widths_pt(rows["p_presence_high"]))
    off = (widest * weight_scale(ax, monthly) / 2 + 1.4)[roomy] * size
    shapes, marks = shapes[roomy], marks[roomy]
    owner = np.repeat(np.arange(len(shapes)), marks)
    nth = np.arange(len(owner)) - np.repeat(np.cumsum(marks) - marks, marks)
    along = shapely.length(shapes)[owner] / 2 + (nth - (marks[owner] - 1) / 2) * gap
    middle = _points_along(shapes[owner], along)
    way = _points_along(shapes[owner], along + gap / 4) - _points_along(
        shapes[owner], along - gap / 4
    )
    length = np.hypot(*way.T)[:, None]
    left = np.divide(way[:, ::-1] * (-1, 1), length, out=np.zeros_like(way), where=length > 0)
    foot = middle + left * off[owner, None]
    ticks = np.stack([foot, foot + left * TALLY_PT * size], axis=1)
    ax.add_collection(
        LineCollection(list(ticks), colors=INK, linewidths=0.8, zorder=5.0, gid="tally")
    )
    return ax


def has_tally(ax: Axes) -> bool:
    """Whether any tally mark found room on the map."""
    return any(c.get_gid() == "tally" and len(c.get_paths()) for c in ax.collections)


def draw_trails(
    ax: Axes,
    trails: gpd.GeoDataFrame,
    probability: str,
    *,
    faded: bool = False,
    size: float = 1.0,
) -> Axes:
    """Draw trails as lines with a head in the direction of travel; a dot where it is unknown.

    Trails of one class that would crowd on the sheet (`SHARED_PT`) share one head or dot.

    Parameters
    ----------
    ax : Axes
        A map in the CRS of `trails`.
    trails : GeoDataFrame
        TRAILS; those without a geometry cannot be drawn.
    probability : str
        Column that says how probable the taxon is: filled, open or grey (`style.TRAILS`).
    faded : bool
        Whether they are drawn pale, and under those that are not.
    size : float
        Size of heads and dots against that of a full sheet.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> trails = analysis.trails.to_crs("EPSG:32609")
    >>> ax = Figure().add_subplot()
    >>> draw_trails(ax, trails, "p_puma") is ax
    True
    """
    known = ~(shapely.is_missing(trails.geometry.to_numpy()) | trails.geometry.is_empty.to_numpy())
    trails = trails[known]
    share = trails[probability].fillna(0.0).to_numpy(dtype=float)
    above = np.inf
    for order, style in enumerate(TRAILS):
        rows = trails[(share >= style.at_least) & (share < above)]
        above = style.at_least
        if len(rows):
            _draw_trail_class(ax, rows, style, level=(6.5 if faded else 8.0) - order / 2, size=size)
    return ax


def _draw_trail_class(
    ax: Axes, trails: gpd.GeoDataFrame, style: TrailStyle, *, level: float, size: float
) -> None:
    lines, _ = _lines(trails)
    faded = level <= _FADED_BELOW
    alpha = FADED if faded else None
    middle = shapely.get_coordinates(shapely.centroid(trails.geometry.to_numpy()))
    angle = np.radians(trails["direction_deg"].to_numpy(dtype=float))
    kept = apart(middle, np.isfinite(angle), within=SHARED_PT * size * map_units_per_point(ax))
    middle, angle = middle[kept], angle[kept]
    heading = np.isfinite(angle)
    heads = arrow_heads(middle[heading], angle[heading], ARROW_PT * size * map_units_per_point(ax))
    # A pale rim keeps trails readable on the lines of units; it is one collection for all.
    if not faded:
        ax.add_collection(LineCollection(lines, colors=PAPER, linewidths=2.6, zorder=level - 0.1))
    ax.add_collection(
        LineCollection(lines, colors=style.edge, linewidths=1.0, alpha=alpha, zorder=level)
    )
    marks = [(PAPER, PAPER, 2.6, level + 0.1, "trail-rims")] if not faded else []
    marks.append((style.fill, style.edge, 0.9, level + 0.2, "trail-heads"))
    for fill, edge, width, order, gid in marks:
        ax.add_collection(
            PolyCollection(
                list(heads), facecolors=fill, edgecolors=edge, linewidths=width, alpha=alpha,
                zorder=order, gid=gid,
            )
        )  # fmt: skip
        ax.plot(
            *middle[~heading].T, linestyle="none", marker="o", markersize=DOT_PT * size,
            color=fill, markeredgecolor=edge, markeredgewidth=width, alpha=alpha, zorder=order,
        )  # fmt: skip


def apart(
    points: FloatArray, first: npt.NDArray[np.bool_], *, within: float
) -> npt.NDArray[np.intp]:
    """Choose points no two of which are nearer than `within`; those of `first` are chosen first.

    Examples
    --------
    >>> import numpy as np
    >>> points = np.array([[0.0, 0], [1, 0], [9, 0]])
    >>> apart(points, np.array([False, True, False]), within=2.0).tolist()
    [1, 2]
    """
    order = np.argsort(~first, kind="stable")
    tree = shapely.STRtree(shapely.points(points))
    free = np.ones(len(points), dtype=bool)
    kept = []
    for row in order:
        if free[row]:
            kept.append(row)
            free[tree.query(shapely.points(points[row]), predicate="dwithin", distance=within)] = (
                False
            )
    return np.sort(np.array(kept, dtype=np.intp))


def arrow_heads(at: FloatArray, angle: FloatArray, size: float) -> FloatArray:
    """Barbed heads (n, 4, 2) of length `size`, pointing `angle` radians clockwise from up."""
    shape = np.array([(0, 0.6), (-0.36, -0.4), (0, -0.18), (0.36, -0.4)]) * size
    sin, cos = np.sin(angle)[:, None], np.cos(angle)[:, None]
    x = shape[:, 0] * cos + shape[:, 1] * sin
    y = -shape[:, 0] * sin + shape[:, 1] * cos
    return np.stack([x, y], axis=2) + at[:, None, :]


def draw_transects(ax: Axes, transects: gpd.GeoDataFrame, *, on_areas: bool = False) -> Axes:
    """Draw transects as hairlines, or on areas as dark lines with a pale rim.

    Parameters
    ----------
    ax : Axes
        To draw on, in a projected CRS; layers are in the same.
    transects : GeoDataFrame
        TRANSECTS.
    on_areas : bool
        Whether they lie on units that are areas, whose fill would hide a hairline.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> ax = Figure().add_subplot()
    >>> draw_transects(ax, analysis.transects.to_crs("EPSG:32609")) is ax
    True
    """
    lines, _ = _lines(transects)
    if on_areas:
        ax.add_collection(LineCollection(lines, colors=GROUND, linewidths=2.8, zorder=1.4))
    color, width, level = (QUIET, 1.1, 1.42) if on_areas else (HAIRLINE, 0.8, 1.0)
    look: dict[str, Any] = {"colors": color, "linewidths": width, "zorder": level}
    ax.add_collection(LineCollection(lines, gid="transects", **look))
    return ax


def draw_parcels(ax: Axes, parcels: gpd.GeoDataFrame, *, fill: str = "none") -> Axes:
    """Draw parcels as quiet outlines, above areas, on a pale rim that keeps them seen on any fill.

    Parameters
    ----------
    ax : Axes
        To draw on, in a projected CRS; layers are in the same.
    parcels : GeoDataFrame
        PARCELS.
    fill : str
        Colour of their inside.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> ax = Figure().add_subplot()
    >>> draw_parcels(ax, analysis.parcels.to_crs("EPSG:32609")) is ax
    True
    """
    known = parcels[~shapely.is_missing(parcels.geometry.to_numpy())]
    parts, _ = shapely.get_parts(known.geometry.to_numpy(), return_index=True)
    rings = [np.asarray(part.exterior.coords) for part in parts]
    for inside, color, width, style, level, gid in (
        ("none", GROUND, 2.8, "-", 1.45, "parcel-rims"),
        (fill, PARCEL, 0.9, (0, (5, 2)), 1.5, "parcels"),
    ):
        ax.add_collection(
            PolyCollection(
                rings, facecolors=inside, edgecolors=color, linewidths=width, linestyles=[style],
                zorder=level, gid=gid,
            )
        )  # fmt: skip
    return ax


def _lines(frame: gpd.GeoDataFrame) -> tuple[list[FloatArray], npt.NDArray[np.intp]]:
    """Coordinates of each line, parts apart, and the position of the row each belongs to."""
    parts, owner = shapely.get_parts(frame.geometry.to_numpy(), return_index=True)
    linear = shapely.get_type_id(parts) == 1
    parts, owner = parts[linear], owner[linear]
    points, part = shapely.get_coordinates(parts, return_index=True)
    return np.split(points, np.flatnonzero(np.diff(part)) + 1) if len(points) else [], owner


def widths_pt(probability: npt.ArrayLike) -> FloatArray:
    """Widths of lines in points, from the steps of `style.WEIGHTS`; the least where unknown."""
    values = np.nan_to_num(np.asarray(probability, dtype=float))
    steps = np.searchsorted([step.at_least for step in WEIGHTS], values, side="right") - 1
    return np.array([step.width_pt for step in WEIGHTS])[np.maximum(steps, 0)]


def _points_along(shapes: npt.NDArray[np.object_], along: FloatArray) -> FloatArray:
    return shapely.get_coordinates(shapely.line_interpolate_point(shapes, along)).reshape(-1, 2)
