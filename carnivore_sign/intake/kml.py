"""KML and KMZ: waypoints and fixes from what map viewers write; transects and parcels on request.

As a log (kind ``kml``): a point is a waypoint. A timed track gives a fix for each pair of
time and position, one part for each track. A line without times gives fixes without time,
one part for each line: it says where, and can never be effort. Polygons are set aside.

As a layer (kind ``layer``): lines, timed or not, are transects and polygons are parcels. A
file that has lines and polygons and neither point nor track is taken as a layer unless a kind
is stated.

Of an archive (KMZ) the main document is read, in memory: ``doc.kml`` if there is one, or else
the first.
"""

from __future__ import annotations

import re
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.archives import ZIP_MAGIC, member_names, read_member
from carnivore_sign.intake.kml_document import Feature, Geometry, KmlDocument, read_document
from carnivore_sign.intake.layers import layer_reading
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import TextPoint, columns_of, plain_numbers
from carnivore_sign.intake.xml_walk import content_at
from carnivore_sign.space import STORED_CRS

FloatArray = npt.NDArray[np.float64]

_LOG: Final = re.compile(rb"<(?:[\w.-]+:)?(?:Point|Track)(?=[\s/>])")
_LAYER: Final = re.compile(rb"<(?:[\w.-]+:)?(?:LineString|LinearRing|Polygon)(?=[\s/>])")
_ROOT: Final = re.compile(rb"<(?:[\w.-]+:)?kml[\s>]")
_HEAD_BYTES: Final = 4096
_DATE_ONLY: Final = re.compile(r"\d{4}(-\d\d(-\d\d)?)?", re.ASCII)
_LINES: Final = ("LineString", "LinearRing", "Track")
_JOIN: Final = {
    "Point": shapely.MultiPoint,
    "LineString": shapely.MultiLineString,
    "Polygon": shapely.MultiPolygon,
}


def is_kml(source: Source) -> bool:
    """Tell whether content is a KML document, or an archive with one in it."""
    if source.data.startswith(ZIP_MAGIC):
        return any(name.lower().endswith(".kml") for name in member_names(source.data, source.path))
    return _ROOT.search(as_utf8(source.data[:_HEAD_BYTES])[0]) is not None


def kind_of_kml(source: Source) -> str:
    """Tell whether a document is a log (``kml``), or a ``layer`` of lines and polygons."""
    data, _ = _document_bytes(source)
    return "layer" if _LAYER.search(data) and not _LOG.search(data) else "kml"


