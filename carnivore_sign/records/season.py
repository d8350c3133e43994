"""The season file: one GeoPackage that holds the record and opens in any GIS.

A GeoPackage is an SQLite database, so each change is one transaction: it happens whole or
not at all, and a process that is killed leaves the season as it was. Layers are written here
and not through GDAL because GDAL commits layer by layer, and an import touches several.

Tables only ever grow. Positions are `STORED_CRS`; times are UTC with milliseconds, which is
what a GeoPackage DATETIME column holds.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from carnivore_sign.errors import InputError, SeasonBusy, SeasonError, SeasonMissing, SeasonVersion
from carnivore_sign.records.check import TEXT, TIME, check_table, conform, empty
from carnivore_sign.records.tables import SEASON_TABLES, Table
from carnivore_sign.space import STORED_CRS

#: Version of the layout of the file; written into it, and checked when it is opened.
SCHEMA_VERSION: Final = 1

_SRS_ID: Final = 4326
_APPLICATION_ID: Final = 0x47504B47  # "GPKG", OGC GeoPackage 1.2 and later
_GEOPACKAGE_VERSION: Final = 10300
_BUSY_SECONDS: Final = 30.0
_SQL_TYPES: Final = {
    "text": "TEXT",
    "integer": "INTEGER",
    "number": "REAL",
    "probability": "REAL",
    "time": "DATETIME",
}
_CORE_SQL: Final = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL
    DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE season (fid INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, value TEXT NOT NULL);
"""


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

    Raises
    ------
    InputError
        If the zone is unknown, the ending is another, or the folder is missing.
    SeasonError
        If the file exists.
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
    fresh.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(fresh)) as connection:
            _lay_out(connection, name, time_zone)
        fresh.replace(path)
    finally:
        fresh.unlink(missing_ok=True)
    return Season(path, name, time_zone)


def open_season(path: str | Path) -> Season:
    """Open a season file, checking that it is one and of this version.

    Raises
    ------
    SeasonMissing
        If there is no such file.
    SeasonVersion
        If another version of the schema wrote it.
    SeasonError
        If it is not a season file.
    """
    path = Path(path)
    if not path.is_file():
        raise SeasonMissing(
            f"{path}: there is no such season. Create it with create_season(path, name=..., "
            "time_zone=...) or 'carnivore-sign intake' with --zone."
        )
    try:
        with closing(_connect(path)) as connection:
            said = dict(connection.execute("SELECT key, value FROM season"))
    except sqlite3.DatabaseError as error:
        raise SeasonError(f"{path}: this is not a season file ({error}).") from error
    version = int(said.get("schema_version", "0"))
    if version != SCHEMA_VERSION:
        raise SeasonVersion(
            f"{path}: written with schema {version}, and this library reads {SCHEMA_VERSION}. "
            "Install the version of the library that wrote it."
        )
    return Season(path, said["name"], said["time_zone"])


