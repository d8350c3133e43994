"""Integrity: the ties between tables, and the times of logs held against those of their fixes."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

import pandas as pd

from carnivore_sign.integrity.faults import Finding, named
from carnivore_sign.records.encoding import quoted
from carnivore_sign.records.layout import columns_there
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.records.ties import SEPARATOR, TIES, Tie


def find_in_ties(connection: sqlite3.Connection, tables: Mapping[str, int]) -> list[Finding]:
    """Find rows that name one that is not there, and logs whose times are not their fixes'."""
    found = [
        finding
        for tie in TIES
        if tie.table in tables and tie.to_table in tables
        for finding in _untied(connection, tie)
    ]
    return found + (_log_times(connection) if {"logs", "fixes"} <= set(tables) else [])


def _untied(connection: sqlite3.Connection, tie: Tie) -> list[Finding]:
    if tie.column not in columns_there(connection, SEASON_TABLES[tie.table]):
        return []
    cells = _words(connection, tie.table, tie.column)
    if tie.joined:
        cells = cells.str.split(SEPARATOR).explode()
    cells = cells.str.strip()
    there = _words(connection, tie.to_table, tie.to_column).str.strip()
    sought = cells.str.casefold() if tie.any_case else cells
    there = there.str.casefold() if tie.any_case else there
    gone = cells[~sought.isin([*there, *tie.besides, ""])]
    if gone.empty:
        return []
    fault = "torn_tie" if tie.one_import else "loose_tie"
    names = gone.drop_duplicates().tolist()
    told = f"{named(f'{tie.to_column}', names)} is not in table '{tie.to_table}'"
    where = _where(connection, tie.table, gone.index.drop_duplicates().tolist())
    return [Finding(fault, tie.table, told, tie.column, len(gone), where)]


def _where(connection: sqlite3.Connection, table: str, fids: list[int]) -> str:
    """Name rows by the file and the row of it that brought them; by their number without those."""
    there = columns_there(connection, SEASON_TABLES[table])
    books = columns_there(connection, SEASON_TABLES["receipts"])
    if not ({"receipt", "source_row"} <= there and {"receipt", "file"} <= books):
        return named("row", fids)
    rows = pd.read_sql_query(
        f"SELECT rows.fid, source_row, min(file) AS file FROM {quoted(table)} AS rows "
        "JOIN receipts ON receipts.receipt = rows.receipt "
        "WHERE source_row IS NOT NULL GROUP BY rows.fid",
        connection,
        index_col="fid",
    )
    rows = rows[rows.index.isin(fids)]
    if len(rows) < len(fids):
        return named("row", fids)
    return "; ".join(
        f"{file}, {named('row', some.sort_values().tolist())}"
        for file, some in rows.groupby("file", sort=True)["source_row"]
    )


def _words(connection: sqlite3.Connection, table: str, column: str) -> pd.Series:
    """Return the different words of a column, each with the number of its first row."""
    rows = connection.execute(
        f"SELECT min(fid), {quoted(column)} FROM {quoted(table)} "
        f"WHERE {quoted(column)} IS NOT NULL GROUP BY {quoted(column)}"
    ).fetchall()
    return pd.Series([str(word) for _, word in rows], index=[fid for fid, _ in rows], dtype="str")


def _log_times(connection: sqlite3.Connection) -> list[Finding]:
    """Find logs that begin after their first fix or end before their last one.

    Fixes that an earlier download brought are not repeated, so that a log may be longer than
    the fixes that bear its name. Fixes that were set aside and corrected later came by a receipt
    of their own, and may lie outside the time that the log had without them.
    """
    rows = connection.execute(
        "SELECT logs.log FROM logs JOIN (SELECT log, receipt, min(time) AS first, "
        "max(time) AS last FROM fixes WHERE time IS NOT NULL GROUP BY log, receipt) AS of_fixes "
        "ON of_fixes.log = logs.log AND of_fixes.receipt = logs.receipt "
        "WHERE of_fixes.first < logs.start OR of_fixes.last > logs.end"
    ).fetchall()
    if not rows:
        return []
    where = named("log", [name for (name,) in rows])
    told = "fixes are outside the time of their log"
    return [Finding("log_times_differ", "logs", told, "start", len(rows), where)]
