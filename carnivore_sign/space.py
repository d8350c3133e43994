"""Space: reference systems, and lengths, bearings and areas on the WGS84 ellipsoid.

Positions are stored in `STORED_CRS` (longitude, latitude in degrees). Lengths, distances,
bearings and areas come from the ellipsoid; work that needs a plane (nearest line, buffers)
happens in a projected working CRS that `working_crs` chooses and the season records. Asking
for a planar quantity in degrees raises; it never warns.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from carnivore_sign.errors import CrsMissing, GeographicCrs, InputError

FloatArray = npt.NDArray[np.float64]

#: CRS of every stored geometry: WGS84 longitude, latitude in degrees.
STORED_CRS: Final = "EPSG:4326"

#: The ellipsoid on which lengths, bearings and areas are computed.
GEOD: Final = pyproj.Geod(ellps="WGS84")


def require_crs(frame: gpd.GeoDataFrame | gpd.GeoSeries, what: str) -> pyproj.CRS:
    """Return the CRS of `frame`, or raise `CrsMissing` naming `what`."""
    if frame.crs is None:
        raise CrsMissing(
            f"{what} has no coordinate reference system",
            remedy="State it: frame.set_crs('EPSG:...'), or --crs EPSG:... on the command line.",
        )
    return frame.crs


def require_projected(frame: gpd.GeoDataFrame | gpd.GeoSeries, what: str) -> pyproj.CRS:
    """Return the CRS of `frame` if it is projected in metres, otherwise raise."""
    crs = require_crs(frame, what)
    if crs.is_geographic or crs.axis_info[0].unit_name not in ("metre", "meter"):
        raise GeographicCrs(
            f"{what} is in {crs.name} ({crs.axis_info[0].unit_name}), and metres are needed",
            remedy="Project it first: project(frame, working_crs(frame)).",
        )
    return crs


def stored(frame: gpd.GeoDataFrame, what: str) -> gpd.GeoDataFrame:
    """Return `frame` in `STORED_CRS`; a frame without a CRS raises `CrsMissing`."""
    require_crs(frame, what)
    return frame.to_crs(STORED_CRS)


def project(frame: gpd.GeoDataFrame, crs: pyproj.CRS | str) -> gpd.GeoDataFrame:
    """Return `frame` in the projected `crs`; a geographic `crs` raises `GeographicCrs`."""
    require_crs(frame, "the frame")
    moved = frame.to_crs(crs)
    require_projected(moved, "the working CRS")
    return moved


def working_crs(frame: gpd.GeoDataFrame | gpd.GeoSeries) -> pyproj.CRS:
    """Choose the UTM zone (WGS84) that holds the middle of the data.

    Parameters
    ----------
    frame : GeoDataFrame or GeoSeries
        Any geometries with a CRS; empty and missing ones are passed over.

    Returns
    -------
    pyproj.CRS
        A UTM zone, in metres; a polar stereographic CRS beyond 84 N and 80 S.

    Raises
    ------
    CrsMissing
        If `frame` has no CRS.
    InputError
        If there is no position in `frame`.

    Notes
    -----
    Zones are six degrees wide with the exceptions of south-west Norway (32V) and Svalbard
    (31X to 37X); the longitude is averaged as a direction, so that data across the
    antimeridian fall in zone 1 or 60. Source: the definition of the UTM grid.
    """
    require_crs(frame, "the data")
    points = shapely.get_coordinates(frame.to_crs(STORED_CRS).geometry.to_numpy())
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        raise InputError(
            "there is no position from which to choose a working CRS",
            remedy="Import a transect or a log first, or state the CRS.",
        )
    angles = np.radians(points[:, 0])
    lon = float(np.degrees(np.arctan2(np.sin(angles).mean(), np.cos(angles).mean())))
    lat = float((points[:, 1].min() + points[:, 1].max()) / 2)
    return utm_crs(lon, lat)


def utm_crs(lon: float, lat: float) -> pyproj.CRS:
    """Return the UTM zone (WGS84) of a position in degrees, or polar stereographic."""
    if lat > 84:
        return pyproj.CRS("EPSG:32661")
    if lat < -80:
        return pyproj.CRS("EPSG:32761")
    lon = (lon + 180) % 360 - 180
    zone = int((lon + 180) // 6) + 1
    if 56 <= lat < 64 and 3 <= lon < 12:
        zone = 32
    elif lat >= 72 and 0 <= lon < 42:
        zone = 31 if lon < 9 else 33 if lon < 21 else 35 if lon < 33 else 37
    return pyproj.CRS(f"EPSG:{(32600 if lat >= 0 else 32700) + zone}")


def distances_m(
    lon_from: npt.ArrayLike, lat_from: npt.ArrayLike, lon_to: npt.ArrayLike, lat_to: npt.ArrayLike
) -> FloatArray:
    """Geodesic distances in metres between positions in degrees; NaN where one is missing."""
    return _inverse(lon_from, lat_from, lon_to, lat_to)[1]


def bearings_deg(
    lon_from: npt.ArrayLike, lat_from: npt.ArrayLike, lon_to: npt.ArrayLike, lat_to: npt.ArrayLike
) -> FloatArray:
    """Bearings at the first position, degrees clockwise from true north in [0, 360)."""
    return np.mod(_inverse(lon_from, lat_from, lon_to, lat_to)[0], 360.0)


def _inverse(
    lon_from: npt.ArrayLike, lat_from: npt.ArrayLike, lon_to: npt.ArrayLike, lat_to: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    arrays = np.broadcast_arrays(
        *(np.asarray(a, dtype=float) for a in (lon_from, lat_from, lon_to, lat_to))
    )
    lon1, lat1, lon2, lat2 = (np.ascontiguousarray(a) for a in arrays)
    known = np.isfinite(lon1) & np.isfinite(lat1) & np.isfinite(lon2) & np.isfinite(lat2)
    azimuth = np.full(lon1.shape, np.nan)
    metres = np.full(lon1.shape, np.nan)
    azimuth[known], _, metres[known] = GEOD.inv(lon1[known], lat1[known], lon2[known], lat2[known])
    return azimuth, metres


def lengths_m(lines: gpd.GeoSeries) -> FloatArray:
    """Geodesic length in metres of each line (parts summed, 2-D); NaN for a missing one."""
    require_crs(lines, "the lines")
    geometries = lines.to_crs(STORED_CRS).to_numpy()
    return line_lengths_m(geometries)


def line_lengths_m(geometries: npt.NDArray[np.object_]) -> FloatArray:
    """Geodesic lengths in metres of lines whose coordinates are longitude and latitude."""
    parts, owner = shapely.get_parts(geometries, return_index=True)
    points, part = shapely.get_coordinates(parts, return_index=True)
    joined = part[1:] == part[:-1]
    steps = np.zeros(max(len(points) - 1, 0))
    if joined.any():
        steps[joined] = distances_m(
            points[:-1, 0][joined], points[:-1, 1][joined],
            points[1:, 0][joined], points[1:, 1][joined],
        )  # fmt: skip
    total = np.zeros(len(geometries), dtype=np.float64)
    np.add.at(total, owner[part[1:]], steps)
    total[shapely.is_missing(geometries)] = np.nan
    return total
