"""The season file: one GeoPackage that holds the record and opens in any GIS.

A GeoPackage is an SQLite database, so each change is one transaction: it happens whole or
not at all, and a process that is killed leaves the season as it was. Layers are written here
and not through GDAL because GDAL commits layer by layer, and an import touches several.

Tables only ever grow. Positions are `STORED_CRS`; times are UTC with milliseconds, which is
what a GeoPackage DATETIME column holds.
"""

from __future__ import annotations

import sqlite3
import warnings
from collections.abc import Iterable, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import geopandas as gpd
import pandas as pd

from carnivore_sign.errors import (
    InputError,
    SeasonError,
    SeasonMigrated,
    SeasonMissing,
    SeasonVersion,
)
from carnivore_sign.records.check import check_table, conform, empty
from carnivore_sign.records.connecting import as_season_error, connect, transaction
from carnivore_sign.records.encoding import (
    Rows,
    column_from_sql,
    encode_rows,
    geometries_from_blobs,
    insert_rows,
    quoted,
)
from carnivore_sign.records.layout import (
    SCHEMA_VERSION,
    add_missing_columns,
    columns_there,
    lay_out,
    version_of,
    widen_extent,
)
from carnivore_sign.records.migration import STEPS, migrate
from carnivore_sign.records.tables import SEASON_TABLES, Table
from carnivore_sign.space import STORED_CRS
from carnivore_sign.writing import clear_database

#: Frames of fewer rows than this, on average, are written as one.
_SMALL_ROWS: Final = 500


@dataclass(frozen=True)
class Season:
    """An open season: where its file is and what it says of itself.

    Attributes
    ----------
    path : Path
        The GeoPackage.
    name : str
        Its title on maps and reports.
    time_zone : str
        IANA name of the local zone. Times are stored in UTC; the zone is used to read local
        times, to show times, and to decide which date and month a visit belongs to.
    """

    path: Path
    name: str
    time_zone: str

    @property
    def zone(self) -> ZoneInfo:
        """The local time zone."""
        return ZoneInfo(self.time_zone)

    def read(self, table: str) -> pd.DataFrame | gpd.GeoDataFrame:
        """Read a table of the season, conformed to its schema, in the order of import."""
        return read_table(self, SEASON_TABLES[table])

    def append(self, frames: Mapping[str, pd.DataFrame]) -> None:
        """Add rows to tables of the season in one transaction; see `append_tables`."""
        append_tables(self, frames)


def create_season(path: str | Path, *, name: str, time_zone: str) -> Season:
    """Create an empty season file.

    Parameters
    ----------
    path : path-like
        Where; the ending is ``.gpkg``. A file that is there already is an error.
    name : str
        Title of the season.
    time_zone : str
        IANA name of the local time zone, such as ``America/Denver``.

    Returns
    -------
    Season
        The season, empty.

    Raises
    ------
    InputError
        If the zone is unknown, the ending is another, or the folder is missing.
    SeasonError
        If the file exists.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "season.gpkg"
    >>> create_season(path, name="North unit", time_zone="America/Denver").name
    'North unit'
    """
    path = Path(path)
    _require_zone(time_zone)
    if path.suffix.lower() != ".gpkg":
        raise InputError("a season file ends in .gpkg", file=path, remedy="Rename it.")
    if path.exists():
        raise SeasonError(f"{path}: there is a file already. Open it with open_season.")
    if not path.parent.is_dir():
        raise InputError("its folder does not exist", file=path, remedy="Create the folder first.")
    fresh = path.with_name(f".{path.name}.new")
    clear_database(fresh)
    try:
        with closing(sqlite3.connect(fresh)) as connection:
            lay_out(connection, name, time_zone)
        fresh.replace(path)
    finally:
        clear_database(fresh)
    return Season(path, name, time_zone)


def open_season(path: str | Path) -> Season:
    """Open a season file, checking that it is one and of this version.

    A season of an older version is brought up to this one, and a copy of it as it was is laid
    beside it (``season.version-1.gpkg``); a `SeasonMigrated` warning says so.

    Parameters
    ----------
    path : path-like
        A season file.

    Returns
    -------
    Season
        The season.

    Raises
    ------
    SeasonMissing
        If there is no such file.
    SeasonVersion
        If a newer version of the schema wrote it, or one that this library does not know.
    SeasonError
        If it is not a season file; or if it is of an older version and may not be written to.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "season.gpkg"
    >>> _ = create_season(path, name="North unit", time_zone="America/Denver")
    >>> open_season(path).time_zone
    'America/Denver'
    """
    path = Path(path)
    if not path.is_file():
        raise SeasonMissing(
            f"{path}: there is no such season. Create it with create_season(path, name=..., "
            "time_zone=...) or 'carnivore-sign intake' with --zone."
        )
    try:
        with closing(connect(path)) as connection:
            said = dict(connection.execute("SELECT key, value FROM season"))
            version = version_of(connection)
    except sqlite3.DatabaseError as error:
        raise as_season_error(path, error) from error
    if version > SCHEMA_VERSION or version < min(STEPS):
        raise SeasonVersion(
            f"{path}: written with schema {version}, and this library reads {min(STEPS)} to "
            f"{SCHEMA_VERSION}. A newer season may hold tables that this library would pass over. "
            "Install the version of the library that wrote it, or a newer one."
        )
    if version < SCHEMA_VERSION:
        _bring_up(path, version)
    return Season(path, said["name"], said["time_zone"])


