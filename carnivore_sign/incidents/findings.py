"""Examine an incident: the whole answer as one frozen object, before any page is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.effort import summarise_visits, visits_near
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
from carnivore_sign.incidents.window import IncidentWindow, window_of_incident
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA, UNLIKELY_BELOW
from carnivore_sign.space import stored

#: How far before and after the window trails and walks are still listed, in hours.
BEFORE_H: Final = 30 * 24.0
AFTER_H: Final = 14 * 24.0

#: A trail no more probable than this to be of the window is as good as not of it.
NEVER: Final = 0.005

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
        As recorded. Carcass notes are passed on and not weighed.
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
    nearest_segment_m: float
    limits: tuple[str, ...]

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
    *,
    sign: gpd.GeoDataFrame,
    trails: gpd.GeoDataFrame,
    members: pd.DataFrame,
    visits: pd.DataFrame,
    monthly: gpd.GeoDataFrame,
    parcels: gpd.GeoDataFrame,
    segments: gpd.GeoDataFrame,
    clearings: pd.DataFrame,
    under_priors: Mapping[str, pd.DataFrame] | None = None,
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
    sign, trails, members, visits, monthly, parcels, segments, clearings : DataFrame
        The tables of those names; `members` has columns ``sign`` and ``trail``.
    under_priors : mapping of str to DataFrame, optional
        ``p_<taxon>`` of the trails under other priors, index name of the trail, by what each
        prior is, in words.
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

    Raises
    ------
    InputError
        If the window is reversed or has no end, the place is unknown, or the taxon is.
    """
    row = _one_row(incident)
    if taxon not in TAXA:
        raise InputError(f"'{taxon}' is not a taxon", remedy=f"Use one of {', '.join(TAXA)}.")
    if not within_m > 0:
        raise InputError(f"within_m is {within_m:g}", remedy="Give a distance above 0 metres.")
    place = place_of_incident(row, parcels)
    window = window_of_incident(row)
    listed = _listed(window, before_h, after_h)
    shaped = with_shapes(stored(trails, "the trails"), members, sign)
    found = trails_near(shaped, place, window, taxon=taxon, within_m=within_m, listed=listed)
    found = _with_priors(found, under_priors or {}, taxon)
    looked = visits_near(visits, segments, place, window, within_m=within_m, listed=listed)
    reach = place.nearest(segments)["distance_m"]
    at_hand = segments[(reach <= within_m).to_numpy(dtype=bool)]
    passing = probability_of_passing(found["p_taxon"], found["p_in_window"])
    nearest_m = float(reach.min()) if len(reach) else float("nan")
    return IncidentFindings(
        incident=str(row.get("incident", "incident")),
        taxon=taxon,
        place=place,
        window=window,
        listed=listed,
        within_m=within_m,
        time_zone=time_zone,
        livestock=_text(row.get("livestock")),
        count=_whole(row.get("count")),
        carcass_notes=_text(row.get("carcass_notes")),
        trails=found,
        sign=sign_near(sign, members, place, within_m=within_m, listed=listed),
        looked=looked,
        effort=summarise_visits(looked, window),
        cleared=clearings_near(clearings, at_hand["transect"], listed),
        presence=presence_near(
            monthly, place, taxon=taxon, periods=_months(window, time_zone), within_m=within_m
        ),
        parcels=parcels[(place.nearest(parcels)["distance_m"] <= within_m).to_numpy(dtype=bool)],
        segments=at_hand,
        passing=passing,
        passing_by_taxon=passing_by_taxon(found),
        over_priors=passing_over_priors(found, under_priors or {}),
        nearest_segment_m=nearest_m,
        limits=_limits(
            place,
            window,
            within_m,
            nearest_m,
            first_walk=visits["start"].min(),
            nobody_looked=looked.empty,
            passing=passing,
        ),
    )


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


def _months(window: IncidentWindow, time_zone: str) -> tuple[str, ...]:
    end = window.end.tz_convert(time_zone)
    start = end if window.start is None else window.start.tz_convert(time_zone)
    months = pd.period_range(start.tz_localize(None), end.tz_localize(None), freq="M")
    return tuple(str(month) for month in months)


def _limits(
    place: IncidentPlace,
    window: IncidentWindow,
    within_m: float,
    nearest_m: float,
    *,
    first_walk: pd.Timestamp,
    nobody_looked: bool,
    passing: PassingProbability,
) -> tuple[str, ...]:
    """Say why the findings say less than one might think; each condition has one sentence."""
    km = f"{within_m / 1000:g} km"
    before_any = not window.end >= first_walk  # NaT, for no walk at all, is after everything
    off_parcel = place.point_to_parcel_m > 0
    open_timing = passing.trails_not_told
    said = (
        (
            window.open_at_start,
            "Nobody recorded when the stock was last seen well. "
            "The time of the loss is open at its start.",
        ),
        (
            not nearest_m <= within_m,
            f"The place lies outside the surveyed country: no surveyed line is within {km}.",
        ),
        (before_any, "The loss was found before the first recorded walk of the season."),
        (nobody_looked, f"Nobody looked within {km} of the place around that time."),
        (
            bool(open_timing),
            f"For {_so_many(open_timing, passing.trails)} near, it cannot be told how "
            "probable it is that the animal asked about made it within that time.",
        ),
        (
            off_parcel,
            f"The stated position lies {place.point_to_parcel_m:.0f} m outside the stated "
            "parcel. Distances are taken from the position.",
        ),
        (True, "What was seen at the carcass is passed on as recorded. It is not weighed."),
    )
    return tuple(sentence for applies, sentence in said if applies)


def _so_many(part: int, whole: int) -> str:
    if whole == 1:
        return "the only trail"
    return f"all {whole} trails" if part == whole else f"{part} of the {whole} trails"


def _text(value: Any) -> str | None:
    return None if value is None or pd.isna(value) or not str(value).strip() else str(value)


def _whole(value: Any) -> int | None:
    return None if value is None or pd.isna(value) else int(value)
