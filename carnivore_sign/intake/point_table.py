"""Point table: fixes and waypoints from a table of positions, as loggers and spreadsheets write.

A row with a name is a waypoint, and one without is a fix, all in one segment. Places may be
written in any way that ``positions.py`` reads, with the hemisphere in columns of their own as
well. A number that is no height, HDOP or accuracy is left out and told; a place or a time that
cannot be read sets its row aside.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Final

import pandas as pd

from carnivore_sign.intake.cells import numbers_from_text
from carnivore_sign.intake.columns import POINT_COLUMNS
from carnivore_sign.intake.dates import six_digit_days
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.positions import COLUMNS as PLACE_COLUMNS
from carnivore_sign.intake.positions import positions_from_columns
from carnivore_sign.intake.reading import Reading, csv_line
from carnivore_sign.intake.sheets import read_grid
from carnivore_sign.intake.source import Source
from carnivore_sign.intake.tables import Cells, lay_out
from carnivore_sign.units import lengths_from_text

_SLASHED: Final = r"^(\d{4})/(\d\d?)/(\d\d?)"


def read_point_table(
    source: Source, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
    """Read a table of positions as a log.

    Parameters
    ----------
    source : Source
        The file: CSV with any separator, or a workbook.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such rows are set aside.
    observer : str, optional
        Who carried the device.

    Returns
    -------
    Reading
        Tables as a log has them. ``source_row`` is the row of the spreadsheet, header 1.

    Raises
    ------
    FileUnreadable
        If there are no rows.
    """
    grid = read_grid(source, kind="points")
    cells, extra = lay_out(grid, POINT_COLUMNS, time_zone)
    frame = _points(cells)
    notes = [*grid.notes, *dict.fromkeys(cells.notes)]
    if len(extra.columns):
        notes.append("columns not kept: " + ", ".join(extra.columns))
    frame["source_row"] = grid.numbers
    frame["content"] = [csv_line(row, grid.separator) for row in grid.rows]
    faults = cells.faults().groupby("row")["reason"].agg("; ".join)
    frame["fault"] = faults.reindex(frame.index).astype("object")
    named = frame["name"].notna()
    points = {"waypoints": frame.loc[named], "fixes": frame.loc[~named].drop(columns="name")}
    any_fix = int((~named).any())
    return log_reading(
        source,
        "points",
        points=points,
        head=LogHead(observer=observer, tracks=any_fix, parts=any_fix),
        notes=notes,
        heading=csv_line(grid.header, grid.separator),
    )


def _points(cells: Cells) -> pd.DataFrame:
    columns = {name: cells.text(name) for name in PLACE_COLUMNS}
    for name, letter in (("lat", "lat_letter"), ("lon", "lon_letter")):
        columns[name] = (columns[name] + " " + cells.text(letter)).str.strip()
    places = positions_from_columns(columns)
    cells.notes += places.notes
    blank = places.lon.isna() & ~places.lon.index.isin(places.faults.index)
    cells.require(blank, "no position")
    cells.found.append(
        pd.DataFrame({"row": places.faults.index, "reason": places.faults.to_numpy()})
    )
    day = cells.text("date").str.replace(_SLASHED, _dashed, regex=True)
    today = datetime.now(UTC).date() + timedelta(days=1)
    day, told = six_digit_days(day, latest=today)
    cells.notes += told
    clock = _from_epoch(cells.text("time").str.replace(_SLASHED, _dashed, regex=True))
    return pd.DataFrame(
        {
            "lon": places.lon,
            "lat": places.lat,
            "time": cells.moments("time", day, clock),
            "elevation_m": _measure(cells, "elevation", unit="m"),
            "hdop": _measure(cells, "hdop"),
            "accuracy_m": _measure(cells, "accuracy", unit="m"),
            "name": cells.words("name"),
            "comment": cells.words("comment"),
            "symbol": cells.words("symbol"),
        }
    )


def _dashed(match: re.Match[str]) -> str:
    year, month, day = match.groups()
    return f"{year}-{month:0>2}-{day:0>2}"


def _from_epoch(clock: pd.Series) -> pd.Series:
    """Write seconds (10 digits) and milliseconds (13 digits) since 1970 UTC as ISO 8601."""
    digits = clock.str.extract(r"^(\d{10})(\d{3})?$")
    counted = digits[0].notna()
    if not counted.any():
        return clock
    total = (digits.loc[counted, 0] + digits.loc[counted, 1].fillna("000")).astype("int64")
    written = pd.to_datetime(total, unit="ms").dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    return clock.where(~counted, written.reindex(clock.index))


def _measure(cells: Cells, name: str, *, unit: str | None = None) -> pd.Series:
    """Read a column of numbers or lengths; what is none is left out and told."""
    text = cells.text(name)
    if text.eq("").all():
        return pd.Series(float("nan"), index=text.index)
    if unit is None:
        values, faults = numbers_from_text(text)
    else:
        stated = cells.units.get(name, unit)
        below = text.str.startswith("-")
        values, faults = lengths_from_text(text.str.lstrip("-"), to=unit, default_unit=stated)
        values = values.where(~below, -values)
    if len(faults):
        first = text.loc[faults.index[0]]
        cells.notes.append(f"{name} left out where it is no number ({len(faults)}: {first:.60})")
    return values
