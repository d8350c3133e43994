"""KML and KMZ: waypoints and fixes from what map viewers write; transects and parcels on request.

As a log (kind ``kml``): a point is a waypoint. A timed track gives a fix for each pair of
time and position, one part for each track. A line without times gives fixes without time,
one part for each line: it says where, and can never be effort. Polygons are set aside.

As a layer (kind ``layer``): lines, timed or not, are transects and polygons are parcels. A
file that has lines and polygons and neither point nor track is taken as a layer unless a kind
is stated.

Of an archive (KMZ) every document is read, in memory, ``doc.kml`` first.
"""

from __future__ import annotations

import bisect
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.archives import ZIP_MAGIC, member_names, read_members
from carnivore_sign.intake.kml_document import Feature, Geometry, read_document
from carnivore_sign.intake.layers import layer_reading
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import TextPoints, plain_number
from carnivore_sign.intake.texts import tuples
from carnivore_sign.intake.xml_walk import content_at
from carnivore_sign.space import STORED_CRS

FloatArray = npt.NDArray[np.float64]

_LOG: Final = re.compile(rb"<(?:[\w.-]+:)?(?:Point|Track)(?=[\s/>])")
_LAYER: Final = re.compile(rb"<(?:[\w.-]+:)?(?:LineString|LinearRing|Polygon)(?=[\s/>])")
_ROOT: Final = re.compile(rb"<(?:[\w.-]+:)?kml[\s>]")
_HEAD_BYTES: Final = 4096
_DATE_ONLY: Final = re.compile(r"\d{4}(-\d\d(-\d\d)?)?", re.ASCII)
_LINES: Final = ("LineString", "LinearRing", "Track")
_SHOWN: Final = 60
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
    documents = [one.data for one in _documents(source)]
    is_layer = any(_LAYER.search(data) for data in documents)
    return "layer" if is_layer and not any(_LOG.search(data) for data in documents) else "kml"


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
    found = _Log(TextPoints(source.path))
    documents = _documents(source)
    notes, name = _read_all(documents, source, found)
    points, told = found.points.columns(time_zone=time_zone)
    return log_reading(
        source,
        "kml",
        points=points,
        head=LogHead(name=name, observer=observer, tracks=found.tracks, parts=found.parts),
        notes=[*notes, *found.notes(), *told],
        content_of=lambda at: _content(documents, int(at)),
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
    found = _Layer()
    notes, _ = _read_all(_documents(source), source, found)
    if not found.rows:
        raise FileUnreadable(
            "it holds no line and no polygon", file=source.path, remedy="Export the layer again."
        )
    features = gpd.GeoDataFrame(pd.DataFrame(found.rows), geometry="geometry", crs=STORED_CRS)
    return layer_reading(source, features, notes=notes)


@dataclass(frozen=True)
class _Document:
    """A document in UTF-8: where it begins among those of its file, and notes on it.

    ``error`` tells why it could not be unpacked.
    """

    name: str
    begin: int
    data: bytes = b""
    notes: tuple[str, ...] = ()
    error: FileUnreadable | None = None


def _documents(source: Source) -> list[_Document]:
    """Return the documents of a file, out of its archive if it is one; the main one first."""
    if not source.data.startswith(ZIP_MAGIC):
        data, notes = as_utf8(source.data)
        return [_Document(source.path.name, 0, data, notes)]
    members = dict.fromkeys(member_names(source.data, source.path))
    names = sorted(
        (name for name in members if name.lower().endswith(".kml")),
        key=lambda name: name.lower() != "doc.kml",
    )
    if not names:
        raise FileUnreadable(
            "there is no KML in the archive",
            file=source.path,
            remedy="Export the log once more, as KML or GPX.",
        )
    documents = []
    begin = 0
    for name, member in zip(names, read_members(source.data, names, source.path), strict=True):
        if isinstance(member, FileUnreadable):
            documents.append(_Document(name, begin, error=member))
        else:
            data, notes = as_utf8(member.data)
            documents.append(_Document(name, begin, data, (*member.notes, *notes)))
        begin += len(documents[-1].data) + 1
    _raise_if_all([one.error for one in documents])
    return documents


def _read_all(
    documents: Sequence[_Document], source: Source, found: _Log | _Layer
) -> tuple[list[str], str | None]:
    """Read the features of all documents; return the notes, and the name of the first."""
    notes: list[str] = []
    errors: list[FileUnreadable | None] = []
    name = None
    for one in documents:
        found.begin = one.begin
        error = one.error
        if error is None:
            try:
                document = read_document(one.data, source.path, found.take)
            except FileUnreadable as refused:
                error = refused
            else:
                name = name or document.name
                notes += [*one.notes, *document.notes()]
                for at, reason in document.lost:
                    found.lose(at, reason)
        if error is not None:
            found.take(Feature(0, fault=f"'{one.name}' in the archive was not read: {error.what}"))
        errors.append(error)
    _raise_if_all(errors)
    return notes, name


def _raise_if_all(errors: Sequence[FileUnreadable | None]) -> None:
    """Raise the first error if no document could be read."""
    if all(errors) and errors[0] is not None:
        raise errors[0]


def _content(documents: Sequence[_Document], at: int) -> str:
    """Return the text of what begins at a byte, counted through all documents."""
    place = bisect.bisect_right([one.begin for one in documents], at) - 1
    document = documents[place]
    return content_at(document.data, at - document.begin) if document.data else document.name


class _Log:
    """Takes features as waypoints and fixes."""

    def __init__(self, points: TextPoints) -> None:
        self.points = points
        self.begin = self.parts = self.tracks = self.lines = 0
        self.uneven: list[str] = []
        self.uneven_tracks = 0

    def take(self, feature: Feature) -> None:
        """Take one feature."""
        if not feature.geometries:
            reason = feature.fault or "the placemark has no position"
            self.add_waypoint(feature, feature.begin, "", reason)
        for geometry in feature.geometries:
            if geometry.kind == "Track":
                self.add_track(geometry)
                self.tracks += 1
            elif geometry.kind in _LINES:
                self.add_line(geometry)
                self.lines += 1
            elif geometry.kind == "Polygon":
                reason = "a polygon: read the file with kind='layer' to keep it as a parcel"
                self.add_waypoint(feature, geometry.begin, "", reason)
            else:
                self.add_point(feature, geometry)
            self.parts += geometry.kind in _LINES

    def lose(self, at: int, reason: str) -> None:
        """Take a position of a track that a fault of the XML broke."""
        self.points.add("fixes", self.begin + at, fault=reason)

    def add_point(self, feature: Feature, geometry: Geometry) -> None:
        first = geometry.coordinates[0] if geometry.coordinates else ""
        self.add_waypoint(feature, geometry.begin, first, geometry.fault or feature.fault)

    def add_waypoint(
        self, feature: Feature, begin: int, coordinates: str, fault: str | None
    ) -> None:
        texts = _place(coordinates, ",")
        said = {"name": feature.name, "comment": feature.description, "time": feature.when}
        if feature.when and _DATE_ONLY.fullmatch(feature.when):
            told = f"dated {feature.when}"  # a day is no moment
            comment = "; ".join(filter(None, (feature.description, told)))
            said |= {"time": None, "comment": comment}
        texts |= {name: text for name, text in said.items() if text}
        self.points.add("waypoints", self.begin + begin, texts, fault=fault)

    def add_line(self, geometry: Geometry) -> None:
        begin = self.begin + geometry.begin
        numbers = None if geometry.lost else tuples(geometry.coordinates, ",")
        if numbers is not None:
            self.points.add_many("fixes", [begin] * len(numbers), numbers, part=self.parts)
        else:
            for place, text in enumerate(geometry.coordinates):
                texts, fault = _place(text, ","), geometry.lost.get(place)
                self.points.add("fixes", begin, texts, part=self.parts, fault=fault)
        if geometry.fault is not None and not geometry.lost:
            self.points.add("fixes", begin, part=self.parts, fault=geometry.fault)

    def add_track(self, geometry: Geometry) -> None:
        """Pair the times and positions of a track, in order."""
        whens, coordinates = geometry.whens, geometry.coordinates
        if whens and len(whens) != len(coordinates) and geometry.fault is None:
            self.uneven_tracks += 1
            self.uneven = self.uneven or [
                f"a track has {len(whens)} times and {len(coordinates)} positions; "
                "they were paired in order"
            ]
        plain = not (geometry.lost or geometry.lost_whens or geometry.accuracies)
        numbers = tuples(coordinates, " ") if plain else None
        if numbers is not None:
            begins = [self.begin + at for at in geometry.begins]
            times = whens[: len(begins)]
            self.points.add_many("fixes", begins, numbers, part=self.parts, times=times)
        else:
            self.add_rows(geometry)
        for place in range(len(coordinates), len(whens)):
            reason = geometry.lost_whens.get(place)
            if reason is None:
                reason = f"a time without a position ({whens[place][:_SHOWN]})"
                reason = f"{reason}; {geometry.fault}" if geometry.fault else reason
            self.points.add("fixes", self.begin + geometry.begin, part=self.parts, fault=reason)

    def add_rows(self, geometry: Geometry) -> None:
        """Add the positions of a track one by one."""
        whens, coordinates = geometry.whens, geometry.coordinates
        accuracies = geometry.accuracies if len(geometry.accuracies) == len(coordinates) else []
        for place, text in enumerate(coordinates):
            texts = _place(text, " ")
            if place < len(whens) and whens[place]:
                texts["time"] = whens[place]
            if accuracies and accuracies[place]:
                texts["accuracy"] = accuracies[place]
            fault = geometry.lost.get(place) or geometry.lost_whens.get(place)
            begin = self.begin + geometry.begins[place]
            self.points.add("fixes", begin, texts, part=self.parts, fault=fault)

    def notes(self) -> list[str]:
        """Tell what was assumed."""
        told = self.uneven
        if self.uneven_tracks > 1:
            told = [*told, f"so were those of {self.uneven_tracks - 1} other tracks"]
        if self.lines:
            told = [
                *told,
                f"{self.lines} lines without times are fixes without time; "
                "read the file with kind='layer' if they are transects",
            ]
        return told


class _Layer:
    """Takes features as rows of a layer, one for each kind of geometry in a placemark."""

    def __init__(self) -> None:
        self.rows: list[dict[str, object]] = []
        self.begin = 0

    def take(self, feature: Feature) -> None:
        """Take one feature."""
        by_kind: dict[str, list[shapely.Geometry]] = {}
        for shape in map(_shape, feature.geometries):
            by_kind.setdefault(shape.geom_type, []).append(shape)
        name = feature.name or feature.fault
        for some in by_kind.values() or [[]]:
            self.rows.append({**feature.data, "name": name, "geometry": _joined(some)})

    def lose(self, at: int, reason: str) -> None:
        """Pass over a position of a track that a fault of the XML broke: its line is lost."""


def _place(coordinates: str, separator: str) -> dict[str, str]:
    names = ("lon", "lat", "elevation")
    pieces = coordinates.replace(",", " ").split() if separator == " " else coordinates.split(",")
    return {
        name: piece.strip() for name, piece in zip(names, pieces, strict=False) if piece.strip()
    }


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
    if numbers is None or len(numbers) < 2 or geometry.fault is not None or geometry.lost:
        return shapely.LineString()
    return shapely.LineString(numbers)


def _numbers(tuples: list[str], separator: str) -> FloatArray | None:
    places = [_place(text, separator) for text in tuples if text]
    numbers = np.array(
        [[plain_number(place.get(name)) for name in ("lon", "lat")] for place in places]
    ).reshape(-1, 2)
    return numbers if np.isfinite(numbers).all() else None
