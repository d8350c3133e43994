"""Integrity: the whole check of a season file, from the bytes of the file to its ties."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from carnivore_sign.errors import SeasonMissing
from carnivore_sign.integrity.contents import find_in_tables
from carnivore_sign.integrity.faults import Finding, SeasonCheck, as_table
from carnivore_sign.integrity.files import find_in_file, tables_there
from carnivore_sign.integrity.inputs import find_in_inputs
from carnivore_sign.integrity.receipts import find_in_receipts
from carnivore_sign.integrity.ties import find_in_ties
from carnivore_sign.records.encoding import quoted


def check_season(
    path: str | Path, *, inputs: Iterable[str | Path] = (), show_progress: bool = False
) -> SeasonCheck:
    """Hold a season file against its receipts, its schema and itself; change nothing.

    Parameters
    ----------
    path : path-like
        The season file, whole or damaged.
    inputs : iterable of path-like
        Folders (with what lies below them) or files that the season was made from; what is
        found there is held against the hashes of the receipts.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    SeasonCheck
        Rows checked and faults found.

    Raises
    ------
    SeasonMissing
        If there is no such file.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from carnivore_sign import create_season
    >>> with TemporaryDirectory() as folder:
    ...     season = create_season(f"{folder}/s.gpkg", name="Spring", time_zone="UTC")
    ...     check_season(season.path).sound
    True
    """
    path = Path(path)
    if not path.is_file():
        raise SeasonMissing(f"{path}: there is no such season.")
    # Not read-only: what a killed import left behind is rolled back by whoever opens it first.
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        try:
            findings = find_in_file(connection)
            rows = _row_counts(connection)
            if rows:
                findings += find_in_tables(connection, rows, show_progress=show_progress)
                findings += find_in_receipts(connection, rows)
                findings += find_in_ties(connection, rows)
        except sqlite3.DatabaseError as error:
            return _unreadable(path, error)
        found, looked = find_in_inputs(connection, inputs) if rows else ([], 0)
    return SeasonCheck(path, rows, as_table(findings + found), looked)


def _row_counts(connection: sqlite3.Connection) -> dict[str, int]:
    count = "SELECT count(*) FROM {}"
    return {
        name: connection.execute(count.format(quoted(name))).fetchone()[0]
        for name in tables_there(connection)
    }


def _unreadable(path: Path, error: sqlite3.DatabaseError) -> SeasonCheck:
    told = f"the file cannot be read as a season: {error}"
    return SeasonCheck(path, {}, as_table([Finding("damaged_file", "", told)]))
