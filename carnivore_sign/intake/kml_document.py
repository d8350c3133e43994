"""KML document: the placemarks of a KML file and their geometry, as text.

Elements count by their local name, whatever prefix they carry: ``Track`` is read with the
prefix of the extension that brought it, with another, and with none. Links to other files are
told and never followed.

Source: OGC KML 2.3 (elements; coordinates as longitude, latitude, height; tracks as times and
positions in pairs, where a blank position is none).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from carnivore_sign.intake.xml_walk import Fault, lost_elements, walk

#: Elements that have a name and a geometry.
FEATURES: Final = ("Placemark", "PhotoOverlay")
GEOMETRIES: Final = ("Point", "LineString", "LinearRing", "Polygon", "Track")
#: Elements that hold no position of their own, and what is said about them.
_PASSED_OVER: Final = {
    "NetworkLink": "links to other files, which are never fetched",
    "GroundOverlay": "pictures laid on the ground",
    "Model": "models of buildings",
}
_ROWS: Final = (*FEATURES, *GEOMETRIES, "when", "coord")
#: Names under which programs write a horizontal accuracy in metres, lower case.
_ACCURACY: Final = ("accuracy", "hacc", "horizontal_accuracy")
_TUPLE: Final = re.compile(r"[^\s,]+(?:\s*,\s*[^\s,]*)*")


@dataclass
class Geometry:
    """One geometry: coordinates as tuples of text; of a track its times beside them."""

    kind: str
    begin: int
    coordinates: list[str] = field(default_factory=list)
    begins: list[int] = field(default_factory=list)
    whens: list[str] = field(default_factory=list)
    accuracies: list[str] = field(default_factory=list)
    rings: list[list[str]] = field(default_factory=list)
    fault: str | None = None


@dataclass
class Feature:
    """One placemark: where it begins, what it says, its geometries and other values."""

    begin: int
    name: str | None = None
    description: str | None = None
    when: str | None = None
    geometries: list[Geometry] = field(default_factory=list)
    data: dict[str, str] = field(default_factory=dict)


@dataclass
class KmlDocument:
    """The features of a file, what the file says of itself, and what was lost or left out.

    ``lost`` holds the table, the place and the reason of rows that a fault of the XML broke.
    """

    features: list[Feature] = field(default_factory=list)
    name: str | None = None
    lost: list[tuple[str, int, str]] = field(default_factory=list)
    passed_over: Counter[str] = field(default_factory=Counter)
    fault: str | None = None

    def geometries(self) -> Iterator[tuple[Feature, Geometry]]:
        """Yield every geometry with its feature, in the order of the file."""
        for feature in self.features:
            for geometry in feature.geometries:
                yield feature, geometry

    def notes(self) -> list[str]:
        """Tell the fault of the file, and what was passed over."""
        told = [f"{_PASSED_OVER[name]}: {count}" for name, count in self.passed_over.items()]
        return [*([self.fault] if self.fault else []), *told]


class _Reader:
    """The handler of the walk."""

    def __init__(self) -> None:
        self.document = KmlDocument()
        self.feature: Feature | None = None
        self.geometry: Geometry | None = None
        self.label: str | None = None
        #: Byte from which on rows are lost if the XML breaks.
        self.resume = 0

    def start(self, name: str, attributes: dict[str, str], parents: list[str], at: int) -> None:
        if name in _ROWS:
            self.resume = at
        if name in FEATURES:
            self.resume = at + 1
            self.feature = Feature(at)
            self.geometry = None
            self.document.features.append(self.feature)
        elif name in GEOMETRIES:
            self.start_geometry(name, at, parents)
        elif name in ("Data", "SimpleData", "SimpleArrayData"):
            self.label = attributes.get("name")
        elif name == "coord" and self.geometry is not None:
            self.geometry.begins.append(at)
        elif name in _PASSED_OVER:
            self.document.passed_over[name] += 1

    def start_geometry(self, name: str, at: int, parents: list[str]) -> None:
        if self.feature is None:  # a geometry without a placemark is one all the same
            self.feature = Feature(at)
            self.document.features.append(self.feature)
        if name == "LinearRing" and "Polygon" in parents:
            return
        self.geometry = Geometry(name, at)
        self.feature.geometries.append(self.geometry)

    def end(self, name: str, text: str, parents: list[str]) -> None:
        if name in ("when", "coord"):
            self.resume += 1
        if name in FEATURES:
            self.feature = self.geometry = None
        elif self.feature is None:
            if name == "name" and text and parents[1:] in ([], ["Document"], ["Folder"]):
                self.document.name = self.document.name or text
        elif name in GEOMETRIES:
            self.end_geometry(name, parents)
        else:
            self.end_value(self.feature, name, text, parents[-1] if parents else "")

    def end_geometry(self, name: str, parents: list[str]) -> None:
        if name == "LinearRing" and "Polygon" in parents:
            return
        self.resume += 1
        self.geometry = None
        if self.feature is not None and not any(one in FEATURES for one in parents):
            self.feature = None

    def end_value(self, feature: Feature, name: str, text: str, parent: str) -> None:
        geometry = self.geometry
        if name == "coordinates" and geometry is not None:
            self.take_coordinates(geometry, text)
        elif name in ("when", "coord") and parent == "Track" and geometry is not None:
            (geometry.whens if name == "when" else geometry.coordinates).append(text)
        elif name == "when" and parent == "TimeStamp" and geometry is None:
            feature.when = feature.when or text
        elif name == "value" and parent == "SimpleArrayData" and geometry is not None:
            if (self.label or "").lower() in _ACCURACY:
                geometry.accuracies.append(text)
        elif parent in FEATURES and name == "name":
            feature.name = feature.name or text or None
        elif parent in FEATURES and name == "description":
            feature.description = feature.description or text or None
        elif text and self.label and name in ("value", "SimpleData"):
            feature.data.setdefault(self.label, text)

    def take_coordinates(self, geometry: Geometry, text: str) -> None:
        tuples = _TUPLE.findall(text)
        if geometry.kind == "Polygon":
            geometry.rings.append(tuples)
        else:
            geometry.coordinates += tuples


def read_document(data: bytes, file: str | Path) -> KmlDocument:
    """Read the features of a KML document.

    Parameters
    ----------
    data : bytes
        The document in UTF-8, without a byte order mark.
    file : path-like
        Where it came from, for messages.

    Raises
    ------
    FileUnreadable
        If the root is not ``kml``, if it declares entities, or if nothing in it is XML.
    """
    reader = _Reader()
    fault = walk(data, reader, root="kml", file=file)
    if fault is not None:
        _lose(reader, fault, data)
    return reader.document


def _lose(reader: _Reader, fault: Fault, data: bytes) -> None:
    """Save what is whole of the geometry that the fault broke, and list what is lost."""
    document, geometry = reader.document, reader.geometry
    document.fault = fault.reason
    if geometry is not None:
        geometry.fault = fault.reason
        if geometry.kind == "Track":
            del geometry.begins[len(geometry.coordinates) :]
        elif not geometry.coordinates and not geometry.rings:
            # The last tuple may be cut itself.
            reader.take_coordinates(geometry, " ".join(_TUPLE.findall(fault.text)[:-1]))
    inside = geometry is not None and geometry.kind == "Track"
    for at, name in lost_elements(data, _ROWS, reader.resume):
        if name in FEATURES:
            inside = False
            document.lost.append(("waypoints", at, fault.reason))
        elif name == "coord":
            document.lost.append(("fixes", at, fault.reason))
            if inside and geometry is not None:  # its time is lost with it
                place = len(geometry.coordinates)
                del geometry.whens[place : place + 1]
        elif name == "when" and inside and geometry is not None and not geometry.coordinates:
            document.lost.append(("fixes", at, fault.reason))
