"""GeoJSON: waypoints and fixes from points and timed lines, one document or one per line.

As a log (kind ``geojson``): a point is a waypoint, unless it has a time and no name: then it
is a fix, as loggers write them. A line gives a fix for each of its positions, with the times
that stand beside them in ``coordTimes`` or ``coordinateProperties.times``, or without time.
Polygons are set aside. A file that has neither point nor such times is a layer of transects
and parcels, and so is any if the kind ``layer`` is stated.

Source: RFC 7946 (GeoJSON: longitude first, WGS84).
"""

from __future__ import annotations

import functools
import itertools
import re
from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.geojson_document import content_at, read_features
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import TextPoints
from carnivore_sign.space import STORED_CRS

FloatArray = npt.NDArray[np.float64]

_LOG: Final = re.compile(
    rb'"type"\s*:\s*"(?:Multi)?Point"|"coordTimes"|"coordinateProperties"', re.IGNORECASE
)
#: Names of properties, lower case, and what they are.
_PROPERTIES: Final = {
    **dict.fromkeys(("time", "timestamp", "datetime", "date_time", "when"), "time"),
    **dict.fromkeys(("name", "title", "label"), "name"),
    **dict.fromkeys(("description", "desc", "comment", "cmt", "notes"), "comment"),
    **dict.fromkeys(("symbol", "sym"), "symbol"),
    **dict.fromkeys(("ele", "elevation", "altitude"), "elevation"),
    **dict.fromkeys(("accuracy", "horizontal_accuracy", "hacc"), "accuracy"),
    "hdop": "hdop",
}
_SHOWN: Final = 60
_POINTS: Final = ("Point", "MultiPoint")
_LINES: Final = ("LineString", "MultiLineString")


def is_log(data: bytes) -> bool:
    """Tell whether GeoJSON has points or times, and is a log rather than a layer."""
    return _LOG.search(as_utf8(data)[0]) is not None


