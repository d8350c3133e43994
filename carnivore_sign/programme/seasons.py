"""Programme: seasons into the folder, every table parted by month and area."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign._version import __version__
from carnivore_sign.errors import SeasonError
from carnivore_sign.programme.folder import SEASON_ABOUT, Programme, put_in_place, require_id
from carnivore_sign.programme.parquet import write_rows
from carnivore_sign.progress import with_progress
from carnivore_sign.records.fingerprint import fingerprint
from carnivore_sign.records.layout import SCHEMA_VERSION
from carnivore_sign.records.schema import Table
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES

#: The column that keeps the order of the season's rows.
ROW: Final = "row"
NONE: Final = "none"


def add_season(
    programme: Programme,
    season: Season,
    *,
    season_id: str | None = None,
    replace: bool = False,
    show_progress: bool = False,
) -> str:
    """Put a season into a programme, whole or not at all.

    Parameters
    ----------
    programme : Programme
        Where to.
    season : Season
        The season; it stays as it is.
    season_id : str, optional
        What it is called there; the name of its file, unless given.
    replace : bool
        Put it in the place of an earlier one of that id.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    str
        The id.

    Raises
    ------
    SeasonError
        If the programme has a season of that id and `replace` is not said.
    LibraryMissing
        If pyarrow is not installed.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign import create_programme
    >>> from carnivore_sign.example import example_season
    >>> programme = create_programme(tempfile.mkdtemp() + "/range", name="Tolvane Range (invented)")
    >>> add_season(programme, example_season(), season_id="spring")
    'spring'
    """
    return add_tables(
        programme,
        season.path.stem if season_id is None else season_id,
        season.read,
        name=season.name,
        time_zone=season.time_zone,
        replace=replace,
        show_progress=show_progress,
    )


def add_tables(
    programme: Programme,
    season_id: str,
    read: Callable[[str], pd.DataFrame],
    *,
    name: str,
    time_zone: str,
    replace: bool = False,
    show_progress: bool = False,
) -> str:
    """Put a season into a programme from whatever holds its tables; see `add_season`.

    Parameters
    ----------
    programme, season_id
        As for `add_season`.
    read : callable
        Takes the name of a table of a season, and gives its rows.
    name : str
        Title of the season.
    time_zone : str
        IANA name of its local zone.
    replace, show_progress
        As for `add_season`.

    Returns
    -------
    str
        The name of the season.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign import create_programme
    >>> from carnivore_sign.example import example_season
    >>> programme = create_programme(tempfile.mkdtemp() + "/range", name="Tolvane Range (invented)")
    >>> season = example_season()
    >>> add_tables(programme, "spring", season.read, name=season.name, time_zone=season.time_zone)
    'spring'
    """
    require_id(season_id)
    if programme.folder_of(season_id).exists() and not replace:
        raise SeasonError(
            f"{programme.path}: there is a season '{season_id}' already. Say replace=True, or give "
            "another season_id."
        )
    fresh = programme.path / f".new-{os.getpid()}-{season_id}"
    shutil.rmtree(fresh, ignore_errors=True)
    try:
        fresh.mkdir()
        tables, parts = {}, []
        for table in with_progress(SEASON_TABLES.values(), "tables", show=show_progress):
            frame = read(table.name)
            tables[table.name] = {"rows": len(frame), "fingerprint": fingerprint(frame, table)}
            parts += list(_write_table(fresh, table, frame))
        about = {
            "name": name,
            "time_zone": time_zone,
            "schema_version": SCHEMA_VERSION,
            "library_version": __version__,
            "tables": tables,
            "partitions": parts,
        }
        (fresh / SEASON_ABOUT).write_text(json.dumps(about, ensure_ascii=False, indent=1), "utf-8")
        put_in_place(programme, season_id, fresh)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return season_id


def remove_season(programme: Programme, season: str) -> None:
    """Take a season out of a programme; its files are deleted.

    Parameters
    ----------
    programme : Programme
        From `open_programme`.
    season : str
        Its name in the programme.

    Raises
    ------
    SeasonMissing
        If the programme has no such season.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign import add_season, create_programme
    >>> from carnivore_sign.example import example_season
    >>> programme = create_programme(tempfile.mkdtemp() + "/range", name="Tolvane Range (invented)")
    >>> season_id = add_season(programme, example_season(), season_id="spring")
    >>> remove_season(programme, "spring")
    """
    programme.about(season)
    gone = programme.path / f".new-{os.getpid()}-{season}"
    programme.folder_of(season).rename(gone)
    shutil.rmtree(gone)


def _write_table(folder: Path, table: Table, frame: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Write the partitions of a table; yield what is to be known of each."""
    if frame.empty:
        return
    frame = frame.assign(**{ROW: np.arange(len(frame))})
    keys = [_months(frame, table), _areas(frame, table)]
    for (month, area), rows in frame.groupby(keys, sort=True):
        path = folder / table.name / f"month={month}" / f"area={area}" / "rows.parquet"
        path.parent.mkdir(parents=True)
        write_rows(rows, path)
        yield {
            "table": table.name,
            "month": month,
            "area": area,
            "path": str(path.relative_to(folder)),
            "rows": len(rows),
            "bounds": _bounds(rows),
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        }


def _months(frame: pd.DataFrame, table: Table) -> npt.NDArray[np.str_]:
    """Return the month of each row, in UTC."""
    times = next((column.name for column in table.columns if column.kind == "time"), None)
    if times is None:
        return np.full(len(frame), NONE)
    return frame[times].dt.strftime("%Y-%m").fillna(NONE).to_numpy(dtype=str)


def _areas(frame: pd.DataFrame, table: Table) -> npt.NDArray[np.str_]:
    """Return the degree of latitude and longitude in which the middle of each row lies."""
    if table.geometry is None:
        return np.full(len(frame), NONE)
    bounds = shapely.bounds(frame["geometry"].to_numpy())
    there = np.isfinite(bounds).all(axis=1)
    middle = np.floor(np.where(there[:, None], (bounds[:, :2] + bounds[:, 2:]) / 2, 0)).astype(int)
    cells, which = np.unique(middle, axis=0, return_inverse=True)
    names = np.array([f"{_side(lat, 'NS')}{_side(lon, 'EW')}" for lon, lat in cells])
    return np.where(there, names[which.ravel()], NONE)


def _side(degrees: int, sides: str) -> str:
    return f"{sides[int(degrees < 0)]}{abs(degrees):03d}"


def _bounds(rows: pd.DataFrame) -> list[float] | None:
    if not isinstance(rows, gpd.GeoDataFrame):
        return None
    bounds = rows.total_bounds
    return [float(edge) for edge in bounds] if np.isfinite(bounds).all() else None
