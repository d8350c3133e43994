"""Monthly: for each segment and month, what was done, what was found, and what that says.

Every segment has a row every month. *Not looked for* is a state of its own, and its
probability of presence is that of the country at large, or what its neighbours and the other
months say of it. The share of segments
used speaks of the segments that were walked: a road that nobody walks may be unlike the others,
and no model of the walked ones can know that. What was found is as sure as its best trail (see
`make_histories`). The probability of presence is at the best estimates of the rates of sign, as
if they were known, and its limits tell how far they may be off. Over invented countries drawn
at random it is calibrated (``tests/test_presence_calibration.py``); in one country, the same
stretches may lie on the border of a range in every season, and are then too likely used.
Where the month's data cannot carry an estimate, the probability is missing and the message
says why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.errors import EstimateError, InputError, NothingSurveyed
from carnivore_sign.presence.choosing import Way, chain_of, choose_way
from carnivore_sign.presence.histories import Histories, make_histories
from carnivore_sign.presence.neighbours import likeness_of_neighbours
from carnivore_sign.presence.notes import Note
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.presence.preparing import set_aside_without_effort
from carnivore_sign.presence.result import OccupancyFit, Share
from carnivore_sign.records.check import check_table, conform
from carnivore_sign.records.tables import MONTHLY, SEGMENTS
from carnivore_sign.records.vocabularies import FOUND_LIKELY_FROM, SURE_FROM, TAXA

#: Fewer visited segments than this carry no estimate of presence (a working rule).
LEAST_UNITS: Final = 10

#: Neighbours more alike than this share of shuffles are called so.
NOT_BY_CHANCE: Final = 0.05

#: Fewer expected trails of the taxon than this carry no estimate (a working rule).
LEAST_TRAILS: Final = 2.0


class MonthlyPresence(NamedTuple):
    """A month: its table, the fit behind it, the share of walked segments used, what to know.

    ``fit`` and ``share`` are None where the data do not carry them; ``message`` says why.
    ``compared`` ranks the ways that segments may hang together (see `Choice`); None where
    none were compared.
    """

    table: gpd.GeoDataFrame
    fit: OccupancyFit | None
    share: Share | None
    message: str
    compared: pd.DataFrame | None = None


class SeasonPresence(NamedTuple):
    """All months: their table, the one fit behind it, the shares of walked segments, a message.

    ``compared`` as in `MonthlyPresence`.
    """

    table: gpd.GeoDataFrame
    fit: OccupancyFit | None
    shares: pd.DataFrame
    message: str
    compared: pd.DataFrame | None = None


def monthly_presence(
    segments: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    period: str,
    taxon: str = "puma",
    prior: float | Mapping[str, float] | pd.Series,
    fit: OccupancyFit | None = None,
    effort: str | None = None,
) -> MonthlyPresence:
    """Say for every segment what one month's walks tell of a taxon.

    The probability that a segment was used in the month comes from the scored-signs model
    (``scored_signs.py``), fitted on the month's own visits, or from `fit` where one is
    given: it weighs the segment's effort and each trail found on it. Segments are taken to
    stand alone, or to be used in stretches, as the month's walks favour (``choosing.py``);
    the message says which and why. A segment nobody walked takes the probability of any
    segment, or what its neighbours say of it. With effort in km-days only trails with tracks
    are weighed; scat or other sign alone, which lies for weeks, raises the probability to that
    of its being the taxon's.

    Parameters
    ----------
    segments : GeoDataFrame
        Per ``records.tables.SEGMENTS``.
    visits, detections : DataFrame
        Per ``records.tables.VISITS`` and ``DETECTIONS``; of any periods.
    period : str
        The month, ``YYYY-MM``.
    taxon : str
        The taxon asked about.
    prior : float, mapping or Series
        The prior the detections' probabilities were computed with (see `make_histories`).
    fit : OccupancyFit, optional
        A fit of more data (say of the whole season) to judge the month with. One that
        chains months is given all visits, of this month and of the others.
    effort : {"effort_km_days", "effort_km"}, optional
        Column of effort (see `fit_occupancy`).

    Returns
    -------
    MonthlyPresence
        ``table`` per ``records.tables.MONTHLY``, EPSG:4326, one row per segment; ``fit``
        and ``share`` (of the segments walked that month, those used), or None where the
        month does not carry them; ``message``, empty if there is nothing to add.

    Raises
    ------
    NothingSurveyed
        If there are no visits in the month.
    TableFaults, InputError
        If a table breaks its schema.

    Examples
    --------
    A month with one walk of one segment: what was done and found is told, and presence is
    not guessed at.

    >>> import shapely
    >>> segments = gpd.GeoDataFrame(
    ...     {"segment": ["w#1", "w#2"], "transect": "w", "from_m": [0.0, 500.0],
    ...      "to_m": [500.0, 1000.0], "length_m": 500.0},
    ...     geometry=shapely.linestrings([[[0, 40], [0, 41]], [[0, 41], [0, 42]]]), crs=4326,
    ... )
    >>> time = pd.Timestamp("2031-05-03T15:00Z")
    >>> visits = pd.DataFrame(
    ...     {"visit": ["a@w#1"], "walk": "a", "log": "l", "segment": "w#1", "transect": "w",
    ...      "start": time, "end": time, "period": "2031-05", "covered_m": 500.0,
    ...      "coverage": 1.0, "effort_km": 0.5, "effort_km_days": 2.0}
    ... )
    >>> detections = pd.DataFrame(
    ...     {"trail": ["t"], "visit": "a@w#1", "segment": "w#1", "period": "2031-05",
    ...      "offset_m": 3.0, "p_puma": 0.97}
    ... )
    >>> month = monthly_presence(segments, visits, detections, period="2031-05", prior=0.2)
    >>> month.table[["segment", "state", "visits", "p_found"]].to_numpy().tolist()
    [['w#1', 'found_sure', 1, 0.97], ['w#2', 'not_looked', 0, nan]]
    >>> month.message.split(":")[0]
    'Presence was not estimated from this month alone'
    """
    segments = check_table(segments, SEGMENTS)
    _require_visits(visits, period)
    whole = fit is not None and fit.model.chain == "months"
    kept = visits if whole else visits[visits["period"] == period]
    within = detections["visit"].isin(kept["visit"])
    histories = make_histories(
        kept, detections[within], taxon=taxon, prior=prior, segments=segments
    )
    messages: list[str] = []
    compared = None
    if fit is None:
        fit, compared = _fit_or_none(histories, effort, "this month alone", messages)
    of_month = histories.in_period(period)
    if fit is None:
        table = _table(segments, of_month, period, None)
        return MonthlyPresence(table, None, None, " ".join(messages))
    _require_single(fit)
    usable = _usable(histories, fit, messages)
    messages += fit.messages
    table = _table(segments, of_month, period, fit.posterior(usable))
    shares = fit.shares_by_period(usable, visited_only=True).set_index("period")
    share = Share(*(shares.loc[period, name] for name in Share._fields))
    return MonthlyPresence(table, fit, share, " ".join(messages), compared)


def season_presence(
    segments: gpd.GeoDataFrame,
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    taxon: str = "puma",
    prior: float | Mapping[str, float] | pd.Series,
    effort: str | None = None,
    way: Way | None = None,
) -> SeasonPresence:
    """Judge every month with one fit of the whole season.

    The rates of sign are taken to be the same all season, so that a month with little sign
    borrows them from the others; which segments are used may change from month to month.
    Each segment in each month may stand alone (``two_states.py``), use may run in stretches
    along the transect (``stretches.py``), or last from month to month (``months.py``). By
    default the walks decide (``choosing.py``): the way with the lowest AICc is fitted with a
    weak prior, and the message and ``compared`` say what it was compared with.

    Where use does run in stretches, to let segments stand alone makes a blank segment between
    blank ones too likely used, and one beside finds too unlikely.

    Parameters
    ----------
    segments, visits, detections, taxon, prior, effort
        As for `monthly_presence`.
    way : {"alone", "neighbours", "months"}, optional
        Take this way, by maximum likelihood, and compare nothing.

    Returns
    -------
    SeasonPresence
        ``table`` per ``records.tables.MONTHLY``, a row for each segment and month with
        walks; ``fit``, or None; ``shares``: a row a month, ``period``, ``share``, ``low``,
        ``high``, ``units``, ``units_visited``, without rows if there is no fit;
        ``message``; ``compared``.

    Raises
    ------
    NothingSurveyed
        If there are no visits at all.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> told = season_presence(
    ...     analysis.segments, analysis.visits, analysis.detections, prior=analysis.prior
    ... )
    >>> told.shares["period"].tolist()
    ['2026-02', '2026-03', '2026-04']
    """
    if visits.empty:
        raise NothingSurveyed("No segment was walked. Import the logs of the walks.")
    segments = check_table(segments, SEGMENTS)
    histories = make_histories(visits, detections, taxon=taxon, prior=prior, segments=segments)
    messages: list[str] = []
    fit, compared = _fit_or_none(histories, effort, "the season", messages, way)
    periods = sorted(visits["period"].unique())
    told, shares = None, pd.DataFrame(columns=["period", *Share._fields])
    if fit is not None:
        usable = _usable(histories, fit, messages)
        messages += fit.messages
        told = fit.posterior(usable)
        shares = fit.shares_by_period(usable, visited_only=True)
        shares = shares[shares["period"].isin(periods)].reset_index(drop=True)
    tables = [_table(segments, histories.in_period(period), period, told) for period in periods]
    whole = pd.concat(tables, ignore_index=True)
    return SeasonPresence(whole, fit, shares, " ".join(messages), compared)


def _require_single(fit: OccupancyFit) -> None:
    if fit.model.name != "scored_signs" or fit.model.chain == "line":
        raise InputError(
            "a month is judged with a fit of model='scored_signs', of segments and not of lines",
            remedy="Fit that, or leave fit= out.",
        )


def _require_visits(visits: pd.DataFrame, period: str) -> None:
    if (visits["period"] == period).any():
        return
    months = ", ".join(sorted(visits["period"].dropna().unique())) or "none"
    raise NothingSurveyed(
        f"No segment was walked in {period}. Months with walks: {months}. Ask for one of these, "
        f"or import the logs of {period}."
    )


def _table(
    segments: gpd.GeoDataFrame, histories: Histories, period: str, told: pd.DataFrame | None
) -> gpd.GeoDataFrame:
    """Put one month's table together, with presence as `told`."""
    table = _what_was_done(segments, histories, period)
    if told is not None:
        here = told[told["period"] == period].rename(columns={"unit": "segment"})
        columns = ["segment", "p_presence", "p_presence_low", "p_presence_high"]
        table = table.merge(here[columns], on="segment", how="left")
        table = _at_least_found(table, histories)
    return conform(gpd.GeoDataFrame(table, geometry="geometry", crs=segments.crs), MONTHLY)


