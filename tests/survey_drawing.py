"""Drawn ground for the tests of the survey: metres east and north of a place in Nevada.

The plane is azimuthal equidistant on WGS84 about the origin, so that within a few kilometres
its metres are those of the ellipsoid to better than a millimetre.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
from shapely import LineString, MultiLineString, transform

ORIGIN = (-119.0, 41.0)
PLANE = pyproj.CRS(f"+proj=aeqd +lon_0={ORIGIN[0]} +lat_0={ORIGIN[1]} +ellps=WGS84")
TO_DEGREES = pyproj.Transformer.from_crs(PLANE, "EPSG:4326", always_xy=True)
START = pd.Timestamp("2024-05-06 14:00", tz="UTC")


def degrees(xy):
    """Longitude and latitude of positions in metres, shape (n, 2)."""
    return np.column_stack(TO_DEGREES.transform(*np.asarray(xy, dtype=float).T))


def transects(**lines):
    """TRANSECTS drawn in metres; a list of lists makes a multi-part line."""
    shapes = [
        MultiLineString(line) if np.ndim(line[0][0]) else LineString(line)
        for line in lines.values()
    ]
    frame = {"transect": list(lines), "surface": "dust"}
    return gpd.GeoDataFrame(
        frame, geometry=[transform(shape, degrees) for shape in shapes], crs="EPSG:4326"
    )


def points(xy, **columns):
    """Points drawn in metres, with columns."""
    at = degrees(xy)
    return gpd.GeoDataFrame(columns, geometry=gpd.points_from_xy(*at.T), crs="EPSG:4326")


def log(xy, *, name="MON", seconds=None, every_s=10.0, start=START, part=0, flags=""):
    """FIXES of one log, one fix `every_s` seconds unless `seconds` says otherwise."""
    seconds = np.arange(len(xy)) * every_s if seconds is None else np.asarray(seconds)
    time = start + pd.to_timedelta(seconds, unit="s")
    return points(xy, log=name, part=part, time=time, flags=flags)


def walk(route, *, speed_m_s=1.2, every_s=10.0, noise_m=0.0, rng=None):
    """Positions of somebody who walks along `route`, with independent noise."""
    line = LineString(route)
    far = np.arange(0.0, line.length + 1e-9, speed_m_s * every_s)
    at = np.array([line.interpolate(metres).coords[0] for metres in far])
    return at if rng is None else at + rng.normal(0.0, noise_m, at.shape)


def logs(*names):
    """LOGS with an observer each."""
    return pd.DataFrame({"log": names, "observer": [f"observer of {name}" for name in names]})
