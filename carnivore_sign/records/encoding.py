"""Encoding: columns and geometries as the season file holds them, and back.

A GeoPackage holds times as text in UTC with milliseconds, and a geometry as a header of eight
bytes with the well-known binary behind it. Whole columns are turned at once; points, of which
a season has a million, are laid out as one array of records of 29 bytes.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.records.check import TEXT, TIME
from carnivore_sign.records.tables import Table

#: Number under which a GeoPackage knows `carnivore_sign.space.STORED_CRS`.
SRS_ID: Final = 4326

#: Rows that one statement carries, and the parameters that SQLite takes in one at least.
_ROWS_AT_ONCE: Final = 100
_MOST_PARAMETERS: Final = 900

_HEADER: Final = b"GP\x00\x01" + SRS_ID.to_bytes(4, "little")
_EMPTY_HEADER: Final = b"GP\x00\x11" + SRS_ID.to_bytes(4, "little")
_WKB_POINT: Final = b"\x01\x01\x00\x00\x00"
_POINT: Final = np.dtype([("header", "V13"), ("xy", "<f8", 2)])
_ENVELOPE_BYTES: Final = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}

#: A time as 24 letters: 2026-02-14T15:40:00.250Z.
_LETTERS: Final = np.dtype(
    [("day", "S10"), ("T", "S1"), ("hour", "S2"), ("c1", "S1"), ("minute", "S2"), ("c2", "S1"),
     ("second", "S2"), ("point", "S1"), ("ms", "S3"), ("Z", "S1")]
)  # fmt: skip
_TWO: Final = np.array([f"{number:02d}" for number in range(60)], dtype="S2")
_THREE: Final = np.array([f"{number:03d}" for number in range(1000)], dtype="S3")
_NO_TIME: Final = int(np.iinfo(np.int64).min)
_DAY_MS: Final = 86_400_000


AnyArray = npt.NDArray[Any]
Edges = tuple[float, float, float, float]


@dataclass(frozen=True)
class Rows:
    """Rows of a table as SQLite takes them, compact enough to go from process to process.

    Attributes
    ----------
    same : dict of str to str or int
        The columns of one value only, as most of a log's are, with that value.
    columns : dict of str to array
        The other columns that hold anything, each with a value per row. NaN is NULL to SQLite;
        times are letters of one byte.
    count : int
        How many rows there are.
    edges : tuple of float or None
        West, south, east and north of their places, if they have any.
    """

    same: dict[str, str | int]
    columns: dict[str, AnyArray]
    count: int
    edges: Edges | None = None

    def __len__(self) -> int:
        return self.count

    def taken(self, kept: npt.NDArray[np.bool_]) -> Rows:
        """Return some of the rows of a table of points."""
        columns = {name: values[kept] for name, values in self.columns.items()}
        edges = _edges(columns["geometry"].view(_POINT)["xy"])
        return Rows(self.same, columns, int(kept.sum()), edges)

    def with_same(self, name: str, value: str | int) -> Rows:
        """Return the rows with one value all through a column."""
        columns = {other: values for other, values in self.columns.items() if other != name}
        return replace(self, same={**self.same, name: value}, columns=columns)


def encode_rows(table: Table, frame: pd.DataFrame) -> Rows:
    """Turn a checked frame into rows as SQLite takes them.

    A frame of a large log is best encoded as soon as it is there: its points are objects that
    Python's collector of garbage visits again and again, and the encoded columns are not.
    """
    series = ((column, frame[column.name]) for column in table.columns)
    same, columns = _sorted(
        {
            column.name: _to_sql(values, column.kind)
            for column, values in series
            if not _is_blank(values.array)
        }
    )
    edges = None
    if table.geometry:
        shapes = frame["geometry"].to_numpy()
        places = shapely.get_coordinates(shapes)
        columns["geometry"] = _blobs(shapes, places)
        edges = _edges(places)
    return Rows(same, columns, len(frame), edges)


def encode_points(
    table: Table,
    *,
    lon: npt.NDArray[np.float64],
    lat: npt.NDArray[np.float64],
    columns: Mapping[str, AnyArray],
    same: Mapping[str, str | int],
) -> Rows:
    """Turn points that are held as columns into rows as SQLite takes them.

    Parameters
    ----------
    table : Table
        Their table.
    lon, lat : array of float
        Degrees.
    columns : mapping of str to array
        Columns of the table, a value per point: numbers, NaN where missing; whole numbers;
        times as milliseconds since 1970 UTC, the smallest integer where missing; words as
        objects, None or NaN where missing.
    same : mapping of str to str or int
        The columns of one value only.
    """
    encoded: dict[str, AnyArray] = {}
    for name, values in columns.items():
        kind = table[name].kind
        if kind == "time":
            if (values != _NO_TIME).any():
                encoded[name] = _time_words(values)
        elif values.dtype != object:
            if values.dtype.kind != "f" or not np.isnan(values).all():
                encoded[name] = values
        elif not (missing := np.asarray(pd.isna(values))).all():
            encoded[name] = _with_none(values, missing)
    found, encoded = _sorted(encoded)
    places = np.column_stack([lon, lat])
    encoded["geometry"] = _point_blobs(places)
    return Rows({**same, **found}, encoded, len(lon), _edges(places))


def encode_lists(table: Table, columns: Mapping[str, Sequence[Any]]) -> Rows:
    """Turn a few rows without places, held as lists, into rows as SQLite takes them.

    `columns` are those of the table: words and whole numbers, None where missing, and times as
    milliseconds since 1970 UTC, the smallest integer where missing.
    """
    encoded: dict[str, AnyArray] = {}
    for name, values in columns.items():
        if table[name].kind == "time":
            encoded[name] = _time_words(np.array(values, dtype=np.int64))
        else:
            encoded[name] = np.array(values, dtype=object)
    same, varying = _sorted(encoded)
    return Rows(same, varying, len(columns[table.names[0]]))


def _sorted(columns: dict[str, AnyArray]) -> tuple[dict[str, str | int], dict[str, AnyArray]]:
    """Sort columns into those of one value, with that value, and the others."""
    same = {name: _only_value(values) for name, values in columns.items()}
    return (
        {name: one for name, one in same.items() if one is not None},
        {name: values for name, values in columns.items() if same[name] is None},
    )


def insert_rows(connection: sqlite3.Connection, table: Table, rows: Rows) -> None:
    """Insert encoded rows.

    A column that holds one value only is written into the statement and not handed over row by
    row, and a statement carries several rows.
    """
    literals = {name: _literal(value) for name, value in rows.same.items()}
    varying = {name: _plain_values(values) for name, values in rows.columns.items()}
    if not varying:
        values_of = rows.same or dict.fromkeys(table.names[:1])
        varying, literals = {name: [value] * len(rows) for name, value in values_of.items()}, {}
    names = ", ".join(map(quoted, (*literals, *varying)))
    head = f"INSERT INTO {quoted(table.name)} ({names}) VALUES "
    row = "(" + ", ".join([*literals.values(), *["?"] * len(varying)]) + ")"
    width = len(varying)
    values: list[Any] = [None] * (width * len(rows))
    for place, column in enumerate(varying.values()):
        values[place::width] = column
    step = width * max(1, min(_ROWS_AT_ONCE, _MOST_PARAMETERS // width))
    whole = len(values) - len(values) % step
    connection.executemany(
        head + ", ".join([row] * (step // width)),
        (values[first : first + step] for first in range(0, whole, step)),
    )
    connection.executemany(
        head + row, (values[first : first + width] for first in range(whole, len(values), width))
    )


def _plain_values(values: AnyArray) -> list[Any]:
    """Return values as those of Python, letters of one byte as words."""
    if values.dtype.kind == "S":
        letters = values.view(np.uint8).astype(np.uint32)
        values = letters.view(f"U{values.dtype.itemsize}")
    plain: list[Any] = values.tolist()
    return plain


def _is_blank(values: pd.api.extensions.ExtensionArray) -> bool:
    """Tell whether a column holds nothing, and can be left out of the statement."""
    return bool(len(values)) and bool(pd.isna(values[0])) and bool(pd.isna(values).all())


def _only_value(values: AnyArray) -> str | int | None:
    """Return the one word or whole number of a column; None if it has several or needs care."""
    first = values[:1].tolist()[0]
    plain = isinstance(first, int) or (isinstance(first, str) and "\0" not in first)
    return first if plain and bool((values == first).all()) else None


def _literal(value: str | int) -> str:
    return str(value) if isinstance(value, int) else "'" + value.replace("'", "''") + "'"


def _to_sql(values: pd.Series, kind: str) -> AnyArray:
    if kind in ("number", "probability"):
        return values.to_numpy(dtype=float)
    if kind == "time":
        stamps = values.dt.tz_convert("UTC").dt.tz_localize(None)
        return _time_words(stamps.to_numpy(dtype="datetime64[ms]").astype(np.int64))
    missing = np.asarray(pd.isna(values.array))
    if kind == "integer":
        return _with_none(values.fillna(0).to_numpy(dtype=np.int64), missing)
    return _with_none(values.to_numpy(dtype=object), missing)


def _with_none(values: AnyArray, missing: npt.NDArray[np.bool_]) -> AnyArray:
    """Put None where a value is missing."""
    if not missing.any():
        return values
    told = values.astype(object)
    told[missing] = None
    return told


def _time_words(time_ms: npt.NDArray[np.int64]) -> AnyArray:
    """Write times as GeoPackage wants them; every letter has its place, the year has four."""
    missing = time_ms == _NO_TIME
    if missing.any():
        words = _time_words(np.where(missing, 0, time_ms))
        return _with_none(words.astype("U24"), missing)
    day, of_day = np.divmod(time_ms, _DAY_MS)
    clock, ms = np.divmod(of_day.astype(np.int32), 1000)
    clock, second = np.divmod(clock, 60)
    hour, minute = np.divmod(clock, 60)
    words = np.empty(len(time_ms), dtype=_LETTERS)
    words["day"] = _day_words(day)
    for name, numbers in (("hour", hour), ("minute", minute), ("second", second)):
        words[name] = _TWO[numbers]
    words["ms"] = _THREE[ms]
    for name, sign in (("T", "T"), ("c1", ":"), ("c2", ":"), ("point", "."), ("Z", "Z")):
        words[name] = sign
    return words.view("S24")


def _day_words(day: npt.NDArray[np.int64]) -> AnyArray:
    """Write days since 1970; those of a log are few."""
    if (day == day[:1]).all():
        return np.datetime_as_string(day[:1].astype("datetime64[D]")).astype("S10")
    days, which = np.unique(day, return_inverse=True)
    return np.datetime_as_string(days.astype("datetime64[D]")).astype("S10")[which]


def column_from_sql(values: tuple[object, ...], kind: str) -> pd.Series:
    """Turn a column as SQLite gave it into a Series of the kind."""
    if kind == "time":
        return pd.to_datetime(pd.Series(values, dtype="object"), utc=True, format="ISO8601").astype(
            TIME
        )
    if kind == "text":
        return pd.Series(values, dtype="object").astype(TEXT)
    if kind == "integer":
        return pd.Series(values, dtype="Int64")
    return pd.Series(values, dtype="float64")


def _blobs(shapes: npt.NDArray[np.object_], places: npt.NDArray[np.float64]) -> AnyArray:
    """GeoPackage geometry: magic 'GP', version 0, flags (little-endian, no envelope), SRS, WKB."""
    if len(places) == len(shapes) and (shapely.get_type_id(shapes) == 0).all():
        return _point_blobs(places)
    wkb = shapely.to_wkb(shapely.force_2d(shapes), byte_order=1)
    bare = shapely.is_empty(shapes)
    blobs = np.empty(len(shapes), dtype=object)
    blobs[:] = [
        None if body is None else (_EMPTY_HEADER if hollow else _HEADER) + body
        for body, hollow in zip(wkb, bare, strict=True)
    ]
    return blobs


def _point_blobs(places: npt.NDArray[np.float64]) -> AnyArray:
    """Lay points out as records of one length."""
    points = np.empty(len(places), dtype=_POINT)
    points["header"] = np.void(_HEADER + _WKB_POINT)
    points["xy"] = places
    return points.view(f"V{_POINT.itemsize}")


def geometries_from_blobs(blobs: tuple[bytes | None, ...]) -> npt.NDArray[np.object_]:
    """Read GeoPackage geometries, our own points all at once."""
    points = _points_of(blobs)
    if points is not None:
        return shapely.points(points)
    bodies = [
        None if blob is None else blob[8 + _ENVELOPE_BYTES[(blob[3] >> 1) & 7] :] for blob in blobs
    ]
    return shapely.from_wkb(np.array(bodies, dtype=object))


def _points_of(blobs: tuple[bytes | None, ...]) -> npt.NDArray[np.float64] | None:
    if set(map(type, blobs)) != {bytes} or set(map(len, blobs)) != {_POINT.itemsize}:  # type: ignore[arg-type]
        return None
    points = np.frombuffer(b"".join(blobs), dtype=_POINT)  # type: ignore[arg-type]
    if (points["header"] != np.void(_HEADER + _WKB_POINT)).any():
        return None
    return points["xy"]


def _edges(places: npt.NDArray[np.float64]) -> Edges | None:
    """Return west, south, east and north of places; None if there is none."""
    if not len(places):
        return None
    west, south = places.min(axis=0).tolist()
    east, north = places.max(axis=0).tolist()
    return west, south, east, north


def quoted(name: str) -> str:
    """Return a name as SQL wants it."""
    return '"' + name.replace('"', '""') + '"'
