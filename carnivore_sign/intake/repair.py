"""Repair: what can be put right in a reading, by call and never by itself."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from carnivore_sign.intake.flags import flag_fixes
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.rollover import later_times

#: Tables whose times a receiver wrote.
_TIMED = ("fixes", "waypoints", "route_points")
#: Flags that only the reader of the file could tell, and that stay.
_STAY = ("unknown_datum", "hour_twice")


def repair_rollover(reading: Reading, *, now: pd.Timestamp | None = None) -> Reading:
    """Put dates that an old receiver wrote 1024 weeks early 1024 weeks later.

    Only you can know that the receiver was such a one: a log really made before 2007 has dates
    that look the same. Nothing in the library calls this unless it is asked to.

    Parameters
    ----------
    reading : Reading
        A log.
    now : Timestamp, optional
        UTC; dates that would come to lie behind it are left. The time of the call, unless
        given.

    Returns
    -------
    Reading
        With the times of fixes, waypoints and route points repaired, the fixes flagged anew,
        and a note for the receipt. The same reading if there is no such date.

    Notes
    -----
    Source: US Naval Observatory, notes on the GPS week number rollover.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from carnivore_sign.intake import read_log
    >>> log = Path(tempfile.mkdtemp()) / "walk.gpx"
    >>> _ = log.write_text(
    ...     '<gpx><trk><trkseg><trkpt lat="37.4" lon="-119.2">'
    ...     "<time>2005-07-01T15:40:00Z</time></trkpt></trkseg></trk></gpx>"
    ... )
    >>> reading = read_log(log)
    >>> reading.tables["fixes"]["flags"].item()
    'week_rollover'
    >>> repair_rollover(reading).tables["fixes"]["time"].item().date()
    datetime.date(2025, 2, 14)
    """
    tables = dict(reading.tables)
    repaired = 0
    for name in _TIMED:
        if name not in tables or not len(tables[name]):
            continue
        frame = tables[name]
        times = later_times(frame["time"], now=now).astype(frame["time"].dtype)
        changed = times.ne(frame["time"]) & frame["time"].notna()
        repaired += int(changed.sum())
        tables[name] = frame.assign(time=times)
    if not repaired:
        return reading
    fixes = tables["fixes"]
    if len(fixes):
        told = {
            flag: fixes["flags"].str.split(";").map(lambda some, flag=flag: flag in some, "ignore")
            for flag in _STAY
        }
        tables["fixes"] = fixes.assign(flags=flag_fixes(fixes.assign(**told), now=now))
        tables["logs"] = (
            tables["logs"]
            .assign(start=fixes["time"].min(), end=fixes["time"].max())
            .astype({"start": fixes["time"].dtype, "end": fixes["time"].dtype})
        )
    note = f"{repaired} dates were put 1024 weeks later, as was asked (week number rollover)"
    kept = tuple(one for one in reading.notes if "1024 weeks early" not in one)
    return replace(reading, tables=tables, notes=(*kept, note))
