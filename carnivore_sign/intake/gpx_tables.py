"""GPX tables: points as arrays become the tables of the record, with the dtypes of their schema."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from geopandas.array import GeometryArray
from pandas.api.extensions import ExtensionArray, ExtensionDtype

from carnivore_sign.intake.flags import Track, flag_track
from carnivore_sign.intake.gpx_document import Document
from carnivore_sign.intake.gpx_points import PointArrays
from carnivore_sign.intake.logs import milliseconds
from carnivore_sign.records.check import TEXT, TIME, empty
from carnivore_sign.records.tables import FIXES, LOGS, ROUTE_POINTS, WAYPOINTS, Table
from carnivore_sign.space import STORED_CRS

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Table of each element that is a point.
TABLE_OF: Final[dict[str, Table]] = {"trkpt": FIXES, "wpt": WAYPOINTS, "rtept": ROUTE_POINTS}
_EMPTY: Final = {kind: empty(table) for kind, table in TABLE_OF.items()}
_CRS: Final = pyproj.CRS(STORED_CRS)
_NO_TIME: Final = int(np.iinfo(np.int64).min)
_FIX_MEASURES: Final = {
    "hdop": "hdop", "accuracy": "accuracy_m", "vdop": "vdop", "pdop": "pdop",
    "satellites": "satellites", "speed": "speed_m_s", "course": "course_deg",
    "heart_rate": "heart_rate_bpm", "temperature": "temperature_c", "cadence": "cadence_rpm",
}  # fmt: skip


def point_table(
    kind: str,
    arrays: PointArrays,
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
        columns |= _named_columns(arrays, keep, len(rows))
        if kind == "rtept":
            columns["route"] = pd.array(arrays.part[keep], dtype="Int64")
    table = TABLE_OF[kind]
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


def _named_columns(
    arrays: PointArrays, keep: slice | npt.NDArray[np.bool_], count: int
) -> dict[str, object]:
    none = np.full(len(arrays.begin), None, dtype=object)
    comment, description = (arrays.texts.get(name, none) for name in ("comment", "description"))
    comments = [
        "; ".join(dict.fromkeys(filter(None, pair))) or None
        for pair in zip(comment[keep], description[keep], strict=True)
    ]
    return {
        "name": _words(arrays, "name", keep, count),
        "comment": pd.array(comments, dtype=TEXT),
        "symbol": _words(arrays, "symbol", keep, count),
    }


def _constant(word: str, count: int) -> ExtensionArray:
    return pd.array([word], dtype=TEXT).repeat(count)


def _utc(time_ms: IntArray) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(time_ms.view("datetime64[ms]")).tz_localize("UTC").astype(TIME)


def log_row(
    document: Document,
    tables: dict[str, pd.DataFrame],
    receipt: str,
    *,
    log: str,
    observer: str | None,
) -> pd.DataFrame:
    """Return the row of a log."""
    moments = milliseconds(tables["fixes"]["time"])
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
