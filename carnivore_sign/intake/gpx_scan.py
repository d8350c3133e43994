"""GPX scan: the track points of a regular file as arrays, without walking through its elements.

Devices write thousands of points of one shape. The scan finds every tag of the file at once,
takes the first point as a pattern, and looks which other points have exactly its tags; what
is left gives the next pattern, up to a few. Only the text between the tags may differ. What a
pattern means - which text is the time, which is left out - is asked of the referee in
``gpx_document.py``, which reads the pattern with a number in place of each text. The rest of
the file, with one empty point in place of each run of points, goes to the referee as well.

Whatever is not certain (entities, comments among the tags of a point, an odd number, a time
without a zone, a position out of range) makes `scan_track_points` return None, and the referee
reads the whole file. ``tests/test_intake_scan.py`` holds that both give the same tables.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.intake.gpx_document import Document, read_document
from carnivore_sign.intake.gpx_points import MEASURES, SIGNED, Point, extras_as_json
from carnivore_sign.intake.texts import MAX_DIGITS, Text, decimals, moments_ms

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: A file whose points have more shapes than this is not regular.
MAX_PATTERNS: Final = 12
#: Longest tag inside a point, in bytes, that is compared.
_MAX_TAG: Final = 120
#: Longest text, in bytes, that is cut out.
_MAX_PIECE: Final = 1000
_PAD: Final = b" " * (_MAX_TAG + 16)

_OPEN: Final = int.from_bytes(b"<trkpt l", "little")
_CLOSE: Final = int.from_bytes(b"</trkpt>", "little")
_LESS: Final = ord("<")
#: Letters that may stand in a run of points: plain ASCII without what begins an entity or
#: ends a section of character data.
_PLAIN: Final = bytes({*b"\t\n\r", *range(0x20, 0x7F)} - {*b"&]"})
_HEAD: Final = re.compile(
    rb'<trkpt (?P<first>lat|lon)="(?P<one>[^"<>]*)" (?P<second>lat|lon)="(?P<two>[^"<>]*)"'
    rb"(?P<rest>\s*/?>)"
)
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


class _Irregular(Exception):
    """The file is not of the kind that can be scanned."""


@dataclass(frozen=True)
class _Tags:
    """Every tag of the stretch of the file that holds the track points.

    ``at`` is where each begins; ``first`` and ``last`` are the places in it of the opening
    and closing tag of each point.
    """

    text: Text
    at: IntArray
    first: IntArray
    last: IntArray

    def words_equal(self, where: IntArray, tag: bytes) -> BoolArray:
        """Tell where the bytes from `where` on are those of `tag`."""
        same = np.ones(len(where), dtype=bool)
        for offset in range(0, len(tag), 8):
            piece = tag[offset : offset + 8]
            mask = np.uint64(256 ** len(piece) - 1)
            value = np.uint64(int.from_bytes(piece, "little"))
            same &= (self.text.words[where + offset] & mask) == value
        return same


@dataclass(frozen=True)
class _Pattern:
    """The shape of a point and what it means.

    ``tags`` are its tags but the first; ``spaces`` what stands in front of each, None where
    that is a text; ``column_of`` tells in front of which tag the text of a column stands, and
    ``extra_of`` that of an element without a column; ``constants`` are its attributes.
    """

    tags: tuple[bytes, ...]
    spaces: tuple[bytes | None, ...]
    column_of: dict[str, int]
    extra_of: dict[str, int]
    constants: dict[str, str]


@dataclass
class _Columns:
    """The columns under construction."""

    count: int
    measures: dict[str, FloatArray] = field(default_factory=dict)
    texts: dict[str, npt.NDArray[np.object_]] = field(default_factory=dict)
    time_ms: IntArray = field(init=False)

    def __post_init__(self) -> None:
        self.time_ms = np.full(self.count, np.iinfo(np.int64).min, dtype=np.int64)

    def fill(self, name: str, where: IntArray, text: Text, start: IntArray, end: IntArray) -> None:
        if name == "time":
            moments = moments_ms(text, start, end)
            if moments is None:
                raise _Irregular
            self.time_ms[where] = moments
        elif name in MEASURES:
            numbers = _numbers(text, start, end)
            if name not in SIGNED and (numbers < 0).any():
                raise _Irregular
            self.measures.setdefault(name, np.full(self.count, np.nan))[where] = numbers
        elif name == "fix":
            self._text(name)[where] = _pieces(text, start, end)

    def add_extras(self, where: IntArray, extras: dict[str, list[str]]) -> None:
        """Write texts without a column as JSON."""
        rows = zip(*extras.values(), strict=True)
        words = [extras_as_json(dict(zip(extras, row, strict=True))) for row in rows]
        self._text("extras")[where] = words

    def _text(self, name: str) -> npt.NDArray[np.object_]:
        return self.texts.setdefault(name, np.full(self.count, None, dtype=object))


def scan_track_points(data: bytes) -> Scan | None:
    """Read the track points of a GPX document that is regular; None if it is not.

    Parameters
    ----------
    data : bytes
        The document in UTF-8, without a byte order mark.
    """
    start = data.find(b"<trkpt l")
    end = data.rfind(b"</trkpt>") + len(b"</trkpt>")
    if end < len(b"</trkpt>"):
        end = data.find(b">", data.rfind(b"<trkpt l")) + 1
    if start < 0 or end <= start:
        return None
    try:
        return _scan(data, start, end)
    except _Irregular:
        return None


def _scan(data: bytes, start: int, end: int) -> Scan:
    tags = _find_tags(data[start : end + len(_PAD)], end - start)
    heads_end, lat, lon = _heads(tags)
    runs, rest = _cut_out(data, start, tags, heads_end)
    columns = _Columns(len(tags.first))
    _match_patterns(tags, heads_end, columns)
    return Scan(
        rest=rest,
        runs=runs,
        begin=tags.at[tags.first] + start,
        lon=lon,
        lat=lat,
        measures=columns.measures,
        texts=columns.texts,
        time_ms=columns.time_ms,
    )


def _find_tags(stretch: bytes, length: int) -> _Tags:
    """Find the tags of the first `length` bytes; there is room behind them for comparing."""
    text = Text(stretch + _PAD[len(stretch) - length :])
    letters = text.letters[:length]
    at = np.flatnonzero(letters == _LESS)
    codes = text.words[at]
    first = np.flatnonzero(codes == _OPEN)
    last = np.flatnonzero(codes == _CLOSE)
    if not len(last):
        last = first
    if len(first) != len(last) or (last < first).any() or (first[1:] <= last[:-1]).any():
        raise _Irregular
    behind = text.letters[at + 1]
    markup = np.flatnonzero((behind == ord("!")) | (behind == ord("?")))
    if (np.searchsorted(first, markup, "right") != np.searchsorted(last, markup)).any():
        raise _Irregular
    return _Tags(text, at, first, last)


def _heads(tags: _Tags) -> tuple[IntArray, FloatArray, FloatArray]:
    """Read the positions; return where each opening tag ends, latitudes and longitudes."""
    where = tags.at[tags.first]
    head = _HEAD.match(tags.text.data, int(where[0]))
    if head is None or head["first"] == head["second"] or len(head[0]) > _MAX_TAG:
        raise _Irregular
    quote = ord('"')
    between = b'" ' + head["second"] + b'="'
    one = where + head.start("one") - head.start()
    one_end = tags.text.ends(quote, one, guess=len(head["one"]), width=MAX_DIGITS + 1)
    two = one_end + len(between)
    if not tags.words_equal(where, b"<trkpt " + head["first"] + b'="').all():
        raise _Irregular
    if not tags.words_equal(one_end, between).all():
        raise _Irregular
    two_end = tags.text.ends(quote, two, guess=len(head["two"]), width=MAX_DIGITS + 1)
    if not tags.words_equal(two_end, b'"' + head["rest"]).all():
        raise _Irregular
    lat, lon = _numbers(tags.text, one, one_end), _numbers(tags.text, two, two_end)
    if head["first"] == b"lon":
        lat, lon = lon, lat
    if (np.abs(lat) > 90).any() or (np.abs(lon) > 180).any():
        raise _Irregular
    return two_end + 1 + len(head["rest"]), lat, lon


def _match_patterns(tags: _Tags, heads_end: IntArray, columns: _Columns) -> None:
    """Find the pattern of every point and fill the columns."""
    waiting = np.arange(len(tags.first))
    tag_count = tags.last - tags.first
    for _ in range(MAX_PATTERNS):
        one = int(waiting[0])
        pattern = _pattern(tags, one, int(heads_end[one]))
        alike = waiting[tag_count[waiting] == tag_count[one]]
        bounds = _gaps(tags, pattern, alike, heads_end)
        fits = _fits(tags, pattern, alike, bounds)
        found = alike[fits]
        for name, gap in pattern.column_of.items():
            start, end = bounds[gap]
            columns.fill(name, found, tags.text, start[fits], end[fits])
        if pattern.extra_of or pattern.constants:
            extras = {
                name: _pieces(tags.text, bounds[gap][0][fits], bounds[gap][1][fits])
                for name, gap in pattern.extra_of.items()
            }
            constants = {name: [text] * len(found) for name, text in pattern.constants.items()}
            columns.add_extras(found, constants | extras)
        if len(found) == len(waiting):
            return
        waiting = np.setdiff1d(waiting, found, assume_unique=True)
    raise _Irregular


def _pattern(tags: _Tags, point: int, head_end: int) -> _Pattern:
    """Take the shape of one point, and ask the referee what its texts mean."""
    data = tags.text.data
    first, last = int(tags.first[point]), int(tags.last[point])
    begin = [int(at) for at in tags.at[first + 1 : last + 1]]
    ends = [head_end, *(data.find(b">", at) + 1 for at in begin)]
    shape = tuple(data[at:end] for at, end in zip(begin, ends[1:], strict=True))
    if max(map(len, shape), default=0) > _MAX_TAG:
        raise _Irregular
    texts = [data[end:at] for end, at in zip(ends, begin, strict=False)]
    spaces = tuple(None if text.strip() else text for text in texts)
    if any(text[:1].isspace() for text, space in zip(texts, spaces, strict=True) if space is None):
        raise _Irregular
    marked = [b"%d" % gap if space is None else b"" for gap, space in enumerate(spaces)]
    body = b"".join(text + tag for text, tag in zip(marked, shape, strict=True))
    head = b"<trkpt>" if shape else b"<trkpt/>"
    points: list[Point] = []
    document = read_document(_FRAME[0] + head + body + _FRAME[1], "pattern", points.append)
    if document.notes or len(points) != 1 or len(document.points["trkpt"]) != 1:
        raise _Irregular
    column_of = {name: int(mark) for name, mark in points[0].children.items()}
    extras = points[0].extras
    if any("; " in text for text in extras.values()):
        raise _Irregular
    extra_of = {name: int(mark) for name, mark in extras.items() if "@" not in name}
    constants = {name: text for name, text in extras.items() if "@" in name}
    return _Pattern(shape, spaces, column_of, extra_of, constants)


def _gaps(
    tags: _Tags, pattern: _Pattern, points: IntArray, heads_end: IntArray
) -> list[tuple[IntArray, IntArray]]:
    """Return where the texts between the tags begin and end, as if the points fitted."""
    places = tags.first[points]
    ends = heads_end[points]
    bounds = []
    for number, tag in enumerate(pattern.tags, start=1):
        at = tags.at[places + number]
        bounds.append((ends, at))
        ends = at + len(tag)
    return bounds


def _fits(
    tags: _Tags, pattern: _Pattern, points: IntArray, bounds: list[tuple[IntArray, IntArray]]
) -> BoolArray:
    """Tell which points have the tags and spaces of the pattern, and text where it has text."""
    same = np.ones(len(points), dtype=bool)
    for tag, space, (start, at) in zip(pattern.tags, pattern.spaces, bounds, strict=True):
        same &= tags.words_equal(at, tag)
        if space is None:
            same &= (at > start) & (tags.text.letters[start] > ord(" "))
        else:
            same &= (at - start == len(space)) & tags.words_equal(start, space)
    return same


def _cut_out(data: bytes, start: int, tags: _Tags, heads_end: IntArray) -> tuple[IntArray, bytes]:
    """Return the points in each run, and the document with each run cut out."""
    opening = tags.at[tags.first]
    closing = tags.at[tags.last] + len(b"</trkpt>")
    if tags.last is tags.first:
        closing = heads_end
    breaks = _breaks(tags, closing[:-1], opening[1:])
    firsts = np.concatenate([[0], breaks])
    lasts = np.concatenate([breaks, [len(opening)]]) - 1
    pieces = []
    behind = 0
    for first, last in zip(opening[firsts] + start, closing[lasts] + start, strict=True):
        if data[first:last].translate(None, _PLAIN):
            raise _Irregular
        pieces += [data[behind:first], b"<trkpt/>"]
        behind = int(last)
    pieces.append(data[behind:])
    return lasts - firsts + 1, b"".join(pieces)


def _breaks(tags: _Tags, closing: IntArray, opening: IntArray) -> IntArray:
    """Return the points that have more than space in front of them."""
    if not len(closing):
        return np.empty(0, dtype=np.int64)
    data = tags.text.data
    usual = data[int(closing[0]) : int(opening[0])]
    alike = np.zeros(len(closing), dtype=bool)
    if not usual.strip() and len(usual) <= _MAX_TAG:
        alike = (opening - closing == len(usual)) & tags.words_equal(closing, usual)
    others = np.flatnonzero(~alike)
    more = [bool(data[closing[place] : opening[place]].strip()) for place in others]
    return others[np.array(more, dtype=bool)] + 1


def _pieces(text: Text, start: IntArray, end: IntArray) -> list[str]:
    """Cut out texts, as the referee would give them."""
    if int((end - start).max(initial=0)) > _MAX_PIECE:
        raise _Irregular
    data = text.data
    return [
        data[first:last].decode("ascii").replace("\r\n", "\n").replace("\r", "\n").strip()
        for first, last in zip(start.tolist(), end.tolist(), strict=True)
    ]


def _numbers(text: Text, start: IntArray, end: IntArray) -> FloatArray:
    numbers = decimals(text, start, end)
    if numbers is None:
        raise _Irregular
    return numbers
