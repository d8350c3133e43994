"""Chain: what was walked in a season - logs that were measured, walks that are stated, and what
was noted of the surface.
"""

from __future__ import annotations

import warnings
from typing import Final

import geopandas as gpd
import pandas as pd

from carnivore_sign.errors import DataWarning
from carnivore_sign.records.check import check_table
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import VISITS, WEATHER
from carnivore_sign.survey import add_stated_walks, make_visits, note_conditions

#: Walks that are named in a warning.
_SHOWN: Final = 3


def visits_of_season(
    season: Season, matched: pd.DataFrame, segments: gpd.GeoDataFrame, clearings: pd.DataFrame
) -> pd.DataFrame:
    """Make the visits of a season.

    Parameters
    ----------
    season : Season
        For its logs, its walks as they are stated, its weather notes and its time zone.
    matched : DataFrame
        From `match_logs`.
    segments : GeoDataFrame
        From `cut_segments`.
    clearings : DataFrame
        CLEARINGS.

    Returns
    -------
    DataFrame
        VISITS: of the logs, with the distance measured, and of walks without a log, with the
        distance *stated*; with what was noted of the surface on the day.

    Warns
    -----
    DataWarning
        If a walk without a log makes no effort, with the reason.
    """
    visits = make_visits(
        matched, segments, clearings, season.read("logs"), time_zone=season.time_zone
    )
    return with_what_is_stated(season, visits, segments, clearings)


def with_what_is_stated(
    season: Season, visits: pd.DataFrame, segments: gpd.GeoDataFrame, clearings: pd.DataFrame
) -> pd.DataFrame:
    """Add to the visits of logs the walks without one, and what was noted of the surface.

    Parameters
    ----------
    season, segments, clearings
        As for `visits_of_season`, which warns of the same.
    visits : DataFrame
        VISITS of the logs.
    """
    walks = season.read("walks")
    visits, unused = add_stated_walks(
        visits, walks, segments, clearings, time_zone=season.time_zone
    )
    if len(unused):
        told = "; ".join(f"{row.walk}: {row.reason}" for row in unused.head(_SHOWN).itertuples())
        warnings.warn(
            f"{len(unused)} walks without a log make no effort ({told})", DataWarning, stacklevel=4
        )
    noted = note_conditions(visits, surface_notes(season.read("weather"), walks))
    return check_table(noted, VISITS)


def surface_notes(weather: pd.DataFrame, walks: pd.DataFrame) -> pd.DataFrame:
    """Put what was noted of the surface on walks beside the weather notes.

    Parameters
    ----------
    weather, walks : DataFrame
        WEATHER and WALKS.

    Returns
    -------
    DataFrame
        As `records.tables.WEATHER`, and ``noted_in`` as for `note_conditions`.
    """
    of_walks = walks.rename(columns={"start": "time", "transect": "transects"})
    noted = of_walks[of_walks[["surface_state", "tracking_quality"]].notna().any(axis=1)]
    both = [
        frame.reindex(columns=WEATHER.names).assign(noted_in=what)
        for what, frame in (("weather notes", weather), ("surface notes of walks", noted))
        if len(frame)
    ]
    return pd.concat(both, ignore_index=True) if both else weather