def _bring_up(path: Path, version: int) -> None:
    with transaction(path) as connection:
        copy = migrate(connection, path)
    if copy is not None:
        warnings.warn(
            f"{path}: was of schema {version} and is of schema {SCHEMA_VERSION} now. As it was, it "
            f"is kept in {copy.name} beside it.",
            SeasonMigrated,
            stacklevel=3,
        )


def read_table(season: Season, table: Table) -> pd.DataFrame | gpd.GeoDataFrame:
    """Read one table, conformed to its schema, in the order of import.

    Returns
    -------
    DataFrame or GeoDataFrame
        Index 0 to n-1; a GeoDataFrame in `STORED_CRS` where the table has a geometry.
    """
    with closing(connect(season.path)) as connection:
        there = columns_there(connection, table)
        wanted = [name for name in (*table.names, "geometry") if name in there]
        if not wanted:
            return empty(table)
        query = f"SELECT {', '.join(map(quoted, wanted))} FROM {quoted(table.name)} ORDER BY fid"
        rows = connection.execute(query).fetchall()
    if not rows:
        return empty(table)
    by_column = dict(zip(wanted, zip(*rows, strict=True), strict=True))
    del rows
    frame = pd.DataFrame(
        {
            column.name: column_from_sql(by_column[column.name], column.kind)
            for column in table.columns
            if column.name in there
        }
    )
    if table.geometry is None:
        return conform(frame, table)
    shapes = geometries_from_blobs(by_column["geometry"])
    return conform(gpd.GeoDataFrame(frame, geometry=shapes, crs=STORED_CRS), table)


def append_tables(season: Season, frames: Mapping[str, pd.DataFrame]) -> None:
    """Add rows to tables of the season, all of them or none.

    Parameters
    ----------
    season : Season
        The season.
    frames : mapping of str to DataFrame
        Table name to rows. Each is checked against its schema first.

    Raises
    ------
    TableFaults
        If a frame breaks its schema; nothing is written.
    SeasonBusy
        If another process holds the file for longer than half a minute.
    SeasonError
        If a name is in the season already; nothing is written.
    """
    write_checked(
        season,
        [{name: check_table(frame, SEASON_TABLES[name]) for name, frame in frames.items()}],
    )


def write_checked(season: Season, batch: Iterable[Mapping[str, pd.DataFrame | Rows]]) -> None:
    """Add the rows of several files in one transaction.

    Each frame keeps to its schema: `check_table` gave it, or a reader that says so; and so did
    each frame that was encoded already.

    Raises
    ------
    SeasonBusy
        If another process holds the file for longer than half a minute.
    SeasonError
        If a name is in the season already, as when two processes import one file at the same
        time, or the file or its disk gives out; nothing is written.
    """
    with transaction(season.path) as connection:
        for name, frames in _by_table(batch).items():
            _insert(connection, SEASON_TABLES[name], frames)


def _by_table(
    batch: Iterable[Mapping[str, pd.DataFrame | Rows]],
) -> dict[str, list[pd.DataFrame | Rows]]:
    """Sort the rows of several files by table, in their order; small frames become one."""
    sorted_: dict[str, list[pd.DataFrame | Rows]] = {}
    for frames in batch:
        for name, frame in frames.items():
            if len(frame):
                sorted_.setdefault(name, []).append(frame)
    return {name: _joined(frames) for name, frames in sorted_.items()}


def _joined(frames: list[pd.DataFrame | Rows]) -> list[pd.DataFrame | Rows]:
    """Join frames that follow each other, if all are frames and small on average."""
    plain = [frame for frame in frames if isinstance(frame, pd.DataFrame)]
    small = sum(map(len, frames)) < _SMALL_ROWS * len(frames)
    if len(frames) < 2 or len(plain) < len(frames) or not small:
        return frames
    return [pd.concat(plain, ignore_index=True)]


def change_count(season: Season) -> int:
    """Return a number that grows with every change to the season file, whoever makes it.

    Source: SQLite file format, the file change counter at offset 24 of the header.
    """
    with season.path.open("rb") as file:
        file.seek(24)
        return int.from_bytes(file.read(4), "big")


def _require_zone(time_zone: str) -> None:
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f"'{time_zone}' is not a time zone",
            remedy="Use an IANA name such as America/Denver or UTC.",
        ) from error


def _insert(
    connection: sqlite3.Connection, table: Table, frames: list[pd.DataFrame | Rows]
) -> None:
    add_missing_columns(connection, table)
    for frame in frames:
        rows = frame if isinstance(frame, Rows) else encode_rows(table, frame)
        insert_rows(connection, table, rows)
        if rows.edges:
            widen_extent(connection, table.name, rows.edges)
    connection.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') "
        "WHERE table_name = ?",
        (table.name,),
    )
