"""Integrity: the files that were imported, where they are still at hand."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final

from carnivore_sign.errors import InputError
from carnivore_sign.integrity.faults import Finding

#: Files, and not the rows of them that were corrected by hand: those came from no file.
_IMPORTED: Final = (
    "SELECT DISTINCT file, sha256, receipt FROM receipts WHERE notes IS NULL OR receipt NOT IN "
    "(SELECT receipt FROM settled) OR notes NOT LIKE 'corrects rows %'"
)


def find_in_inputs(
    connection: sqlite3.Connection, inputs: Iterable[str | Path]
) -> tuple[list[Finding], int]:
    """Hold files against the hashes in the receipts.

    Returns
    -------
    findings : list of Finding
        Files that are other than they were, and files that are not there; nothing if no folder
        is given.
    looked : int
        Files that are as they were.
    """
    paths = [path for given in inputs for path in _files(Path(given))]
    if not paths:
        return [], 0
    hashes = {path: _sha256(path) for path in paths}
    known, names = set(hashes.values()), {path.name for path in paths}
    imported = connection.execute(_IMPORTED).fetchall()
    found = [
        Finding(*_gone(file, changed=file in names), "", 1, f"receipt {receipt}")
        for file, sha256, receipt in imported
        if sha256 not in known
    ]
    return found, len(imported) - len(found)


def _gone(file: str, *, changed: bool) -> tuple[str, str, str]:
    if changed:
        return "input_changed", "receipts", f"{file}: the file has changed since it was imported"
    return "input_missing", "receipts", f"{file}: no such file in the folders given"


def _files(given: Path) -> Iterator[Path]:
    if not given.exists():
        raise InputError("there is no such file or folder", file=given, remedy="Look at its name.")
    yield from [given] if given.is_file() else filter(Path.is_file, sorted(given.rglob("*")))


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
