"""Programme: seasons in a PostGIS database, with the tables of the season file.

Each season is one transaction, so that whoever reads sees all of it or nothing. Two who write
different seasons do not wait for each other for longer than the tables are made; of two who write
the same season the second waits for the first, and is then told that it is there.

Source: PostgreSQL documentation, COPY (text format) and advisory locks; PostGIS manual, EWKB.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from carnivore_sign._version import __version__
from carnivore_sign.errors import (
    SeasonError,
)
from carnivore_sign.programme.copying import copied, row_frame, select_list
from carnivore_sign.programme.folder import require_id
from carnivore_sign.programme.postgis import (
    SCHEMA,
    connected,
    is_laid_out,
    lay_out,
    require_seasons,
    versions,
)
from carnivore_sign.programme.reading import Bounds, schema_of
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.encoding import quoted
from carnivore_sign.records.fingerprint import fingerprint
from carnivore_sign.records.layout import SCHEMA_VERSION
from carnivore_sign.records.schema import Table
from carnivore_sign.records.season import Season, create_season, write_checked
from carnivore_sign.records.tables import SEASON_TABLES


def write_database(
    address: str,
    season: Season,
    *,
    season_id: str | None = None,
    replace: bool = False,
    show_progress: bool = False,
) -> str:
    """Put a season into a PostGIS database, whole or not at all.

    Parameters
    ----------
    address : str
        Of the database, as ``postgresql://user@host/name``. A password is best left to the
        environment or the password file of PostgreSQL.
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
        If the database cannot be reached or has no PostGIS, or has a season of that id and
        `replace` is not said.
    InputError
        If a text holds a letter that PostgreSQL cannot store.
    LibraryMissing
        If psycopg is not installed.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> address = "postgresql://surveyor@localhost/tolvane"
    >>> write_database(address, example_season(), season_id="spring")  # doctest: +SKIP
    """
    name = require_id(season.path.stem if season_id is None else season_id)
    with connected(address) as connection:
        lay_out(connection)
        with connection.transaction():
            _claim(connection, season, name, replace=replace)
            tables = {}
            for table in with_progress(SEASON_TABLES.values(), "tables", show=show_progress):
                frame = season.read(table.name)
                tables[table.name] = {"rows": len(frame), "fingerprint": fingerprint(frame, table)}
                _copy_in(connection, table, frame, name)
            connection.execute(
                f"UPDATE {SCHEMA}.seasons SET tables = %s WHERE season = %s",
                (json.dumps(tables), name),
            )
    return name


def list_database(address: str) -> pd.DataFrame:
    """List the seasons of a database: ``season``, ``name``, ``time_zone``, ``added_at`` (UTC).

    Parameters
    ----------
    address : str
        Of the database, such as ``postgresql://user@host/name``.

    Returns
    -------
    DataFrame
        One row per season.

    Raises
    ------
    SeasonError
        If the database cannot be reached.

    Examples
    --------
    >>> list_database("postgresql://surveyor@localhost/tolvane")  # doctest: +SKIP
    """
    columns = ["season", "name", "time_zone", "added_at"]
    with connected(address) as connection:
        if not is_laid_out(connection):
            return pd.DataFrame(columns=columns)
        rows = connection.execute(
            f"SELECT {', '.join(columns)} FROM {SCHEMA}.seasons ORDER BY season"
        ).fetchall()
    listed = pd.DataFrame(rows, columns=columns)
    return listed.assign(added_at=pd.to_datetime(listed["added_at"], utc=True))


def read_database(
    address: str,
    table: str,
    *,
    seasons: Collection[str] | None = None,
    bounds: Bounds | None = None,
) -> pd.DataFrame | gpd.GeoDataFrame:
    """Read rows of a table from some or all seasons of a database.

    Parameters
    ----------
    address : str
        Of the database.
    table : str
        Name of a table of a season.
    seasons : collection of str, optional
        Ids; all, unless given.
    bounds : tuple of float, optional
        West, south, east and north in degrees; rows that meet it are given.

    Returns
    -------
    DataFrame or GeoDataFrame
        The columns of the table with ``season`` in front, in the order of the ids and of their
        rows.

    Raises
    ------
    InputError
        If there is no such table, or bounds are asked of a table without positions.
    SeasonMissing
        If there is no such season.

    Examples
    --------
    >>> address = "postgresql://surveyor@localhost/tolvane"
    >>> read_database(address, "sign", seasons=["spring"])  # doctest: +SKIP
    """
    schema = schema_of(table, bounds)
    with connected(address) as connection:
        there = versions(connection)
        wanted = sorted(there) if seasons is None else list(seasons)
        require_seasons(wanted, there)
        return _read(connection, schema, wanted, bounds)


def database_about(address: str, season: str) -> dict[str, str]:
    """Return ``name`` and ``time_zone`` of a season of a database.

    Raises
    ------
    SeasonMissing
        If there is no such season.
    """
    with connected(address) as connection:
        require_seasons([season], versions(connection))
        name, zone = connection.execute(
            f"SELECT name, time_zone FROM {SCHEMA}.seasons WHERE season = %s", (season,)
        ).fetchone()
    return {"name": name, "time_zone": zone}


def extract_database(
    address: str, season: str, path: str | Path, *, show_progress: bool = False
) -> Season:
    """Write a season of a database as a GeoPackage that holds what it held.

    Parameters
    ----------
    address : str
        Of the database.
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
    >>> address = "postgresql://surveyor@localhost/tolvane"
    >>> extract_database(address, "spring", "spring.gpkg")  # doctest: +SKIP
    """
    with connected(address) as connection, connection.transaction():
        # One state of the database for all tables, whoever writes meanwhile.
        connection.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        require_seasons([season], versions(connection))
        name, zone, tables = connection.execute(
            f"SELECT name, time_zone, tables FROM {SCHEMA}.seasons WHERE season = %s", (season,)
        ).fetchone()
        made = create_season(path, name=name, time_zone=zone)
        try:
            for table in with_progress(tables, "tables", show=show_progress):
                rows = _read(connection, SEASON_TABLES[table], [season], None)
                rows = rows.drop(columns="season")
                if fingerprint(rows, SEASON_TABLES[table]) != tables[table]["fingerprint"]:
                    raise SeasonError(
                        f"table '{table}' of season '{season}' is not what was put into the "
                        "database; somebody changed it there."
                    )
                write_checked(made, [{table: rows}])
        except BaseException:
            made.path.unlink(missing_ok=True)
            raise
    return made


def remove_from_database(address: str, season: str) -> None:
    """Take a season out of a database.

    Parameters
    ----------
    address : str
        Of the database, such as ``postgresql://user@host/name``.
    season : str
        Its name in the database.

    Raises
    ------
    SeasonMissing
        If there is no such season.

    Examples
    --------
    >>> address = "postgresql://surveyor@localhost/tolvane"
    >>> remove_from_database(address, "spring")  # doctest: +SKIP
    """
    with connected(address) as connection, connection.transaction():
        require_seasons([season], versions(connection))
        connection.execute(f"DELETE FROM {SCHEMA}.seasons WHERE season = %s", (season,))


def _claim(connection: Any, season: Season, name: str, *, replace: bool) -> None:
    """Write the row of the season, which only one process at a time can; others wait here."""
    if replace:
        connection.execute(f"DELETE FROM {SCHEMA}.seasons WHERE season = %s", (name,))
    claimed = connection.execute(
        f"INSERT INTO {SCHEMA}.seasons (season, name, time_zone, schema_version, library_version, "
        "tables) VALUES (%s, %s, %s, %s, %s, '{}') ON CONFLICT DO NOTHING RETURNING season",
        (name, season.name, season.time_zone, SCHEMA_VERSION, __version__),
    ).fetchone()
    if claimed is None:
        raise SeasonError(
            f"the database has a season '{name}' already. Say replace=True, or give another "
            "season_id. Nothing was written."
        )


def _copy_in(connection: Any, table: Table, frame: pd.DataFrame, season: str) -> None:
    if frame.empty:
        return
    names = ["season", "row", *table.names, *(["geometry"] if table.geometry else [])]
    into = f"COPY {SCHEMA}.{quoted(table.name)} ({', '.join(map(quoted, names))}) FROM STDIN"
    with connection.cursor() as cursor, cursor.copy(into) as copy:
        for text in copied(frame, table, season):
            copy.write(text)


def _read(
    connection: Any, table: Table, seasons: Collection[str], bounds: Bounds | None
) -> pd.DataFrame | gpd.GeoDataFrame:
    where: list[str] = ["season = ANY(%s)"]
    given: list[Any] = [list(seasons)]
    if bounds is not None:
        where.append("ST_Intersects(geometry, ST_MakeEnvelope(%s, %s, %s, %s, 4326))")
        given += list(bounds)
    rows: list[tuple[Any, ...]] = []
    if seasons:
        rows = connection.execute(
            f"SELECT season, {select_list(table)} FROM {SCHEMA}.{quoted(table.name)} "
            f"WHERE {' AND '.join(where)} ORDER BY array_position(%s, season), row",
            [*given, list(seasons)],
            binary=True,
        ).fetchall()
    frame = row_frame([row[1:] for row in rows], table)
    frame.insert(0, "season", pd.array([row[0] for row in rows], dtype=TEXT))
    return frame
