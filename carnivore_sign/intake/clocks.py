"""Clocks: times as devices and people write them, turned into UTC.

A time with a zone or an offset is taken at its word. A time without one is read in the zone
that is stated, or refused. What a zone cannot decide is told: an hour that the clocks went
through twice is read as the first, an hour that they skipped is a fault.
"""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.intake.dates import join_moment
from carnivore_sign.records.check import TIME

_ISO: Final = (
    r"^(?P<day>\d{4}-\d\d-\d\d)(?:[Tt ]\s*(?P<clock>\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?))?"
    r"\s*(?P<zone>[zZ]|[+-]\d\d(?::?\d\d)?)?$"
)
_PLAIN_DAY: Final = r"\d{4}-\d\d-\d\d"
_PLAIN_CLOCK: Final = r"\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?"
_REMEDY: Final = "write it as 2026-02-14T07:40:00Z"
NO_ZONE: Final = "a time without a zone: state the time zone, such as America/Denver"


def require_zone(time_zone: str | None) -> str | None:
    """Return `time_zone` if it is an IANA name or None; raise `InputError` otherwise."""
    if time_zone is None:
        return None
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f"'{time_zone}' is not a time zone",
            remedy="Use an IANA name such as America/Denver or UTC.",
        ) from error
    return time_zone


def times_from_text(
    text: pd.Series, *, time_zone: str | None = None
) -> tuple[pd.Series, pd.Series, tuple[str, ...]]:
    """Read times written in ISO 8601, with date and time of day.

    Parameters
    ----------
    text : Series of str
        One time per row; missing and blank stay missing.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it they are faults.

    Returns
    -------
    times : Series
        UTC, rounded to milliseconds, with the index of `text`.
    faults : Series of str
        Why a row could not be read; only the faulty rows.
    notes : tuple of str
        What was assumed.

    Examples
    --------
    >>> times, faults, notes = times_from_text(
    ...     pd.Series(["2026-02-14T07:40:00-08:00", "2026-02-14 07:40"]),
    ...     time_zone="America/Los_Angeles",
    ... )
    >>> [str(time) for time in times]
    ['2026-02-14 15:40:00+00:00', '2026-02-14 15:40:00+00:00']
    """
    words = text.astype("object").where(text.notna(), "").astype(str).str.strip()
    present = words.ne("")
    parts = words.str.extract(_ISO)
    has_clock = parts["clock"].notna()
    zoned = parts["zone"].notna()
    faults = pd.Series(pd.NA, index=text.index, dtype="object")
    faults[present & parts["day"].isna()] = f"not a time: {_REMEDY}"
    faults[present & parts["day"].notna() & ~has_clock] = f"a date without time of day: {_REMEDY}"

    times = pd.Series(pd.NaT, index=text.index, dtype=TIME)
    sure = present & has_clock & zoned
    times[sure] = _parsed(words[sure].str.replace(r"\s", "T", n=1, regex=True), utc=True)
    notes: list[str] = []
    local = present & has_clock & ~zoned
    if time_zone is None:
        faults[local] = NO_ZONE
    elif local.any():
        read, why, notes = _local_times(parts.loc[local], time_zone)
        times[local] = read
        faults[why.index] = why
    unread = present & times.isna() & faults.isna()
    faults[unread] = f"no such date or time of day: {_REMEDY}"
    times = times.where(faults.isna())
    return times, faults.dropna().astype(str), tuple(notes)


def in_hour_twice(text: pd.Series, time_zone: str | None) -> npt.NDArray[np.bool_]:
    """Tell which times without a zone fall in an hour that its clocks went through twice.

    Examples
    --------
    >>> in_hour_twice(pd.Series(["2026-11-01T01:30:00", "2026-11-01T01:30:00Z"]),
    ...               "America/Denver").tolist()
    [True, False]
    """
    found = np.zeros(len(text), dtype=bool)
    if time_zone is None:
        return found
    parts = text.astype("object").where(text.notna(), "").astype(str).str.strip().str.extract(_ISO)
    local = (parts["clock"].notna() & parts["zone"].isna()).to_numpy()
    if local.any():
        naive = _parsed(parts.loc[local, "day"] + "T" + parts.loc[local, "clock"], utc=False)
        first, second = (
            naive.dt.tz_localize(
                time_zone, ambiguous=np.full(len(naive), summer), nonexistent="NaT"
            )
            for summer in (True, False)
        )
        found[local] = (first.notna() & (first != second)).to_numpy()
    return found


def day_and_clock(day: pd.Series, clock: pd.Series) -> pd.Series:
    """Join a column of dates and one of times of day into ISO 8601 text.

    Either cell may hold both; see `carnivore_sign.intake.dates.join_moment` for the ways of
    writing that are known. What does not fit is joined as it came, and fails where it is read.
    """
    clock = clock.fillna("").str.strip()
    day = day.fillna("").str.strip()
    whole = clock.str.match(_ISO)
    plain = day.str.fullmatch(_PLAIN_DAY) & clock.str.fullmatch(_PLAIN_CLOCK)
    joined = clock.where(~plain, day + "T" + clock)
    other = ~(whole | plain)
    if other.any():
        pairs = list(zip(day[other], clock[other], strict=True))
        known = {pair: join_moment(*pair) for pair in dict.fromkeys(pairs)}
        joined[other] = [known[pair] for pair in pairs]
    return joined


def _parsed(words: pd.Series, *, utc: bool) -> pd.Series:
    clean = words.str.replace(",", ".", regex=False).str.upper()
    read = pd.to_datetime(clean, format="ISO8601", utc=utc, errors="coerce")
    return read.dt.round("ms")


def _local_times(parts: pd.DataFrame, time_zone: str) -> tuple[pd.Series, pd.Series, list[str]]:
    naive = _parsed(parts["day"] + "T" + parts["clock"], utc=False)
    first = naive.dt.tz_localize(
        time_zone, ambiguous=np.ones(len(naive), dtype=bool), nonexistent="NaT"
    )
    second = naive.dt.tz_localize(
        time_zone, ambiguous=np.zeros(len(naive), dtype=bool), nonexistent="NaT"
    )
    skipped = naive.notna() & first.isna()
    why = pd.Series("not a time of day there: the clocks went forward over it", index=naive.index)
    times = (
        "1 time without a zone was"
        if len(naive) == 1
        else f"{len(naive)} times without a zone were"
    )
    notes = [f"{times} read as {time_zone}"]
    twice = int((first.notna() & (first != second)).sum())
    if twice:
        notes.append(
            f"{twice} times fall in the hour that the clocks of {time_zone} went through twice; "
            "the first was taken"
        )
    return first.dt.tz_convert("UTC").astype(TIME), why[skipped], notes
