"""Cells: the events and non-detections of a generalised copy - units and months, and sums alone.

For readers who may not see where transects lie. Each unit (a cell of a fixed grid, or a segment
on the reader's own holding) is a site, and each month in which it was walked an event of it. What
was done to places stands in dataGeneralizations and informationWithheld of every row, and
coordinateUncertaintyInMeters reaches from the middle of a cell to its corners.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.exchange.content import Content, withheld_words
from carnivore_sign.exchange.events import inventory_rows, season_id, season_row
from carnivore_sign.exchange.facts import fact_rows
from carnivore_sign.exchange.star import ID
from carnivore_sign.maps.areas import are_areas
from carnivore_sign.records.darwin_core import (
    DETECTED,
    LINEAGES,
    NOT_DETECTED,
    VISIT_EVENT,
    WEIGHED,
    Measure,
    scientific_name,
)
from carnivore_sign.records.plain_text import wkt_of
from carnivore_sign.records.vocabularies import UNLIKELY_BELOW
from carnivore_sign.space import GEOD

#: Columns of MONTHLY that travel as measurements of a unit and month.
_MEASURES = {
    "visits": Measure("unit: visits"),
    "effort_km": Measure("unit: effort", "km"),
    "effort_km_days": Measure("unit: effort", "km d"),
    "trails_expected": Measure("unit: trails of the taxon expected among those found"),
    "p_found": Measure("unit: probability that the best trail was made by the taxon"),
    "p_presence": Measure("unit: probability that the taxon uses it this month"),
    "p_presence_low": Measure("unit: lower 95 % limit of the probability of use"),
    "p_presence_high": Measure("unit: upper 95 % limit of the probability of use"),
}


def walked_units(content: Content) -> gpd.GeoDataFrame:
    """Return the units and months that were walked, as the reader may see them."""
    units = content.shown.units
    return units.loc[units["visits"].gt(0).to_numpy(dtype=bool)].reset_index(drop=True)


def uncertainty_m(shapes: gpd.GeoSeries) -> np.ndarray:
    """Metres from the middle of each unit to its farthest corner, on the ellipsoid; at least 1.

    Examples
    --------
    >>> cell = gpd.GeoSeries([shapely.box(-105.3, 36.0, -105.2, 36.1)], crs=4326)
    >>> uncertainty_m(cell).round(-1).tolist()
    [7150.0]
    """
    raw = shapes.to_numpy()
    corners, owner = shapely.get_coordinates(raw, return_index=True)
    middle = _middles(raw)[owner]
    metres = GEOD.inv(middle[:, 0], middle[:, 1], corners[:, 0], corners[:, 1])[2]
    farthest = np.zeros(len(raw))
    np.maximum.at(farthest, owner, metres)
    return np.maximum(np.ceil(farthest), 1.0)


def _middles(shapes: np.ndarray) -> np.ndarray:
    """Middle of the box around each unit, degrees: for a cell, its centre."""
    west, south, east, north = shapely.bounds(shapes).T
    return np.column_stack([(west + east) / 2, (south + north) / 2])


def event_rows(content: Content) -> pd.DataFrame:
    """Return the events of a generalised copy: the season, and each unit in each month."""
    units = walked_units(content)
    done, withheld = withheld_words(content)
    months = units["period"].astype("object")
    span = f"{months.min()}/{months.max()}" if len(units) else ""
    rows = pd.DataFrame(
        {
            ID: _ids(units),
            "dwc:eventID": _ids(units),
            "dwc:parentEventID": season_id(),
            "dwc:eventType": VISIT_EVENT,
            "dwc:eventDate": months,
            "dwc:locationID": units["segment"].astype("object"),
            **_place(units),
            "dwc:samplingProtocol": "track and sign survey on transects, summed over a month",
            "dwc:sampleSizeValue": units["effort_km"].map(repr),
            "dwc:sampleSizeUnit": "kilometre",
            "dwc:samplingEffort": units["visits"].map("{:d} visits to segments".format),
            "dwc:dataGeneralizations": done,
            "dwc:informationWithheld": withheld,
        },
        index=units.index,
    )
    return pd.concat([season_row(content, span), rows], ignore_index=True)


def _ids(units: pd.DataFrame) -> pd.Series:
    unit = units["segment"].astype("object").str.replace(" ", "_")
    return "unit:" + unit + "@" + units["period"].astype("object")


def _place(units: gpd.GeoDataFrame) -> dict[str, object]:
    middle = _middles(units.geometry.to_numpy())
    return {
        "dwc:decimalLatitude": [f"{lat:.7g}" for lat in middle[:, 1]],
        "dwc:decimalLongitude": [f"{lon:.7g}" for lon in middle[:, 0]],
        "dwc:geodeticDatum": "EPSG:4326",
        "dwc:coordinateUncertaintyInMeters": [f"{m:.0f}" for m in uncertainty_m(units.geometry)],
        "dwc:footprintWKT": _footprints(units),
        "dwc:footprintSRS": "EPSG:4326",
    }


def _footprints(units: gpd.GeoDataFrame) -> list[str]:
    """Write outlines of cells with the digits of their grid, and lines as they are."""
    areal = np.asarray(are_areas(units), dtype=bool)
    plain = shapely.to_wkt(units.geometry.to_numpy(), rounding_precision=6)
    exact = wkt_of(units.geometry)
    return [short if area else long for area, short, long in zip(areal, plain, exact, strict=True)]


def occurrence_rows(content: Content) -> pd.DataFrame:
    """Return a row per unit and month: detected, or looked for and not detected.

    Where the best trail is doubtful neither is said, and there is no row.
    """
    units = walked_units(content)
    units = units.loc[_found(units) | _absent(units)].reset_index(drop=True)
    done, withheld = withheld_words(content)
    found = _found(units)
    return pd.DataFrame(
        {
            ID: _ids(units),
            "dwc:occurrenceID": f"{content.taxon}@" + _ids(units),
            "dwc:basisOfRecord": "HumanObservation",
            "dwc:occurrenceStatus": np.where(found, DETECTED, NOT_DETECTED),
            "dwc:scientificName": scientific_name(content.taxon),
            "dwc:taxonRank": "species",
            "dwc:kingdom": LINEAGES[content.taxon][0],
            "dwc:vernacularName": content.taxon_name,
            "dwc:identificationVerificationStatus": np.where(found, WEIGHED, ""),
            "dwc:identificationRemarks": _remarks(units, content),
            "dwc:dataGeneralizations": done,
            "dwc:informationWithheld": withheld,
        },
        index=units.index,
    )


def _found(units: pd.DataFrame) -> np.ndarray:
    return units["state"].isin(["found_sure", "found_likely"]).to_numpy(dtype=bool)


def _absent(units: pd.DataFrame) -> np.ndarray:
    """Tell where nothing was found that might be the taxon's."""
    best = units["p_found"].fillna(0.0).to_numpy(dtype=float)
    return np.asarray(~_found(units) & (best < UNLIKELY_BELOW))


def _remarks(units: pd.DataFrame, content: Content) -> list[str]:
    said = f"that the best trail found was made by {content.taxon_name}"
    best = units["p_found"].to_numpy(dtype=float)
    return ["" if np.isnan(p) else f"probability {p:.2f} {said}" for p in best]


def unit_inventory(content: Content) -> pd.DataFrame:
    """Return the Humboldt rows: effort, what was looked for, and whether absence is reported."""
    units = walked_units(content)
    return inventory_rows(
        content,
        ids=_ids(units),
        effort_km=units["effort_km"].map(repr),
        absent=_absent(units),
    )


def unit_facts(content: Content) -> pd.DataFrame:
    """Return the measurements of each unit and month."""
    units = walked_units(content)
    return fact_rows(pd.DataFrame(units), _MEASURES, ids=_ids(units), of=_ids(units))
