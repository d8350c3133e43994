"""The incident window, and the probability that sign of uncertain age was made within it.

A trail found at t on a surface wiped at c was made in (c, t]. The loss happened between the
time when the stock was last seen well and the time when it was found: (well, found]. Whether
the two agree is the overlap of two intervals.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError, TimeZoneMissing
from carnivore_sign.units import SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]


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

    Raises
    ------
    InputError
        If the time of finding is missing, or not after the time last seen well.
    TimeZoneMissing
        If a time has no zone.
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
    made_after: pd.Series, made_before: pd.Series, window: IncidentWindow
) -> FloatArray:
    """Probability that each trail was made within the window.

    Parameters
    ----------
    made_after, made_before : Series of UTC times
        The interval (after, before] in which each was made; `made_after` may be missing.
    window : IncidentWindow
        The window (start, end].

    Returns
    -------
    ndarray
        From 0 to 1; NaN where it cannot be told.

    Notes
    -----
    Every moment of (after, before] is taken as equally probable, so that the probability is
    the length of the overlap divided by the length of the interval. A trail without a lower
    bound on its time gives no number, save where logic alone decides: made before the window
    began is 0, and made before the end of a window with no beginning is 1. Where the interval
    comes from stated ages it holds 95 % of the probability, and what it leaves out is passed
    over: a share of 0 then says that a few in a hundred remain. An interval of no
    length is a known moment. One that ends before it begins is a fault and gives NaN.

    Examples
    --------
    >>> utc = lambda *t: pd.Series(pd.to_datetime(list(t), utc=True))
    >>> window = IncidentWindow(*utc("2031-05-02 00:00", "2031-05-02 12:00"))
    >>> share_within_window(utc("2031-05-01 18:00"), utc("2031-05-02 06:00"), window)
    array([0.5])
    """
    after, before = _seconds(made_after), _seconds(made_before)
    end = window.end.timestamp()
    start = -np.inf if window.start is None else window.start.timestamp()
    length = before - after
    overlap = np.minimum(before, end) - np.maximum(after, start)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.clip(overlap, 0.0, None) / length
    moment = length == 0
    share[moment] = ((before > start) & (before <= end))[moment]
    unknown = np.isnan(after) & ~np.isnan(before)
    share[unknown & (before <= end) & np.isneginf(start)] = 1.0
    share[unknown & (before <= start)] = 0.0
    share[length < 0] = np.nan
    return share


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
