"""Events: the season, its transects, and each visit to a segment, with the effort of each.

A visit is an event of its transect, and a transect of the season. Its Humboldt row says what was
looked for, with how much effort, and whether the taxon was looked for and not found: a visit
without a detection is a real non-detection, and so it says.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.exchange.content import Content
from carnivore_sign.exchange.properties import properties_of, rest_of
from carnivore_sign.exchange.star import ID
from carnivore_sign.records.darwin_core import (
    COMPUTED,
    MEASURES,
    SEASON_EVENT,
    TRANSECT_EVENT,
    VISIT_EVENT,
    scientific_name,
)
from carnivore_sign.records.plain_text import wkt_of, words_of
from carnivore_sign.records.tables import TRANSECTS, VISITS, taxon_column
from carnivore_sign.records.vocabularies import UNLIKELY_BELOW
from carnivore_sign.space import lengths_m
from carnivore_sign.units import M_PER_KM

PROTOCOL = "track and sign survey on a transect"


def season_id() -> str:
    """Return the eventID of the season."""
    return "season"


def season_row(content: Content, span: str) -> pd.DataFrame:
    """Return the event that is the season, of which all others are parts.

    Parameters
    ----------
    content : Content
        What is exported.
    span : str
        When it was, as an interval.
    """
    said = {"name": content.season.name, "time_zone": content.season.time_zone, COMPUTED: True}
    return pd.DataFrame(
        {
            ID: [season_id()],
            "dwc:eventID": [season_id()],
            "dwc:eventType": [SEASON_EVENT],
            "dwc:eventDate": [span],
            "dwc:samplingProtocol": [PROTOCOL],
            "dwc:eventRemarks": [content.season.name],
            "dwc:dynamicProperties": [properties_of(said)],
        }
    )


def event_rows(content: Content) -> pd.DataFrame:
    """Return the events of an archive for managers: the season, its transects and visits."""
    times = pd.concat([content.visits["start"], content.visits["end"], content.placed["time"]])
    span = _span(times.min(), times.max())
    return pd.concat(
        [season_row(content, span), _transect_rows(content, span), _visit_rows(content)],
        ignore_index=True,
    )


def _span(start: pd.Timestamp, end: pd.Timestamp) -> str:
    if pd.isna(start):
        return ""
    return f"{start:%Y-%m-%dT%H:%M:%SZ}/{end:%Y-%m-%dT%H:%M:%SZ}"


def _transect_rows(content: Content, span: str) -> pd.DataFrame:
    frame = content.tables["transects"]
    names = frame["transect"].astype("object")
    by = content.visits.groupby("transect")
    spans = {
        name: _span(start, end)
        for name, start, end in zip(by["start"].min().index, by["start"].min(), by["end"].max(),
                                    strict=True)
    }  # fmt: skip
    return pd.DataFrame(
        {
            ID: "transect:" + names,
            "dwc:eventID": "transect:" + names,
            "dwc:parentEventID": season_id(),
            "dwc:eventType": TRANSECT_EVENT,
            "dwc:eventDate": names.map(spans).astype("object").fillna(span),
            "dwc:locationID": names,
            **_lines(frame),
            "dwc:samplingProtocol": PROTOCOL,
            "dwc:dynamicProperties": rest_of(
                frame, TRANSECTS, {"transect", *MEASURES["transects"]}
            ),
        },
        index=frame.index,
    )


def _lines(frame: gpd.GeoDataFrame) -> dict[str, object]:
    """Say where lines lie: their course, and the middle of the box around each."""
    middle = (frame.bounds[["minx", "miny"]].to_numpy() + frame.bounds[["maxx", "maxy"]]) / 2
    return {
        "dwc:decimalLatitude": [f"{lat:.7f}" for lat in middle.iloc[:, 1]],
        "dwc:decimalLongitude": [f"{lon:.7f}" for lon in middle.iloc[:, 0]],
        "dwc:geodeticDatum": "EPSG:4326",
        "dwc:coordinateUncertaintyInMeters": [
            f"{max(np.ceil(length / 2), 1):.0f}" for length in lengths_m(frame.geometry)
        ],
        "dwc:footprintWKT": wkt_of(frame.geometry),
        "dwc:footprintSRS": "EPSG:4326",
    }


def _visit_rows(content: Content) -> pd.DataFrame:
    visits = content.visits
    if visits.empty:
        return pd.DataFrame()
    lines = content.segments.set_index("segment").loc[visits["segment"]].reset_index()
    text = {name: words_of(visits[name], VISITS[name]) for name in ("start", "end")}
    return pd.DataFrame(
        {
            ID: visit_ids(visits),
            "dwc:eventID": visit_ids(visits),
            "dwc:parentEventID": "transect:" + visits["transect"].astype("object"),
            "dwc:eventType": VISIT_EVENT,
            "dwc:eventDate": [
                f"{start}/{end}" for start, end in zip(text["start"], text["end"], strict=True)
            ],
            "dwc:fieldNumber": visits["walk"].astype("object"),
            "dwc:locationID": visits["segment"].astype("object"),
            **{name: np.asarray(values) if isinstance(values, list) else values
               for name, values in _lines(lines).items()},
            "dwc:samplingProtocol": PROTOCOL,
            "dwc:sampleSizeValue": (visits["covered_m"] / M_PER_KM).map(repr),
            "dwc:sampleSizeUnit": "kilometre",
            "dwc:samplingEffort": _effort_words(visits),
            "dwc:dynamicProperties": properties_of({COMPUTED: True}),
        },
        index=visits.index,
    )  # fmt: skip


def visit_ids(visits: pd.DataFrame) -> pd.Series:
    """Return the eventID of each visit."""
    return "visit:" + visits["visit"].astype("object")


def _effort_words(visits: pd.DataFrame) -> list[str]:
    return [
        f"{row.effort_km:.3g} km walked"
        + ("" if pd.isna(row.hours_since_cleared)
           else f", {row.hours_since_cleared:.0f} h after the surface was last wiped")
        for row in visits.itertuples()
    ]  # fmt: skip


def found_probability(content: Content) -> pd.Series:
    """Return the probability that a trail of the taxon was among those found, by visit."""
    p = content.detections.set_index("visit")[taxon_column(content.taxon)]
    none = (1.0 - p).groupby(level=0).prod()
    names = pd.Index(content.visits["visit"].astype("object"))
    return pd.Series(1.0 - none.reindex(names).fillna(1.0).to_numpy(), index=names)


def not_found(content: Content) -> np.ndarray:
    """Tell on which visits nothing was found that might be the taxon's."""
    return np.asarray(found_probability(content).to_numpy() < UNLIKELY_BELOW)


