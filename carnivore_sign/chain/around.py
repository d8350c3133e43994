"""Chain: what the whole season says of the country around one incident."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import pandas as pd

from carnivore_sign.chain.analysis import Analysis
from carnivore_sign.chain.priors import priors_tried
from carnivore_sign.errors import EstimateError
from carnivore_sign.incidents import (
    IncidentFindings,
    IncidentTables,
    SeasonSays,
    SignRate,
    months_of,
    place_of_incident,
    window_of_incident,
)
from carnivore_sign.incidents.near import presence_near
from carnivore_sign.presence import MonthlyPresence
from carnivore_sign.records.check import empty
from carnivore_sign.records.tables import MONTHLY
from carnivore_sign.reports import Passages, with_grounds
from carnivore_sign.survey import compare_rates, detection_rates

#: The taxon whose presence stands for each cause of a loss.
_TAXON_OF_CAUSE: Final = {
    "puma": "puma",
    "bear": "black_bear",
    "wolf": "wolf",
    "coyote": "coyote",
    "dog": "dog",
    "bobcat": "bobcat",
}


@dataclass(frozen=True, eq=False)
class Around:
    """The tables that an incident is held against, and what the season says of the country.

    Attributes
    ----------
    tables : IncidentTables
        Of the season.
    says : SeasonSays
        Priors, presence of each animal near, and the rate of sign.
    messages : tuple of str
        What the fit of presence says of itself.
    """

    tables: IncidentTables
    says: SeasonSays
    messages: tuple[str, ...]


def look_around(analysis: Analysis, row: gpd.GeoDataFrame, *, within_m: float) -> Around:
    """Gather what the season says of the country around an incident.

    Parameters
    ----------
    analysis : Analysis
        Of the season.
    row : GeoDataFrame
        The incident's row of INCIDENTS.
    within_m : float
        What counts as near, in metres.
    """
    window = window_of_incident(row.iloc[0])
    walked = set(analysis.visits["period"])
    months = [month for month in months_of(window, analysis.season.time_zone) if month in walked]
    monthly, messages = _presence_in(analysis, months)
    tables = IncidentTables(
        sign=analysis.sign,
        trails=with_grounds(analysis.trails, analysis.members, analysis.sign, analysis.prints),
        members=analysis.members,
        visits=analysis.visits,
        monthly=monthly,
        parcels=analysis.parcels,
        segments=analysis.segments,
        clearings=analysis.clearings,
        carcasses=analysis.season.read("carcasses"),
        photos=analysis.season.read("photos"),
    )
    says = SeasonSays(
        trail_prior=analysis.prior,
        under_priors={
            what: analysis.under_prior(prior) for what, prior in priors_tried(analysis).items()
        },
        presence_ratio=_presence_ratios(analysis, row, months, within_m),
        sign_rate=_sign_rate(analysis),
    )
    return Around(tables, says, messages)


def _presence_in(
    analysis: Analysis, months: Iterable[str]
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Presence in every month given, and its messages, each once."""
    told: list[MonthlyPresence] = [analysis.presence(month) for month in months]
    if not told:
        return empty(MONTHLY), ()
    messages = dict.fromkeys(month.message for month in told if month.message)
    return pd.concat([month.table for month in told], ignore_index=True), tuple(messages)


def _presence_ratios(
    analysis: Analysis, row: gpd.GeoDataFrame, months: list[str], within_m: float
) -> dict[str, float]:
    """Probability of use near the place over its mean on all walked segments, per cause.

    A cause whose animals the region does not have, or whose presence cannot be estimated, has
    no ratio: it is then taken to be there as anywhere else.
    """
    place = place_of_incident(row.iloc[0], analysis.parcels)
    ratios = {}
    for cause, taxon in _TAXON_OF_CAUSE.items():
        if not analysis.prior[taxon] > 0:
            continue
        asked = replace(analysis, options=replace(analysis.options, taxon=taxon))
        try:
            table = _presence_in(asked, months)[0]
        except EstimateError:
            continue
        near = presence_near(table, place, taxon=taxon, periods=tuple(months), within_m=within_m)
        ratio = near["p_presence"].mean() / table["p_presence"].mean()
        if ratio > 0:
            ratios[cause] = float(ratio)
    return ratios


def _sign_rate(analysis: Analysis) -> SignRate | None:
    """Trails found per km-day where the taxon uses the land, by the fit of the whole season."""
    fit = analysis.season_presence.fit
    if fit is None or "sign_rate" not in fit.summary().index:
        return None
    row = fit.summary().loc["sign_rate"]
    told = SignRate(float(row["estimate"]), float(row["low"]), float(row["high"]))
    return None if pd.isna(pd.Series(told)).any() else told


def passages_near(analysis: Analysis, findings: IncidentFindings) -> Passages | None:
    """Say how often the animal's trails are found near the place, month by month.

    Returns
    -------
    Passages or None
        None where no segment near was walked.
    """
    near = analysis.visits[analysis.visits["segment"].isin(findings.segments["segment"])]
    near = near[near["effort_km"] > 0]
    if near.empty:
        return None
    taxon = findings.taxon
    by_month = detection_rates(near, analysis.detections, taxon=taxon)
    months = list(by_month["period"])
    change = None
    if len(months) > 1:
        change = compare_rates(
            near, analysis.detections, first=months[0], second=months[-1], taxon=taxon
        ).sentence
    whole = detection_rates(near, analysis.detections, taxon=taxon, by=())
    return Passages(by_month=by_month, whole=whole.iloc[0], change=change)