def read_kml(
    source: Source, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
    """Read a KML or KMZ file as a log.

    Parameters
    ----------
    source : Source
        The file.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such points are set aside.
    observer : str, optional
        Who carried the device.

    Returns
    -------
    Reading
        Tables as a log has them; ``source_row`` counts the points of each table from 1. Set
        aside are positions that are blank or no numbers, times that have no position,
        placemarks without a geometry, polygons, and what a fault of the XML broke.

    Raises
    ------
    FileUnreadable
        If it is no KML, declares entities, or is an archive that is damaged, too large when
        unpacked, or without a KML.
    """
    data, notes = _document_bytes(source)
    document = read_document(data, source.path)
    tables, told = _points(document)
    points = {}
    for table, some in tables.items():
        if some:
            points[table], why = columns_of(some, time_zone=time_zone)
            told += [f"{table}: {note}" for note in why]
    kinds = [geometry.kind for _, geometry in document.geometries()]
    parts = sum(kind in _LINES for kind in kinds)
    return log_reading(
        source,
        "kml",
        points=points,
        head=LogHead(
            name=document.name, observer=observer, tracks=kinds.count("Track"), parts=parts
        ),
        notes=[*notes, *document.notes(), *told],
        content_of=lambda at: content_at(data, int(at)),
    )


def read_kml_layer(source: Source) -> Reading:
    """Read a KML or KMZ file as a layer of transects and parcels.

    Returns
    -------
    Reading
        Tables ``transects`` and ``parcels``; names are those of the placemarks. Points are
        set aside.

    Raises
    ------
    FileUnreadable
        As `read_kml`, and if there is no placemark.
    """
    data, notes = _document_bytes(source)
    document = read_document(data, source.path)
    features = _features(document)
    if not len(features):
        raise FileUnreadable(
            "it holds no line and no polygon", file=source.path, remedy="Export the layer again."
        )
    return layer_reading(source, features, notes=[*notes, *document.notes()])


def _document_bytes(source: Source) -> tuple[bytes, list[str]]:
    """Return the document in UTF-8, out of its archive if it is in one."""
    if not source.data.startswith(ZIP_MAGIC):
        data, notes = as_utf8(source.data)
        return data, list(notes)
    names = [
        name for name in member_names(source.data, source.path) if name.lower().endswith(".kml")
    ]
    if not names:
        raise FileUnreadable(
            "there is no KML in the archive",
            file=source.path,
            remedy="Export the log once more, as KML or GPX.",
        )
    main = next((name for name in names if name.lower() == "doc.kml"), names[0])
    member = read_member(source.data, main, source.path)
    data, notes = as_utf8(member.data)
    others = [name for name in names if name != main]
    told = [f"not read: {', '.join(others[:5])}; unpack the archive to read them"] if others else []
    return data, [*member.notes, *notes, *told]


def _points(document: KmlDocument) -> tuple[dict[str, list[TextPoint]], list[str]]:
    """Sort the features into waypoints and fixes, as text."""
    tables: dict[str, list[TextPoint]] = {"fixes": [], "waypoints": []}
    notes: list[str] = []
    part = 0
    for feature in document.features:
        if not feature.geometries:
            reason = document.fault or "the placemark has no position"
            tables["waypoints"].append(_waypoint(feature, feature.begin, "", reason))
        for geometry in feature.geometries:
            if geometry.kind == "Track":
                tables["fixes"] += _track_points(geometry, part, notes)
            elif geometry.kind in _LINES:
                tables["fixes"] += _line_points(geometry, part)
            else:
                tables["waypoints"].append(_point(feature, geometry))
            part += geometry.kind in _LINES
    for table, at, reason in document.lost:
        tables[table].append(TextPoint(at, fault=reason))
    lines = sum(geometry.kind.startswith("Line") for _, geometry in document.geometries())
    if lines:
        notes.append(
            f"{lines} lines without times are fixes without time; "
            "read the file with kind='layer' if they are transects"
        )
    return tables, notes


def _point(feature: Feature, geometry: Geometry) -> TextPoint:
    if geometry.kind == "Polygon":
        reason = "a polygon: read the file with kind='layer' to keep it as a parcel"
        return _waypoint(feature, geometry.begin, "", reason)
    first = geometry.coordinates[0] if geometry.coordinates else ""
    return _waypoint(feature, geometry.begin, first, geometry.fault if not first else None)


def _waypoint(feature: Feature, begin: int, coordinates: str, fault: str | None) -> TextPoint:
    texts = _place(coordinates, ",")
    said = {"name": feature.name, "comment": feature.description, "time": feature.when}
    if feature.when and _DATE_ONLY.fullmatch(feature.when):
        told = f"dated {feature.when}"  # a day is no moment
        said |= {"time": None, "comment": "; ".join(filter(None, (feature.description, told)))}
    texts |= {name: text for name, text in said.items() if text}
    return TextPoint(begin, texts=texts, fault=fault)


def _place(coordinates: str, separator: str) -> dict[str, str]:
    names = ("lon", "lat", "elevation")
    pieces = coordinates.replace(",", " ").split() if separator == " " else coordinates.split(",")
    return {
        name: piece.strip() for name, piece in zip(names, pieces, strict=False) if piece.strip()
    }


def _track_points(geometry: Geometry, part: int, notes: list[str]) -> list[TextPoint]:
    """Pair the times and positions of a track, in order."""
    whens, coordinates = geometry.whens, geometry.coordinates
    if whens and len(whens) != len(coordinates) and geometry.fault is None:
        notes.append(
            f"a track has {len(whens)} times and {len(coordinates)} positions; "
            "they were paired in order"
        )
    accuracies = geometry.accuracies if len(geometry.accuracies) == len(coordinates) else []
    points = []
    for place, text in enumerate(coordinates):
        texts = _place(text, " ")
        if place < len(whens) and whens[place]:
            texts["time"] = whens[place]
        if accuracies and accuracies[place]:
            texts["accuracy"] = accuracies[place]
        points.append(TextPoint(geometry.begins[place], part, texts))
    for when in whens[len(coordinates) :]:
        reason = f"a time without a position ({when})"
        reason = f"{reason}; {geometry.fault}" if geometry.fault else reason
        points.append(TextPoint(geometry.begin, part, fault=reason))
    return points


def _line_points(geometry: Geometry, part: int) -> list[TextPoint]:
    points = [TextPoint(geometry.begin, part, _place(text, ",")) for text in geometry.coordinates]
    if geometry.fault is not None:
        points.append(TextPoint(geometry.begin, part, fault=geometry.fault))
    return points


def _features(document: KmlDocument) -> gpd.GeoDataFrame:
    """Turn the placemarks into features, one for each kind of geometry in a placemark."""
    rows: list[dict[str, object]] = []
    for feature in document.features:
        by_kind: dict[str, list[shapely.Geometry]] = {}
        for shape in map(_shape, feature.geometries):
            by_kind.setdefault(shape.geom_type, []).append(shape)
        for some in by_kind.values() or [[]]:
            rows.append({**feature.data, "name": feature.name, "geometry": _joined(some)})
    for _ in document.lost:
        rows.append({"name": None, "geometry": None})
    if not rows:
        return gpd.GeoDataFrame(geometry=[], crs=STORED_CRS)
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=STORED_CRS)


def _joined(shapes: list[shapely.Geometry]) -> shapely.Geometry | None:
    """Join shapes of one kind into one."""
    if len(shapes) < 2:
        return shapes[0] if shapes else None
    return _JOIN[shapes[0].geom_type]([shape for shape in shapes if not shape.is_empty])


def _shape(geometry: Geometry) -> shapely.Geometry:
    """Build a shape; an empty one if a coordinate is no number or there are too few."""
    if geometry.kind == "Polygon":
        rings = [_numbers(ring, ",") for ring in geometry.rings]
        if not rings or any(ring is None or len(ring) < 4 for ring in rings):
            return shapely.Polygon()
        return shapely.Polygon(rings[0], rings[1:])
    numbers = _numbers(geometry.coordinates, " " if geometry.kind == "Track" else ",")
    if geometry.kind == "Point":
        return shapely.Point() if numbers is None or not len(numbers) else shapely.Point(numbers[0])
    if numbers is None or len(numbers) < 2 or geometry.fault is not None:
        return shapely.LineString()
    return shapely.LineString(numbers)


def _numbers(tuples: list[str], separator: str) -> FloatArray | None:
    places = [_place(text, separator) for text in tuples if text]
    numbers = np.column_stack(
        [plain_numbers([place.get(name) for place in places]) for name in ("lon", "lat")]
    )
    return numbers if np.isfinite(numbers).all() else None
