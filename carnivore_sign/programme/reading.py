"""Programme: rows out of the folder - some months, some country, or a whole season again."""

from __future__ import annotations

from collections.abc import Collection
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError, SeasonError, SeasonVersion
from carnivore_sign.programme.folder import Programme
from carnivore_sign.programme.parquet import count_words, join_rows, read_rows
from carnivore_sign.programme.seasons import ROW
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import TEXT, conform, empty
from carnivore_sign.records.fingerprint import fingerprint
from carnivore_sign.records.layout import SCHEMA_VERSION
from carnivore_sign.records.schema import Table
from carnivore_sign.records.season import Season, create_season, write_checked
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.spreading import Place, spread

Bounds = tuple[float, float, float, float]


def partitions(
    programme: Programme,
    table: str,
    *,
    seasons: Collection[str] | None = None,
    months: Collection[str] | None = None,
    bounds: Bounds | None = None,
) -> pd.DataFrame:
    """List the files that hold some rows of a table.

    Parameters
    ----------
    programme : Programme
        The programme.
    table : str
        Name of a table of a season.
    seasons : collection of str, optional
        Ids; all, unless given.
    months : collection of str, optional
        As ``2026-03``, in UTC; all, unless given. Rows without a time are in none of them.
    bounds : tuple of float, optional
        West, south, east and north in degrees; everywhere, unless given.

    Returns
    -------
    DataFrame
        ``season``, ``month``, ``area``, ``rows``, ``path``, in the order of the seasons.

    Raises
    ------
    InputError
        If there is no such table, or bounds are asked of a table without positions.
    SeasonMissing
        If there is no such season.

    Examples
    --------
    >>> from carnivore_sign.example import example_programme
    >>> programme = example_programme()
    >>> len(partitions(programme, "fixes")) > 0
    True
    """
    schema_of(table, bounds)
    found = []
    for season in programme.seasons if seasons is None else seasons:
        about, folder = programme.about(season), programme.folder_of(season)
        _require_version(programme, season, about["schema_version"])
        found += [
            (season, part["month"], part["area"], part["rows"], folder / part["path"])
            for part in about["partitions"]
            if part["table"] == table
            and (months is None or part["month"] in months)
            and (bounds is None or _meet(part["bounds"], bounds))
        ]
    return pd.DataFrame(found, columns=["season", "month", "area", "rows", "path"])


def fixes_of_logs(programme: Programme, season: str, *, on: Place = None) -> pd.Series:
    """Count the fixes of each log of a season, by its name, without reading them.

    Parameters
    ----------
    programme : Programme
        The programme.
    season : str
        Id of the season.
    on : place, optional
        Where files are looked at; see `carnivore_sign.spreading.spread`.

    Returns
    -------
    Series of int
        How many fixes each log has, by its name.

    Examples
    --------
    >>> from carnivore_sign.example import example_programme
    >>> programme = example_programme()
    >>> len(fixes_of_logs(programme, "spring"))
    40
    """
    paths = partitions(programme, "fixes", seasons=[season])["path"].tolist()
    counts = list(spread(partial(count_words, column="log"), paths, on=on))
    if not counts:
        return pd.Series(dtype="int64", name="rows")
    return pd.concat(counts).groupby(level=0).sum()


