"""GPX scan: the track points of a regular file as arrays, without walking through its elements.

Devices write thousands of points of one shape. The scan takes the first point as a pattern:
texts, such as a latitude or a time, and what stands between them, letter for letter. It looks
which other points are of that shape; what is left gives the next pattern, up to a few. What a
pattern means - which text is the time, which is left out - is asked of the referee in
``gpx_document.py``, which reads the pattern with a number in place of each text. The rest of
the file, with one empty point in place of each run of points, goes to the referee as well.

Whatever is not certain (entities, comments among the tags of a point, an odd number, a time
without a zone, a position out of range) makes `scan_track_points` return None, and the referee
reads the whole file. ``tests/test_intake_scan.py`` holds that both give the same tables.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.intake.gpx_document import Document, read_document
from carnivore_sign.intake.gpx_points import Point
from carnivore_sign.intake.gpx_scan_columns import (
    SPACE,
    TEXT_LETTERS,
    Irregular,
    Places,
    ScanColumns,
    cut_pieces,
)
from carnivore_sign.intake.texts import MAX_DIGITS, Text

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: A file whose points have more shapes than this is not regular.
MAX_PATTERNS: Final = 12
#: Longest point that is taken as a pattern, in bytes.
_MAX_POINT: Final = 4000

_BEGIN: Final = b"<trkpt l"
_OPEN: Final = int.from_bytes(_BEGIN, "little")
_CLOSE: Final = b"</trkpt>"
#: Letters that may stand around the texts of a point.
_MARKUP: Final = TEXT_LETTERS + b"<"
_HEAD: Final = re.compile(
    rb'<trkpt (?P<first>lat|lon)="(?P<one>[^"<>]*)" (?P<second>lat|lon)="(?P<two>[^"<>]*)"'
    rb"\s*/?>"
)
_TAG: Final = re.compile(rb"<(?![!?])[^>]*>")
_FRAME: Final = (b"<gpx><trk><trkseg>", b"</trkseg></trk></gpx>")


@dataclass(frozen=True)
class Scan:
    """Track points of a regular file as arrays of one length, and the rest of the file.

    Attributes
    ----------
    rest : bytes
        The document, with one empty ``trkpt`` in place of each run of points.
    runs : array of int
        Points in each run.
    begin : array of int
        Byte of the document at which each point begins.
    lon, lat : array of float
        Degrees.
    measures : dict of str to array of float
        By the names of `gpx_document.CHILDREN`; NaN where missing, and only what there is.
    texts : dict of str to array of object
        ``fix`` and ``extras`` (JSON), None where missing, and only what there is.
    time_ms : array of int
        Milliseconds since 1970 UTC, NaT as the smallest integer.
    """

    rest: bytes
    runs: IntArray
    begin: IntArray
    lon: FloatArray
    lat: FloatArray
    measures: dict[str, FloatArray]
    texts: dict[str, npt.NDArray[np.object_]]
    time_ms: IntArray

    def fits(self, document: Document) -> bool:
        """Tell whether the referee found the empty points of `rest`, and no other."""
        points = document.points["trkpt"]
        return len(points) == len(self.runs) == points.blank

    def parts(self, document: Document) -> IntArray:
        """Return the segment of each point, from the document read from `rest`."""
        parts = np.array(document.points["trkpt"].columns.part, dtype=np.int64)
        return np.repeat(parts, self.runs)


@dataclass(frozen=True)
class _Stretch:
    """The stretch of the file that holds the track points.

    ``begin`` is where each point begins, ``tags`` where any tag does, ``end`` where the stretch
    ends.
    """

    text: Text
    begin: IntArray
    tags: IntArray
    end: int

    def ends(self, start: IntArray, guess: int) -> IntArray:
        """Return where each text ends that a tag ends, mostly as long as the guess."""
        found = start + guess
        others = np.flatnonzero(self.text.pieces(found, "u1") != ord("<"))
        if len(others):
            behind = np.append(self.tags, self.end)
            found[others] = behind[np.searchsorted(self.tags, start[others])]
        return found


@dataclass(frozen=True)
class _Pattern:
    """The shape of a point and what it means.

    Attributes
    ----------
    between : tuple of bytes
        What stands around the texts: one more than there are texts.
    lengths : tuple of int
        How long the texts of this point are.
    columns : tuple of str
        Column of each text, blank for one that has none.
    extras : dict of str to int
        The texts without a column, by the name of their element.
    constants : dict of str to str
        The attributes of its elements.
    """

    between: tuple[bytes, ...]
    lengths: tuple[int, ...]
    columns: tuple[str, ...]
    extras: dict[str, int]
    constants: dict[str, str]


def scan_track_points(data: bytes) -> Scan | None:
    """Read the track points of a GPX document that is regular; None if it is not.

    Parameters
    ----------
    data : bytes
        The document in UTF-8, without a byte order mark.
    """
    start = data.find(_BEGIN)
    if start < 0:
        return None
    end = max(data.rfind(_CLOSE) + len(_CLOSE), data.find(b">", data.rfind(_BEGIN)) + 1)
    if end <= start:
        return None
    try:
        return _scan(data, start, end)
    except Irregular:
        return None


def _scan(data: bytes, start: int, end: int) -> Scan:
    text = Text(data)
    tags = text.places(ord("<"), start, end)
    begin = tags[text.pieces(tags, "<u8") == _OPEN]
    columns = ScanColumns(len(begin))
    behind = _match_patterns(_Stretch(text, begin, tags, end), columns)
    runs, rest = _cut_out(data, begin, behind)
    return Scan(
        rest=rest,
        runs=runs,
        begin=begin,
        lon=columns.lon,
        lat=columns.lat,
        measures=columns.measures,
        texts=columns.texts,
        time_ms=columns.time_ms,
    )


def _match_patterns(stretch: _Stretch, columns: ScanColumns) -> IntArray:
    """Find the pattern of every point and fill the columns; return where each point ends."""
    ends = np.empty_like(stretch.begin)
    waiting = np.arange(len(ends))
    for _ in range(MAX_PATTERNS):
        pattern = _pattern(stretch, int(waiting[0]))
        bounds, behind, fits = _fit(stretch, pattern, stretch.begin[waiting])
        found: Places = slice(None)
        rest = waiting[:0]
        if not fits.all() or len(waiting) < len(ends):
            found, rest = waiting[fits], waiting[~fits]
            bounds = [(start[fits], end[fits]) for start, end in bounds]
            behind = behind[fits]
        ends[found] = behind
        _fill(columns, pattern, found, stretch.text, bounds)
        if not len(rest):
            return ends
        waiting = rest
    raise Irregular


def _fill(
    columns: ScanColumns,
    pattern: _Pattern,
    found: Places,
    text: Text,
    bounds: list[tuple[IntArray, IntArray]],
) -> None:
    """Read the texts of the points of one pattern."""
    for name, (start, end) in zip(pattern.columns, bounds, strict=True):
        if name:
            columns.fill(name, found, text, start, end)
    if pattern.extras or pattern.constants:
        extras = {name: cut_pieces(text, *bounds[place]) for name, place in pattern.extras.items()}
        count = len(bounds[0][0])
        constants = {name: [word] * count for name, word in pattern.constants.items()}
        columns.add_extras(found, constants | extras)


def _fit(
    stretch: _Stretch, pattern: _Pattern, begin: IntArray
) -> tuple[list[tuple[IntArray, IntArray]], IntArray, BoolArray]:
    """Lay a pattern over points.

    Returns
    -------
    bounds : list of tuple of array
        Where each text begins and ends.
    behind : array of int
        Where the points end.
    fits : array of bool
        Which points are of this shape; the others mean nothing in the arrays.
    """
    text = stretch.text
    fits = text.equals(begin, pattern.between[0])
    at = begin + len(pattern.between[0])
    bounds = []
    for place, (guess, tag) in enumerate(zip(pattern.lengths, pattern.between[1:], strict=True)):
        if place < len(("lat", "lon")):
            end = text.ends(ord('"'), at, guess=guess, width=MAX_DIGITS + 1)
        else:
            end = stretch.ends(at, guess)
            fits &= (end > at) & (text.pieces(at, "u1") > ord(" "))
        fits &= text.equals(end, tag)
        bounds.append((at, end))
        at = end + len(tag)
    return bounds, at, fits


def _pattern(stretch: _Stretch, point: int) -> _Pattern:
    """Take the shape of one point, and ask the referee what its texts mean."""
    data, begin = stretch.text.data, int(stretch.begin[point])
    head = _HEAD.match(data, begin)
    if head is None or head["first"] == head["second"]:
        raise Irregular
    body = _body(stretch, point, head)
    between = [data[begin : head.start("one")], data[head.end("one") : head.start("two")]]
    texts = [head["one"], head["two"]]
    asked = b"<trkpt/>" if not body else b"<trkpt>"
    last = data[head.end("two") : head.end()]
    for text, tag in body:
        if not text.strip():
            last += text + tag
            asked += tag
            continue
        asked += b"%d" % len(texts) + tag
        between.append(last)
        texts.append(text)
        last = tag
    between.append(last)
    size = sum(map(len, (*between, *texts)))
    if size > _MAX_POINT or b"".join(between).translate(None, _MARKUP):
        raise Irregular
    columns, extras, constants = _meaning(asked, len(texts))
    return _Pattern(
        between=tuple(between),
        lengths=tuple(map(len, texts)),
        columns=(head["first"].decode(), head["second"].decode(), *columns[2:]),
        extras=extras,
        constants=constants,
    )


def _body(stretch: _Stretch, point: int, head: re.Match[bytes]) -> list[tuple[bytes, bytes]]:
    """Return the tags of a point behind its first, each with the text in front of it."""
    if head[0].endswith(b"/>"):
        return []
    data = stretch.text.data
    next_one = stretch.begin[point + 1 : point + 2].tolist() or [stretch.end]
    close = data.find(_CLOSE, head.end(), next_one[0])
    if close < 0:
        raise Irregular
    body = []
    behind = head.end()
    while behind < close + len(_CLOSE):
        tag = _TAG.match(data, data.find(b"<", behind))
        if tag is None:
            raise Irregular
        text = data[behind : tag.start()]
        if text.strip() and text[:1].isspace():
            raise Irregular
        body.append((text, tag[0]))
        behind = tag.end()
    return body


def _meaning(asked: bytes, count: int) -> tuple[list[str], dict[str, int], dict[str, str]]:
    """Ask the referee for the columns of the texts of a point, its extras and its attributes."""
    points: list[Point] = []
    document = read_document(_FRAME[0] + asked + _FRAME[1], "pattern", points.append)
    if document.notes or len(points) != 1 or len(document.points["trkpt"]) != 1:
        raise Irregular
    extras = {name: text for name, text in points[0].extras.items() if "@" not in name}
    constants = {name: text for name, text in points[0].extras.items() if "@" in name}
    columns = [""] * count
    for name, mark in points[0].children.items():
        columns[int(mark)] = name
    if any("; " in text for text in points[0].extras.values()):
        raise Irregular
    places = {name: int(mark) for name, mark in extras.items()}
    if len(points[0].children) + len(places) != count - 2:
        raise Irregular
    return columns, places, constants


def _cut_out(data: bytes, begin: IntArray, behind: IntArray) -> tuple[IntArray, bytes]:
    """Return the points in each run, and the document with each run cut out."""
    breaks = _breaks(data, behind[:-1], begin[1:])
    firsts = np.concatenate([[0], breaks])
    lasts = np.concatenate([breaks, [len(begin)]]) - 1
    pieces = []
    at = 0
    for first, last in zip(begin[firsts].tolist(), behind[lasts].tolist(), strict=True):
        pieces += [data[at:first], b"<trkpt/>"]
        at = last
    pieces.append(data[at:])
    return lasts - firsts + 1, b"".join(pieces)


def _breaks(data: bytes, closing: IntArray, opening: IntArray) -> IntArray:
    """Return the points that have more than space in front of them."""
    if (closing > opening).any():
        raise Irregular
    if not len(closing):
        return np.empty(0, dtype=np.int64)
    usual = data[int(closing[0]) : int(opening[0])]
    alike = np.zeros(len(closing), dtype=bool)
    if not usual.strip(SPACE) and len(usual) <= _MAX_POINT:
        alike = opening - closing == len(usual)
        if usual:
            alike &= Text(data).equals(closing, usual)
    others = np.flatnonzero(~alike)
    more = [bool(data[closing[place] : opening[place]].strip(SPACE)) for place in others]
    return others[np.array(more, dtype=bool)] + 1
