"""Examine an incident: the whole answer as one frozen object, before any page is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.blank import BlankWorth, worth_of_blank
from carnivore_sign.incidents.causes import season_factors
from carnivore_sign.incidents.effort import summarise_visits, visits_near
from carnivore_sign.incidents.explanations import Explanations, explain_loss
from carnivore_sign.incidents.inputs import IncidentTables, SeasonSays
from carnivore_sign.incidents.limits import limits_of
from carnivore_sign.incidents.near import (
    clearings_near,
    presence_near,
    sign_near,
    trails_near,
    with_shapes,
)
from carnivore_sign.incidents.passing import (
    PassingProbability,
    passing_by_taxon,
    passing_over_priors,
    probability_of_passing,
)
from carnivore_sign.incidents.place import IncidentPlace, place_of_incident
from carnivore_sign.incidents.window import BEYOND, IncidentWindow, window_of_incident
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA, UNLIKELY_BELOW
from carnivore_sign.space import stored

#: How far before and after the window trails and walks are still listed, in hours.
BEFORE_H: Final = 30 * 24.0
AFTER_H: Final = 14 * 24.0

#: A trail no more probable than this to be of the window has limits that leave the window out.
NEVER: Final = BEYOND

#: A trail less probable than this to be of the taxon and of the window says little of both.
TELLING: Final = 0.05


@dataclass(frozen=True, eq=False)
class IncidentFindings:
    """What the season knows of one incident. Frames are in EPSG:4326, times in UTC.

    Attributes
    ----------
    incident, taxon : str
        Name of the incident, and the taxon that was asked about.
    place : IncidentPlace
        Where.
    window : IncidentWindow
        When.
    listed : IncidentWindow
        The wider time in which trails and walks are listed.
    within_m : float
        How far from the place they are listed.
    time_zone : str
        Zone in which times are shown.
    livestock, carcass_notes : str or None
        As recorded. Free notes are passed on and not weighed.
    count : int or None
        Animals lost, as recorded.
    trails, sign, looked, cleared, presence : DataFrame
        See `trails_near`, `sign_near`, `visits_near`, `clearings_near`, `presence_near`.
    parcels, segments : GeoDataFrame
        Those within reach, for the map.
    effort : DataFrame
        See `summarise_visits`.
    passing : PassingProbability
        That the taxon left at least one of these trails within the window.
    passing_by_taxon : DataFrame
        The same for every taxon that these trails can be; see `passing_by_taxon`.
    over_priors : DataFrame
        The same under each prior that was tried; see `passing_over_priors`. Without a row
        where none was.
    blank : BlankWorth
        Whether the walks near would have found a trail of that time.
    explanations : Explanations
        What the loss may have been, and how probable each is.
    carcasses : DataFrame
        Rows of CARCASSES of this incident.
    nearest_segment_m : float
        Distance to the nearest segment of the survey; NaN if there is none.
    limits : tuple of str
        Why these findings say less than one might think, as sentences.
    """

    incident: str
    taxon: str
    place: IncidentPlace
    window: IncidentWindow
    listed: IncidentWindow
    within_m: float
    time_zone: str
    livestock: str | None
    count: int | None
    carcass_notes: str | None
    trails: gpd.GeoDataFrame
    sign: gpd.GeoDataFrame
    looked: pd.DataFrame
    effort: pd.DataFrame
    cleared: pd.DataFrame
    presence: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    segments: gpd.GeoDataFrame
    passing: PassingProbability
    passing_by_taxon: pd.DataFrame
    over_priors: pd.DataFrame
    blank: BlankWorth
    explanations: Explanations
    carcasses: pd.DataFrame
    nearest_segment_m: float
    limits: tuple[str, ...] = ()

    @property
    def nobody_looked(self) -> bool:
        """Whether no visit near is on record in the listed time."""
        return bool(self.looked.empty)

    @property
    def outside_survey(self) -> bool:
        """Whether no segment lies within reach of the place."""
        return not self.nearest_segment_m <= self.within_m

    @property
    def priors_tried(self) -> int:
        """Number of priors under which the trails were pooled."""
        return max(1, int(self.over_priors["prior"].nunique()))

    def range_of(self, taxon: str) -> tuple[float, float]:
        """Return the ends of the probability that a taxon passed, over dependence and priors.

        The lowest lower and the highest upper bound of all priors that were tried. A prior
        that holds the taxon to be absent makes the lower end 0.
        """
        own = self.passing_by_taxon[self.passing_by_taxon["taxon"].eq(taxon)]
        tried = self.over_priors[self.over_priors["taxon"].eq(taxon)]
        if own.empty and tried.empty:
            return self.passing.low, self.passing.high
        low = min(own["low"].min(), tried["low"].min()) if len(tried) else own["low"].min()
        high = max(own["high"].max(), tried["high"].max()) if len(tried) else own["high"].max()
        silent = tried["prior"].nunique() < self.over_priors["prior"].nunique()
        return (0.0 if silent else float(low)), float(high)

    @property
    def most_telling(self) -> int | None:
        """Row of the trail that says most of the taxon in the window; None if none says a thing.

        The most probable to be both comes first, the nearer of two alike; then one that may
        be the taxon's and whose time cannot be told.
        """
        both = self.trails["p_taxon_in_window"].astype(float)
        open_ = both.isna() & self.trails["p_taxon"].ge(UNLIKELY_BELOW)
        rank = both.round(2).where(both.ge(TELLING), np.nan).fillna(open_ * TELLING / 2)
        return int(rank.idxmax()) if rank.gt(0).any() else None

    @property
    def may_be_of_the_time(self) -> npt.NDArray[np.bool_]:
        """Which of `trails` may have been made within the window; one without a number may."""
        return ~(self.trails["p_in_window"] <= NEVER).to_numpy(dtype=bool)

    def telling_trails(self, most: int) -> gpd.GeoDataFrame:
        """Return at most `most` trails: those that may be of that time, then the nearest others.

        Their index is that of `trails`, in its order, so that each keeps its number.
        """
        open_ = self.may_be_of_the_time
        order = np.lexsort((np.arange(len(open_)), ~open_))
        return self.trails.iloc[np.sort(order[:most])]


def examine_incident(
    incident: Mapping[str, Any] | pd.Series | gpd.GeoDataFrame,
    tables: IncidentTables,
    season: SeasonSays | None = None,
    *,
    taxon: str = "puma",
    within_m: float = 5000.0,
    before_h: float = BEFORE_H,
    after_h: float = AFTER_H,
    time_zone: str = "UTC",
) -> IncidentFindings:
    """Gather what the season knows of the place and the time of an incident.

    Parameters
    ----------
    incident : mapping, Series, or GeoDataFrame of one row
        A row of INCIDENTS, its position in EPSG:4326.
    tables : IncidentTables
        The tables of the season.
    season : SeasonSays, optional
        What the whole season says of the country around: priors, presence, rate of sign.
    taxon : str
        The taxon that was asked about, a key of `TAXA`.
    within_m : float
        Trails, walks and segments within this distance of the place count as near, metres.
    before_h, after_h : float
        Trails and walks are listed from `before_h` hours before the window to `after_h`
        hours after it. A window without a start is listed from `before_h` before its end.
    time_zone : str
        IANA name of the zone that decides which months the window touches.

    Returns
    -------
    IncidentFindings
        What was near, who looked, and what it says.

    Raises
    ------
    InputError
        If the window is reversed or has no end, the place is unknown, or the taxon is.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> tables = IncidentTables(
    ...     analysis.sign, analysis.trails, analysis.members, analysis.visits,
    ...     analysis.presence("2026-04").table, analysis.parcels, analysis.segments,
    ...     analysis.clearings,
    ... )
    >>> findings = examine_incident(analysis.season.read("incidents"), tables)
    >>> findings.incident, round(float(findings.explanations.ranked["probability"].sum()), 6)
    ('I1', 1.0)
    """
    row = _one_row(incident)
    if taxon not in TAXA:
        raise InputError(f"'{taxon}' is not a taxon", remedy=f"Use one of {', '.join(TAXA)}.")
    if not within_m > 0:
        raise InputError(f"within_m is {within_m:g}", remedy="Give a distance above 0 metres.")
    season = season or SeasonSays()
    place = place_of_incident(row, tables.parcels)
    window = window_of_incident(row)
    listed = _listed(window, before_h, after_h)
    name = str(row.get("incident", "incident"))
    found = _trails_found(
        tables, season, place, window, taxon=taxon, within_m=within_m, listed=listed
    )
    looked = visits_near(
        tables.visits, tables.segments, place, window, within_m=within_m, listed=listed
    )
    reach = place.nearest(tables.segments)["distance_m"]
    at_hand = tables.segments[(reach <= within_m).to_numpy(dtype=bool)]
    parcels_near = (place.nearest(tables.parcels)["distance_m"] <= within_m).to_numpy(dtype=bool)
    passing = probability_of_passing(found["p_taxon"], found["p_in_window"])
    nearest_m = float(reach.min()) if len(reach) else float("nan")
    carcasses = tables.carcasses[tables.carcasses["incident"].eq(name).to_numpy(dtype=bool)]
    count = _whole(row.get("count"))
    months = months_of(window, time_zone)
    findings = IncidentFindings(
        incident=name,
        taxon=taxon,
        place=place,
        window=window,
        listed=listed,
        within_m=within_m,
        time_zone=time_zone,
        livestock=_text(row.get("livestock")),
        count=count,
        carcass_notes=_text(row.get("carcass_notes")),
        carcasses=carcasses,
        trails=found,
        sign=sign_near(tables.sign, tables.members, place, within_m=within_m, listed=listed),
        looked=looked,
        effort=summarise_visits(looked, window),
        cleared=clearings_near(tables.clearings, at_hand["transect"], listed),
        presence=presence_near(
            tables.monthly,
            place,
            taxon=taxon,
            periods=months,
            within_m=within_m,
        ),
        parcels=tables.parcels[parcels_near],
        segments=at_hand,
        passing=passing,
        passing_by_taxon=passing_by_taxon(found),
        over_priors=passing_over_priors(found, season.under_priors),
        blank=worth_of_blank(looked, window, season.sign_rate),
        explanations=explain_loss(
            carcasses,
            found,
            killed=count,
            trail_prior=season.trail_prior,
            local_presence=season.presence_ratio,
            season=season_factors(
                [int(month[5:]) for month in months], latitude_deg=place.latitude_deg
            ),
        ),
        nearest_segment_m=nearest_m,
    )
    return replace(findings, limits=limits_of(findings, tables))


def _trails_found(
    tables: IncidentTables,
    season: SeasonSays,
    place: IncidentPlace,
    window: IncidentWindow,
    *,
    taxon: str,
    within_m: float,
    listed: IncidentWindow,
) -> gpd.GeoDataFrame:
    """Trails near, each with its range over the priors that were tried."""
    shaped = with_shapes(stored(tables.trails, "the trails"), tables.members, tables.sign)
    found = trails_near(shaped, place, window, taxon=taxon, within_m=within_m, listed=listed)
    return _with_priors(found, season.under_priors, taxon)


def _one_row(incident: Mapping[str, Any] | pd.Series | gpd.GeoDataFrame) -> Mapping[str, Any]:
    if not isinstance(incident, pd.DataFrame):
        return dict(incident)
    if len(incident) != 1:
        raise InputError(
            f"{len(incident)} incidents came, and one is examined at a time",
            remedy="Pick one: incidents[incidents['incident'] == name].",
        )
    if isinstance(incident, gpd.GeoDataFrame):
        incident = stored(incident, "the incident")
    return {str(name): value for name, value in incident.iloc[0].items()}


def _with_priors(
    found: gpd.GeoDataFrame, under: Mapping[str, pd.DataFrame], taxon: str
) -> gpd.GeoDataFrame:
    """Add the lowest and the highest probability of the taxon over the priors that were tried."""
    own = found["p_taxon"].astype(float).rename(None)
    tried = [found["trail"].map(shares[taxon_column(taxon)]) for shares in under.values()]
    every = pd.concat([own, *tried], axis=1)
    return found.assign(p_taxon_low=every.min(axis=1), p_taxon_high=every.max(axis=1))


def _listed(window: IncidentWindow, before_h: float, after_h: float) -> IncidentWindow:
    start = window.end if window.start is None else window.start
    return IncidentWindow(
        start - pd.Timedelta(hours=before_h), window.end + pd.Timedelta(hours=after_h)
    )


def months_of(window: IncidentWindow, time_zone: str) -> tuple[str, ...]:
    """Return every local month that the window touches, as ``YYYY-MM``, in order.

    Parameters
    ----------
    window : IncidentWindow
        The time of the loss.
    time_zone : str
        IANA name of the local zone.

    Returns
    -------
    tuple of str
        ``YYYY-MM``, in order.

    Examples
    --------
    >>> ends = pd.to_datetime(["2030-04-30T12:00Z", "2030-06-02T12:00Z"])
    >>> window = IncidentWindow(*ends)
    >>> months_of(window, "UTC")
    ('2030-04', '2030-05', '2030-06')
    """
    end = window.end.tz_convert(time_zone)
    start = end if window.start is None else window.start.tz_convert(time_zone)
    months = pd.period_range(start.tz_localize(None), end.tz_localize(None), freq="M")
    return tuple(str(month) for month in months)


def _text(value: Any) -> str | None:
    return None if value is None or pd.isna(value) or not str(value).strip() else str(value)


def _whole(value: Any) -> int | None:
    return None if value is None or pd.isna(value) else int(value)
