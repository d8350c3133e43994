"""The country (simulate): transects as lines on the ellipsoid, parcels, units, terrain.

A `Path` is a line with its geodesic distance from the start at every vertex. Places are
planned in kilometres east and north of the middle and put on the ellipsoid by azimuth and
distance from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.interpolate import CubicSpline

from carnivore_sign.errors import InputError
from carnivore_sign.simulate.settings import CountrySettings, PlaceKm, TransectSettings
from carnivore_sign.space import GEOD, STORED_CRS, bearings_deg, distances_m
from carnivore_sign.units import M_PER_KM

FloatArray = npt.NDArray[np.float64]

#: Distance between the vertices of a transect as it is digitised.
VERTEX_SPACING_M = 60.0

#: A last piece shorter than this share of a unit is no unit of its own.
SHORTEST_REST = 0.2

#: Decimals of a degree kept for lines and corners: about a centimetre.
LINE_DECIMALS = 7


@dataclass(frozen=True)
class Path:
    """A line: longitudes and latitudes of its vertices, and metres from the start at each."""

    lon: FloatArray
    lat: FloatArray
    along_m: FloatArray

    @classmethod
    def through(cls, lon: npt.ArrayLike, lat: npt.ArrayLike) -> Path:
        """Make the path through vertices in degrees."""
        lon, lat = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
        steps = distances_m(lon[:-1], lat[:-1], lon[1:], lat[1:])
        return cls(lon, lat, np.concatenate([[0.0], np.cumsum(steps)]))

    @property
    def length_m(self) -> float:
        """Geodesic length."""
        return float(self.along_m[-1])

    def reversed(self) -> Path:
        """Return the same line from its other end."""
        return Path(self.lon[::-1], self.lat[::-1], self.length_m - self.along_m[::-1])

    def at(self, along_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Longitude and latitude at distances from the start; beyond the ends, the ends."""
        return (
            np.interp(along_m, self.along_m, self.lon),
            np.interp(along_m, self.along_m, self.lat),
        )

    def bearing_at(self, along_m: FloatArray) -> FloatArray:
        """Direction of the line at distances from its start, degrees from true north."""
        back = np.clip(along_m - 5.0, 0.0, self.length_m)
        ahead = np.clip(along_m + 5.0, 0.0, self.length_m)
        return bearings_deg(*self.at(back), *self.at(ahead))


@dataclass(frozen=True)
class Country:
    """The country as it lies there.

    Attributes
    ----------
    settings : CountrySettings
        What it was made from.
    paths : dict
        Transect name to its `Path`, in the order of the settings.
    transects, parcels : GeoDataFrame
        As the user's files hold them, EPSG:4326.
    units : DataFrame
        Pieces in which use is defined: ``transect``, ``number`` from 1, ``from_m``, ``to_m``,
        ``length_m``, and their middle as ``lon``, ``lat``, ``east_km``, ``north_km``.
    """

    settings: CountrySettings
    paths: dict[str, Path]
    transects: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    units: pd.DataFrame

    def surface_of(self, transect: str) -> str:
        """Surface of a transect."""
        return next(t.surface for t in self.settings.transects if t.name == transect)


