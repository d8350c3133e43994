"""Integrity: the receipts, held against the rows that they account for."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Final

import pandas as pd

from carnivore_sign.integrity.faults import Finding, named
from carnivore_sign.records.encoding import quoted
from carnivore_sign.records.tables import SEASON_TABLES

#: Digits of the hash that name a receipt, as its column says.
_DIGITS: Final = 12
#: Tables that record of themselves what happened to others.
_BOOKS: Final = ("receipts", "set_aside", "settled")


def find_in_receipts(connection: sqlite3.Connection, tables: Mapping[str, int]) -> list[Finding]:
    """Find receipts whose sums, names or rows do not agree with what is there."""
    if "receipts" not in tables:
        return []
    receipts = pd.read_sql_query(
        "SELECT receipt, table_name, file, sha256, rows_in, rows_kept, rows_set_aside, "
        "coalesce(rows_known, 0) AS rows_known FROM receipts",
        connection,
    )
    found = [*_sums(receipts), *_names(receipts), *_kept(connection, tables, receipts)]
    if "set_aside" in tables:
        found += _aside(connection, receipts)
        found += _settled(connection) if "settled" in tables else []
    return found


def _sums(receipts: pd.DataFrame) -> list[Finding]:
    """Rows in are rows kept and rows set aside, in every receipt."""
    wrong = receipts[receipts["rows_in"] != receipts["rows_kept"] + receipts["rows_set_aside"]]
    told = "{0.file}: {0.rows_in} rows in, {0.rows_kept} kept, {0.rows_set_aside} set aside"
    return [
        Finding("sums_differ", "receipts", told.format(row), "rows_in", 1, f"receipt {row.receipt}")
        for row in wrong.itertuples()
    ]


def _names(receipts: pd.DataFrame) -> list[Finding]:
    wrong = receipts[
        receipts["receipt"].astype(str) != receipts["sha256"].astype(str).str[:_DIGITS]
    ]
    if wrong.empty:
        return []
    told = f"the name of a receipt is not the first {_DIGITS} digits of its hash"
    where = named("receipt", wrong["receipt"].tolist())
    return [Finding("receipt_misnamed", "receipts", told, "receipt", len(wrong), where)]


def _counted(connection: sqlite3.Connection, table: str) -> pd.Series:
    rows = connection.execute(
        f"SELECT receipt, count(*) FROM {quoted(table)} GROUP BY receipt"
    ).fetchall()
    return pd.Series(dict(rows), dtype="int64")


def _kept(
    connection: sqlite3.Connection, tables: Mapping[str, int], receipts: pd.DataFrame
) -> list[Finding]:
    """Each table has as many rows of each receipt as that says, and none without a receipt."""
    found = []
    for name in tables:
        if name in _BOOKS or "receipt" not in SEASON_TABLES[name].names:
            continue
        there = _counted(connection, name)
        of_table = receipts[receipts["table_name"] == name].set_index("receipt")
        said = of_table["rows_kept"] - of_table["rows_known"]
        found += _differences(name, said, there.reindex(said.index, fill_value=0), of_table["file"])
        found += _without_receipt(name, there[~there.index.isin(said.index)])
        found += _repeated(connection, name)
    return found


def _differences(name: str, said: pd.Series, there: pd.Series, files: pd.Series) -> list[Finding]:
    return [
        Finding(
            "rows_lost" if there[receipt] < said[receipt] else "rows_added",
            name,
            f"{files[receipt]}: {there[receipt]:,} rows are there, and its receipt says "
            f"{said[receipt]:,}",
            "receipt",
            abs(int(there[receipt] - said[receipt])),
            f"receipt {receipt}",
        )
        for receipt in said.index[said != there]
    ]


def _without_receipt(name: str, strange: pd.Series) -> list[Finding]:
    if strange.empty:
        return []
    told = f"{int(strange.sum()):,} rows are of no receipt"
    where = named("receipt", strange.index.tolist())
    return [Finding("no_receipt", name, told, "receipt", int(strange.sum()), where)]


def _repeated(connection: sqlite3.Connection, name: str) -> list[Finding]:
    """Find rows that stand for one row of one file; one row may trace several marks."""
    if SEASON_TABLES[name].key:
        return []
    rows = connection.execute(
        f"SELECT receipt, source_row FROM {quoted(name)} WHERE source_row IS NOT NULL "
        "GROUP BY receipt, source_row HAVING count(*) > 1"
    ).fetchall()
    if not rows:
        return []
    where = named("row", [f"{row} of receipt {receipt}" for receipt, row in rows])
    told = "one row of a file stands in the table twice"
    return [Finding("repeated_row", name, told, "source_row", len(rows), where)]


def _aside(connection: sqlite3.Connection, receipts: pd.DataFrame) -> list[Finding]:
    """Each row set aside is kept, and accounted for by its receipt."""
    said = receipts.groupby("receipt")["rows_set_aside"].sum()
    there = _counted(connection, "set_aside")
    files = receipts.drop_duplicates("receipt").set_index("receipt")["file"]
    found = _differences("set_aside", said, there.reindex(said.index, fill_value=0), files)
    return found + _without_receipt("set_aside", there[~there.index.isin(said.index)])


def _settled(connection: sqlite3.Connection) -> list[Finding]:
    rows = connection.execute(
        "SELECT set_aside_no FROM settled "
        "WHERE set_aside_no < 1 OR set_aside_no > (SELECT count(*) FROM set_aside)"
    ).fetchall()
    if not rows:
        return []
    where = named("number", [number for (number,) in rows])
    told = "rows are settled that were not set aside"
    return [Finding("settled_nothing", "settled", told, "set_aside_no", len(rows), where)]
