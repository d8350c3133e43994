"""Logs: points of any kind of log, held as columns, become the tables of a reading.

The readers of watches, receivers and map viewers differ in how they come by their points and
in nothing after that. What is after that stands here once: bounds of positions, flags, the
row of the log, and the sorting into rows kept and rows set aside.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.intake.flags import TOLD_FLAGS, Track
from carnivore_sign.intake.log_tables import (
    NO_TIME,
    POINT_TABLES,
    KeptPoints,
    LogTables,
    flag_column,
)
from carnivore_sign.intake.reading import Reading, make_reading, rows_set_aside
from carnivore_sign.intake.source import Source
from carnivore_sign.records.tables import FIXES, Table

#: Longest text that a point may carry, in characters.
MAX_TEXT: Final = 100_000

_MEASURES: Final = ("elevation_m", "hdop", "accuracy_m")
_NOT_NEGATIVE: Final = ("hdop", "accuracy_m")
_TEXTS: Final = ("name", "comment", "symbol")

AnyArray = npt.NDArray[Any]


@dataclass(frozen=True)
class LogHead:
    """What a file says about itself.

    Attributes
    ----------
    device : str or None
        Program or device that wrote it.
    name : str or None
        Its title.
    observer : str or None
        Who carried the device.
    tracks, parts : int
        Tracks in it, and segments of tracks.
    """

    device: str | None = None
    name: str | None = None
    observer: str | None = None
    tracks: int = 0
    parts: int = 0


def log_reading(
    source: Source,
    kind: str,
    *,
    points: Mapping[str, pd.DataFrame],
    head: LogHead,
    notes: Sequence[str] = (),
    content_of: Callable[[Any], str] = str,
    heading: str | None = None,
) -> Reading:
    """Make the reading of a log.

    Parameters
    ----------
    source : Source
        The file.
    kind : str
        What it was recognised as.
    points : mapping of str to DataFrame
        Points for ``fixes``, ``waypoints`` and ``route_points``, as far as there are any, in
        the order of the file. Columns ``lon`` and ``lat`` in degrees, NaN where there is
        none, and ``content``, the text of the point; further the columns of the table, as far
        as they are known. ``fault`` is why a point cannot be kept, and missing where it can.
        ``source_row`` counts from 1 if it is not there.
    head : LogHead
        What the file says about itself.
    notes : sequence of str
        What was repaired, assumed or left out.
    content_of : callable
        Gives the text of a point from what stands in ``content``; asked for faulty ones only.
    heading : str, optional
        First row of the table that the points stood in, if it was a table.

    Returns
    -------
    Reading
        Tables ``logs`` (one row, none if there is no point), ``fixes``, ``waypoints`` and
        ``route_points``.
    """
    log = log_name(source)
    kept: dict[str, KeptPoints] = {}
    rows_in = dict.fromkeys(POINT_TABLES, 0)
    aside: list[pd.DataFrame] = []
    told = list(notes)
    for name, table in POINT_TABLES.items():
        some = points.get(name)
        if some is None or not len(some):
            continue
        rows_in[name] = len(some)
        kept[name], bad, why = _sorted(
            some.reset_index(drop=True),
            table,
            source,
            log=log,
            content_of=content_of,
            heading=heading,
        )
        aside.append(bad)
        told += why
    any_point = sum(rows_in.values()) > 0
    row = log_row(head, kept.get("fixes"), source, log)
    return make_reading(
        source,
        kind,
        tables=LogTables(row if any_point else None, kept),
        rows_in={"logs": int(any_point), **rows_in},
        set_aside=aside,
        notes=told,
    )


def log_name(source: Source) -> str:
    """Name of the log that a file holds: the name of the file without its ending."""
    name = source.path.name.removesuffix(".gz").removesuffix(".bz2")
    return name.rpartition(".")[0] or source.path.name


def milliseconds(times: pd.Series) -> npt.NDArray[np.int64]:
    """Return times as milliseconds since 1970 UTC, the smallest integer where missing."""
    stamps = times.dt.tz_convert("UTC").dt.tz_localize(None)
    return stamps.to_numpy(dtype="datetime64[ms]").astype(np.int64)


def _sorted(
    frame: pd.DataFrame,
    table: Table,
    source: Source,
    *,
    log: str,
    content_of: Callable[[Any], str],
    heading: str | None,
) -> tuple[KeptPoints, pd.DataFrame, list[str]]:
    """Sort the points of one table into kept and set aside."""
    points = _Points.of(frame, table)
    notes = [f"{table.name}: {note}" for note in points.repaired()]
    sound = points.kept()
    rows = np.flatnonzero(~sound)
    kept = sound if len(rows) else slice(None)  # which takes no memory
    contents = frame["content"].iloc[rows].tolist()
    aside = rows_set_aside(
        source.receipt,
        table.name,
        rows=points.columns["source_row"][rows].tolist(),
        reasons=points.faults[rows].tolist(),
        contents=map(content_of, contents),
        heading=heading,
    )
    columns = {name: points.columns.pop(name)[kept] for name in list(points.columns)}
    lon, lat = columns.pop("lon"), columns.pop("lat")
    told: dict[str, AnyArray] = {name: columns.pop(name) for name in TOLD_FLAGS if name in columns}
    if table is FIXES:
        columns |= _flags(lon, lat, columns, told)
    found = KeptPoints(
        table=table,
        lon=lon,
        lat=lat,
        columns={name: columns[name] for name in table.names if name in columns},
        same={"receipt": source.receipt, "log": log},
    )
    return found, aside, [*notes, *(found.rollover_notes() if table is FIXES else ())]


@dataclass
class _Points:
    """The points of one table as arrays, as `KeptPoints` has them, and their faults."""

    columns: dict[str, AnyArray]
    faults: npt.NDArray[np.object_]

    @classmethod
    def of(cls, frame: pd.DataFrame, table: Table) -> _Points:
        count = len(frame)
        columns: dict[str, AnyArray] = {
            name: frame[name].to_numpy(dtype=float) for name in ("lon", "lat")
        }
        for column in table.columns:
            if column.name in frame:
                columns[column.name] = _array(frame[column.name], column.kind)
        columns.setdefault("source_row", np.arange(1, count + 1))
        columns.setdefault("time", np.full(count, NO_TIME))
        for name in {"part", "route"} & set(table.names):
            columns.setdefault(name, np.zeros(count, dtype=np.int64))
        for name in TOLD_FLAGS:
            if name in frame:
                columns[name] = frame[name].eq(True).to_numpy(dtype=bool)
        faults = np.full(count, None, dtype=object)
        if "fault" in frame:
            given = frame["fault"].notna().to_numpy(dtype=bool)
            faults[given] = frame["fault"].to_numpy(dtype=object)[given]
        return cls(columns, faults)

    def kept(self) -> npt.NDArray[np.bool_]:
        """Tell which points are without a fault."""
        return np.asarray(pd.isna(self.faults), dtype=bool)

    def repaired(self) -> list[str]:
        """Hold positions, numbers and texts against their bounds; tell what was repaired."""
        lost = ~self.kept()
        for name, limit, what in (("lat", 90, "latitude"), ("lon", 180, "longitude")):
            values = self.columns[name]
            known = np.isfinite(values)
            with np.errstate(invalid="ignore"):
                outside = np.flatnonzero(known & (np.abs(values) > limit))
            for place in outside.tolist():
                came = f"(came: {values[place]:.10g})"
                self.fault(place, f"{what} out of range, -{limit} to {limit} {came}")
            for place in np.flatnonzero(~known & ~lost).tolist():
                self.fault(place, f"no {what}")
        for name in _TEXTS:
            for place in _too_long(self.columns.get(name)):
                self.fault(place, f"a text of more than {MAX_TEXT} characters")
        return [*self._edge(), *self._measures()]

    def fault(self, place: int, reason: str) -> None:
        """Add a reason behind what is there."""
        there = self.faults[place]
        self.faults[place] = reason if there is None else f"{there}; {reason}"

    def _edge(self) -> list[str]:
        edge = self.columns["lon"] == 180
        if not edge.any():
            return []
        self.columns["lon"] = np.where(edge, -180.0, self.columns["lon"])
        return [f"longitude 180 written as -180 ({edge.sum()})"]

    def _measures(self) -> list[str]:
        notes = []
        for name in _MEASURES:
            values = self.columns.get(name)
            if values is None:
                continue
            with np.errstate(invalid="ignore"):
                bad = np.isinf(values) | ((values < 0) & (name in _NOT_NEGATIVE))
            if bad.any():
                self.columns[name] = np.where(bad, np.nan, values)
                notes.append(f"{name} left out where it is no such number ({bad.sum()})")
        return notes


def _array(values: pd.Series, kind: str) -> AnyArray:
    if kind == "text":
        words = values.astype("object")
        return words.where(words.notna(), None).to_numpy()
    if kind == "integer":
        return pd.to_numeric(values).fillna(0).to_numpy(dtype=np.int64)  # faulty ones have none
    if kind == "time":
        return milliseconds(values)
    return pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)


def _too_long(words: AnyArray | None) -> list[int]:
    if words is None:
        return []
    return np.flatnonzero(pd.Series(words, dtype=object).str.len() > MAX_TEXT).tolist()


def _flags(
    lon: AnyArray, lat: AnyArray, columns: Mapping[str, AnyArray], told: Mapping[str, AnyArray]
) -> dict[str, AnyArray]:
    nothing = np.full(len(lon), np.nan)
    return flag_column(
        Track(
            lon=lon,
            lat=lat,
            time_ms=columns["time"],
            group=columns["part"],
            hdop=columns.get("hdop", nothing),
            accuracy_m=columns.get("accuracy_m", nothing),
            told=told,
        )
    )


def log_row(head: LogHead, fixes: KeptPoints | None, source: Source, log: str) -> Mapping[str, Any]:
    """Return the row of a log as `LogTables` takes it."""
    span = fixes.start_and_end() if fixes else {"start": NO_TIME, "end": NO_TIME}
    return {
        "receipt": source.receipt,
        "source_row": 1,
        "log": log,
        "device": head.device,
        "observer": head.observer,
        "name": head.name,
        "tracks": head.tracks,
        "parts": head.parts,
        **span,
    }
