"""Media: the photos of a season, as rows that say what each shows; pictures are not copied.

Source: Audiovisual Core (TDWG); pictures themselves travel beside an archive, if at all.
"""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.exchange.content import Content
from carnivore_sign.exchange.events import season_id
from carnivore_sign.exchange.properties import rest_of
from carnivore_sign.exchange.star import ID
from carnivore_sign.records.darwin_core import PHOTO_TERMS
from carnivore_sign.records.plain_text import number_words, words_of
from carnivore_sign.records.tables import PHOTOS


def photo_rows(content: Content, events: pd.DataFrame) -> pd.DataFrame:
    """Return a row per photo.

    Parameters
    ----------
    content : Content
        What is exported.
    events : DataFrame
        From `carnivore_sign.exchange.occurrences.sign_events`: the event of each sign.
    """
    photos = content.tables["photos"]
    if photos.empty:
        return pd.DataFrame()
    sign = photos["sign"].astype("object")
    event = sign.map(events.set_index("sign")[ID]).astype("object").fillna(season_id())
    shown = sign.isin(events["sign"])
    return pd.DataFrame(
        {
            ID: event,
            "dcterms:identifier": photos["photo"].astype("object"),
            "dcterms:type": "StillImage",
            **{term: words_of(photos[name], PHOTOS[name]) for name, term in PHOTO_TERMS.items()},
            "ac:hashFunction": "SHA-256",
            "ac:associatedObservationReference": np.where(
                shown, "sign:" + sign.astype("object").fillna(""), ""
            ),
            **_places(photos),
            "dwc:dynamicProperties": rest_of(photos, PHOTOS, set(PHOTO_TERMS)),
        },
        index=photos.index,
    )


def _places(photos: gpd.GeoDataFrame) -> dict[str, list[str]]:
    return {
        "dwc:decimalLatitude": number_words(photos.geometry.y),
        "dwc:decimalLongitude": number_words(photos.geometry.x),
    }
