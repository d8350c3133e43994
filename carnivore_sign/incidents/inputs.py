"""What an incident is examined with: the tables of the season, and what the season says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import geopandas as gpd
import pandas as pd

from carnivore_sign.records.check import empty
from carnivore_sign.records.tables import CARCASSES, PHOTOS
from carnivore_sign.records.vocabularies import TAXA


@dataclass(frozen=True, eq=False)
class IncidentTables:
    """The tables that an incident is held against.

    Attributes
    ----------
    sign, trails, members, visits, monthly, parcels, segments, clearings, carcasses, photos :
        DataFrames of those names; `members` has columns ``sign`` and ``trail``.
    """

    sign: gpd.GeoDataFrame
    trails: gpd.GeoDataFrame
    members: pd.DataFrame
    visits: pd.DataFrame
    monthly: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    segments: gpd.GeoDataFrame
    clearings: pd.DataFrame
    carcasses: pd.DataFrame = field(default_factory=lambda: empty(CARCASSES))
    photos: gpd.GeoDataFrame = field(default_factory=lambda: empty(PHOTOS))


class SignRate(NamedTuple):
    """Trails found per km and day of collecting, where the taxon uses the land.

    Attributes
    ----------
    rate, low, high : float
        Estimate and limits, per km-day.
    """

    rate: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class SeasonSays:
    """What the whole season says of the country around an incident.

    Attributes
    ----------
    trail_prior : Series
        Prior of the taxa behind the probabilities of the trails; index taxon. A taxon of prior
        0 is held to be absent. Equal shares, unless given.
    under_priors : mapping of str to DataFrame
        ``p_<taxon>`` of the trails under other priors, index name of the trail, by what each
        prior is, in words.
    presence_ratio : mapping of str to float
        Per cause of a loss: probability that its animals used the land near, divided by its
        mean over the surveyed land; see `explain_loss`.
    sign_rate : SignRate or None
        Of the taxon asked about; None where it could not be estimated.
    """

    trail_prior: pd.Series = field(
        default_factory=lambda: pd.Series(1 / len(TAXA), index=list(TAXA), name="prior")
    )
    under_priors: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    presence_ratio: Mapping[str, float] = field(default_factory=dict)
    sign_rate: SignRate | None = None