def _at_least_found(table: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    """Raise presence to the probability that scat or other sign alone was the taxon's.

    Such sign is left out of rates per km-day, and so of what they say of presence; but a unit
    is used at least as probably as one of the finds on it is the taxon's.
    """
    signs = histories.signs
    if "with_tracks" not in signs or signs["with_tracks"].all():
        return table
    alone = signs[~signs["with_tracks"]]
    unit = histories.visits.set_index("visit")["unit"].reindex(alone["visit"])
    best = alone["probability"].groupby(unit.to_numpy()).max()
    found = table["segment"].map(best).fillna(0.0)
    columns = ["p_presence", "p_presence_low", "p_presence_high"]
    return table.assign(**{name: table[name].clip(lower=found) for name in columns})


def _usable(histories: Histories, fit: OccupancyFit, messages: list[str]) -> Histories:
    """Leave out the visits that the fit cannot judge, and say so once."""
    notes: list[Note] = []
    usable = set_aside_without_effort(histories, str(fit.model.effort), notes)
    if fit.model.effort == "effort_km_days":
        usable = usable.made_in_time()
    known = fit.messages
    messages += [note.text for note in notes if note.text not in known]
    return usable


def _what_was_done(segments: gpd.GeoDataFrame, histories: Histories, period: str) -> pd.DataFrame:
    """Sum the month up by segment: visits, effort, and the probability of the best trail."""
    by_segment = histories.visits.groupby("unit")
    km_days = by_segment["effort_km_days"]
    done = pd.DataFrame(
        {
            "visits": by_segment.size(),
            "effort_km": by_segment["effort_km"].sum(),
            "effort_km_days": km_days.sum().where(km_days.count() == by_segment.size()),
            "p_found": by_segment["p_found"].max(),
            "trails_expected": by_segment["trails_expected"].sum(),
        }
    )
    table = segments[["segment", "geometry"]].assign(period=period, taxon=histories.taxon)
    table = pd.DataFrame(table).merge(done, left_on="segment", right_index=True, how="left")
    table["visits"] = table["visits"].fillna(0).astype(int)
    table["effort_km"] = table["effort_km"].fillna(0.0)
    table["state"] = _states(table)
    return table


def _states(table: pd.DataFrame) -> np.ndarray:
    return np.select(
        [
            table["visits"] == 0,
            table["p_found"] >= SURE_FROM,
            table["p_found"] >= FOUND_LIKELY_FROM,
        ],
        ["not_looked", "found_sure", "found_likely"],
        default="not_found",
    )


def _fit_or_none(
    histories: Histories,
    effort: str | None,
    what: str,
    messages: list[str],
    way: Way | None = None,
) -> tuple[OccupancyFit | None, pd.DataFrame | None]:
    """Fit the scored signs, and say what was compared; or say why `what` carries no fit."""
    refused = f"Presence was not estimated from {what}"
    visited = histories.visits["unit"].nunique()
    expected = float(histories.visits["trails_expected"].sum())
    if visited < LEAST_UNITS or expected < LEAST_TRAILS:
        messages.append(
            f"{refused}: that takes {LEAST_UNITS} walked segments and {LEAST_TRAILS:g} trails of "
            f"{TAXA[histories.taxon]}. There were {visited}, and {expected:.1f} trails summed by "
            "probability."
        )
        return None, None
    try:
        fit = fit_quietly(
            histories, model="scored_signs", effort=effort, chain=chain_of(way or "alone")
        )
    except EstimateError as error:
        messages.append(f"{refused}. {error}")
        return None, None
    if fit.flat[fit.model.parts[0].positions].any():
        messages += [*fit.messages, f"{refused}, for that reason."]
        return None, None
    if way is not None:
        return replace(fit, notes=(*fit.notes, *_about_neighbours(fit))), None
    chosen = choose_way(histories, fit, effort=effort)
    notes = (*chosen.fit.notes, *_about_neighbours(chosen.fit), Note(chosen.message))
    return replace(chosen.fit, notes=notes), chosen.table


def _about_neighbours(fit: OccupancyFit) -> list[Note]:
    """Say if segments next to each other are more alike than the model takes them to be."""
    if fit.model.chain is not None:
        return []
    try:
        told = likeness_of_neighbours(fit)
    except EstimateError:
        return []
    if told.p_value > NOT_BY_CHANCE or told.correlation <= 0:
        return []
    text = (
        f"Segments next to each other are more alike than by chance (correlation "
        f"{told.correlation:.2f}, {told.pairs} pairs): limits that knew it would "
        "be wider than these. Blank segments between blank ones are less likely used than "
        "said, and those beside finds likelier."
    )
    return [Note(text)]
