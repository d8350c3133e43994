"""The map of an incident: the place, what was near, and where anybody looked."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.incidents import IncidentFindings
from carnivore_sign.maps.key import Column, key_of_parcels, key_of_trails
from carnivore_sign.maps.layers import draw_parcels, draw_segments, draw_trails
from carnivore_sign.maps.lettering import drawable, map_units_per_point
from carnivore_sign.maps.names import draw_names, draw_numbers
from carnivore_sign.maps.sheet import furnish, open_column, open_sheet
from carnivore_sign.maps.style import (
    INCIDENT,
    PAPER,
    PARCEL_FILL,
    STATES,
    line_width_pt,
)
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import STORED_CRS, project, working_crs


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
        Trails are numbered by nearness, as in the table of the report.
    """
    here = gpd.GeoDataFrame(
        {"parcel": [findings.place.parcel]}, geometry=[findings.place.shape], crs=STORED_CRS
    )
    crs = working_crs(here) if crs is None else pyproj.CRS(crs)
    place, trails = project(here, crs), project(findings.trails, crs)
    lines = project(_looked_lines(findings), crs)
    reach = place.set_geometry(place.geometry.buffer(findings.within_m))
    figure, ax = open_sheet(title or f"What was near: {findings.incident}", _subtitle(findings))
    furnish(ax, [reach], crs)
    _draw_reach(ax, reach)
    parcels = project(_other_parcels(findings), crs)
    draw_parcels(ax, parcels)
    draw_segments(ax, lines)
    _draw_place(ax, place, findings)
    draw_trails(ax, trails, "p_taxon")
    middles = shapely.get_coordinates(shapely.centroid(trails.geometry.to_numpy()))
    mark = place.set_geometry(
        place.boundary
        if findings.place.kind == "parcel"
        else place.buffer(8 * map_units_per_point(ax))
    )
    draw_numbers(ax, middles, parcels=parcels, clear_of=[lines, mark])
    draw_names(ax, parcels=parcels, clear_of=[lines, trails, mark])
    _write_key(open_column(figure), findings, lines)
    return figure


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


def _write_key(column: Column, findings: IncidentFindings, lines: pd.DataFrame) -> None:
    column.heading("The place")
    if findings.place.kind == "parcel":
        key_of_parcels(column, drawable(findings.place.parcel), fill=PARCEL_FILL)
    else:
        column.star(column.entry("where the loss was found"))
    column.line(
        column.entry(f"{findings.within_m / 1000:g} km from it"), INCIDENT, 1.2, dotted=True
    )
    column.heading("Surveyed lines")
    style = STATES["not_found"]
    looked = int((lines["state"] == "not_found").sum())
    column.line(
        column.entry(f"walked in these weeks: {looked} segments"), style.color, line_width_pt(0.25)
    )
    rest = STATES["not_looked"]
    column.line(
        column.entry(f"not walked: {len(lines) - looked} segments"), rest.color, 1.6, dotted=True
    )
    column.heading(f"Trails, by how probable {TAXA[findings.taxon]} is")
    if len(findings.trails):
        key_of_trails(column)
        column.text("Numbers are those of the table.", quiet=True)
    else:
        column.text("No trail is on record here.")
    if len(_other_parcels(findings)):
        column.heading("Holdings" if findings.place.kind == "point" else "Other holdings")
        key_of_parcels(column)