def read_geojson(
    source: Source, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
    """Read GeoJSON as a log.

    Parameters
    ----------
    source : Source
        The file: one document, or one feature per line.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such points are set aside.
    observer : str, optional
        Who carried the device.

    Returns
    -------
    Reading
        Tables as a log has them; ``source_row`` counts the points of each table from 1. Set
        aside are features without a position, polygons, lines of text that are no JSON, and
        the feature in which a file is cut short.

    Raises
    ------
    FileUnreadable
        If nothing of it is GeoJSON, or its reference system is unknown.
    """
    body, notes = as_utf8(source.data)
    found = _Log(TextPoints(source.path))
    document = read_features(body, source.path, found.take)
    for begin, reason in document.broken:
        found.points.add("waypoints", begin, fault=reason)
    points, told = found.points.columns(time_zone=time_zone)
    for frame in points.values():
        _move(frame, document.crs, source)
    return log_reading(
        source,
        "geojson",
        points=points,
        head=LogHead(observer=observer, tracks=found.parts, parts=found.parts),
        notes=[*notes, *document.notes, *told],
        content_of=functools.lru_cache(maxsize=1000)(lambda at: content_at(body, int(at))),
    )


class _Log:
    """Takes features as waypoints and fixes."""

    def __init__(self, points: TextPoints) -> None:
        self.points = points
        self.parts = 0
        #: Segment of the fixes that stand as points of their own.
        self.loose_part: int | None = None

    def take(self, feature: Any, begin: int) -> None:
        """Take one feature."""
        is_feature = isinstance(feature, dict) and feature.get("type") == "Feature"
        properties = feature.get("properties") if is_feature else None
        said = _said(properties if isinstance(properties, dict) else {})
        geometry = feature.get("geometry") if is_feature else feature
        found = False
        for shape in _shapes(geometry):
            found = True
            coordinates = shape.get("coordinates")
            kind = shape.get("type")
            if kind in _POINTS:
                positions = coordinates if kind == "MultiPoint" else [coordinates]
                self.take_points(positions, said, begin)
            elif kind in _LINES:
                lines = coordinates if kind == "MultiLineString" else [coordinates]
                times = _times(properties, nested=kind == "MultiLineString")
                self.take_lines(lines, times, begin)
            else:
                reason = f"a {str(kind)[:_SHOWN]}: read the file with kind='layer' to keep it as "
                self.points.add("waypoints", begin, fault=reason + "a parcel")
        if not found:
            self.points.add("waypoints", begin, fault="the feature has no position")

    def take_points(self, positions: Any, said: dict[str, str], begin: int) -> None:
        is_fix = "time" in said and "name" not in said
        for position in _list(positions):
            texts = {**said, **_texts(position)}
            if not is_fix:
                self.points.add("waypoints", begin, texts)
                continue
            if self.loose_part is None:
                self.loose_part = self.parts
                self.parts += 1
            self.points.add("fixes", begin, texts, part=self.loose_part)

    def take_lines(self, lines: Any, times: list[Any], begin: int) -> None:
        for number, line in enumerate(_list(lines)):
            moments = _list(times[number]) if number < len(times) else []
            places = _places(line)
            if places is not None and len(moments) <= len(places):
                words = [moment if isinstance(moment, str) else None for moment in moments]
                begins = [begin] * len(places)
                self.points.add_many("fixes", begins, places, part=self.parts, times=words)
                self.parts += 1
                continue
            for position, moment in itertools.zip_longest(_list(line), moments):
                texts = _texts(position)
                if isinstance(moment, str):
                    texts["time"] = moment
                self.points.add("fixes", begin, texts, part=self.parts)
            self.parts += 1


def _shapes(geometry: Any) -> Iterator[dict[str, Any]]:
    if not isinstance(geometry, dict):
        return
    if geometry.get("type") == "GeometryCollection":
        for one in geometry.get("geometries") or []:
            yield from _shapes(one)
    elif geometry.get("type"):
        yield geometry


def _said(properties: dict[str, Any]) -> dict[str, str]:
    """Return the properties that a point keeps, as text."""
    said: dict[str, str] = {}
    for name, value in properties.items():
        known = _PROPERTIES.get(str(name).strip().lower())
        if known and value is not None and not isinstance(value, dict | list) and str(value):
            said.setdefault(known, str(value))
    return said


def _times(properties: Any, *, nested: bool) -> list[Any]:
    """Return the times beside the positions of each line."""
    if not isinstance(properties, dict):
        return []
    beside = properties.get("coordinateProperties")
    times = properties.get("coordTimes") or (
        beside.get("times") if isinstance(beside, dict) else None
    )
    if not isinstance(times, list):
        return []
    return times if nested and any(isinstance(one, list) for one in times) else [times]


def _texts(position: Any) -> dict[str, str]:
    names = ("lon", "lat", "elevation")
    return {
        name: str(number)
        for name, number in zip(names, _list(position), strict=False)
        if number is not None
    }


def _places(line: Any) -> FloatArray | None:
    """Return the positions of a line as numbers; None if any is not plainly two or three."""
    positions = _list(line)
    if not positions or set(map(type, positions)) != {list}:
        return None
    sizes = set(map(len, positions))
    if sizes not in ({2}, {3}):
        return None
    if not set(map(type, itertools.chain.from_iterable(positions))) <= {int, float}:
        return None
    try:
        numbers = np.array(positions, dtype=np.float64)
    except OverflowError:  # a whole number of hundreds of digits
        return None
    return numbers if np.isfinite(numbers).all() else None


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _move(points: pd.DataFrame, crs: str | None, source: Source) -> None:
    """Move positions from the reference system that the file states to that of the record."""
    if crs is None:
        return
    try:
        stated = pyproj.CRS.from_user_input(crs)
    except pyproj.exceptions.CRSError as error:
        raise FileUnreadable(
            f"its reference system is unknown ('{crs[:60]}')",
            file=source.path,
            remedy="Export it in WGS84.",
        ) from error
    if stated.is_geographic and stated.ellipsoid == pyproj.CRS(STORED_CRS).ellipsoid:
        return
    mover = pyproj.Transformer.from_crs(stated, STORED_CRS, always_xy=True)
    lon, lat = mover.transform(points["lon"].to_numpy(), points["lat"].to_numpy())
    points["lon"] = np.where(np.isfinite(lon), lon, np.nan)
    points["lat"] = np.where(np.isfinite(lat), lat, np.nan)
