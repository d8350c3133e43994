"""Rollover: dates 1024 weeks early, which old receivers write, and their repair.

GPS counts weeks in ten bits. A receiver that does not know how often the count has begun again
writes dates 1024 weeks (7168 days) early. Such a date cannot be told from a true one of that
time, so that it is flagged, and repaired by call only.

Source: US Naval Observatory, notes on the GPS week number rollover: the count began on
1980-01-06 and again on 1999-08-22, 2019-04-07 and (to come) 2038-11-21.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

#: Weeks after which the week number of GPS begins again at 0, as days.
ROLLOVER: Final = pd.Timedelta(days=7168)
#: Midnight at which GPS time began.
GPS_EPOCH: Final = pd.Timestamp("1980-01-06", tz="UTC")
_A_DAY: Final = pd.Timedelta(days=1)


def suspect_before(now: pd.Timestamp | None = None) -> pd.Timestamp:
    """Return the time before which a date may be one of today written 1024 weeks early.

    Parameters
    ----------
    now : Timestamp, optional
        UTC; the time of the call, unless given.

    Examples
    --------
    >>> suspect_before(pd.Timestamp("2026-02-14T00:00Z")).date()
    datetime.date(2006, 7, 2)
    """
    return (now or pd.Timestamp(datetime.now(UTC))) + _A_DAY - ROLLOVER


def are_suspect(
    time_ms: npt.NDArray[np.int64], *, now: pd.Timestamp | None = None
) -> npt.NDArray[np.bool_]:
    """Tell which times (milliseconds since 1970 UTC) may be 1024 weeks early."""
    return time_ms < int(suspect_before(now).timestamp() * 1000)


def later_times(times: pd.Series, *, now: pd.Timestamp | None = None) -> pd.Series:
    """Return times with those that may be 1024 weeks early put 1024 weeks later.

    Times before GPS began are left: no receiver with a week number wrote them.

    Examples
    --------
    >>> written = pd.Series(pd.to_datetime(["1999-08-22T00:00Z", "2025-05-01T12:00Z"]))
    >>> later_times(written).dt.date.tolist()
    [datetime.date(2019, 4, 7), datetime.date(2025, 5, 1)]
    """
    early = (times < suspect_before(now)) & (times >= GPS_EPOCH)
    return times.mask(early, times + ROLLOVER)


def rollover_notes(times: pd.Series, *, now: pd.Timestamp | None = None) -> list[str]:
    """Tell dates that a receiver with a week number begun again would write.

    Parameters
    ----------
    times : Series
        UTC.
    now : Timestamp, optional
        UTC; the time of the call, unless given.

    Examples
    --------
    >>> rollover_notes(pd.Series(pd.to_datetime(["2001-07-01T10:00Z"])))[0][:47]
    '1 fixes have dates that an old receiver writes '
    """
    early = times[times < suspect_before(now)]
    if not len(early):
        return []
    first = early.min()
    return [
        f"{len(early)} fixes have dates that an old receiver writes 1024 weeks early, the first "
        f"{first:%Y-%m-%d}: if so, that was {first + ROLLOVER:%Y-%m-%d}; import them with the "
        "rollover repaired (repair_rollover, --repair-rollover)"
    ]
