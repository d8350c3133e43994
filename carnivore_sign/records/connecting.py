"""Connecting: the season file as a database - one transaction a change, its troubles in words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Final

from carnivore_sign.errors import SeasonBusy, SeasonError

_BUSY_SECONDS: Final = 30.0
#: Words of SQLite for what is wrong with a file or its disk, and what to do about it.
_TROUBLE: Final = {
    "readonly": "it may not be written to. Give yourself the right to write to the file and its "
    "folder, or work on a copy.",
    "unable to open": "it cannot be opened. Look at the rights of file and folder.",
    "disk I/O": "the disk failed while it was written. Look whether the disk or card is connected "
    "and whole. Nothing was written.",
    "full": "the disk is full. Nothing was written; the season is whole.",
}


def connect(path: Path) -> sqlite3.Connection:
    """Connect with what SQLite does by itself: a rollback journal, synchronous=FULL.

    A process that is killed, or a computer that loses power, in the middle of a change leaves a
    journal beside the file, and whoever opens the season next rolls back to what it was.
    Neither WAL (a season would be three files, and could be copied in part) nor a weaker
    ``synchronous`` (a lost write after a power cut) is used; what they would gain is gained by
    putting many rows into one transaction.
    """
    return sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None)


@contextmanager
def transaction(path: Path) -> Iterator[sqlite3.Connection]:
    """Change a season file: all that is done within, or nothing of it; other writers wait."""
    with closing(connect(path)) as connection:
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.DatabaseError as error:
            raise as_season_error(path, error) from error
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException as error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            if isinstance(error, sqlite3.DatabaseError):
                raise as_season_error(path, error) from error
            raise


def as_season_error(path: Path, error: sqlite3.DatabaseError) -> SeasonError:
    """Say what an error of SQLite means to the user."""
    if isinstance(error, sqlite3.IntegrityError):
        return SeasonError(
            f"{path}: a name or a receipt to be written is in the season already ({error}); did "
            "another process import the same file at this moment? Nothing was written. Import "
            "once more: what is there is recognised."
        )
    told = str(error)
    if "locked" in told or "busy" in told:
        return SeasonBusy(
            f"{path}: another process has it open for writing - an import, or a GIS in its "
            "editing mode. Try again when it is done."
        )
    why = next((why for word, why in _TROUBLE.items() if word in told), None)
    if why is not None:
        return SeasonError(f"{path}: {why}")
    return SeasonError(
        f"{path}: this is not a season file ({error}). The season comes first on the command "
        "line and ends in .gpkg; 'carnivore-sign intake SEASON --zone ZONE FILE ...' makes one."
    )
