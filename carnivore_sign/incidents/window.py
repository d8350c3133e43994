"""The incident window, and the probability that sign of uncertain age was made within it.

A trail found at t on a surface wiped at c was made in (c, t]. The loss happened between the
time when the stock was last seen well and the time when it was found: (well, found]. Whether
the two agree is the overlap of two intervals.

What is on record bounds the time of making for good: the wiping of the ground, and the find.
Ages that somebody stated do not. Their limits hold `HELD` of the probability, and the rest lies
beyond them, half on each side where there is room: evenly between the later limit and the find,
and before the earlier limit thinning out by a power of the age, for ages are misjudged in
proportion.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError, TimeZoneMissing
from carnivore_sign.units import SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]

#: Share of the probability between the limits of TRAILS; see their columns.
HELD: Final = 0.95
#: Share beyond one of them.
BEYOND: Final = (1.0 - HELD) / 2.0
#: By which power of the age the probability thins out beyond the oldest. A working value: common
#: practice, no source.
OLDER_POWER: Final = 1.6
#: Nobody tells ages nearer than this.
SLACK_S: Final = SECONDS_PER_HOUR


@dataclass(frozen=True)
class IncidentWindow:
    """The time in which the loss happened: after `start`, and not after `end`.

    Attributes
    ----------
    start : Timestamp or None
        UTC; None where nobody knows when the stock was last seen well.
    end : Timestamp
        UTC; when the loss was found.
    """

    start: pd.Timestamp | None
    end: pd.Timestamp

    @property
    def open_at_start(self) -> bool:
        """Whether the start is unknown."""
        return self.start is None

    @property
    def length_h(self) -> float:
        """Hours from start to end; infinite for a window that is open at its start."""
        if self.start is None:
            return float("inf")
        return (self.end - self.start).total_seconds() / SECONDS_PER_HOUR


def window_of_incident(incident: Mapping[str, Any] | pd.Series) -> IncidentWindow:
    """Read the window of a row of INCIDENTS.

    Parameters
    ----------
    incident : mapping or Series
        A row of INCIDENTS.

    Returns
    -------
    IncidentWindow
        From when the stock was last seen well to when the loss was found.

    Raises
    ------
    InputError
        If the time of finding is missing, or not after the time last seen well.
    TimeZoneMissing
        If a time has no zone.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> window_of_incident(example_season().read("incidents").iloc[0]).length_h
    36.0
    """
    name = incident.get("incident", "incident")
    end = _as_utc(incident.get("found"), f"'found' of incident '{name}'")
    start = _as_utc(incident.get("last_seen_well"), f"'last_seen_well' of incident '{name}'")
    if end is None:
        raise InputError(
            f"incident '{name}' has no time at which the loss was found",
            remedy="Fill in 'found': without it there is no window to compare with.",
        )
    if start is not None and start >= end:
        raise InputError(
            f"incident '{name}': last seen well {start:%Y-%m-%d %H:%M} UTC is not before "
            f"found {end:%Y-%m-%d %H:%M} UTC",
            remedy="Were the two exchanged, or read in another time zone? Correct the times; "
            "leave 'last_seen_well' empty if nobody knows.",
        )
    return IncidentWindow(start, end)


def share_within_window(
    made_after: pd.Series,
    made_before: pd.Series,
    window: IncidentWindow,
    *,
    found: pd.Series | None = None,
    wiped: pd.Series | None = None,
) -> FloatArray:
    """Probability that each trail was made within the window.

    Parameters
    ----------
    made_after, made_before : Series of UTC times
        The limits between which `HELD` of the probability lies; `made_after` may be missing.
    window : IncidentWindow
        The window (start, end].
    found : Series of UTC times, optional
        When each was found: none was made later. At `made_before`, unless given.
    wiped : Series of UTC times, optional
        When the ground under each was last wiped: none was made earlier. May be missing.

    Returns
    -------
    ndarray
        From 0 to 1; NaN where it cannot be told. It is 0 or 1 only where the find or the wiping
        of the ground rules the window out, or in.

    Notes
    -----
    Between the limits every moment is taken as equally probable, so that most of the answer is
    the length of the overlap divided by the length of the interval. A trail without an earlier
    limit has a number only where none is needed: for a window that begins after `made_before`, or
    has no beginning and ends after it. An interval that ends before it begins is a fault and
    gives NaN.

    Examples
    --------
    >>> utc = lambda *t: pd.Series(pd.to_datetime(list(t), utc=True))
    >>> window = IncidentWindow(*utc("2031-05-02 00:00", "2031-05-02 12:00"))
    >>> wiped, found = utc("2031-05-01 18:00"), utc("2031-05-02 06:00")
    >>> share_within_window(wiped, found, window, wiped=wiped)
    array([0.5])
    >>> share_within_window(wiped, found, window).round(4)  # an age that somebody stated
    array([0.4875])
    """
    after, before = _seconds(made_after), _seconds(made_before)
    latest = before if found is None else np.fmax(_seconds(found), before)
    earliest = np.full(len(after), -np.inf) if wiped is None else _seconds(wiped)
    earliest = np.nan_to_num(earliest, nan=-np.inf, neginf=-np.inf)
    times = _Making(after, before, earliest, latest)
    by_end = times.made_by(window.end.timestamp())
    by_start = 0.0 if window.start is None else times.made_by(window.start.timestamp())
    share = np.asarray(by_end - by_start)
    share[before < after] = np.nan
    return share


@dataclass(frozen=True, eq=False)
class _Making:
    """When trails were made, in seconds: limits, and the bounds that nothing passes."""

    after: FloatArray
    before: FloatArray
    earliest: FloatArray
    latest: FloatArray

    def made_by(self, moment: float) -> FloatArray:
        """Probability that each was made by a moment; NaN where its earlier limit is needed."""
        low = np.where(self.after > self.earliest, BEYOND, 0.0)
        high = np.where(self.latest > self.before, BEYOND, 0.0)
        between = low + (1.0 - low - high) * _part(moment, self.after, self.before)
        later = 1.0 - high + high * _part(moment, self.before, self.latest)
        told = np.where(moment >= self.before, later, between)
        return np.where(moment < self.after, low * self._part_of_older(moment), told)

    def _part_of_older(self, moment: float) -> FloatArray:
        """Of the probability before the earlier limit, the part that lies before a moment."""
        limit = self._thinned(self.after)
        with np.errstate(divide="ignore", invalid="ignore"):
            bound = self._thinned(self.earliest) / limit
            part = (self._thinned(np.minimum(moment, self.after)) / limit - bound) / (1.0 - bound)
        return np.clip(np.nan_to_num(part), 0.0, 1.0)

    def _thinned(self, moment: FloatArray) -> FloatArray:
        """How far the probability of an age at least that of a moment has thinned out."""
        age = np.maximum(self.latest - moment, 0.0) + SLACK_S
        return np.asarray(age**-OLDER_POWER)


def _part(moment: float, start: FloatArray, end: FloatArray) -> FloatArray:
    """Part of each interval that a moment has behind it; all of one without length."""
    length = end - start
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(length > 0, (moment - start) / length, moment >= end)
    return np.where(np.isnan(start), np.nan, np.clip(part, 0.0, 1.0))


def _seconds(times: pd.Series) -> FloatArray:
    utc = pd.to_datetime(times, utc=True).dt.as_unit("ms")
    seconds = utc.dt.tz_localize(None).to_numpy().astype("int64") / 1000.0
    return np.where(utc.isna().to_numpy(), np.nan, seconds)


def _as_utc(value: Any, what: str) -> pd.Timestamp | None:
    if value is None or pd.isna(value):
        return None
    time = pd.Timestamp(value)
    if time.tzinfo is None:
        raise TimeZoneMissing(
            f"{what} is a local time without a zone ({value})",
            remedy="State the zone, as in 2031-05-02T06:00-06:00.",
        )
    return time.tz_convert("UTC")
