"""KML document: the placemarks of a KML file and their geometry, as text, one after the other.

Elements count by their local name, whatever prefix they carry: ``Track`` is read with the
prefix of the extension that brought it, with another, and with none. Links to other files are
told and never followed. A placemark is handed over when it ends, so that no more than one is
held.

Source: OGC KML 2.3 (elements; coordinates as longitude, latitude, height; tracks as times and
positions in pairs, where a blank position is none).
"""

from __future__ import annotations

import itertools
import operator
import re
from array import array
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from carnivore_sign.intake.text_points import hold_count
from carnivore_sign.intake.xml_walk import Fault, walk

#: Elements that have a name and a geometry.
FEATURES: Final = ("Placemark", "PhotoOverlay")
GEOMETRIES: Final = ("Point", "LineString", "LinearRing", "Polygon", "Track")
#: Elements that hold no position of their own, and what is said about them.
_PASSED_OVER: Final = {
    "NetworkLink": "links to other files, which are never fetched",
    "GroundOverlay": "pictures laid on the ground",
    "Model": "models of buildings",
}
#: Where reading can go on behind a fault, and in which elements those stand.
_HOLDERS: Final = (*FEATURES, "MultiGeometry", "MultiTrack")
_RESTARTS: Final = {
    **dict.fromkeys(FEATURES, ("kml", "Document", "Folder")),
    **dict.fromkeys(GEOMETRIES, _HOLDERS),
    **dict.fromkeys(("when", "coord"), ("Track",)),
}
#: Names under which programs write a horizontal accuracy in metres, lower case.
_ACCURACY: Final = ("accuracy", "hacc", "horizontal_accuracy")
#: Positions that are taken and counted at once.
_AT_ONCE: Final = 10_000
_TUPLE: Final = re.compile(r"[^\s,]+(?:\s*,\s*[^\s,]*)*")


@dataclass
class Geometry:
    """One geometry: coordinates as tuples of text; of a track its times beside them.

    ``begins`` tells where each coordinate of a track begins in the file. ``lost`` and
    ``lost_whens`` tell why a coordinate or a time is none, by its place.
    """

    kind: str
    begin: int
    coordinates: list[str] = field(default_factory=list)
    begins: array[int] = field(default_factory=lambda: array("q"))
    whens: list[str] = field(default_factory=list)
    accuracies: list[str] = field(default_factory=list)
    rings: list[list[str]] = field(default_factory=list)
    lost: dict[int, str] = field(default_factory=dict)
    lost_whens: dict[int, str] = field(default_factory=dict)
    fault: str | None = None

    def lose(self, name: str, at: int, reason: str) -> None:
        """Keep the place of a time or position of a track that cannot be read."""
        if name == "when":
            self.lost_whens[len(self.whens)] = reason
            self.whens.append("")
            return
        self.lost[len(self.coordinates)] = reason
        self.coordinates.append("")
        self.begins.append(at)


@dataclass
class Feature:
    """One placemark: where it begins, what it says, its geometries and other values."""

    begin: int
    name: str | None = None
    description: str | None = None
    when: str | None = None
    geometries: list[Geometry] = field(default_factory=list)
    data: dict[str, str] = field(default_factory=dict)
    fault: str | None = None


@dataclass
class KmlDocument:
    """What a file says of itself, and what was lost or left out.

    ``lost`` holds the byte and the reason of positions of tracks that a fault of the XML broke
    together with their track.
    """

    name: str | None = None
    lost: list[tuple[int, str]] = field(default_factory=list)
    passed_over: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    def notes(self) -> list[str]:
        """Tell the faults of the file, and what was passed over."""
        told = [f"{_PASSED_OVER[name]}: {count}" for name, count in self.passed_over.items()]
        return [*self.faults, *told]