def read_programme(
    programme: Programme,
    table: str,
    *,
    seasons: Collection[str] | None = None,
    months: Collection[str] | None = None,
    bounds: Bounds | None = None,
    on: Place = None,
) -> pd.DataFrame | gpd.GeoDataFrame:
    """Read rows of a table from some or all seasons of a programme.

    Parameters
    ----------
    programme, table, seasons, months, bounds
        As for `partitions`; of the files that meet `bounds`, only the rows that do are given.
    on : place, optional
        Where files are read; see `carnivore_sign.spreading.spread`.

    Returns
    -------
    DataFrame or GeoDataFrame
        The columns of the table with ``season`` in front, in the order of the seasons and of
        their rows. Names (of sign, logs, prints) are unique within a season only.

    Raises
    ------
    InputError, SeasonMissing
        As `partitions`.
    FileUnreadable
        If a file is missing or damaged.

    Examples
    --------
    >>> from carnivore_sign.example import example_programme
    >>> programme = example_programme()
    >>> len(read_programme(programme, "fixes", months=["2026-03"])) > 1000
    True
    """
    schema = schema_of(table, bounds)
    parts = partitions(programme, table, seasons=seasons, months=months, bounds=bounds)
    read = list(spread(read_rows, parts["path"].tolist(), on=on))
    whole, of_season = empty(schema), parts["season"].to_numpy(dtype=object)
    if read:
        whole = join_rows(read, shaped=schema.geometry is not None)
        of_season = np.repeat(of_season, [len(rows) for rows in read])
        order = np.lexsort([whole[ROW], pd.factorize(of_season)[0]])
        whole, of_season = whole.iloc[order], of_season[order]
    if bounds is not None:
        inside = shapely.intersects(whole["geometry"].to_numpy(), shapely.box(*bounds))
        whole, of_season = whole[inside], of_season[inside]
    kept = conform(whole.reset_index(drop=True), schema)
    kept.insert(0, "season", pd.array(of_season, dtype=TEXT))
    return kept


def extract_season(
    programme: Programme, season: str, path: str | Path, *, show_progress: bool = False
) -> Season:
    """Write a season of a programme as a GeoPackage that holds what it held.

    Parameters
    ----------
    programme : Programme
        The programme.
    season : str
        Id of the season.
    path : path-like
        The season file, which must be new.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    Season
        The season, in a file of its own.

    Raises
    ------
    SeasonMissing
        If there is no such season.
    SeasonError
        If a table does not hold what was put in; no file is left then.

    Examples
    --------
    >>> from carnivore_sign.example import example_programme
    >>> programme = example_programme()
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> season = extract_season(programme, "spring", folder / "spring.gpkg")
    >>> len(season.read("sign"))
    324
    """
    about = programme.about(season)
    _require_version(programme, season, about["schema_version"])
    made = create_season(path, name=about["name"], time_zone=about["time_zone"])
    try:
        for name in with_progress(about["tables"], "tables", show=show_progress):
            rows = read_programme(programme, name, seasons=[season]).drop(columns="season")
            require_same(programme, season, rows, SEASON_TABLES[name])
            write_checked(made, [{name: conform(rows, SEASON_TABLES[name])}])
    except BaseException:
        made.path.unlink(missing_ok=True)
        raise
    return made


def require_same(programme: Programme, season: str, rows: pd.DataFrame, table: Table) -> None:
    """Hold the rows of a table against their count and fingerprint.

    Raises
    ------
    SeasonError
        If they are not what was put in.
    """
    said = programme.about(season)["tables"][table.name]
    if len(rows) != said["rows"]:
        raise SeasonError(
            f"{programme.path}: table '{table.name}' of season '{season}' has {len(rows):,} rows, "
            f"and {said['rows']:,} were put in. Put the season in again, from its own file."
        )
    if fingerprint(rows, table) != said["fingerprint"]:
        raise SeasonError(
            f"{programme.path}: table '{table.name}' of season '{season}' is not what was put in. "
            "Put the season in again, from its own file."
        )


def schema_of(table: str, bounds: Bounds | None = None) -> Table:
    """Return the schema of a table that is asked for, within bounds or not.

    Raises
    ------
    InputError
        If there is no such table, or bounds are asked of a table without positions.
    """
    if table not in SEASON_TABLES:
        raise InputError(
            f"a season has no table '{table}'", remedy=f"It has: {', '.join(SEASON_TABLES)}."
        )
    if bounds is not None and SEASON_TABLES[table].geometry is None:
        raise InputError(f"table '{table}' has no positions", remedy="Leave bounds out.")
    return SEASON_TABLES[table]


def _require_version(programme: Programme, season: str, version: int) -> None:
    if version > SCHEMA_VERSION:
        raise SeasonVersion(
            f"{programme.path}: season '{season}' is of schema {version}, and this library reads "
            f"up to {SCHEMA_VERSION}. Install the version of the library that wrote it."
        )


def _meet(one: list[float] | None, other: Bounds) -> bool:
    if one is None:
        return False
    return one[0] <= other[2] and one[2] >= other[0] and one[1] <= other[3] and one[3] >= other[1]
