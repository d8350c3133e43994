"""Integrity: the file - its pages, its tables and columns, and what it says of its layers."""

from __future__ import annotations

import sqlite3

from carnivore_sign.integrity.faults import Finding
from carnivore_sign.records.layout import columns_there
from carnivore_sign.records.tables import SEASON_TABLES


def tables_there(connection: sqlite3.Connection) -> list[str]:
    """Return the tables of a season that the file has."""
    listed = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    names = {name for (name,) in listed}
    return [name for name in SEASON_TABLES if name in names]


def find_in_file(connection: sqlite3.Connection) -> list[Finding]:
    """Find damaged pages, tables and columns that are gone, and layers that are not listed."""
    return [*_pages(connection), *_tables(connection), *_layers(connection)]


def _pages(connection: sqlite3.Connection) -> list[Finding]:
    """Ask SQLite whether every page and index of the file is whole."""
    said = [word for (word,) in connection.execute("PRAGMA integrity_check")]
    if said == ["ok"]:
        return []
    return [Finding("damaged_file", "", f"SQLite finds the file damaged: {said[0]}", "", len(said))]


def _tables(connection: sqlite3.Connection) -> list[Finding]:
    """Find what is gone. A column that need not be filled may be younger than the file."""
    there = tables_there(connection)
    found = [
        Finding("missing_table", name, f"table '{name}' is not in the file")
        for name in SEASON_TABLES
        if name not in there
    ]
    for name in there:
        table = SEASON_TABLES[name]
        needed = [column.name for column in table.columns if column.required]
        needed += ["geometry"] if table.geometry else []
        gone = [column for column in needed if column not in columns_there(connection, table)]
        found += [
            Finding("missing_column", name, f"column '{column}' is not in the file", column)
            for column in gone
        ]
    return found


def _layers(connection: sqlite3.Connection) -> list[Finding]:
    """Find tables that the GeoPackage does not list (OGC GeoPackage 1.3, tables of contents)."""
    listed = {name for (name,) in connection.execute("SELECT table_name FROM gpkg_contents")}
    shaped = {
        name for (name,) in connection.execute("SELECT table_name FROM gpkg_geometry_columns")
    }
    return [
        Finding("unlisted_layer", name, f"the GeoPackage does not list '{name}' as it must")
        for name in tables_there(connection)
        if name not in listed or (SEASON_TABLES[name].geometry and name not in shaped)
    ]
