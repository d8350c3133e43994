"""GeoJSON: waypoints and fixes from points and timed lines, one document or one per line.

As a log (kind ``geojson``): a point is a waypoint, unless it has a time and no name: then it
is a fix, as loggers write them. A line gives a fix for each of its positions, with the times
that stand beside them in ``coordTimes`` or ``coordinateProperties.times``, or without time.
Polygons are set aside. A file that has neither point nor such times is a layer of transects
and parcels, and so is any if the kind ``layer`` is stated.

Source: RFC 7946 (GeoJSON: longitude first, WGS84), RFC 8142 (text sequences); the member
``crs`` of the older specification is believed where it stands.
"""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
import pyproj

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import TextPoint, columns_of
from carnivore_sign.space import STORED_CRS

_LOG: Final = re.compile(
    rb'"type"\s*:\s*"(?:Multi)?Point"|"coordTimes"|"coordinateProperties"', re.IGNORECASE
)
_RECORD_SEPARATOR: Final = "\x1e"
_FEATURES: Final = re.compile(r'"features"\s*:\s*\[')
_BETWEEN: Final = re.compile(r"[\s,]*")
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
_POINTS: Final = ("Point", "MultiPoint")
_LINES: Final = ("LineString", "MultiLineString")


@dataclass
class _Document:
    """The features of a file, those that could not be read with the reason, and notes."""

    features: list[Any] = field(default_factory=list)
    broken: list[tuple[int, str, str]] = field(default_factory=list)
    crs: str | None = None
    notes: list[str] = field(default_factory=list)


@dataclass
class _Sorted:
    """Points by table, as text, and the count of segments so far."""

    fixes: list[TextPoint] = field(default_factory=list)
    waypoints: list[TextPoint] = field(default_factory=list)
    parts: int = 0
    #: Segment of the fixes that stand as points of their own.
    loose_part: int | None = None


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
    document = _read_document(body.decode("utf-8"), source)
    tables = _Sorted()
    for place, feature in enumerate(document.features):
        _sort_feature(feature, place, tables)
    texts = {place: text for place, text, _ in document.broken}
    tables.waypoints += [TextPoint(place, fault=reason) for place, _, reason in document.broken]
    points: dict[str, pd.DataFrame] = {}
    told = [*notes, *document.notes]
    for name, some in (("fixes", tables.fixes), ("waypoints", tables.waypoints)):
        if some:
            points[name], why = columns_of(some, time_zone=time_zone)
            _move(points[name], document.crs, source)
            told += [f"{name}: {note}" for note in why]
    return log_reading(
        source,
        "geojson",
        points=points,
        head=LogHead(observer=observer, tracks=tables.parts, parts=tables.parts),
        notes=told,
        content_of=functools.cache(lambda place: _content(place, document.features, texts)),
    )


def _read_document(text: str, source: Source) -> _Document:
    """Read one document; or else line by line; or else up to where it is broken."""
    try:
        text = text.strip().lstrip(_RECORD_SEPARATOR)
        try:
            document = _Document()
            _take(json.loads(text), document)
        except ValueError as error:
            document = _lines(text) or _up_to_the_fault(text, error)
    except RecursionError as error:
        raise FileUnreadable(
            "its values are nested deeper than any GeoJSON",
            file=source.path,
            remedy="Export it once more.",
        ) from error
    if not document.features:
        raise FileUnreadable(
            "it holds no GeoJSON feature", file=source.path, remedy="Export it once more."
        )
    return document


def _take(value: Any, document: _Document) -> None:
    """Take a document, or one line of a file, apart into features."""
    if not isinstance(value, dict):
        raise ValueError("not a GeoJSON object")
    if value.get("type") == "FeatureCollection" and isinstance(value.get("features"), list):
        document.features += value["features"]
    elif "type" in value:
        document.features.append(value)
    else:
        raise ValueError("a GeoJSON object has a type")
    crs = value.get("crs")
    if isinstance(crs, dict) and isinstance(crs.get("properties"), dict):
        document.crs = str(crs["properties"].get("name"))


def _lines(text: str) -> _Document | None:
    """Read one object per line; None if the first line is none."""
    document = _Document()
    records = text.replace(_RECORD_SEPARATOR, "\n").split("\n")
    for record in filter(None, map(str.strip, records)):
        try:
            _take(json.loads(record), document)
        except ValueError as error:
            if not document.features:
                return None
            reason = f"the line is no GeoJSON ({error})"
            document.broken.append((len(document.features), record, reason))
            document.features.append(None)
    return document


def _up_to_the_fault(text: str, error: ValueError) -> _Document:
    """Read the features of a document up to the one in which it is broken."""
    document = _Document()
    start = _FEATURES.search(text)
    at = start.end() if start else len(text)
    decoder = json.JSONDecoder()
    while at < len(text):
        at = _BETWEEN.match(text, at).end()  # type: ignore[union-attr]
        try:
            feature, end = decoder.raw_decode(text, at)
        except ValueError:
            break
        document.features.append(feature)
        at = end
    line = text.count("\n", 0, at) + 1
    reason = f"the document is broken at line {line} ({error})"
    document.notes.append(reason)
    rest = text[at:]
    lost = max(len(re.findall(r'"type"\s*:\s*"Feature"', rest)), 1)
    for number in range(lost if document.features else 0):
        document.broken.append((len(document.features) + number, rest, reason))
    return document


def _sort_feature(feature: Any, place: int, tables: _Sorted) -> None:
    if feature is None:  # told already
        return
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
            _sort_points(
                coordinates if kind == "MultiPoint" else [coordinates], said, place, tables
            )
        elif kind in _LINES:
            lines = coordinates if kind == "MultiLineString" else [coordinates]
            times = _times(properties, nested=kind == "MultiLineString")
            _sort_lines(lines, times, place, tables)
        else:
            reason = f"a {kind}: read the file with kind='layer' to keep it as a parcel"
            tables.waypoints.append(TextPoint(place, fault=reason))
    if not found:
        tables.waypoints.append(TextPoint(place, fault="the feature has no position"))


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


def _sort_points(positions: Any, said: dict[str, str], place: int, tables: _Sorted) -> None:
    is_fix = "time" in said and "name" not in said
    for position in _list(positions):
        texts = {**said, **_texts(position)}
        if not is_fix:
            tables.waypoints.append(TextPoint(place, texts=texts))
            continue
        if tables.loose_part is None:
            tables.loose_part = tables.parts
            tables.parts += 1
        tables.fixes.append(TextPoint(place, tables.loose_part, texts))


def _sort_lines(lines: Any, times: list[Any], place: int, tables: _Sorted) -> None:
    for number, line in enumerate(_list(lines)):
        moments = _list(times[number]) if number < len(times) else []
        for position, moment in _pairs(_list(line), moments):
            texts = _texts(position)
            if isinstance(moment, str):
                texts["time"] = moment
            tables.fixes.append(TextPoint(place, tables.parts, texts))
        tables.parts += 1


def _pairs(positions: list[Any], moments: list[Any]) -> Iterator[tuple[Any, Any]]:
    for number in range(max(len(positions), len(moments))):
        position = positions[number] if number < len(positions) else None
        yield position, moments[number] if number < len(moments) else None


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


def _content(place: int, features: Sequence[Any], texts: dict[int, str]) -> str:
    if place in texts:
        return texts[place]
    return json.dumps(features[place]) if place < len(features) else ""
