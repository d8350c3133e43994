"""Migration: a season that an older version of the library wrote is brought up to this one.

A version of the layout stands in the file. It goes up when an older library would read a newer
season wrongly: when it would pass over a table that the newer one counts on. Each step from one
version to the next is a function here; all steps are taken in one transaction, after a copy of
the file was laid beside it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final

from carnivore_sign.records.layout import SCHEMA_VERSION, add_missing_columns, version_of
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.writing import clear_database


def _add_tables_and_columns(connection: sqlite3.Connection) -> None:
    """From 1 to 2: outlines, carcasses, places of photos, settled rows and stated walks came.

    They were added one by one while they were new, so that some files of version 1 have some.
    """
    for table in SEASON_TABLES.values():
        add_missing_columns(connection, table)


#: What takes a season from a version to the next.
STEPS: Final[dict[int, Callable[[sqlite3.Connection], None]]] = {1: _add_tables_and_columns}


def migrate(connection: sqlite3.Connection, path: Path) -> Path | None:
    """Bring a season up to this version, within a transaction that the caller holds.

    Parameters
    ----------
    connection : sqlite3.Connection
        The season file, in a transaction that keeps other writers out.
    path : Path
        The season file.

    Returns
    -------
    Path or None
        The copy of the file as it was; None if there was nothing to do, as when another process
        was quicker.
    """
    version = version_of(connection)
    if version >= SCHEMA_VERSION:
        return None
    copy = _copy(path, version)
    for step in range(version, SCHEMA_VERSION):
        STEPS[step](connection)
    connection.execute(
        "UPDATE season SET value = ? WHERE key = 'schema_version'", (str(SCHEMA_VERSION),)
    )
    return copy


def _copy(path: Path, version: int) -> Path:
    """Lay a copy of the season beside it, whole or not at all, and never over another file."""
    copy, number = path.with_name(f"{path.stem}.version-{version}.gpkg"), 1
    while copy.exists():
        number += 1
        copy = path.with_name(f"{path.stem}.version-{version}-{number}.gpkg")
    fresh = copy.with_name(f".{copy.name}.new")
    clear_database(fresh)
    try:
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(fresh)) as target:
            source.backup(target)
        fresh.replace(copy)
    finally:
        clear_database(fresh)
    return copy
