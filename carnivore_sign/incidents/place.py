"""The place of an incident: a point where one is given, otherwise the whole parcel.

Nearest points are found on a plane that is centred on the place (azimuthal equidistant), and
the distance between them is then taken on the ellipsoid. A parcel is measured from its edge:
what lies on it is at distance 0.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.space import STORED_CRS, bearings_deg, distances_m, stored

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class IncidentPlace:
    """Where it happened.

    Attributes
    ----------
    kind : {'point', 'parcel'}
        What the distances are measured from.
    shape : shapely geometry
        In EPSG:4326.
    parcel : str or None
        Name of the parcel, if one is stated.
    point_to_parcel_m : float
        Distance from the stated point to the stated parcel; NaN unless both are known.
    """

    kind: Literal["point", "parcel"]
    shape: shapely.Geometry
    parcel: str | None = None
    point_to_parcel_m: float = float("nan")

    @property
    def latitude_deg(self) -> float:
        """Latitude of its middle."""
        return float(shapely.centroid(self.shape).y)

    @property
    def plane(self) -> pyproj.CRS:
        """A plane in metres centred on the place, true to distance from its centre."""
        centre = shapely.centroid(self.shape)
        return pyproj.CRS.from_dict(
            {"proj": "aeqd", "lat_0": centre.y, "lon_0": centre.x, "datum": "WGS84", "units": "m"}
        )

    def nearest(self, frame: gpd.GeoDataFrame | gpd.GeoSeries) -> pd.DataFrame:
        """Distance and direction from each geometry to the place.

        Parameters
        ----------
        frame : GeoDataFrame or GeoSeries
            Any geometries with a CRS.

        Returns
        -------
        DataFrame
            Index of `frame`; ``distance_m`` between the nearest points and ``bearing_deg``,
            from the geometry to the place, clockwise from true north. NaN without a geometry.
        """
        shapes = frame.geometry.to_crs(self.plane).to_numpy()
        here = gpd.GeoSeries([self.shape], crs=STORED_CRS).to_crs(self.plane).iloc[0]
        links = gpd.GeoSeries(shapely.shortest_line(shapes, here), crs=self.plane)
        ends = _ends(links.to_crs(STORED_CRS).to_numpy())
        return pd.DataFrame(
            {"distance_m": distances_m(*ends.T), "bearing_deg": bearings_deg(*ends.T)},
            index=frame.index,
        )


def place_of_incident(
    incident: Mapping[str, Any] | pd.Series, parcels: gpd.GeoDataFrame
) -> IncidentPlace:
    """Return the place of a row of INCIDENTS: its point, or else its parcel's outline.

    Parameters
    ----------
    incident : mapping or Series
        A row of INCIDENTS, with its geometry in EPSG:4326.
    parcels : GeoDataFrame
        PARCELS.

    Returns
    -------
    IncidentPlace
        The point, or the parcel.

    Raises
    ------
    InputError
        If there is neither a point nor a parcel, or the parcel is not among `parcels`.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> season = example_season()
    >>> loss = season.read("incidents").iloc[0]
    >>> place_of_incident(loss, season.read("parcels")).parcel
    'Alder Flat'
    """
    name = incident.get("incident", "incident")
    point = incident.get("geometry")
    has_point = isinstance(point, shapely.Geometry) and not point.is_empty
    parcel = incident.get("parcel")
    parcel = None if parcel is None or pd.isna(parcel) else str(parcel)
    outline = _outline(parcel, parcels)
    if has_point and outline is None:
        return IncidentPlace("point", point, parcel)
    if has_point:
        apart = IncidentPlace("point", point).nearest(gpd.GeoSeries([outline], crs=STORED_CRS))
        return IncidentPlace("point", point, parcel, float(apart["distance_m"].iloc[0]))
    if outline is not None:
        return IncidentPlace("parcel", outline, parcel)
    if parcel is None:
        raise InputError(
            f"incident '{name}' has neither a position nor a parcel",
            remedy="Give it longitude and latitude, or the name of a parcel of the season.",
        )
    known = ", ".join(sorted(parcels["parcel"].dropna().astype(str))) or "none"
    raise InputError(
        f"incident '{name}' names parcel '{parcel}', which the season does not have",
        remedy=f"Import the parcel or correct the name. Known parcels: {known}.",
    )


def _outline(parcel: str | None, parcels: gpd.GeoDataFrame) -> shapely.Geometry | None:
    if parcel is None or not len(parcels):
        return None
    rows = stored(parcels, "the parcels")
    rows = rows[rows["parcel"].eq(parcel).to_numpy(dtype=bool)]
    return None if rows.empty else rows.geometry.union_all()


def _ends(lines: npt.NDArray[np.object_]) -> FloatArray:
    """Longitude and latitude of the first and last point of each line; NaN where missing."""
    ends = np.full((len(lines), 4), np.nan)
    there = ~shapely.is_missing(lines)
    if there.any():
        ends[there] = shapely.get_coordinates(lines[there]).reshape(-1, 4)
    return ends
