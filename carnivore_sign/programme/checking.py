"""Programme: whether every season in it is what was put in."""

from __future__ import annotations

import hashlib
from functools import partial
from pathlib import Path

import pandas as pd

from carnivore_sign.errors import CarnivoreSignError
from carnivore_sign.programme.folder import Programme
from carnivore_sign.programme.reading import read_programme, require_same
from carnivore_sign.progress import with_progress
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.spreading import Place, spread

_COLUMNS = ["season", "table_name", "path", "told"]


def check_programme(
    programme: Programme, *, on: Place = None, show_progress: bool = False
) -> pd.DataFrame:
    """Hold every file of a programme against its hash, and every table against its rows.

    Parameters
    ----------
    programme : Programme
        The programme.
    on : place, optional
        Where seasons are checked; see `carnivore_sign.spreading.spread`.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        One row per fault: ``season``, ``table_name``, ``path``, ``told``; empty if all is well.

    Examples
    --------
    >>> from carnivore_sign.example import example_programme
    >>> programme = example_programme()
    >>> len(check_programme(programme))
    0
    """
    seasons = programme.seasons
    found = spread(partial(_faults, programme), seasons, on=on)
    rows = [row for faults in with_progress(found, "seasons", show=show_progress) for row in faults]
    return pd.DataFrame(rows, columns=_COLUMNS)


def _faults(programme: Programme, season: str) -> list[tuple[str, str, str, str]]:
    about, folder = programme.about(season), programme.folder_of(season)
    known = {part["path"]: part for part in about["partitions"]}
    found = [
        (season, part["table"], path, told)
        for path, part in known.items()
        if (told := _of_file(folder / path, part["sha256"]))
    ]
    there = {str(path.relative_to(folder)) for path in folder.rglob("*.parquet")}
    found += [
        (season, "", path, "nobody put this file there") for path in sorted(there - set(known))
    ]
    damaged = {table for _, table, *_ in found}
    for table in set(about["tables"]) - damaged:
        try:
            rows = read_programme(programme, table, seasons=[season])
            require_same(programme, season, rows, SEASON_TABLES[table])
        except CarnivoreSignError as error:
            found.append((season, table, "", str(error)))
    return found


def _of_file(path: Path, sha256: str) -> str:
    if not path.is_file():
        return "the file is gone"
    same = hashlib.sha256(path.read_bytes()).hexdigest() == sha256
    return "" if same else "the file is not what was written"