def read_table(season: Season, table: Table) -> pd.DataFrame | gpd.GeoDataFrame:
    """Read one table, conformed to its schema, in the order of import.

    Returns
    -------
    DataFrame or GeoDataFrame
        Index 0 to n-1; a GeoDataFrame in `STORED_CRS` where the table has a geometry.
    """
    wanted = [*table.names, *(["geometry"] if table.geometry else [])]
    query = f"SELECT {', '.join(map(_quoted, wanted))} FROM {_quoted(table.name)} ORDER BY fid"
    with closing(_connect(season.path)) as connection:
        rows = connection.execute(query).fetchall()
    if not rows:
        return empty(table)
    by_column = dict(zip(wanted, zip(*rows, strict=True), strict=True))
    frame = pd.DataFrame(
        {column.name: _from_sql(by_column[column.name], column.kind) for column in table.columns}
    )
    if table.geometry is None:
        return conform(frame, table)
    shapes = _geometries_from_blobs(by_column["geometry"])
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
    """
    checked = {name: check_table(frame, SEASON_TABLES[name]) for name, frame in frames.items()}
    with _transaction(season.path) as connection:
        for name, frame in checked.items():
            if len(frame):
                _insert(connection, SEASON_TABLES[name], frame)


def _require_zone(time_zone: str) -> None:
    try:
        ZoneInfo(time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise InputError(
            f"'{time_zone}' is not a time zone",
            remedy="Use an IANA name such as America/Denver or UTC.",
        ) from error


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None)


@contextmanager
def _transaction(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(_connect(path)) as connection:
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            raise SeasonBusy(
                f"{path}: another process is writing to it ({error}). Try again when it is done."
            ) from error
        try:
            yield connection
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def _lay_out(connection: sqlite3.Connection, name: str, time_zone: str) -> None:
    connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {_GEOPACKAGE_VERSION}")
    connection.executescript(_CORE_SQL)
    connection.executemany(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)",
        [
            ("Undefined Cartesian", -1, "NONE", -1, "undefined", None),
            ("Undefined geographic", 0, "NONE", 0, "undefined", None),
            ("WGS 84 geodetic", _SRS_ID, "EPSG", _SRS_ID,
             pyproj.CRS(STORED_CRS).to_wkt("WKT1_GDAL"), "longitude, latitude in degrees"),
        ],
    )  # fmt: skip
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES (?, ?, ?)",
        ("season", "attributes", "season"),
    )
    said = {"name": name, "time_zone": time_zone, "schema_version": str(SCHEMA_VERSION)}
    connection.executemany("INSERT INTO season (key, value) VALUES (?, ?)", said.items())
    for table in SEASON_TABLES.values():
        _create_layer(connection, table)
    connection.commit()


def _create_layer(connection: sqlite3.Connection, table: Table) -> None:
    columns = ["fid INTEGER PRIMARY KEY AUTOINCREMENT"]
    if table.geometry:
        columns.append("geometry BLOB")
    columns += [f"{_quoted(c.name)} {_SQL_TYPES[c.kind]}" for c in table.columns]
    if table.key:
        columns.append(f"UNIQUE ({', '.join(map(_quoted, table.key))})")
    connection.execute(f"CREATE TABLE {_quoted(table.name)} ({', '.join(columns)})")
    kind = "features" if table.geometry else "attributes"
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES (?, ?, ?, ?, ?)",
        (table.name, kind, table.name, table.row, _SRS_ID if table.geometry else None),
    )
    if table.geometry:
        declared = {"LineString": "GEOMETRY", "Polygon": "GEOMETRY"}
        shape = declared.get(table.geometry, table.geometry.upper())
        connection.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geometry', ?, ?, 0, 0)",
            (table.name, shape, _SRS_ID),
        )


def _insert(connection: sqlite3.Connection, table: Table, frame: pd.DataFrame) -> None:
    names = list(table.names)
    values: list[list[Any]] = [_to_sql(frame[name], table[name].kind) for name in names]
    if table.geometry:
        names.append("geometry")
        values.append(_blobs_from_geometries(frame.geometry.to_numpy()))
        _widen_extent(connection, table.name, frame)
    marks = ", ".join("?" * len(names))
    connection.executemany(
        f"INSERT INTO {_quoted(table.name)} ({', '.join(map(_quoted, names))}) VALUES ({marks})",
        zip(*values, strict=True),
    )
    connection.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now') "
        "WHERE table_name = ?",
        (table.name,),
    )


def _widen_extent(connection: sqlite3.Connection, name: str, frame: gpd.GeoDataFrame) -> None:
    west, south, east, north = (float(edge) for edge in frame.total_bounds)
    if not np.isfinite([west, south, east, north]).all():
        return
    connection.execute(
        "UPDATE gpkg_contents SET min_x = min(coalesce(min_x, ?), ?), "
        "min_y = min(coalesce(min_y, ?), ?), max_x = max(coalesce(max_x, ?), ?), "
        "max_y = max(coalesce(max_y, ?), ?) WHERE table_name = ?",
        (west, west, south, south, east, east, north, north, name),
    )


def _to_sql(values: pd.Series, kind: str) -> list[Any]:
    if kind == "time":
        words = values.dt.tz_convert("UTC").dt.tz_localize(None)
        text = np.datetime_as_string(words.to_numpy(dtype="datetime64[ms]"), unit="ms")
        return [
            None if missing else f"{word}Z"
            for word, missing in zip(text, values.isna(), strict=True)
        ]
    plain = values.astype("object")
    return plain.where(values.notna(), None).tolist()


def _from_sql(values: tuple[object, ...], kind: str) -> pd.Series:
    if kind == "time":
        return pd.to_datetime(pd.Series(values, dtype="object"), utc=True, format="ISO8601").astype(
            TIME
        )
    if kind == "text":
        return pd.Series(values, dtype="object").astype(TEXT)
    if kind == "integer":
        return pd.Series(values, dtype="Int64")
    return pd.Series(values, dtype="float64")


def _blobs_from_geometries(shapes: npt.NDArray[np.object_]) -> list[bytes | None]:
    """GeoPackage geometry: magic 'GP', version 0, flags (little-endian, no envelope), SRS, WKB."""
    header = b"GP\x00\x01" + _SRS_ID.to_bytes(4, "little")
    empty_header = b"GP\x00\x11" + _SRS_ID.to_bytes(4, "little")
    wkb = shapely.to_wkb(shapely.force_2d(shapes), byte_order=1)
    bare = shapely.is_empty(shapes)
    return [
        None if body is None else (empty_header if hollow else header) + body
        for body, hollow in zip(wkb, bare, strict=True)
    ]


_ENVELOPE_BYTES: Final = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}


def _geometries_from_blobs(blobs: tuple[bytes | None, ...]) -> npt.NDArray[np.object_]:
    bodies = [
        None if blob is None else blob[8 + _ENVELOPE_BYTES[(blob[3] >> 1) & 7] :] for blob in blobs
    ]
    return shapely.from_wkb(np.array(bodies, dtype=object))


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
