"""Layout: what an empty season file consists of, and how an older one is brought up to it.

Source: OGC GeoPackage Encoding Standard 1.3: the tables that every file has, the numbers in its
header, and what is said there of each layer.
"""

from __future__ import annotations

import sqlite3
from typing import Final

import pyproj

from carnivore_sign.records.encoding import SRS_ID, quoted
from carnivore_sign.records.schema import Table
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.space import STORED_CRS

#: Version of the layout of the file; written into it, and checked when it is opened.
SCHEMA_VERSION: Final = 2

_APPLICATION_ID: Final = 0x47504B47  # "GPKG", OGC GeoPackage 1.2 and later
_GEOPACKAGE_VERSION: Final = 10300
#: Pages of twice SQLite's own size take a million rows in a twentieth less time.
_PAGE_BYTES: Final = 8192
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


def lay_out(connection: sqlite3.Connection, name: str, time_zone: str) -> None:
    """Make an empty file a season without a row."""
    connection.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {_GEOPACKAGE_VERSION}")
    connection.executescript(_CORE_SQL)
    connection.executemany(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)",
        [
            ("Undefined Cartesian", -1, "NONE", -1, "undefined", None),
            ("Undefined geographic", 0, "NONE", 0, "undefined", None),
            ("WGS 84 geodetic", SRS_ID, "EPSG", SRS_ID,
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
    columns = ["fid INTEGER PRIMARY KEY"]
    if table.geometry:
        columns.append("geometry BLOB")
    columns += [f"{quoted(c.name)} {_SQL_TYPES[c.kind]}" for c in table.columns]
    if table.key:
        columns.append(f"UNIQUE ({', '.join(map(quoted, table.key))})")
    connection.execute(f"CREATE TABLE {quoted(table.name)} ({', '.join(columns)})")
    kind = "features" if table.geometry else "attributes"
    connection.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
        "VALUES (?, ?, ?, ?, ?)",
        (table.name, kind, table.name, table.row, SRS_ID if table.geometry else None),
    )
    if table.geometry:
        declared = {"LineString": "GEOMETRY", "Polygon": "GEOMETRY"}
        shape = declared.get(table.geometry, table.geometry.upper())
        connection.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?, 'geometry', ?, ?, 0, 0)",
            (table.name, shape, SRS_ID),
        )


def version_of(connection: sqlite3.Connection) -> int:
    """Return the version of the layout that a file states; 0 if it states none."""
    said = connection.execute("SELECT value FROM season WHERE key = 'schema_version'").fetchone()
    return int(said[0]) if said and str(said[0]).isdecimal() else 0


def add_missing_columns(connection: sqlite3.Connection, table: Table) -> None:
    """Give a season that an earlier version wrote the columns that came since."""
    there = columns_there(connection, table)
    if not there:
        _create_layer(connection, table)
        return
    for column in table.columns:
        if column.name not in there:
            connection.execute(
                f"ALTER TABLE {quoted(table.name)} "
                f"ADD COLUMN {quoted(column.name)} {_SQL_TYPES[column.kind]}"
            )


def columns_there(connection: sqlite3.Connection, table: Table) -> set[str]:
    """Return the columns that a table has in the file; none, if it is not there."""
    return {row[1] for row in connection.execute(f"PRAGMA table_info({quoted(table.name)})")}


def widen_extent(
    connection: sqlite3.Connection, name: str, edges: tuple[float, float, float, float]
) -> None:
    """Widen the extent that the file states of a table to `edges`: west, south, east, north."""
    west, south, east, north = edges
    connection.execute(
        "UPDATE gpkg_contents SET min_x = min(coalesce(min_x, ?), ?), "
        "min_y = min(coalesce(min_y, ?), ?), max_x = max(coalesce(max_x, ?), ?), "
        "max_y = max(coalesce(max_y, ?), ?) WHERE table_name = ?",
        (west, west, south, south, east, east, north, north, name),
    )
