"""GPX: logs, fixes, waypoints and route points from GPX 1.0 and 1.1.

The file is cut into track points that are regular, which ``gpx_scan.py`` reads as arrays, and
the rest, which ``gpx_document.py`` reads element by element. Here both become tables, and
every point of the file is either in a table or set aside with its reason.

Bounds are those of the GPX 1.1 schema: latitude from -90 to 90, longitude from -180 up to but
not including 180. Longitude 180 itself, which devices do write, is put at -180 and noted.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from geopandas.array import GeometryArray
from pandas.api.extensions import ExtensionArray, ExtensionDtype

from carnivore_sign.intake.clocks import in_hour_twice, times_from_text
from carnivore_sign.intake.flags import Track, flag_track
from carnivore_sign.intake.gpx_document import (
    MAX_TEXT,
    MEASURES,
    SIGNED,
    Document,
    Point,
    extras_as_json,
    read_document,
)
from carnivore_sign.intake.gpx_scan import scan_track_points
from carnivore_sign.intake.reading import Reading, make_reading, rows_set_aside
from carnivore_sign.intake.rollover import rollover_notes
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import not_a_number
from carnivore_sign.records.check import TEXT, TIME, empty
from carnivore_sign.records.tables import FIXES, LOGS, ROUTE_POINTS, WAYPOINTS, Table
from carnivore_sign.space import STORED_CRS

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_CRS: Final = pyproj.CRS(STORED_CRS)
_NO_TIME: Final = int(np.iinfo(np.int64).min)
_ODD_NUMBER: Final = re.compile(r"[^0-9+\-.eE\s]")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TABLE_OF: Final[dict[str, Table]] = {"trkpt": FIXES, "wpt": WAYPOINTS, "rtept": ROUTE_POINTS}
_EMPTY: Final = {kind: empty(table) for kind, table in _TABLE_OF.items()}
_FIX_MEASURES: Final = {
    "hdop": "hdop", "accuracy": "accuracy_m", "vdop": "vdop", "pdop": "pdop",
    "satellites": "satellites", "speed": "speed_m_s", "course": "course_deg",
    "heart_rate": "heart_rate_bpm", "temperature": "temperature_c", "cadence": "cadence_rpm",
}  # fmt: skip


@dataclass
class PointArrays:
    """Points of one kind as arrays of one length, and what is wrong with some of them.

    Attributes
    ----------
    begin : array of int
        Byte of the document at which each begins.
    part : array of int
        Segment (of track points) or route (of route points), counted from 0.
    lon, lat : array of float
        Degrees, NaN where missing.
    measures : dict of str to array of float
        By the names of `gpx_document.MEASURES`; NaN where missing, and only what there is.
    texts : dict of str to array of object
        ``fix`` and ``extras`` (JSON), None where missing, and only what there is.
    time_ms : array of int
        Milliseconds since 1970 UTC, NaT as the smallest integer.
    faults : dict of int to str
        Why a point cannot be kept, by its place in the arrays.
    """

    begin: IntArray
    part: IntArray
    lon: FloatArray
    lat: FloatArray
    measures: dict[str, FloatArray]
    texts: dict[str, npt.NDArray[np.object_]]
    time_ms: IntArray
    faults: dict[int, str]
    hour_twice: npt.NDArray[np.bool_] | None = None


def read_gpx(
    source: Source,
    *,
    time_zone: str | None = None,
    observer: str | None = None,
) -> Reading:
    """Read a GPX file.

    Parameters
    ----------
    source : Source
        The file.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such points are set aside.
    observer : str, optional
        Who carried the device; the author named in the file, unless given.

    Returns
    -------
    Reading
        Tables ``logs`` (one row, none if there is no point), ``fixes``, ``waypoints`` and
        ``route_points``. ``source_row`` counts the points of each kind from 1.

    Raises
    ------
    FileUnreadable
        If the content is not XML, or declares entities.

    Notes
    -----
    Source: GPX 1.1 schema (bounds, names of elements); GPX 1.0 for ``author`` and ``name``.
    """
    data, notes = as_utf8(source.data)
    document, scanned = _read_points(data, source)
    notes = (*notes, *document.notes)
    log = source.path.name.removesuffix(".gz").removesuffix(".bz2").rpartition(".")[0]
    log = log or source.path.name
    tables: dict[str, pd.DataFrame] = {}
    aside: list[pd.DataFrame] = []
    rows_in: dict[str, int] = {}
    for kind, table in _TABLE_OF.items():
        points = document.points[kind]
        told: list[str] = []
        if kind == "trkpt" and scanned is not None:
            arrays = scanned
        else:
            arrays, told = _arrays(points, time_zone)
        notes = (*notes, *(f"{table.name}: {note}" for note in (*told, *_repair(arrays))))
        rows = _numbered(arrays.begin, document.lost[kind])
        rows_in[table.name] = len(arrays.begin) + len(document.lost[kind])
        aside.append(_set_aside(document, kind, arrays, rows=rows, receipt=source.receipt))
        tables[table.name] = _table(
            kind, arrays, points, rows=rows[0], receipt=source.receipt, log=log
        )
    notes = (*notes, *rollover_notes(tables["fixes"]["time"]))
    logs = _log_row(document, tables, source.receipt, log=log, observer=observer)
    any_point = sum(rows_in.values()) > 0
    return make_reading(
        source,
        "gpx",
        tables={"logs": logs if any_point else logs.iloc[:0], **tables},
        rows_in={"logs": int(any_point), **rows_in},
        set_aside=aside,
        notes=notes,
    )


def _read_points(data: bytes, source: Source) -> tuple[Document, PointArrays | None]:
    """Read the document, its regular track points as arrays if they can be had that way."""
    file = source.path
    scan = scan_track_points(data)
    if scan is not None:
        document = read_document(scan.rest, file)
        if not document.notes and scan.fits(document):
            return document, PointArrays(
                begin=scan.begin,
                part=scan.parts(document),
                lon=scan.lon,
                lat=scan.lat,
                measures=scan.measures,
                texts=scan.texts,
                time_ms=scan.time_ms,
                faults={},
            )
    return read_document(data, file), None


def _arrays(points: Sequence[Point], time_zone: str | None) -> tuple[PointArrays, list[str]]:
    """Turn points as text into arrays; return them with what was assumed or left out."""
    if not points:
        return _no_points(), []
    faults: dict[int, str] = {}
    lat = _positions([point.lat for point in points], "latitude", faults)
    lon = _positions([point.lon for point in points], "longitude", faults)
    notes: list[str] = []
    measures = {
        name: _measures(points, name, notes)
        for name in dict.fromkeys(chain.from_iterable(point.children for point in points))
        if name in MEASURES
    }
    kinds = [point.children.get("fix") for point in points]
    extras = [extras_as_json(point.extras) for point in points]
    texts = {
        name: np.array(words, dtype=object)
        for name, words in (("fix", kinds), ("extras", extras))
        if any(words)
    }
    words = pd.Series([point.children.get("time") for point in points], dtype="object")
    times, why, told = times_from_text(words, time_zone=time_zone)
    for place, reason in why.items():
        _add_fault(faults, place, f"time: {reason} (came: {words[place][:60]})")
    for place, point in enumerate(points):
        longest = max(map(len, (*point.children.values(), *point.extras.values())), default=0)
        if longest > MAX_TEXT:
            _add_fault(faults, place, f"a text of {longest} characters, and {MAX_TEXT} are read")
    arrays = PointArrays(
        begin=np.array([point.begin for point in points], dtype=np.int64),
        part=np.array([point.part for point in points], dtype=np.int64),
        lon=lon,
        lat=lat,
        measures=measures,
        texts=texts,
        time_ms=_milliseconds(times),
        faults=faults,
        hour_twice=in_hour_twice(words, time_zone) if told else None,
    )
    return arrays, [*notes, *told]


def _no_points() -> PointArrays:
    none, whole = np.empty(0), np.empty(0, dtype=np.int64)
    return PointArrays(whole, whole, none, none, {}, {}, whole, {})


def _milliseconds(times: pd.Series) -> IntArray:
    stamps = times.dt.tz_convert("UTC").dt.tz_localize(None)
    return stamps.to_numpy(dtype="datetime64[ms]").astype(np.int64)


def _positions(texts: list[str | None], what: str, faults: dict[int, str]) -> FloatArray:
    values = _numbers(texts)
    for place in np.flatnonzero(~np.isfinite(values)):
        _add_fault(faults, int(place), not_a_number(texts[place], what))
    return values


def _measures(points: Sequence[Point], name: str, notes: list[str]) -> FloatArray:
    """Read the numbers of one kind; what is none stays among the extras, as text."""
    texts = [point.children.get(name) for point in points]
    values = _numbers(texts)
    given = np.array([text is not None for text in texts], dtype=bool)
    bad = given & ~np.isfinite(values)
    if name not in SIGNED:
        bad |= values < 0
    if bad.any():
        example = texts[int(np.flatnonzero(bad)[0])]
        for place in np.flatnonzero(bad).tolist():
            points[place].add_extra(name, texts[place] or "")
        notes.append(f"{name} left out where it is no such number ({bad.sum()}: {example!r:.60})")
    return np.where(bad, np.nan, values)


def _numbers(texts: list[str | None]) -> FloatArray:
    """Read decimal numbers; NaN where there is none or the text is something else."""
    plain = "".join(filter(None, texts))
    if not _ODD_NUMBER.search(plain):
        try:
            return np.array(texts, dtype=object).astype(np.float64)
        except ValueError:
            pass
    return np.array(
        [
            float(text) if text is not None and _NUMBER.fullmatch(text.strip()) else np.nan
            for text in texts
        ],
        dtype=np.float64,
    )


def _add_fault(faults: dict[int, str], place: int, reason: str) -> None:
    faults[place] = f"{faults[place]}; {reason}" if place in faults else reason


def _repair(arrays: PointArrays) -> list[str]:
    """Hold positions against the bounds of the schema; put longitude 180 at -180."""
    for values, limit, what in ((arrays.lat, 90, "latitude"), (arrays.lon, 180, "longitude")):
        with np.errstate(invalid="ignore"):
            outside = np.isfinite(values) & (np.abs(values) > limit)
        for place in np.flatnonzero(outside):
            reason = f"{what} out of range, -{limit} to {limit} (came: {values[place]:.10g})"
            _add_fault(arrays.faults, int(place), reason)
    edge = arrays.lon == 180
    if not edge.any():
        return []
    arrays.lon[edge] = -180.0
    return [f"longitude 180 written as -180 ({edge.sum()})"]


def _numbered(at: IntArray, lost: list[tuple[int, str]]) -> tuple[IntArray, IntArray]:
    """Number the points read and the points lost, from 1, as they stand in the file."""
    if not lost:
        return np.arange(1, len(at) + 1), np.empty(0, dtype=np.int64)
    where = np.concatenate([at, [begin for begin, _ in lost]])
    numbers = np.empty(len(where), dtype=np.int64)
    numbers[np.argsort(where, kind="stable")] = np.arange(1, len(where) + 1)
    return numbers[: len(at)], numbers[len(at) :]


def _set_aside(
    document: Document,
    kind: str,
    arrays: PointArrays,
    *,
    rows: tuple[IntArray, IntArray],
    receipt: str,
) -> pd.DataFrame:
    lost = document.lost[kind]
    places = sorted(arrays.faults)
    return rows_set_aside(
        receipt,
        _TABLE_OF[kind].name,
        rows=[*(int(rows[0][place]) for place in places), *map(int, rows[1])],
        reasons=[*(arrays.faults[place] for place in places), *(reason for _, reason in lost)],
        contents=[
            *(document.content(int(arrays.begin[place]), kind) for place in places),
            *(document.content(begin, kind) for begin, _ in lost),
        ],
    )


def _table(
    kind: str,
    arrays: PointArrays,
    points: list[Point],
    *,
    rows: IntArray,
    receipt: str,
    log: str,
) -> gpd.GeoDataFrame:
    """Build the table of the points without fault, with the dtypes of its schema."""
    count = len(arrays.begin)
    if not count:
        return _EMPTY[kind].copy()
    keep: slice | npt.NDArray[np.bool_] = slice(None)
    if arrays.faults:
        keep = np.ones(count, dtype=bool)
        keep[list(arrays.faults)] = False
    rows = rows[keep]
    columns: dict[str, object] = {
        "receipt": _constant(receipt, len(rows)),
        "source_row": pd.array(rows, dtype="Int64"),
        "log": _constant(log, len(rows)),
        "time": _utc(arrays.time_ms[keep]),
        "elevation_m": _measure(arrays, "elevation", keep, len(rows)),
        "extras": _words(arrays, "extras", keep, len(rows)),
    }
    if kind == "trkpt":
        columns |= _fix_columns(arrays, keep)
    else:
        sound = [point for place, point in enumerate(points) if place not in arrays.faults]
        columns |= _named_columns(sound)
        if kind == "rtept":
            columns["route"] = pd.array(arrays.part[keep], dtype="Int64")
    table = _TABLE_OF[kind]
    ordered = {name: columns[name] for name in table.names}
    shapes = shapely.points(arrays.lon[keep], arrays.lat[keep])
    ordered["geometry"] = GeometryArray(shapes, crs=_CRS)
    return gpd.GeoDataFrame(ordered, geometry="geometry")


def _measure(
    arrays: PointArrays, name: str, keep: slice | npt.NDArray[np.bool_], count: int
) -> FloatArray:
    values = arrays.measures.get(name)
    return np.full(count, np.nan) if values is None else values[keep]


def _words(
    arrays: PointArrays, name: str, keep: slice | npt.NDArray[np.bool_], count: int
) -> ExtensionArray:
    words = arrays.texts.get(name)
    return (
        pd.array([None], dtype=TEXT).repeat(count)
        if words is None
        else pd.array(words[keep], dtype=TEXT)
    )


def _fix_columns(arrays: PointArrays, keep: slice | npt.NDArray[np.bool_]) -> dict[str, object]:
    lon = arrays.lon[keep]
    measures = {
        column: _measure(arrays, name, keep, len(lon)) for name, column in _FIX_MEASURES.items()
    }
    track = Track(
        lon=lon,
        lat=arrays.lat[keep],
        time_ms=arrays.time_ms[keep],
        group=arrays.part[keep],
        hdop=measures["hdop"],
        accuracy_m=measures["accuracy_m"],
        told={} if arrays.hour_twice is None else {"hour_twice": arrays.hour_twice[keep]},
    )
    return {
        "part": pd.array(track.group, dtype="Int64"),
        **measures,
        "fix_kind": _words(arrays, "fix", keep, len(lon)),
        "flags": flag_track(track),
    }


def _named_columns(points: list[Point]) -> dict[str, object]:
    def texts(name: str) -> list[str | None]:
        return [point.children.get(name) for point in points]

    comments = [
        "; ".join(dict.fromkeys(filter(None, pair))) or None
        for pair in zip(texts("comment"), texts("description"), strict=True)
    ]
    return {
        "name": pd.array(texts("name"), dtype=TEXT),
        "comment": pd.array(comments, dtype=TEXT),
        "symbol": pd.array(texts("symbol"), dtype=TEXT),
    }


def _constant(word: str, count: int) -> ExtensionArray:
    return pd.array([word], dtype=TEXT).repeat(count)


def _utc(time_ms: IntArray) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(time_ms.view("datetime64[ms]")).tz_localize("UTC").astype(TIME)


def _log_row(
    document: Document,
    tables: dict[str, pd.DataFrame],
    receipt: str,
    *,
    log: str,
    observer: str | None,
) -> pd.DataFrame:
    moments = _milliseconds(tables["fixes"]["time"])
    known = moments[moments != _NO_TIME]
    start, end = (known.min(), known.max()) if len(known) else (_NO_TIME, _NO_TIME)
    words = {
        "receipt": receipt,
        "log": log,
        "device": document.creator,
        "observer": observer or document.author,
        "name": document.name or document.track_name,
    }
    counts = {"source_row": 1, "tracks": document.tracks, "parts": document.parts}
    columns: dict[str, object] = {
        **_one_row(words, TEXT),
        **_one_row(counts, pd.Int64Dtype()),
        "start": _utc(np.array([start])),
        "end": _utc(np.array([end])),
    }
    return pd.DataFrame({name: columns[name] for name in LOGS.names})


def _one_row(values: Mapping[str, object], dtype: ExtensionDtype) -> dict[str, ExtensionArray]:
    """Return columns of one row, made as one array."""
    together = pd.array(list(values.values()), dtype=dtype)
    return {name: together[place : place + 1] for place, name in enumerate(values)}
