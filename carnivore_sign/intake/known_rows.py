"""Known rows: rows of a file that the season holds already, word for word or by their name.

A table that was mended and is imported once more holds mostly rows that are in the season.
Those are recognised and not added again. A row of the same name that says something else is
set aside: the season keeps what it has, for what was computed from it rests on that.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
import shapely

from carnivore_sign.intake.reading import Reading, csv_line, join_set_aside, rows_set_aside
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES, Table

#: Columns that say where a row came from, and not what it says.
_SOURCE = ("receipt", "source_row")
_SHOWN = 3
_REMEDY = (
    "if this is another one, give it another name and read the row again (carnivore-sign "
    "set-aside); a row that the season holds is not changed: to correct that one, import the "
    "corrected files into a new season"
)


def split_known(season: Season, reading: Reading, name: str) -> tuple[Reading, pd.DataFrame, int]:
    """Part the rows of one table into those that are new and those that the season has.

    Parameters
    ----------
    season : Season
        The season.
    reading : Reading
        What a file gave.
    name : str
        The table.

    Returns
    -------
    reading : Reading
        Without the rows that have a name of the season and other content; they are set aside.
    fresh : DataFrame
        The rows to add.
    known : int
        How many of the rows kept the season has, every cell the same.
    """
    table = SEASON_TABLES[name]
    frame = reading.tables[name]
    held = season.read(name) if len(frame) else frame
    if not len(held) or not len(frame):
        return reading, frame, 0
    contents = _by_content(held)
    same = pd.Series([row in contents for row in _rows(frame)], index=frame.index, dtype=bool)
    named = _named(frame, held, table) & ~same
    if named.any():
        aside = _set_aside(reading.receipt, table, frame.loc[named], held)
        kept = frame.loc[~named].reset_index(drop=True)
        reading = replace(
            reading,
            tables={**reading.tables, name: kept},
            set_aside=join_set_aside([reading.set_aside, aside]),
        )
    return reading, frame.loc[~named & ~same].reset_index(drop=True), int(same.sum())


def _named(frame: pd.DataFrame, held: pd.DataFrame, table: Table) -> pd.Series:
    """Tell which rows have a name that the season holds."""
    if not table.key:
        return pd.Series(False, index=frame.index, dtype=bool)
    keys = list(table.key)
    there = pd.MultiIndex.from_frame(held[keys].astype("object"))
    again = pd.MultiIndex.from_frame(frame[keys].astype("object")).isin(there)
    return pd.Series(again, index=frame.index, dtype=bool)


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return what rows say, shapes as WKB, nothing as None."""
    words = pd.DataFrame(frame).drop(columns=[*_SOURCE, "geometry"], errors="ignore")
    if "geometry" in frame:
        words["geometry"] = pd.Series(shapely.to_wkb(frame.geometry.to_numpy()), index=frame.index)
    return words.astype("object").where(words.notna(), None)


def _rows(frame: pd.DataFrame) -> list[tuple[Any, ...]]:
    return list(_plain(frame).itertuples(index=False, name=None))


def _by_content(held: pd.DataFrame) -> set[tuple[Any, ...]]:
    return set(_rows(held))


def _set_aside(
    receipt: str, table: Table, doubled: pd.DataFrame, held: pd.DataFrame
) -> pd.DataFrame:
    """Return rows whose name the season has, each with what it says otherwise."""
    keys = list(table.key)
    there = _plain(held).drop_duplicates(keys).set_index(keys, drop=False)
    reasons = []
    for row in _plain(doubled).to_dict("records"):
        names = tuple(row[key] for key in keys)
        other = there.loc[names if len(keys) > 1 else names[0]]
        told = ", ".join(f"{key} {value}" for key, value in zip(keys, names, strict=True))
        reasons.append(
            f"{told}: the season has one of that name that says otherwise "
            f"({_differences(row, other)}); {_REMEDY}"
        )
    heading, contents = _written(doubled)
    return rows_set_aside(
        receipt,
        table.name,
        rows=doubled["source_row"].tolist(),
        reasons=reasons,
        contents=contents,
        heading=heading,
    )


def _differences(row: dict[Any, Any], other: pd.Series) -> str:
    columns = [column for column, value in row.items() if value != other[column]]
    told = [
        "another place"
        if column == "geometry"
        else f"{column} {_shown(other[column])} there, {_shown(row[column])} here"
        for column in columns[:_SHOWN]
    ]
    more = [f"and {len(columns) - _SHOWN} more columns"] if len(columns) > _SHOWN else []
    return "; ".join(told + more)


def _shown(value: object) -> str:
    if value is None:
        return "nothing"
    return f"{value:%Y-%m-%d %H:%M} UTC" if isinstance(value, pd.Timestamp) else f"{value}"[:60]


def _written(frame: pd.DataFrame) -> tuple[str, list[str]]:
    """Write rows of the record out as a table that can be read again: its heading, its lines."""
    words = pd.DataFrame(frame).drop(columns=[*_SOURCE, "geometry"], errors="ignore")
    for name in words.select_dtypes("datetimetz"):
        words[name] = words[name].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    if "geometry" in frame and frame.geometry.geom_type.dropna().eq("Point").all():
        words["lat"], words["lon"] = frame.geometry.y, frame.geometry.x
    elif "geometry" in frame:
        words["geometry"] = shapely.to_wkt(frame.geometry.to_numpy(), rounding_precision=7)
    words = words.astype("object").where(words.notna(), "")
    return csv_line(list(words)), [csv_line(row) for row in words.to_numpy().tolist()]
