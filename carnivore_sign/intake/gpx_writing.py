"""GPX writing: fixes, waypoints and routes of the record as GPX 1.1.

The file keeps to the GPX 1.1 schema: its elements, their order, and the bounds of positions. A
column that the schema has no element for goes into ``extensions``, under a namespace of our
own; extras that came as text are written there as they are in the record, as JSON.

Source: GPX 1.1 schema (sequence of wptType, rteType, trkType, gpxType; latitude -90 to 90,
longitude from -180 up to but not including 180; fixType; dgpsStationType).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final
from xml.sax.saxutils import escape

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.plain_text import printable_xml
from carnivore_sign.space import stored

NAMESPACE: Final = "http://www.topografix.com/GPX/1/1"
#: Namespace of what GPX has no element for: a name and not an address.
OWN_NAMESPACE: Final = "urn:carnivore-sign:gpx:1"

#: Elements of a point in the order of the schema, and the column of each.
_ELEMENTS: Final = (
    ("ele", "elevation_m"), ("time", "time"), ("name", "name"), ("cmt", "comment"),
    ("sym", "symbol"), ("fix", "fix_kind"), ("sat", "satellites"), ("hdop", "hdop"),
    ("vdop", "vdop"), ("pdop", "pdop"),
)  # fmt: skip
#: Columns that go into the extensions, and the names that they are read under again.
_EXTENSIONS: Final = (
    ("hacc", "accuracy_m"), ("speed", "speed_m_s"), ("course", "course_deg"),
    ("hr", "heart_rate_bpm"), ("atemp", "temperature_c"), ("cad", "cadence_rpm"),
)  # fmt: skip
_FIX_KINDS: Final = ("none", "2d", "3d", "dgps", "pps")


def write_gpx(
    path: str | Path,
    *,
    fixes: gpd.GeoDataFrame | None = None,
    waypoints: gpd.GeoDataFrame | None = None,
    route_points: gpd.GeoDataFrame | None = None,
    name: str | None = None,
) -> Path:
    """Write points of the record as a GPX 1.1 file.

    Parameters
    ----------
    path : path-like
        Where to; a file that is there is an error.
    fixes, waypoints, route_points : GeoDataFrame, optional
        As the tables of those names, in any CRS. Each log becomes a track, each of its parts a
        segment; each route of a log becomes a route. Rows keep their order.
    name : str, optional
        Title of the file.

    Returns
    -------
    Path
        The file. Numbers are written so that they are read as the same numbers, times in UTC
        with milliseconds. Quality flags are not written: they are raised anew by whoever
        reads the file.

    Raises
    ------
    InputError
        If there is nothing to write, a point has no position, or the file is there.
    CrsMissing
        If a table has no CRS.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.intake import read_log
    >>> points = gpd.GeoDataFrame(
    ...     {"log": "walk", "name": ["S14"], "time": pd.to_datetime(["2026-02-14T15:40Z"])},
    ...     geometry=gpd.points_from_xy([-119.2], [37.4]), crs=4326)
    >>> written = write_gpx(Path(tempfile.mkdtemp()) / "marks.gpx", waypoints=points)
    >>> read_log(written).tables["waypoints"]["name"].tolist()
    ['S14']
    """
    path = Path(path)
    tables = {"wpt": waypoints, "rtept": route_points, "trkpt": fixes}
    filled = {tag: frame for tag, frame in tables.items() if frame is not None and len(frame)}
    if not filled:
        raise InputError("there is no point to write", file=path)
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<gpx version="1.1" creator="carnivore_sign" xmlns="{NAMESPACE}" '
        f'xmlns:own="{OWN_NAMESPACE}">\n'
    )
    if name is not None:
        head += f"<metadata><name>{_text(name)}</name></metadata>\n"
    lines = [line for tag, frame in filled.items() for line in _lines(tag, frame, path)]
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(head + "\n".join(lines) + "\n</gpx>\n")
    except FileExistsError as error:
        raise InputError("there is a file already", file=path, remedy="Name another.") from error
    return path


def _lines(tag: str, frame: gpd.GeoDataFrame, path: Path) -> Iterator[str]:
    frame = stored(frame, f"the table of {tag}")
    points = _points(tag, frame, path)
    if tag == "wpt":
        yield from points
        return
    part = frame["part" if tag == "trkpt" else "route"].to_numpy()
    log = frame["log"].to_numpy(dtype=object)
    around = {"trkpt": ("<trk>", "</trk>"), "rtept": ("<rte>", "</rte>")}[tag]
    inner = ("<trkseg>", "</trkseg>") if tag == "trkpt" else ("", "")
    new_log = np.append(True, log[1:] != log[:-1])
    new_part = new_log | np.append(True, part[1:] != part[:-1])
    new_outer = new_log if tag == "trkpt" else new_part
    for row, point in enumerate(points):
        if new_part[row] and row:
            yield inner[1]
        if new_outer[row]:
            if row:
                yield around[1]
            yield f"{around[0]}<name>{_text(str(log[row]))}</name>"
        if new_part[row]:
            yield inner[0]
        yield point
    yield inner[1]
    yield around[1]


def _points(tag: str, frame: gpd.GeoDataFrame, path: Path) -> list[str]:
    shapes = frame.geometry.to_numpy()
    if (shapely.get_type_id(shapes) != 0).any() or shapely.is_empty(shapes).any():
        raise InputError(
            f"the table of {tag} has rows without a point", file=path, remedy="Leave them out."
        )
    places = shapely.get_coordinates(shapes)
    places[places[:, 0] == 180, 0] = -180.0
    if not (np.abs(places) <= (180, 90)).all():
        raise InputError(
            "a latitude or longitude is out of range", file=path, remedy="Check its CRS."
        )
    columns = [
        [f"<{element}>{text}</{element}>" if text else "" for text in _texts(frame, column)]
        for element, column in _ELEMENTS
    ]
    more = _extensions(frame)
    return [
        f'<{tag} lat="{_decimal(lat)}" lon="{_decimal(lon)}">{"".join(inside)}{extension}</{tag}>'
        for (lon, lat), inside, extension in zip(
            places.tolist(), zip(*columns, strict=True), more, strict=True
        )
    ]


def _texts(frame: pd.DataFrame, column: str) -> list[str]:
    """Return the values of a column as GPX wants them, blank where missing."""
    if column not in frame or frame[column].isna().all():
        return [""] * len(frame)
    values = frame[column]
    if column == "time":
        words = values.dt.tz_convert("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
        return words.fillna("").tolist()
    if column == "fix_kind":
        return values.where(values.isin(_FIX_KINDS)).fillna("").tolist()
    if pd.api.types.is_numeric_dtype(values.dtype):
        return [_number(value, column) for value in values.to_numpy(dtype=float).tolist()]
    return [_text(value) if isinstance(value, str) else "" for value in values.tolist()]


def _number(value: float, column: str) -> str:
    if not math.isfinite(value):
        return ""
    if column == "satellites":
        return str(int(value)) if value >= 0 else ""
    return _decimal(value)


def _decimal(value: float) -> str:
    """Write a number so that it is read as the same one, and without an exponent, which the
    decimals of the schema do not have.
    """
    text = repr(value)
    return np.format_float_positional(value, trim="0") if "e" in text else text


def _extensions(frame: pd.DataFrame) -> list[str]:
    columns = [
        [f"<own:{element}>{text}</own:{element}>" if text else "" for text in _texts(frame, column)]
        for element, column in _EXTENSIONS
    ]
    extras = frame["extras"].tolist() if "extras" in frame else [None] * len(frame)
    fix_kinds = _other_fix_kinds(frame)
    return [
        f"<extensions>{inside}</extensions>" if inside else ""
        for inside in (
            "".join(row) + kind + _extra(extra)
            for row, kind, extra in zip(zip(*columns, strict=True), fix_kinds, extras, strict=True)
        )
    ]


def _other_fix_kinds(frame: pd.DataFrame) -> list[str]:
    """Write kinds of fix that the schema does not know into the extensions."""
    if "fix_kind" not in frame:
        return [""] * len(frame)
    return [
        f"<own:fix>{_text(kind)}</own:fix>"
        if isinstance(kind, str) and kind not in _FIX_KINDS
        else ""
        for kind in frame["fix_kind"].tolist()
    ]


def _extra(extra: Any) -> str:
    if not isinstance(extra, str):
        return ""
    return f"<own:extras>{_text(extra)}</own:extras>"


def _text(text: str) -> str:
    return escape(printable_xml(text), {"\r": "&#13;"})