def place(settings: CountrySettings, points_km: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Put places in km east and north of the middle on the ellipsoid: longitudes, latitudes."""
    points = np.asarray(points_km, dtype=float).reshape(-1, 2)
    azimuth = np.degrees(np.arctan2(points[:, 0], points[:, 1]))
    metres = np.hypot(points[:, 0], points[:, 1]) * M_PER_KM
    middle = np.full(len(points), settings.lon), np.full(len(points), settings.lat)
    lon, lat, _ = GEOD.fwd(*middle, azimuth, metres)
    return np.asarray(lon), np.asarray(lat)


def places_km(settings: CountrySettings, lon: FloatArray, lat: FloatArray) -> FloatArray:
    """Undo `place`: an array (places, 2) of km east and north of the middle."""
    lon, lat = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
    middle = np.full(lon.shape, settings.lon), np.full(lat.shape, settings.lat)
    azimuth, _, metres = GEOD.inv(*middle, lon, lat)
    angle = np.radians(azimuth)
    return np.column_stack([np.sin(angle), np.cos(angle)]) * np.asarray(metres)[:, None] / M_PER_KM


def shifted(
    lon: FloatArray, lat: FloatArray, east_m: FloatArray, north_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Move positions by metres east and north."""
    azimuth = np.degrees(np.arctan2(east_m, north_m))
    moved_lon, moved_lat, _ = GEOD.fwd(lon, lat, azimuth, np.hypot(east_m, north_m))
    return np.asarray(moved_lon), np.asarray(moved_lat)


def build_country(settings: CountrySettings, rng: np.random.Generator) -> Country:
    """Lay out the transects, parcels and units of `settings`.

    Parameters
    ----------
    settings : CountrySettings
        The plan.
    rng : numpy.random.Generator
        Draws the bends of the transects.

    Raises
    ------
    InputError
        If a transect's points do not reach as far as its length.
    """
    paths = {plan.name: _draw_path(settings, plan, rng) for plan in settings.transects}
    lines = [shapely.linestrings(np.column_stack([p.lon, p.lat])) for p in paths.values()]
    transects = gpd.GeoDataFrame(
        {"transect": list(paths), "surface": [plan.surface for plan in settings.transects]},
        geometry=gpd.GeoSeries(lines, crs=STORED_CRS),
    )
    parcels = gpd.GeoDataFrame(
        {
            "parcel": [plan.name for plan in settings.parcels],
            "owner_reference": [plan.owner_reference for plan in settings.parcels],
        },
        geometry=gpd.GeoSeries(
            [_polygon(settings, plan.corners_km) for plan in settings.parcels], crs=STORED_CRS
        ),
    )
    return Country(settings, paths, transects, parcels, cut_units(settings, paths))


def _polygon(settings: CountrySettings, corners_km: tuple[PlaceKm, ...]) -> shapely.Polygon:
    lon, lat = place(settings, corners_km)
    corners = np.round(np.column_stack([lon, lat]), LINE_DECIMALS)
    return shapely.orient_polygons(shapely.polygons(corners))


def _draw_path(settings: CountrySettings, plan: TransectSettings, rng: np.random.Generator) -> Path:
    """Draw a smooth line through the plan's points, bend it, and cut it at its length."""
    points = np.asarray(plan.points_km, dtype=float)
    knots = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    smooth = CubicSpline(knots, points, bc_type="natural")
    reach = np.arange(0.0, knots[-1], VERTEX_SPACING_M / M_PER_KM)
    places = smooth(reach)
    ahead = smooth(reach, 1)
    across = np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    places = places + across * (_bends_m(reach, plan.bend_m, rng) / M_PER_KM)[:, None]
    path = Path.through(*place(settings, places))
    wanted_m = plan.length_km * M_PER_KM
    if path.length_m < wanted_m:
        raise InputError(
            f"transect '{plan.name}': its points reach {path.length_m / M_PER_KM:.2f} km, "
            f"and length_km is {plan.length_km}",
            remedy="Add a point or shorten it.",
        )
    along = np.append(path.along_m[path.along_m < wanted_m - 1.0], wanted_m)
    return Path.through(*(np.round(degrees, LINE_DECIMALS) for degrees in path.at(along)))


def _bends_m(reach_km: FloatArray, bend_m: float, rng: np.random.Generator) -> FloatArray:
    """Sideways shift along a line: four waves of 0.5 to 2.2 km, the longer the larger."""
    waves_km = np.array([2.2, 1.3, 0.8, 0.5])
    share = waves_km / waves_km.sum() * 2
    phase = rng.random(4) * 2 * np.pi
    waves = np.sin(2 * np.pi * reach_km[:, None] / waves_km + phase)
    return bend_m * (waves * share * (0.7 + 0.6 * rng.random(4))).sum(axis=1)


def cut_units(settings: CountrySettings, paths: dict[str, Path]) -> pd.DataFrame:
    """Cut each transect into units of `unit_length_m` from its start.

    A last piece shorter than `SHORTEST_REST` of a unit is joined to the one before it.
    """
    unit_m = settings.unit_length_m
    pieces = []
    for name, path in paths.items():
        count = max(1, int(np.floor(path.length_m / unit_m + 1 - SHORTEST_REST + 1e-9)))
        edges = np.append(np.arange(count) * unit_m, path.length_m)
        lon, lat = path.at((edges[:-1] + edges[1:]) / 2)
        km = places_km(settings, lon, lat)
        pieces.append(
            pd.DataFrame(
                {
                    "transect": name, "number": np.arange(count) + 1,
                    "from_m": edges[:-1], "to_m": edges[1:], "length_m": np.diff(edges),
                    "lon": lon, "lat": lat, "east_km": km[:, 0], "north_km": km[:, 1],
                }
            )
        )  # fmt: skip
    return pd.concat(pieces, ignore_index=True)


def elevation_m(settings: CountrySettings, lon: FloatArray, lat: FloatArray) -> FloatArray:
    """Height of the invented ground: a slope up to the north with two rounded hills."""
    east, north = places_km(settings, lon, lat).T
    hill = 240 * np.exp(-((east + 4) ** 2 + (north - 4) ** 2) / 12)
    knoll = 150 * np.exp(-((east - 5) ** 2 + (north + 1) ** 2) / 9)
    return 760 + 22 * north + hill + knoll
