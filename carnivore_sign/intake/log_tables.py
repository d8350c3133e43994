"""Log tables: the points of a log that are kept, as columns, and the tables made of them.

Readers of logs end with columns of numbers and words. A table of them is made when somebody asks
for it: an import writes the columns as they are, and never needs it.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from geopandas.array import GeometryArray

from carnivore_sign.intake.flags import Track, flag_track
from carnivore_sign.intake.overlaps import FixKeys
from carnivore_sign.intake.rollover import are_suspect, rollover_notes
from carnivore_sign.records.check import TEXT, TIME, conform, empty
from carnivore_sign.records.encoding import Rows, encode_points
from carnivore_sign.records.tables import FIXES, LOGS, ROUTE_POINTS, WAYPOINTS, Column, Table
from carnivore_sign.space import STORED_CRS

AnyArray = npt.NDArray[Any]
FloatArray = npt.NDArray[np.float64]

#: Tables of the points of a log.
POINT_TABLES: Final[dict[str, Table]] = {
    table.name: table for table in (FIXES, WAYPOINTS, ROUTE_POINTS)
}
#: The number that stands for a time that is missing.
NO_TIME: Final = int(np.iinfo(np.int64).min)

_EMPTY: Final = {name: empty(table) for name, table in POINT_TABLES.items()}
_CRS: Final = pyproj.CRS(STORED_CRS)


@dataclass(frozen=True, eq=False)
class KeptPoints:
    """The points of one table that are kept.

    Attributes
    ----------
    table : Table
        The table.
    lon, lat : array of float
        Degrees.
    columns : dict of str to array
        By the names of the table, a value per point: numbers as float, NaN where missing; whole
        numbers as integer; times as milliseconds since 1970 UTC, `NO_TIME` where missing; words
        as objects, None where missing. A column that is not there holds nothing.
    same : dict of str to str
        The columns that hold one word all through.
    """

    table: Table
    lon: FloatArray
    lat: FloatArray
    columns: dict[str, AnyArray]
    same: dict[str, str | int]

    def __len__(self) -> int:
        return len(self.lon)

    def frame(self) -> gpd.GeoDataFrame:
        """Return them as the table, with the dtypes of its schema."""
        if not len(self):
            return _EMPTY[self.table.name].copy()
        nothing = _NOTHING[: len(self)]
        if len(nothing) < len(self):
            nothing = _repeated(np.nan, len(self))
        columns = {column.name: self._values(column, nothing) for column in self.table.columns}
        with _no_collecting():
            shapes = shapely.points(self.lon, self.lat)
        columns["geometry"] = GeometryArray(shapes, crs=_CRS)
        return gpd.GeoDataFrame(columns, geometry="geometry")

    def start_and_end(self) -> dict[str, int]:
        """Return the first and the last moment, as columns of table ``logs``."""
        times = self.columns.get("time", np.empty(0, dtype=np.int64))
        known = times[times != NO_TIME]
        first, last = (known.min(), known.max()) if len(known) else (NO_TIME, NO_TIME)
        return {"start": int(first), "end": int(last)}

    def rollover_notes(self) -> list[str]:
        """Tell dates that a receiver with a week number begun again would write."""
        times = self.columns.get("time", np.empty(0, dtype=np.int64))
        early = times[are_suspect(times) & (times != NO_TIME)]
        return rollover_notes(pd.Series(moments(early))) if len(early) else []

    def keys(self) -> FixKeys:
        """Return when and where they are."""
        return FixKeys.at(self.lon, self.lat, self.columns["time"])

    def rows(self) -> Rows:
        """Return them as rows that the season takes."""
        return encode_points(
            self.table, lon=self.lon, lat=self.lat, columns=self.columns, same=self.same
        )

    def _values(self, column: Column, nothing: pd.api.extensions.ExtensionArray) -> Any:
        """Return a column with its dtype; `nothing` is one of words that are all missing."""
        if column.name in self.same:
            return _repeated(self.same[column.name], len(self))
        values = self.columns.get(column.name)
        if column.kind == "text":
            return nothing if values is None else pd.array(values, dtype=TEXT)
        if column.kind == "time":
            return moments(np.full(len(self), NO_TIME) if values is None else values)
        if column.kind == "integer":
            return pd.array([pd.NA] * len(self) if values is None else values, dtype="Int64")
        return np.full(len(self), np.nan) if values is None else values


class LogTables(Mapping[str, pd.DataFrame]):
    """The tables of a log, each made when it is first asked for.

    Parameters
    ----------
    log : mapping of str to value
        The row of table ``logs``, times as in `KeptPoints`; None if there is no point at all.
    points : mapping of str to KeptPoints
        The points of the other tables, as far as there are any.
    """

    def __init__(self, log: Mapping[str, Any] | None, points: Mapping[str, KeptPoints]) -> None:
        self.log = log
        self.points = points
        self._made: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        if name not in self:
            raise KeyError(name)
        if name not in self._made:
            self._made[name] = self._make(name)
        return self._made[name]

    def __contains__(self, name: object) -> bool:
        return name == LOGS.name or name in POINT_TABLES

    def __iter__(self) -> Iterator[str]:
        return iter((LOGS.name, *POINT_TABLES))

    def __len__(self) -> int:
        return 1 + len(POINT_TABLES)

    @property
    def counts(self) -> dict[str, int]:
        """The rows of each table, none of which is made for it."""
        points = {name: len(self.points.get(name, ())) for name in POINT_TABLES}
        return {LOGS.name: int(self.log is not None), **points}

    def _make(self, name: str) -> pd.DataFrame:
        if name == LOGS.name:
            return self._log_frame()
        if name in self.points:
            return self.points[name].frame()
        return _EMPTY[name].copy()

    def _log_frame(self) -> pd.DataFrame:
        rows = [] if self.log is None else [self.log]
        columns: dict[str, Any] = {name: [row[name] for row in rows] for name in LOGS.names}
        for name in ("start", "end"):
            columns[name] = moments(np.array(columns[name], dtype=np.int64))
        return conform(pd.DataFrame(columns), LOGS)


def flag_column(track: Track) -> dict[str, AnyArray]:
    """Return the column of flags of a track, if any fix has one."""
    flags = flag_track(track)
    return {} if flags.isna().all() else {"flags": flags.to_numpy(dtype=object)}


def moments(time_ms: npt.NDArray[np.int64]) -> pd.DatetimeIndex:
    """Return times that are held as numbers, as in `KeptPoints`."""
    return pd.DatetimeIndex(time_ms.view("datetime64[ms]"), tz="UTC").astype(TIME)


def _repeated(word: object, count: int) -> pd.api.extensions.ExtensionArray:
    return pd.array([word], dtype=TEXT).repeat(count)


#: A column of words that are all missing, for tables that are no longer; a table copies it.
_NOTHING: Final = _repeated(np.nan, 20_000)


@contextmanager
def _no_collecting() -> Iterator[None]:
    """Keep Python's collector of garbage from looking through all there is, again and again.

    It does so after some thousands of objects are made, whatever they are. Points are part of
    no cycle, so that there is nothing to find.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