class _Reader:
    """The handler of the walk."""

    def __init__(self, data: bytes, file: str | Path, take: Callable[[Feature], None]) -> None:
        self.data = data
        self.file = file
        self.take = take
        self.document = KmlDocument()
        self.feature: Feature | None = None
        self.geometry: Geometry | None = None
        self.label: str | None = None
        #: The time, position or list of positions that is open.
        self.row: str | None = None
        self.row_begin = 0
        self.count = 0

    def start(self, name: str, attributes: dict[str, str], parents: list[str], at: int) -> None:
        geometry = self.geometry
        if name in FEATURES:
            self.end_feature()
            self.feature = Feature(at)
        elif name in GEOMETRIES:
            self.start_geometry(name, at, parents)
        elif name in ("Data", "SimpleData", "SimpleArrayData"):
            self.label = attributes.get("name")
        elif geometry is not None and _is_row(name, geometry):
            self.row, self.row_begin = name, at
        elif name in _PASSED_OVER:
            self.document.passed_over[name] += 1

    def start_geometry(self, name: str, at: int, parents: list[str]) -> None:
        if self.feature is None:  # a geometry without a placemark is one all the same
            self.feature = Feature(at)
        if name == "LinearRing" and "Polygon" in parents:
            return
        self.geometry = Geometry(name, at)
        self.feature.geometries.append(self.geometry)
        if len(self.feature.geometries) > 1:
            self.hold()

    def end(self, name: str, text: str, parents: list[str]) -> None:
        if name in FEATURES:
            self.end_feature()
        elif name == self.row and self.geometry is not None:
            self.end_row(self.geometry, name, text)
        elif self.feature is None:
            if name == "name" and text and parents[1:] in ([], ["Document"], ["Folder"]):
                self.document.name = self.document.name or text
        elif name in GEOMETRIES:
            self.end_geometry(name, parents)
        else:
            self.end_value(self.feature, name, text, parents[-1] if parents else "")

    def end_feature(self) -> None:
        if self.feature is not None:
            self.take(self.feature)
            self.hold()
        self.feature = self.geometry = self.row = None

    def end_geometry(self, name: str, parents: list[str]) -> None:
        if name == "LinearRing" and "Polygon" in parents:
            return
        self.geometry = None
        if not any(one in FEATURES for one in parents):
            self.end_feature()

    def end_row(self, geometry: Geometry, name: str, text: str) -> None:
        self.row = None
        if name == "coordinates":
            self.take_coordinates(geometry, text)
        elif name == "when":
            geometry.whens.append(text)
        else:
            geometry.coordinates.append(text)
            geometry.begins.append(self.row_begin)
        self.hold()

    def end_value(self, feature: Feature, name: str, text: str, parent: str) -> None:
        geometry = self.geometry
        if name == "when" and parent == "TimeStamp" and geometry is None:
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
        tuples = geometry.coordinates
        if geometry.kind == "Polygon":
            tuples = []
            geometry.rings.append(tuples)
        pieces = map(operator.itemgetter(0), _TUPLE.finditer(text))
        while some := list(itertools.islice(pieces, _AT_ONCE)):
            tuples += some
            self.hold(len(some))

    def hold(self, count: int = 1) -> None:
        """Count placemarks, times and positions, two of which make a point."""
        self.count += count
        hold_count(self.count // 2, self.file)

    def broken(self, fault: Fault, restart: str | None, parents: list[str]) -> bool:
        feature, geometry = self.feature, self.geometry
        lost = self.row is not None
        if geometry is not None:
            if self.row == "coordinates":
                self.save_coordinates(geometry, fault)
            elif self.row is not None:
                geometry.lose(self.row, self.row_begin, fault.reason)
            self.row = None
            if "Track" not in parents:
                geometry.fault = fault.reason
                self.geometry = None
        if feature is not None:
            feature.fault = fault.reason
            lost = lost or not feature.geometries
            if not any(one in FEATURES for one in parents):
                self.end_feature()
        return lost

    def save_coordinates(self, geometry: Geometry, fault: Fault) -> None:
        """Keep the positions on both sides of a fault; the one that it stands in is lost."""
        if geometry.kind == "Polygon":
            return
        whole = _TUPLE.findall(fault.text)
        if not fault.text[-1:].isspace():
            del whole[-1:]
        end = self.data.find(b"<", fault.at)
        rest = self.data[fault.at : end if end >= 0 else None].decode("utf-8", errors="replace")
        behind = rest.split(maxsplit=1)
        self.take_coordinates(geometry, " ".join(whole))
        geometry.lose("coord", geometry.begin, fault.reason)
        if len(behind) > 1 and end >= 0:
            self.take_coordinates(geometry, behind[1])

    def lose(self, at: int, name: str, reason: str, parents: list[str]) -> None:
        geometry = self.geometry
        if name in FEATURES:
            self.take(Feature(at, fault=reason))
        elif name in ("when", "coord") and geometry is not None and geometry.kind == "Track":
            geometry.lose(name, at, reason)
        elif name == "coord":
            self.document.lost.append((at, reason))
        elif name in GEOMETRIES and self.feature is not None:
            self.feature.fault = reason
        self.hold()


def _is_row(name: str, geometry: Geometry) -> bool:
    """Tell whether an element holds positions, or a position or a time of a track."""
    return name in (("when", "coord") if geometry.kind == "Track" else ("coordinates",))


def read_document(data: bytes, file: str | Path, take: Callable[[Feature], None]) -> KmlDocument:
    """Read the features of a KML document.

    Parameters
    ----------
    data : bytes
        The document in UTF-8, without a byte order mark.
    file : path-like
        Where it came from, for messages.
    take : callable
        Is given each feature when it has ended.

    Raises
    ------
    FileUnreadable
        If the root is not ``kml``, if it declares entities, if nothing in it is XML, or if it
        holds more points than are read.
    """
    reader = _Reader(data, file, take)
    faults = walk(data, reader, root="kml", restarts=_RESTARTS, file=file)
    reader.end_feature()
    reader.document.faults = faults
    return reader.document
