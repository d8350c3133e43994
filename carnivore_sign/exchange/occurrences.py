"""Occurrences: each sign with the name that its probability carries, and each non-detection.

Sign of one trail share its organismID, for they are one animal's passage and one detection. A
visit on which nothing was found that might be the taxon's gives a row that says so.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.exchange.content import Content
from carnivore_sign.exchange.events import found_probability, not_found, season_id, visit_ids
from carnivore_sign.exchange.properties import properties_of, rest_of
from carnivore_sign.exchange.star import ID
from carnivore_sign.records.darwin_core import (
    COMPUTED,
    DETECTED,
    LINEAGES,
    MEASURES,
    NAMED,
    NOT_DETECTED,
    SIGN_TERMS,
    WEIGHED,
    names_of,
    scientific_name,
)
from carnivore_sign.records.plain_text import number_words, words_of
from carnivore_sign.records.tables import SIGN, taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import project, working_crs

#: Said of the position of sign that has none of its own.
WAYPOINT = "position of the waypoint that marks it"


def sign_events(content: Content) -> pd.DataFrame:
    """Return the trail and the event of each sign: its visit, or the season off the walks.

    Returns
    -------
    DataFrame
        ``sign``, ``trail`` (blank without one), `ID` and ``dwc:occurrenceID``; a row per sign.
    """
    names = content.tables["sign"]["sign"].astype("object")
    trail_of = content.members.astype("object").set_index("sign")["trail"]
    visit = names.map(_visit_of_sign(content)).astype("object")
    return pd.DataFrame(
        {
            "sign": names,
            "trail": names.map(trail_of).astype("object").fillna("").to_numpy(),
            ID: ("visit:" + visit).astype("object").fillna(season_id()).to_numpy(),
            "dwc:occurrenceID": "sign:" + names,
        }
    )


def _visit_of_sign(content: Content) -> dict[str, str]:
    """Return the visit that each sign was found on: of its walk and trail, the nearest segment."""
    walk = content.walks.rename("walk").rename_axis("sign").reset_index().astype("object")
    pairs = (
        content.members[["sign", "trail"]]
        .astype("object")
        .merge(content.detections[["trail", "visit", "segment"]].astype("object"), on="trail")
        .merge(content.visits[["visit", "walk"]].astype("object"), on="visit")
        .merge(walk, on=["sign", "walk"])
    )
    if pairs.empty:
        return {}
    crs = working_crs(content.segments)
    points = project(content.placed, crs).set_index("sign").geometry
    lines = project(content.segments, crs).set_index("segment").geometry
    apart = shapely.distance(
        points.loc[pairs["sign"]].to_numpy(), lines.loc[pairs["segment"]].to_numpy()
    )
    nearest = pairs.assign(apart=apart).sort_values("apart", kind="stable")
    return dict(nearest.drop_duplicates("sign").set_index("sign")["visit"])


def sign_rows(content: Content, events: pd.DataFrame) -> pd.DataFrame:
    """Return the occurrence of each sign.

    Parameters
    ----------
    content : Content
        What is exported.
    events : DataFrame
        From `sign_events`.
    """
    sign = content.tables["sign"]
    if sign.empty:
        return pd.DataFrame()
    plain = {term: words_of(sign[name], SIGN[name]) for name, term in SIGN_TERMS.items()}
    return pd.DataFrame(
        {
            ID: events[ID].to_numpy(),
            "dwc:occurrenceID": events["dwc:occurrenceID"].to_numpy(),
            "dwc:basisOfRecord": "HumanObservation",
            "dwc:occurrenceStatus": DETECTED,
            **plain,
            **_places(content),
            **_names(content, events),
            "dwc:organismID": np.where(events["trail"].eq(""), "", "trail:" + events["trail"]),
            "dwc:organismScope": np.where(
                events["trail"].eq(""), "", "trail: one passage of one animal"
            ),
            "dwc:dynamicProperties": rest_of(sign, SIGN, {*SIGN_TERMS, *MEASURES["sign"]}),
        },
        index=sign.index,
    )


def _places(content: Content) -> dict[str, list[str]]:
    """Write the position of each sign, and whether it is that of its waypoint."""
    sign = content.tables["sign"]
    there = content.placed.set_index("sign").geometry
    shapes = gpd.GeoSeries(there.reindex(sign["sign"]).to_numpy(), index=sign.index)
    own = sign.geometry.where(~sign.geometry.is_empty)
    shapes = own.where(own.notna(), shapes)
    known = shapes.notna().to_numpy()
    lon, lat = (np.where(known, axis, np.nan) for axis in (shapes.x, shapes.y))
    borrowed = known & own.isna().to_numpy()
    return {
        "dwc:decimalLatitude": number_words(lat),
        "dwc:decimalLongitude": number_words(lon),
        "dwc:geodeticDatum": ["EPSG:4326" if there else "" for there in known],
        "dwc:georeferenceSources": [WAYPOINT if lent else "" for lent in borrowed],
    }


def _names(content: Content, events: pd.DataFrame) -> dict[str, object]:
    """Name what each sign was left by, as sure as its trail is."""
    trails = content.trails.set_index(content.trails["trail"].astype("object"))
    columns = [taxon_column(taxon) for taxon in TAXA]
    p = pd.DataFrame(trails[columns]).reindex(events["trail"]).set_axis(events.index)
    weighed = p.notna().all(axis=1)
    named = content.tables["sign"]["named_as"].astype("object")
    told = pd.DataFrame(
        {
            "dwc:scientificName": named.map(scientific_name, na_action="ignore")
            .astype("object")
            .fillna("Animalia"),
            "dwc:taxonRank": np.where(named.isna() | named.eq("other"), "kingdom", "species"),
            "dwc:vernacularName": named.map(TAXA).astype("object").fillna(""),
            "dwc:identificationQualifier": "",
        }
    )
    if weighed.any():
        told.loc[weighed] = names_of(p.loc[weighed])
    return {
        **{name: told[name].to_numpy() for name in told},
        "dwc:kingdom": LINEAGES["other"][0],
        "dwc:identificationVerificationStatus": np.where(
            weighed, WEIGHED, np.where(named.notna(), NAMED, "")
        ),
        "dwc:identificationRemarks": _remarks(p, events["trail"].tolist()),
    }


def _remarks(p: pd.DataFrame, trails: list[str]) -> list[str]:
    """Say the chief probabilities of the trail of each sign."""
    words = list(TAXA.values())
    told = []
    for shares, trail in zip(p.to_numpy(dtype=float), trails, strict=True):
        if np.isnan(shares).any():
            told.append("")
            continue
        chief = [at for at in np.argsort(-shares, kind="stable")[:3] if shares[at] >= 0.005]
        listed = ", ".join(f"{shares[at]:.2f} {words[at]}" for at in chief)
        told.append(f"probability, pooled over trail {trail}: {listed}")
    return told


def absence_rows(content: Content) -> pd.DataFrame:
    """Return a row for each visit on which the taxon was looked for and not found."""
    gone = not_found(content)
    visits = content.visits.loc[gone].reset_index(drop=True)
    if visits.empty:
        return pd.DataFrame()
    p = found_probability(content).to_numpy()[gone]
    return pd.DataFrame(
        {
            ID: visit_ids(visits),
            "dwc:occurrenceID": f"{content.taxon}@" + visit_ids(visits),
            "dwc:basisOfRecord": "HumanObservation",
            "dwc:occurrenceStatus": NOT_DETECTED,
            "dwc:recordedBy": visits["observer"].astype("object"),
            "dwc:scientificName": scientific_name(content.taxon),
            "dwc:taxonRank": "species",
            "dwc:kingdom": LINEAGES["other"][0],
            "dwc:vernacularName": content.taxon_name,
            "dwc:identificationRemarks": [
                "" if share == 0
                else f"probability {share:.2f} that a trail found was made by {content.taxon_name}"
                for share in p
            ],
            "dwc:dynamicProperties": properties_of({COMPUTED: True}),
        }
    )  # fmt: skip