def visit_inventory(content: Content) -> pd.DataFrame:
    """Return the Humboldt row of each visit."""
    visits = content.visits
    rows = inventory_rows(
        content,
        ids=visit_ids(visits),
        effort_km=visits["effort_km"].map(repr),
        absent=not_found(content),
    )
    minutes = (visits["end"] - visits["start"]).dt.total_seconds() / 60
    return rows.assign(
        **{
            "eco:eventDurationValue": minutes.round(2).map("{:g}".format).to_numpy(),
            "eco:eventDurationUnit": "minutes",
            "eco:samplingPerformedBy": visits["observer"].astype("object").to_numpy(),
        }
    )


def inventory_rows(
    content: Content, *, ids: pd.Series, effort_km: pd.Series, absent: np.ndarray
) -> pd.DataFrame:
    """Return Humboldt rows: what was looked for, how, with which effort, and what was not found.

    Parameters
    ----------
    content : Content
        What is exported.
    ids : Series of str
        Event of each row.
    effort_km : Series of str
        Kilometres walked.
    absent : ndarray of bool
        Whether the taxon was looked for and not found.
    """
    name = scientific_name(content.taxon)
    return pd.DataFrame(
        {
            ID: ids.to_numpy(dtype=object),
            "eco:inventoryTypes": "restrictedSearch",
            "eco:protocolNames": PROTOCOL,
            "eco:protocolDescriptions": (
                "Fixed transects are walked with a GPS receiver; every sign of a carnivore on "
                "them is written down."
            ),
            "eco:targetTaxonomicScope": name,
            "eco:isTaxonomicScopeFullyReported": "true",
            "eco:isAbsenceReported": np.where(absent, "true", "false"),
            "eco:absentTaxa": np.where(absent, name, ""),
            "eco:areNonTargetTaxaFullyReported": "false",
            "eco:isAbundanceReported": "false",
            "eco:isSamplingEffortReported": "true",
            "eco:samplingEffortProtocol": "length of transect walked, each metre once",
            "eco:samplingEffortValue": effort_km.to_numpy(dtype=object),
            "eco:samplingEffortUnit": "km",
        }
    )
