"""In season: logs that were taken at another time are named and kept apart.

A folder of logs may hold last year's, and a receiver whose clock was never set dates its fixes
years away. Such a log would make months of effort in which nobody walked.
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pandas as pd

from carnivore_sign.errors import InputError


def logs_in_season(
    fixes: pd.DataFrame, *, first_day: dt.date, last_day: dt.date, time_zone: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Keep the fixes of a season, and name the logs that reach beyond it.

    Parameters
    ----------
    fixes : DataFrame
        As `records.tables.FIXES`: ``log`` and ``time`` (UTC).
    first_day, last_day : date
        The season, local days, both belonging to it.
    time_zone : str
        IANA name of the local zone.

    Returns
    -------
    kept : DataFrame
        Fixes of those days, and fixes without a time (matching says so of them).
    apart : DataFrame
        A row per log with fixes of other days: ``log``, ``first`` and ``last`` (UTC, of those
        fixes), ``fixes`` (how many), ``reason``. Fixes in = fixes kept + fixes here.

    Raises
    ------
    InputError
        If the season ends before it begins.

    Examples
    --------
    >>> fixes = pd.DataFrame({
    ...     "log": ["MON", "OLD"],
    ...     "time": pd.to_datetime(["2024-05-06 14:00Z", "2019-05-06 14:00Z"]),
    ... })
    >>> kept, apart = logs_in_season(
    ...     fixes, first_day=dt.date(2024, 5, 1), last_day=dt.date(2024, 8, 31), time_zone="UTC"
    ... )
    >>> kept["log"].tolist(), apart["reason"].tolist()
    (['MON'], ['1 of its 1 fixes are not of 2024-05-01 to 2024-08-31'])
    """
    if last_day < first_day:
        raise InputError(
            f"the season ends on {last_day} and begins on {first_day}", remedy="Swap the days."
        )
    zone = ZoneInfo(time_zone)
    begin = pd.Timestamp(first_day, tz=zone)
    end = pd.Timestamp(last_day + dt.timedelta(days=1), tz=zone)
    beyond = (fixes["time"] < begin) | (fixes["time"] >= end)
    logs = fixes.loc[beyond].groupby("log", sort=False, observed=True)["time"]
    apart = logs.agg(first="min", last="max", fixes="size").reset_index()
    of = apart["log"].map(fixes["log"].value_counts())
    apart["reason"] = [
        f"{some} of its {all_} fixes are not of {first_day} to {last_day}"
        for some, all_ in zip(apart["fixes"], of, strict=True)
    ]
    return fixes.loc[~beyond], apart
