"""Programme: the PostGIS database itself - reaching it, its tables, and the seasons in it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Any, Final

from carnivore_sign.errors import LibraryMissing, SeasonError, SeasonMissing, SeasonVersion
from carnivore_sign.records.encoding import quoted
from carnivore_sign.records.layout import SCHEMA_VERSION
from carnivore_sign.records.schema import Table
from carnivore_sign.records.tables import SEASON_TABLES

#: Schema of the database that holds the tables.
SCHEMA: Final = "carnivore_sign"
_TYPES: Final = {
    "text": "text",
    "integer": "bigint",
    "number": "double precision",
    "probability": "double precision",
    "time": "timestamptz",
}
#: Letters of "carn" as a number: under it the tables are made by one process at a time.
_LAYOUT_LOCK: Final = 0x6361726E
_SEASONS: Final = f"""
CREATE TABLE IF NOT EXISTS {SCHEMA}.seasons (
  season text PRIMARY KEY, name text NOT NULL, time_zone text NOT NULL,
  schema_version integer NOT NULL, library_version text NOT NULL, tables jsonb NOT NULL,
  added_at timestamptz NOT NULL DEFAULT now())
"""


@contextmanager
def connected(address: str) -> Iterator[Any]:  # a psycopg.Connection
    """Connect; errors of the database are told without the address, which may hold a password."""
    try:
        psycopg = import_module("psycopg")
    except ImportError as error:
        raise LibraryMissing(
            "a PostGIS database is reached through psycopg. Install it: "
            "pip install 'psycopg[binary]'"
        ) from error
    try:
        with psycopg.connect(address, autocommit=True) as connection:
            yield connection
    except psycopg.Error as error:
        told = str(error).strip().splitlines()
        raise SeasonError(
            f"the database: {told[0] if told else type(error).__name__}. Look at its address and "
            "rights; PostGIS must be there (CREATE EXTENSION postgis)."
        ) from error


def lay_out(connection: Any) -> None:
    """Make the tables that are missing and add the columns that came since."""
    with connection.transaction():
        connection.execute("SELECT pg_advisory_xact_lock(%s)", (_LAYOUT_LOCK,))
        connection.execute("CREATE EXTENSION IF NOT EXISTS postgis")
        connection.execute(f"CREATE SCHEMA IF NOT EXISTS {SCHEMA}")
        connection.execute(_SEASONS)
        for table in SEASON_TABLES.values():
            for statement in _statements(table):
                connection.execute(statement)


def _statements(table: Table) -> Iterator[str]:
    place = f"{SCHEMA}.{quoted(table.name)}"
    yield (
        f"CREATE TABLE IF NOT EXISTS {place} (season text NOT NULL REFERENCES {SCHEMA}.seasons "
        "ON DELETE CASCADE, row bigint NOT NULL, PRIMARY KEY (season, row))"
    )
    for column in table.columns:
        named = f"{quoted(column.name)} {_TYPES[column.kind]}"
        yield f"ALTER TABLE {place} ADD COLUMN IF NOT EXISTS {named}"
    if table.geometry:
        yield f"ALTER TABLE {place} ADD COLUMN IF NOT EXISTS geometry geometry(Geometry, 4326)"
        yield (
            f"CREATE INDEX IF NOT EXISTS {quoted(f'{table.name}_geometry')} ON {place} "
            "USING gist (geometry)"
        )
    if table.key:
        key = ", ".join(map(quoted, ("season", *table.key)))
        yield (
            f"CREATE UNIQUE INDEX IF NOT EXISTS {quoted(f'{table.name}_key')} ON {place} ({key})"
        )


def is_laid_out(connection: Any) -> bool:
    """Tell whether seasons were ever put into a database."""
    found = connection.execute("SELECT to_regclass(%s)", (f"{SCHEMA}.seasons",)).fetchone()
    return found[0] is not None


def versions(connection: Any) -> dict[str, int]:
    """Return the seasons of a database, each with the version of its schema."""
    if not is_laid_out(connection):
        return {}
    rows = connection.execute(f"SELECT season, schema_version FROM {SCHEMA}.seasons").fetchall()
    return dict(rows)


def require_seasons(wanted: Collection[str], there: Mapping[str, int]) -> None:
    """Require that seasons are there, and of a version that can be read.

    Raises
    ------
    SeasonMissing
        If one is not there.
    SeasonVersion
        If one is of a newer version.
    """
    for season in wanted:
        if season not in there:
            raise SeasonMissing(
                f"the database has no season '{season}'. It has: {', '.join(there) or 'none'}."
            )
        if there[season] > SCHEMA_VERSION:
            raise SeasonVersion(
                f"season '{season}' of the database is of schema {there[season]}, and this "
                f"library reads up to {SCHEMA_VERSION}. Install a newer version of it."
            )
