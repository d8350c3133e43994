"""The map of an incident: the place, what was near, and where anybody looked."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from carnivore_sign.incidents import IncidentFindings
from carnivore_sign.maps.furniture import Frame
from carnivore_sign.maps.key import Column, key_of_parcels, key_of_trails
from carnivore_sign.maps.layers import draw_parcels, draw_segments, draw_trails
from carnivore_sign.maps.lettering import drawable, map_units_per_point
from carnivore_sign.maps.names import draw_names, draw_numbers
from carnivore_sign.maps.sheet import furnish, open_columns, open_sheet, write_foot
from carnivore_sign.maps.style import (
    INCIDENT,
    INK,
    PAPER,
    PARCEL_FILL,
    QUIET,
    RING_PT,
    STATES,
    line_width_pt,
)
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import STORED_CRS, project, working_crs

FloatArray = npt.NDArray[np.float64]

#: The map shows trails at most this many times as far from the place as the nearest, which
#: counts as being at least this far, metres.
_DEEP: Final = 8.0
_NEAREST_M: Final = 150.0
_OVERVIEW_IN: Final = 1.75


def incident_map(
    findings: IncidentFindings, *, title: str | None = None, crs: pyproj.CRS | str | None = None
) -> Figure:
    """Draw what was near the place of an incident.

    Parameters
    ----------
    findings : IncidentFindings
        From `examine_incident`.
    title : str, optional
        Heading; by default the name of the incident.
    crs : CRS, optional
        Projected CRS in metres; by default the UTM zone of the place.

    Returns
    -------
    matplotlib.figure.Figure
        Trails are numbered by nearness, as in the table of the report. Those that may be of the
        time of the loss are ringed and drawn on top, the others pale. The window holds what is
        near; a small map shows all within reach.

    Examples
    --------
    >>> from carnivore_sign.example import example_answer
    >>> findings = example_answer().findings
    >>> len(incident_map(findings).axes) > 0
    True
    """
    here = gpd.GeoDataFrame(
        {"parcel": [findings.place.parcel]}, geometry=[findings.place.shape], crs=STORED_CRS
    )
    crs = working_crs(here) if crs is None else pyproj.CRS(crs)
    place, trails = project(here, crs), project(findings.trails, crs)
    lines = project(_looked_lines(findings), crs)
    parcels = project(_other_parcels(findings), crs)
    reach = place.set_geometry(place.geometry.buffer(findings.within_m))
    telling = findings.may_be_of_the_time
    figure, ax = open_sheet(title or f"What was near: {findings.incident}", _subtitle(findings))
    frame = furnish(ax, _around(place, trails, telling, reach), crs)
    _draw_reach(ax, reach)
    draw_parcels(ax, parcels)
    draw_segments(ax, lines)
    _draw_place(ax, place, findings)
    draw_trails(ax, trails[~telling], "p_taxon", faded=True)
    draw_trails(ax, trails[telling], "p_taxon")
    middles = _middles(trails)
    _draw_rings(ax, middles[telling])
    mark = place.set_geometry(
        place.boundary
        if findings.place.kind == "parcel"
        else place.buffer(8 * map_units_per_point(ax))
    )
    inside = _within(frame, middles)
    draw_numbers(
        ax, np.where(inside[:, None], middles, np.nan), parcels=parcels,
        clear_of=[lines, trails, mark], ringed=telling,
    )  # fmt: skip
    draw_names(ax, parcels=parcels, clear_of=[lines, trails, mark])
    columns = open_columns(ax)
    _write_key(columns, findings, lines)
    if not _holds(frame, reach):
        _draw_overview(columns[2], frame, [reach, lines, place], middles, telling)
    write_foot(figure, columns, _foot(findings, telling, inside))
    return figure


def _around(
    place: gpd.GeoDataFrame,
    trails: gpd.GeoDataFrame,
    telling: npt.NDArray[np.bool_],
    reach: gpd.GeoDataFrame,
) -> list[gpd.GeoDataFrame]:
    """Return what the map must hold: the place, and the trails that matter and are not far.

    Of the trails that may be of the time of the loss (of all, where none may be) those at most
    `_DEEP` times as far from the place as the nearest, so that the nearest stays apart from it.
    """
    known = np.isfinite(_middles(trails)).all(axis=1)
    chosen = trails[telling & known] if (telling & known).any() else trails[known]
    if chosen.empty:
        return [reach]
    far = chosen["distance_m"].to_numpy(dtype=float)
    return [place, chosen[far <= _DEEP * max(far.min(), _NEAREST_M)]]


def _middles(trails: gpd.GeoDataFrame) -> FloatArray:
    """Middle of each trail; NaN where it has no shape."""
    middles = np.full((len(trails), 2), np.nan)
    shapes = trails.geometry.to_numpy()
    known = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    middles[known] = shapely.get_coordinates(shapely.centroid(shapes[known]))
    return middles


def _within(frame: Frame, at: FloatArray) -> npt.NDArray[np.bool_]:
    x, y = at.T
    return (x > frame.west) & (x < frame.east) & (y > frame.south) & (y < frame.north)


def _holds(frame: Frame, layer: gpd.GeoDataFrame) -> bool:
    west, south, east, north = layer.total_bounds
    return bool(
        frame.west <= west and frame.south <= south and frame.east >= east and frame.north >= north
    )


def _draw_rings(ax: Axes, at: FloatArray) -> None:
    """Set the trails that may be of the time of the loss apart."""
    ax.plot(
        *at.T,
        linestyle="none",
        marker="o",
        markersize=RING_PT,
        markerfacecolor="none",
        markeredgecolor=INCIDENT,
        markeredgewidth=1.5,
        zorder=8.5,
        gid="of-the-time",
    )


def _draw_overview(
    column: Column,
    frame: Frame,
    layers: list[gpd.GeoDataFrame],
    middles: FloatArray,
    telling: npt.NDArray[np.bool_],
) -> None:
    """Draw the whole reach small, with the window of the map in it."""
    reach, lines, place = layers
    column.heading("All of it")
    ax = column.panel(_OVERVIEW_IN)
    west, south, east, north = reach.total_bounds
    margin = 0.03 * (east - west)
    ax.set_xlim(west - margin, east + margin)
    ax.set_ylim(south - margin, north + margin)
    ax.set_aspect("equal")
    ax.set_axis_off()
    _draw_reach(ax, reach)
    for shape in shapely.get_parts(lines.geometry.to_numpy()):
        ax.plot(*shapely.get_coordinates(shape).T, color=STATES["not_found"].color, linewidth=1.0)
    for rows, color in ((~telling, QUIET), (telling, INK)):
        ax.plot(*middles[rows].T, ".", color=color, markersize=3.5, zorder=5)
    centre = place.geometry.iloc[0].centroid
    ax.plot([centre.x], [centre.y], "X", color=INCIDENT, markersize=6, markeredgecolor=PAPER)
    ax.add_patch(
        Rectangle(
            (frame.west, frame.south),
            frame.east - frame.west,
            frame.north - frame.south,
            fill=False,
            edgecolor=INK,
            linewidth=0.9,
        )
    )


def _other_parcels(findings: IncidentFindings) -> gpd.GeoDataFrame:
    """Parcels to outline: all but the one that is itself drawn as the place."""
    if findings.place.kind == "point":
        return findings.parcels
    own = findings.parcels["parcel"].eq(findings.place.parcel)
    return findings.parcels[~own.to_numpy(dtype=bool)]


def _subtitle(findings: IncidentFindings) -> str:
    zone = findings.time_zone
    end = f"{findings.window.end.tz_convert(zone):%d %B %Y %H:%M}"
    if findings.window.start is None:
        return f"Loss found {end} ({zone}); time last seen well not known"
    return (
        f"Loss between {findings.window.start.tz_convert(zone):%d %B %Y %H:%M} and {end} ({zone})"
    )


def _looked_lines(findings: IncidentFindings) -> gpd.GeoDataFrame:
    """Segments within reach, as looked at or not in the listed time."""
    seen = findings.segments["segment"].isin(findings.looked["segment"])
    return findings.segments.assign(
        state=np.where(seen, "not_found", "not_looked"), p_presence=0.25, p_presence_high=0.25
    )


def _draw_reach(ax: Axes, reach: gpd.GeoDataFrame) -> None:
    edge = np.asarray(reach.geometry.iloc[0].exterior.coords)
    ax.plot(*edge.T, color=INCIDENT, linewidth=0.8, linestyle=(0, (2, 3)), zorder=2)


def _draw_place(ax: Axes, place: gpd.GeoDataFrame, findings: IncidentFindings) -> None:
    if findings.place.kind == "parcel":
        draw_parcels(ax, place, fill=PARCEL_FILL)
        return
    point = place.geometry.iloc[0]
    ax.plot(
        [point.x],
        [point.y],
        marker="X",
        markersize=11,
        color=INCIDENT,
        markeredgecolor=PAPER,
        linestyle="none",
        zorder=9,
    )


def _write_key(columns: list[Column], findings: IncidentFindings, lines: pd.DataFrame) -> None:
    place, trails, _ = columns
    place.heading("The place")
    if findings.place.kind == "parcel":
        key_of_parcels(place, drawable(findings.place.parcel), fill=PARCEL_FILL)
    else:
        place.star(place.entry("where the loss was found"))
    place.line(place.entry(f"{findings.within_m / 1000:g} km from it"), INCIDENT, 1.2, dotted=True)
    if len(_other_parcels(findings)):
        key_of_parcels(
            place, "holding or pasture" if findings.place.kind == "point" else "another holding"
        )
    place.heading("Surveyed lines")
    style = STATES["not_found"]
    looked = int((lines["state"] == "not_found").sum())
    place.line(
        place.entry(f"walked in these weeks: {looked} segments"), style.color, line_width_pt(0.25)
    )
    place.not_looked(place.entry(f"not walked: {len(lines) - looked} segments"))
    trails.heading(f"Trails: probability of {TAXA[findings.taxon]}")
    if not len(findings.trails):
        trails.text("No trail is on record here.")
        return
    key_of_trails(trails)
    trails.y -= 0.06
    trails.ring(trails.entry("may be of the time of the loss; the others are pale"))


def _foot(
    findings: IncidentFindings, telling: npt.NDArray[np.bool_], inside: npt.NDArray[np.bool_]
) -> str:
    if not len(telling):
        return f"{len(findings.looked)} visits to segments in these weeks."
    outside = len(inside) - int(inside.sum())
    verb = "lies" if outside == 1 else "lie"
    rest = f" {outside} {verb} outside this window." if outside else ""
    return (
        f"{len(telling)} {'trail' if len(telling) == 1 else 'trails'} near; {int(telling.sum())} "
        f"may be of the time of the loss.{rest} Numbers are those of the table."
    )
