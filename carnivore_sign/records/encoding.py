"""Encoding: columns and geometries as the season file holds them, and back.

A GeoPackage holds times as text in UTC with milliseconds, and a geometry as a header of eight
bytes with the well-known binary behind it. Whole columns are turned at once; points, of which
a season has a million, are laid out as one array of records of 29 bytes.
"""

from __future__ import annotations

import sqlite3
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
    [("day", "U10"), ("T", "U1"), ("hour", "U2"), ("c1", "U1"), ("minute", "U2"), ("c2", "U1"),
     ("second", "U2"), ("point", "U1"), ("ms", "U3"), ("Z", "U1")]
)  # fmt: skip
_TWO: Final = np.array([f"{number:02d}" for number in range(60)])
_THREE: Final = np.array([f"{number:03d}" for number in range(1000)])
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
        The other columns that hold anything, each with a value per row. NaN is NULL to SQLite.
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
    same: dict[str, str | int] = {}
    columns: dict[str, AnyArray] = {}
    for column in table.columns:
        series = frame[column.name]
        if _is_blank(series.array):
            continue
        values = _to_sql(series, column.kind)
        one = _only_value(values)
        if one is None:
            columns[column.name] = values
        else:
            same[column.name] = one
    edges = None
    if table.geometry:
        shapes = frame["geometry"].to_numpy()
        places = shapely.get_coordinates(shapes)
        columns["geometry"] = _blobs(shapes, places)
        edges = _edges(places)
    return Rows(same, columns, len(frame), edges)


def insert_rows(connection: sqlite3.Connection, table: Table, rows: Rows) -> None:
    """Insert encoded rows.

    A column that holds one value only is written into the statement and not handed over row by
    row, and a statement carries several rows.
    """
    literals = {name: _literal(value) for name, value in rows.same.items()}
    varying = {name: values.tolist() for name, values in rows.columns.items()}
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
        return _time_words(values)
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


def _time_words(values: pd.Series) -> AnyArray:
    """Write times as GeoPackage wants them; every letter has its place, the year has four."""
    stamps = values.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[ms]")
    missing = np.isnat(stamps)
    moments = np.where(missing, 0, stamps.astype(np.int64))
    day, clock = np.divmod(moments, _DAY_MS)
    days, of_day = np.unique(day, return_inverse=True)
    clock, ms = np.divmod(clock.astype(np.int32), 1000)
    clock, second = np.divmod(clock, 60)
    hour, minute = np.divmod(clock, 60)
    words = np.empty(len(moments), dtype=_LETTERS)
    words["day"] = np.datetime_as_string(days.astype("datetime64[D]"))[of_day]
    for name, numbers in (("hour", hour), ("minute", minute), ("second", second)):
        words[name] = _TWO[numbers]
    words["ms"] = _THREE[ms]
    for name, sign in (("T", "T"), ("c1", ":"), ("c2", ":"), ("point", "."), ("Z", "Z")):
        words[name] = sign
    return _with_none(words.view("U24"), missing)


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
        points = np.empty(len(shapes), dtype=_POINT)
        points["header"] = np.void(_HEADER + _WKB_POINT)
        points["xy"] = places
        return points.view(f"V{_POINT.itemsize}")
    wkb = shapely.to_wkb(shapely.force_2d(shapes), byte_order=1)
    bare = shapely.is_empty(shapes)
    blobs = np.empty(len(shapes), dtype=object)
    blobs[:] = [
        None if body is None else (_EMPTY_HEADER if hollow else _HEADER) + body
        for body, hollow in zip(wkb, bare, strict=True)
    ]
    return blobs


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
