"""Conditions: what was noted of a surface on the day, and how long it keeps tracks.

Dust under a steady wind loses a print within the day, and a crusted or frozen road takes none.
The days in which such a surface was left alone are no days in which it collected tracks.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.computed import TRACKING_QUALITIES
from carnivore_sign.survey.clearing import spread_events
from carnivore_sign.units import HOURS_PER_DAY

_NOTED: Final = ["surface_state", "tracking_quality", "keeps_tracks_days"]


def note_conditions(
    visits: pd.DataFrame, notes: pd.DataFrame, *, within_h: float = 24.0
) -> pd.DataFrame:
    """Add what was noted of the surface to visits, and shorten the time that it collected tracks.

    Parameters
    ----------
    visits : DataFrame
        From `make_visits`.
    notes : DataFrame
        Weather notes: ``time`` (UTC), ``transects`` (names joined by ``;``, or ``all``), and any
        of ``surface_state`` (text), ``tracking_quality`` (good, fair, poor, none),
        ``keeps_tracks_days`` (longest that the surface keeps tracks readable as it is; 0 where
        it takes none); and ``noted_in``, how a warning calls the table that holds the note,
        *weather notes* unless given.
    within_h : float
        A note speaks for visits that began no longer before or after it, hours; of several that
        say a thing the one nearest in time.

    Returns
    -------
    DataFrame
        `visits` with ``surface_state`` and ``tracking_quality``, and with ``effort_km_days`` of
        no more than the days for which the surface keeps tracks. Where it was not known since
        when the surface collects tracks, it stays unknown, but for a surface that takes none.

    Raises
    ------
    InputError
        If a note has no time or no transects, a quality is none of the words, or the days are
        below zero.

    Warns
    -----
    DataWarning
        If a note names a transect of which there is no visit.

    Examples
    --------
    >>> day = pd.Timestamp("2024-05-06 15:00", tz="UTC")
    >>> visits = pd.DataFrame({
    ...     "transect": ["MESA"], "start": [day], "effort_km": [2.0], "effort_km_days": [10.0],
    ... })
    >>> notes = pd.DataFrame({
    ...     "time": [day], "transects": ["all"], "surface_state": ["blown dust"],
    ...     "keeps_tracks_days": [1.0],
    ... })
    >>> note_conditions(visits, notes)[["surface_state", "effort_km_days"]].values.tolist()
    [['blown dust', 2.0]]
    """
    notes = notes.reindex(columns=["time", "transects", *_NOTED, "noted_in"])
    _refuse(notes)
    transects = pd.Index(visits["transect"].unique())
    tables = notes["noted_in"].astype("object").fillna("weather notes")
    events = spread_events(notes, transects, columns=_NOTED, what=tables)
    nearest = {
        name: _nearest(visits, events[events[name].notna()], within_h)[name].to_numpy()
        for name in _NOTED
    }
    keeps_km_days = visits["effort_km"] * nearest["keeps_tracks_days"].astype(float)
    known = visits["effort_km_days"].fillna(keeps_km_days.where(keeps_km_days.eq(0)))
    return visits.assign(
        surface_state=nearest["surface_state"],
        tracking_quality=nearest["tracking_quality"],
        effort_km_days=known.where(known.isna(), np.fmin(known, keeps_km_days)),
    )


def _nearest(visits: pd.DataFrame, events: pd.DataFrame, within_h: float) -> pd.DataFrame:
    """Note nearest in time to the start of each visit, in the order of the visits."""
    lines = pd.Index(visits["transect"].unique())
    left = pd.DataFrame(
        {
            "start": visits["start"].array,
            "line": lines.get_indexer(visits["transect"]),
            "row": np.arange(len(visits)),
        }
    ).sort_values("start", kind="stable")
    left["start"] = left["start"].astype("datetime64[ms, UTC]")
    right = events.assign(line=lines.get_indexer(events["transect"]))
    right["time"] = right["time"].astype("datetime64[ms, UTC]")
    found = pd.merge_asof(
        left, right, left_on="start", right_on="time", by="line",
        direction="nearest", tolerance=pd.Timedelta(hours=within_h),
    )  # fmt: skip
    return found.sort_values("row")


def _refuse(notes: pd.DataFrame) -> None:
    quality = notes["tracking_quality"].dropna()
    strange = sorted(set(quality) - set(TRACKING_QUALITIES))
    if strange:
        raise InputError(
            f"the tracking quality is noted as {', '.join(map(str, strange))}",
            remedy=f"Write one of {', '.join(TRACKING_QUALITIES)}.",
        )
    if len(notes) and not isinstance(notes["time"].dtype, pd.DatetimeTZDtype):
        raise InputError("the times of the weather notes have no zone", remedy="Give them in UTC.")
    for column in ("time", "transects"):
        if notes[column].isna().any():
            raise InputError(
                f"a weather note has no {column}",
                row=int(np.flatnonzero(notes[column].isna())[0]),
                remedy="Say when it was noted, and of which transects (or 'all').",
            )
    if (notes["keeps_tracks_days"] < 0).any():
        raise InputError(
            "a surface is noted to keep tracks for less than 0 days",
            row=int(np.flatnonzero(notes["keeps_tracks_days"] < 0)[0]),
            remedy=f"Give days, such as 0.5 for {HOURS_PER_DAY / 2:g} hours.",
        )
