"""GPX document: the points of a GPX file as text, by a parser that stops at nothing.

This is the referee: whatever the quick scan in ``gpx_scan.py`` is not sure of comes here.
Expat reads the document element by element, so that memory stays flat, no entity is ever
expanded and nothing outside the file is opened. At a fault in the XML the good points before
it are kept, the point it stands in is reported as lost with its text, and reading goes on at
the next track, segment or point.

Elements count by their local name, with the prefix of the root element (whatever it is), and
only where they stand: a ``time`` inside ``extensions`` is not the time of the point.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final
from xml.parsers import expat

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.gpx_points import GpxPoints, Point
from carnivore_sign.intake.text_points import hold_count
from carnivore_sign.intake.xml_walk import (
    Broken,
    LineCounter,
    Refused,
    feed,
    refuse_declarations,
    words_of,
)

#: Elements nested deeper than this are a fault. GPX itself needs about ten levels.
MAX_DEPTH: Final = 256
#: A file with more faults than this is not read further.
MAX_FAULTS: Final = 1000
#: Bytes after a fault or a point's beginning that are looked at for its text.
_CONTENT_BYTES: Final = 4000

#: Children of a point that are kept, and what they are.
CHILDREN: Final = {
    "ele": "elevation", "time": "time", "hdop": "hdop", "name": "name", "cmt": "comment",
    "desc": "description", "sym": "symbol", "vdop": "vdop", "pdop": "pdop", "sat": "satellites",
    "fix": "fix", "speed": "speed", "course": "course",
}  # fmt: skip
#: Names of elements inside extensions, lower case, whatever their prefix, and what they are.
#: ``accuracy`` is the horizontal one, in metres; speed is in m/s, as in GPX 1.0.
EXTENSIONS: Final[dict[str, str]] = {
    **dict.fromkeys(
        ("accuracy", "hacc", "h_acc", "horizontalaccuracy", "horizontal_accuracy", "gps_accuracy"),
        "accuracy",
    ),
    **dict.fromkeys(("hr", "heartrate", "heart_rate"), "heart_rate"),
    **dict.fromkeys(("atemp", "temp", "temperature"), "temperature"),
    **dict.fromkeys(("cad", "cadence"), "cadence"),
    **dict.fromkeys(("sat", "satellites"), "satellites"),
    **{name: name for name in ("hdop", "vdop", "pdop", "speed", "course")},
    "bearing": "course",
    "fix": "fix",
}
POINTS: Final = ("trkpt", "wpt", "rtept")
_PARENTS: Final = {
    "trkpt": ("gpx", "trk", "trkseg"),
    "rtept": ("gpx", "rte"),
    "trkseg": ("gpx", "trk"),
}
_RESTART: Final = re.compile(rb"<((?:[\w.-]+:)?)(trkpt|wpt|rtept|trkseg|trk|rte)(?=[\s/>])")
_POINT: Final = re.compile(rb"<(?:[\w.-]+:)?(trkpt|wpt|rtept)(?=[\s/>]|\Z)")
_FAULTS_TOLD: Final = 3
_CUT_SHORT: Final = (
    expat.errors.codes[expat.errors.XML_ERROR_NO_ELEMENTS],
    expat.errors.codes[expat.errors.XML_ERROR_UNCLOSED_TOKEN],
)


@dataclass
class Document:
    """What a GPX file holds, as text.

    Attributes
    ----------
    points : mapping of str to collection of Point
        By element: ``trkpt``, ``wpt``, ``rtept``; `part` counts segments, or routes, from 0.
    lost : dict of str to list of (int, str)
        Points that the XML broke: byte at which each begins, and why.
    """

    data: bytes
    points: Mapping[str, GpxPoints]
    lost: dict[str, list[tuple[int, str]]] = field(
        default_factory=lambda: {kind: [] for kind in POINTS}
    )
    creator: str | None = None
    author: str | None = None
    name: str | None = None
    track_name: str | None = None
    tracks: int = 0
    parts: int = 0
    routes: int = 0
    notes: list[str] = field(default_factory=list)

    def content(self, at: int, kind: str) -> str:
        """Return the original text of the point that begins at byte `at`, up to the next."""
        piece = self.data[at : at + _CONTENT_BYTES]
        name = rb"(?:[\w.-]+:)?" + kind.encode()
        ends = re.compile(rb"</" + name + rb"\s*>|/>|(?=<" + name + rb"[\s/>])")
        end = ends.search(piece, 1)
        return piece[: end.end() if end else None].decode("utf-8", errors="replace")


class _Walker:
    """State of one walk through a document; the handlers that expat calls."""

    def __init__(
        self, document: Document, file: str | Path, take: Callable[[Point], None] | None
    ) -> None:
        self.document = document
        self.file = file
        self.take = take
        self.parser = expat.ParserCreate(encoding="UTF-8")
        self.base = 0
        self.prefix: str | None = None
        self.open: list[str] = []
        self.point: Point | None = None
        self.point_kind = ""
        self.point_depth = 0
        self.in_segment = False
        self.last_at = -1
        self.stopped_at = 0
        self.lines = LineCounter(document.data)
        self.text: list[str] = []

    def begin(self, base: int, ancestors: tuple[str, ...]) -> None:
        """Start a fresh parser at byte `base`, inside `ancestors`."""
        parser = expat.ParserCreate(encoding="UTF-8")
        parser.buffer_text = True
        refuse_declarations(parser)
        self.point = None
        self.open = list(ancestors)
        prefix = self.prefix or ""
        opening = "".join(f"<{prefix}{name}>" for name in ancestors).encode()
        if opening:
            parser.Parse(opening, False)
        self.base = base - len(opening)
        parser.StartElementHandler = self.start
        parser.EndElementHandler = self.end
        parser.CharacterDataHandler = self.text.append
        self.parser = parser

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        self.text.clear()
        self.open.append(tag)
        self.stopped_at = self.base + self.parser.CurrentByteIndex  # expat runs on behind Broken
        if self.point is not None:
            if len(self.open) > MAX_DEPTH:
                raise Broken(f"elements nested deeper than {MAX_DEPTH}")
            for name, value in attributes.items():
                if not name.startswith("xmlns"):
                    self.point.add_extra(f"{tag}@{name}", value)
            return
        prefix, _, local = tag.rpartition(":")
        prefix = prefix and prefix + ":"
        if self.prefix is None:
            if local != "gpx":
                raise Refused(f"its root element is <{local}>, and not <gpx>")
            self.prefix = prefix
            self.document.creator = attributes.get("creator")
        elif prefix == self.prefix:
            self.start_own(local, attributes)
        if len(self.open) > MAX_DEPTH:
            raise Broken(f"elements nested deeper than {MAX_DEPTH}")

    def start_own(self, local: str, attributes: dict[str, str]) -> None:
        document = self.document
        if local in POINTS:
            self.start_point(local, attributes)
        elif local == "trkseg":
            document.parts += 1
            self.in_segment = True
        elif local == "trk":
            document.tracks += 1
            self.in_segment = False
        elif local == "rte":
            document.routes += 1

    def start_point(self, local: str, attributes: dict[str, str]) -> None:
        document = self.document
        part = 0
        if local == "trkpt":
            if not self.in_segment:
                document.parts += 1
                self.in_segment = True
            part = document.parts - 1
        elif local == "rtept":
            part = max(document.routes - 1, 0)
        at = self.base + self.parser.CurrentByteIndex
        self.point = Point(at, part, attributes.get("lat"), attributes.get("lon"))
        self.point_kind = local
        self.point_depth = len(self.open)
        self.last_at = at

    def end(self, tag: str) -> None:
        depth = len(self.open)
        self.open.pop()
        if self.point is None:
            self.end_outside(tag)
        elif depth == self.point_depth:
            if self.take is not None:
                self.take(self.point)
            self.document.points[self.point_kind].append(self.point)
            self.point = None
        else:
            self.end_child(tag, depth)
        self.text.clear()

    def end_child(self, tag: str, depth: int) -> None:
        point = self.point
        value = "".join(self.text).strip()
        if point is None or not value:
            return
        prefix, _, local = tag.rpartition(":")
        direct = depth == self.point_depth + 1 and (prefix and prefix + ":") == self.prefix
        names = CHILDREN if direct else EXTENSIONS
        known = names.get(local if direct else local.lower())
        if known is None or known in point.children:
            point.add_extra(tag, value)
        else:
            point.children[known] = value

    def end_outside(self, tag: str) -> None:
        local = tag.rpartition(":")[2]
        if local == "trkseg":
            self.in_segment = False
            return
        value = "".join(self.text).strip()
        if not value or local not in ("name", "author"):
            return
        parents = [name.rpartition(":")[2] for name in self.open[1:]]
        document = self.document
        if local == "name":
            if parents in ([], ["metadata"]):
                document.name = document.name or value
            elif parents == ["trk"]:
                document.track_name = document.track_name or value
            elif parents == ["metadata", "author"]:
                document.author = document.author or value
        elif parents == []:
            document.author = document.author or value


def read_document(
    data: bytes, file: str | Path, take: Callable[[Point], None] | None = None
) -> Document:
    """Read the points of a GPX document.

    Parameters
    ----------
    data : bytes
        The document in UTF-8, without a byte order mark.
    file : path-like
        Where it came from, for messages.
    take : callable, optional
        Is given each point as well.

    Raises
    ------
    FileUnreadable
        If the root is not ``gpx``, if it declares entities, if nothing in it is XML, or if it
        holds more points than are read.
    """
    document = Document(data, {kind: GpxPoints(file) for kind in POINTS})
    walker = _Walker(document, file, take)
    ancestors: tuple[str, ...] = ()
    start = 0
    for number in range(MAX_FAULTS + 1):
        walker.begin(start, ancestors)
        try:
            feed(walker.parser, data, start, walker.base)
            break
        except Refused as error:
            raise FileUnreadable(
                str(error), file=file, remedy="Export the log once more as GPX."
            ) from error
        except (expat.ExpatError, Broken) as error:
            if walker.prefix is None:
                raise FileUnreadable(
                    f"it is not readable as XML ({words_of(error)})",
                    file=file,
                    remedy="Export the log once more as GPX.",
                ) from error
            restart = _report_fault(walker, start, error, last=number == MAX_FAULTS)
        if restart is None:
            break
        walker.prefix = restart[1].decode()
        ancestors = tuple(_PARENTS.get(restart[2].decode(), ("gpx",)))
        start = restart.start()
    return document


def _report_fault(
    walker: _Walker, start: int, error: Exception, *, last: bool
) -> re.Match[bytes] | None:
    """Put the points that a fault broke among the lost; return where to go on, if anywhere."""
    document = walker.document
    data = document.data
    at = walker.stopped_at
    if not isinstance(error, Broken):
        at = min(max(walker.base + walker.parser.ErrorByteIndex, start), len(data))
    restart = None if last else _RESTART.search(data, max(at, walker.last_at + 1, start + 1))
    end = restart.start() if restart else len(data)
    line = walker.lines.line_of(at)
    reason = f"the XML is broken at line {line} ({words_of(error)})"
    cut = not isinstance(error, Broken) and walker.parser.ErrorCode in _CUT_SHORT
    if cut or not data[at : at + _CONTENT_BYTES].strip():
        reason = f"the file is cut short at line {line}"
    if walker.point is not None:
        document.lost[walker.point_kind].append((walker.point.begin, reason))
    for point in _POINT.finditer(data, max(walker.last_at + 1, start), end):
        lost = document.lost[point[1].decode()]
        lost.append((point.start(), reason))
        walker.last_at = point.start()
        hold_count(len(lost), walker.file)
    if len(document.notes) < _FAULTS_TOLD:
        document.notes.append(reason)
    elif len(document.notes) == _FAULTS_TOLD:
        document.notes.append("the XML is broken in more places")
    return restart
