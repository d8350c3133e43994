"""GPX tables: points as arrays become the columns of the record."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.intake.flags import Track
from carnivore_sign.intake.gpx_points import PointArrays
from carnivore_sign.intake.log_tables import KeptPoints, flag_column
from carnivore_sign.records.tables import FIXES, ROUTE_POINTS, WAYPOINTS, Table

AnyArray = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
Kept = slice | npt.NDArray[np.bool_]

#: Table of each element that is a point.
TABLE_OF: Final[dict[str, Table]] = {"trkpt": FIXES, "wpt": WAYPOINTS, "rtept": ROUTE_POINTS}
_FIX_MEASURES: Final = {
    "hdop": "hdop", "accuracy": "accuracy_m", "vdop": "vdop", "pdop": "pdop",
    "satellites": "satellites", "speed": "speed_m_s", "course": "course_deg",
    "heart_rate": "heart_rate_bpm", "temperature": "temperature_c", "cadence": "cadence_rpm",
}  # fmt: skip
_FIX_TEXTS: Final = {"fix": "fix_kind", "extras": "extras"}
_NAMES: Final = ("name", "symbol", "extras")


def keep_points(
    kind: str, arrays: PointArrays, *, rows: IntArray, receipt: str, log: str
) -> KeptPoints:
    """Return the points without a fault as columns of their table."""
    keep: Kept = slice(None)
    if arrays.faults:
        keep = np.ones(len(arrays.begin), dtype=bool)
        keep[list(arrays.faults)] = False
    columns: dict[str, AnyArray] = {"source_row": rows[keep], "time": arrays.time_ms[keep]}
    if "elevation" in arrays.measures:
        columns["elevation_m"] = arrays.measures["elevation"][keep]
    columns |= _fix_columns(arrays, keep) if kind == "trkpt" else _named_columns(arrays, keep)
    if kind == "rtept":
        columns["route"] = arrays.part[keep]
    table = TABLE_OF[kind]
    return KeptPoints(
        table=table,
        lon=arrays.lon[keep],
        lat=arrays.lat[keep],
        columns={name: columns[name] for name in table.names if name in columns},
        same={"receipt": receipt, "log": log},
    )


def _fix_columns(arrays: PointArrays, keep: Kept) -> dict[str, AnyArray]:
    measures = {
        column: arrays.measures[name][keep]
        for name, column in _FIX_MEASURES.items()
        if name in arrays.measures
    }
    lon = arrays.lon[keep]
    nothing = np.full(len(lon), np.nan)
    track = Track(
        lon=lon,
        lat=arrays.lat[keep],
        time_ms=arrays.time_ms[keep],
        group=arrays.part[keep],
        hdop=measures.get("hdop", nothing),
        accuracy_m=measures.get("accuracy_m", nothing),
        told={} if arrays.hour_twice is None else {"hour_twice": arrays.hour_twice[keep]},
    )
    texts = {
        column: arrays.texts[name][keep]
        for name, column in _FIX_TEXTS.items()
        if name in arrays.texts
    }
    return {"part": track.group, **measures, **texts, **flag_column(track)}


def _named_columns(arrays: PointArrays, keep: Kept) -> dict[str, AnyArray]:
    none = np.full(len(arrays.begin), None, dtype=object)
    comment, description = (arrays.texts.get(name, none) for name in ("comment", "description"))
    comments = np.empty(len(comment[keep]), dtype=object)
    comments[:] = [
        "; ".join(dict.fromkeys(filter(None, pair))) or None
        for pair in zip(comment[keep], description[keep], strict=True)
    ]
    texts: dict[str, AnyArray] = {
        name: arrays.texts[name][keep] for name in _NAMES if name in arrays.texts
    }
    return {**texts, "comment": comments}
