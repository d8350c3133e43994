"""GPX: transects to be walked, and trails, for a GPS receiver.

Each transect is a track, which shows its whole course, and a route of few points, which a receiver
leads along. Trails are tracks as well; a trail of one sign is a waypoint.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.intake.gpx_writing import write_gpx
from carnivore_sign.space import STORED_CRS, project, stored, working_crs
from carnivore_sign.writing import write_whole

#: Points that a receiver takes in one route (common practice, no source).
MOST_ROUTE_POINTS: Final = 200
_POINT: Final = 0


def write_transects_gpx(
    path: str | Path,
    transects: gpd.GeoDataFrame,
    *,
    trails: gpd.GeoDataFrame | None = None,
    name: str | None = None,
) -> Path:
    """Write transects, and trails, as GPX 1.1 for a receiver.

    Parameters
    ----------
    path : path-like
        The file; one that is there is replaced.
    transects : GeoDataFrame
        TRANSECTS.
    trails : GeoDataFrame, optional
        TRAILS.
    name : str, optional
        Title of the file.

    Returns
    -------
    Path
        The file: a track and a route per transect, a track per trail, and a waypoint for each
        trail of one sign.

    Raises
    ------
    InputError
        If there is neither a transect nor a trail.

    Examples
    --------
    >>> from shapely import LineString
    >>> wash = gpd.GeoDataFrame(
    ...     {"transect": ["Wash"]}, geometry=[LineString([(-119.2, 37.4), (-119.19, 37.4)])],
    ...     crs=4326)
    >>> path = write_transects_gpx(Path(tempfile.mkdtemp()) / "wash.gpx", wash)
    >>> path.read_text().count("<rtept"), path.read_text().count("<trkpt")
    (2, 2)
    """
    path = Path(path)
    planned = _parts(transects, "transect")
    found = planned.iloc[:0] if trails is None else _parts(trails, "trail")
    single = shapely.get_type_id(found.geometry.to_numpy()) == _POINT
    points = found.loc[single].rename(columns={"log": "name"})
    lines = [frame for frame in (planned, found.loc[~single]) if len(frame)]
    tracks = pd.concat([_vertices(frame, "part") for frame in lines or [planned]])
    if tracks.empty and points.empty:
        raise InputError("there is no transect and no trail to write", file=path)
    with tempfile.TemporaryDirectory() as folder:
        written = write_gpx(
            Path(folder) / "lines.gpx",
            fixes=tracks.reset_index(drop=True),
            waypoints=points,
            route_points=_vertices(_thinned(planned), "route"),
            name=name,
        )
        return write_whole(path, written.read_bytes())


def _parts(layer: gpd.GeoDataFrame, column: str) -> gpd.GeoDataFrame:
    """Return the single lines and points of a layer under the names that a column gives."""
    frame = stored(layer, "the layer")
    shapes = gpd.GeoSeries(frame.geometry.to_numpy(), crs=STORED_CRS)
    named = gpd.GeoDataFrame({"log": frame[column].astype("object").to_numpy()}, geometry=shapes)
    return named.explode(ignore_index=True)


def _vertices(lines: gpd.GeoDataFrame, number: str) -> gpd.GeoDataFrame:
    """Return the vertices of lines, a row each; lines of one name are numbered from 0."""
    places, owner = shapely.get_coordinates(lines.geometry.to_numpy(), return_index=True)
    log = lines["log"].to_numpy()[owner]
    order = lines.groupby("log").cumcount().to_numpy()[owner] if len(lines) else owner
    return gpd.GeoDataFrame(
        {"log": log, number: order}, geometry=gpd.points_from_xy(*places.T), crs=STORED_CRS
    )


def _thinned(lines: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Leave out vertices until no line has more than a route takes, the straightest ones first."""
    if lines.empty:
        return lines
    plane = project(lines, working_crs(lines))
    shapes = plane.geometry.to_numpy()
    tolerance_m = 1.0
    while (many := shapely.get_num_coordinates(shapes) > MOST_ROUTE_POINTS).any():
        shapes = np.where(many, shapely.simplify(shapes, tolerance_m), shapes)
        tolerance_m *= 2
    thin = gpd.GeoSeries(shapes, crs=plane.crs).to_crs(STORED_CRS)
    same = shapely.get_num_coordinates(shapes) == shapely.get_num_coordinates(lines.geometry)
    kept = np.where(same, lines.geometry.to_numpy(), thin.to_numpy())
    return lines.set_geometry(gpd.GeoSeries(kept, index=lines.index, crs=STORED_CRS))
