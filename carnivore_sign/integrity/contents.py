"""Integrity: the rows - their values, their names, their shapes and their times."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.integrity.faults import Finding, named
from carnivore_sign.integrity.shapes import read_shapes
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.encoding import column_from_sql, quoted
from carnivore_sign.records.layout import columns_there
from carnivore_sign.records.schema import Table
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.records.ties import SEPARATOR
from carnivore_sign.records.vocabularies import FIX_FLAGS
from carnivore_sign.space import STORED_CRS

#: Rows that are held in memory at a time.
CHUNK: Final = 200_000

#: Beginnings and ends that stand in one row.
_ORDERED: Final = (
    ("logs", "start", "end"),
    ("sign", "age_min_h", "age_max_h"),
    ("incidents", "last_seen_well", "found"),
)


def find_in_tables(
    connection: sqlite3.Connection, tables: Mapping[str, int], *, show_progress: bool = False
) -> list[Finding]:
    """Find values, names, shapes and times that no import leaves behind.

    Parameters
    ----------
    connection : sqlite3.Connection
        The season file.
    tables : mapping of str to int
        Tables there, and how many rows each has.
    show_progress : bool
        Draw a bar on standard error.
    """
    found: list[Finding] = []
    for name in with_progress(tables, "checking", show=show_progress):
        table = SEASON_TABLES[name]
        faults = [_faults_of(chunk, table) for chunk in _chunks(connection, table)]
        found += _together(faults, table)
        found += _repeated_keys(connection, table)
    for name, first, last in _ORDERED:
        found += _reversed(connection, SEASON_TABLES[name], first, last) if name in tables else []
    return found + (_unknown_flags(connection) if "fixes" in tables else [])


def _chunks(connection: sqlite3.Connection, table: Table) -> Iterator[pd.DataFrame]:
    """Read a table some rows at a time; the index is the number of the row in the file."""
    there = columns_there(connection, table)
    names = [name for name in (*table.names, "geometry") if name in there]
    read = ", ".join(map(quoted, ("fid", *names)))
    rows = connection.execute(f"SELECT {read} FROM {quoted(table.name)} ORDER BY fid")
    while chunk := rows.fetchmany(CHUNK):
        fid, *columns = zip(*chunk, strict=True)
        frame = pd.DataFrame(index=pd.Index(fid, name="fid"))
        for name, column in zip(names, columns, strict=True):
            frame[name] = _values(table, name, column)
        yield frame


def _values(table: Table, name: str, column: tuple[Any, ...]) -> Any:  # an array of the kind
    """Turn a column into its kind; as it stands, if it holds anything that has no place there."""
    if name != "geometry":
        try:
            return column_from_sql(column, table[name].kind).array
        except (ValueError, TypeError, OverflowError):
            pass
    values = np.empty(len(column), dtype=object)
    values[:] = column
    return values


def _faults_of(chunk: pd.DataFrame, table: Table) -> pd.DataFrame:
    """List the faults of some rows: ``row``, ``column``, ``reason``, ``fault``."""
    frame, found = chunk, []
    if table.geometry and "geometry" in chunk:
        read = read_shapes(tuple(chunk["geometry"]))
        shapes = gpd.GeoSeries(read.shapes, index=chunk.index, crs=STORED_CRS)
        frame = gpd.GeoDataFrame(chunk.drop(columns="geometry"), geometry=shapes)
        frame = frame[~read.unreadable]
        found = [
            pd.DataFrame({"row": chunk.index[wrong], "column": "geometry", "fault": fault})
            for fault, wrong in (
                ("unreadable_shape", read.unreadable),
                ("other_reference", read.elsewhere),
                ("invalid_shape", read.crossing),
            )
        ]
    of_schema = find_faults(frame, table).assign(fault="breaks_schema")
    # Two rows of one name are looked for in the whole table, and not within some rows of it.
    of_schema = of_schema[of_schema["column"].isin([*table.names, "geometry"])]
    return pd.concat([*found, of_schema], ignore_index=True)


def _together(faults: list[pd.DataFrame], table: Table) -> list[Finding]:
    """Make one finding of each kind of fault in each column."""
    if not faults:
        return []
    kinds = pd.concat(faults).reindex(columns=["row", "column", "reason", "fault"])
    groups = kinds.fillna({"reason": ""}).groupby(["fault", "column", "reason"], sort=False)
    told = {
        "unreadable_shape": "the position cannot be read",
        "other_reference": "the position states another reference system than the layer",
        "invalid_shape": "the shape crosses itself",
    }
    return [
        Finding(
            fault,
            table.name,
            told.get(fault, reason),
            column,
            len(rows),
            named("row", rows["row"].tolist()),
        )
        for (fault, column, reason), rows in groups
    ]


def _repeated_keys(connection: sqlite3.Connection, table: Table) -> list[Finding]:
    """Find names that several rows have; the file may have lost the rule that forbids it."""
    if not set(table.key) <= columns_there(connection, table) or not table.key:
        return []
    key = ", ".join(map(quoted, table.key))
    there = " AND ".join(f"{quoted(name)} IS NOT NULL" for name in table.key)
    rows = connection.execute(
        f"SELECT {key} FROM {quoted(table.name)} WHERE {there} GROUP BY {key} HAVING count(*) > 1"
    ).fetchall()
    if not rows:
        return []
    names = [" ".join(map(str, row)) for row in rows]
    told = "several rows have one name"
    return [
        Finding("repeated_key", table.name, told, "+".join(table.key), len(rows), named("", names))
    ]


def _reversed(connection: sqlite3.Connection, table: Table, first: str, last: str) -> list[Finding]:
    if not {first, last} <= columns_there(connection, table):
        return []
    rows = connection.execute(
        f"SELECT fid FROM {quoted(table.name)} WHERE {quoted(first)} > {quoted(last)} ORDER BY fid"
    ).fetchall()
    if not rows:
        return []
    where = named("row", [fid for (fid,) in rows])
    told = f"'{first}' is after '{last}'"
    return [Finding("times_reversed", table.name, told, first, len(rows), where)]


def _unknown_flags(connection: sqlite3.Connection) -> list[Finding]:
    """Find flags that are none; there are few different cells, and each is looked at once."""
    cells = connection.execute(
        "SELECT flags, count(*), min(fid) FROM fixes WHERE flags IS NOT NULL AND flags <> '' "
        "GROUP BY flags"
    ).fetchall()
    strange = [
        (count, first, flag)
        for cell, count, first in cells
        for flag in str(cell).split(SEPARATOR)
        if flag.strip() not in FIX_FLAGS
    ]
    return [
        Finding(
            "unknown_flag", "fixes", f"'{flag}' is no flag", "flags", count, f"first row {first}"
        )
        for count, first, flag in strange
    ]
