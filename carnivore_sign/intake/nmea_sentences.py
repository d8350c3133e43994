"""NMEA sentences: what is framed by ``$`` and a checksum in a log of receiver sentences.

The sentences of the standard, with any talker, are found in the bytes wherever they stand,
so that binary messages between them do no harm, and their checksums are taken for all at
once. A general-purpose parser gives one object per sentence; what a log needs is columns, the
date of one sentence carried to the others, and every damaged sentence told. So this is read
here.

Source: NMEA 0183, as receiver manuals give it: ``$``, talker of two letters, type of three,
fields between commas, ``*``, and the exclusive or of all that is between ``$`` and ``*`` as
two hexadecimal digits.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]

#: Place of each field in the sentences that are used.
_PLACES: Final[dict[str, dict[str, int]]] = {
    "GGA": {"time": 0, "lat": 1, "north": 2, "lon": 3, "east": 4, "mode": 5, "hdop": 7, "up": 8},
    "GNS": {"time": 0, "lat": 1, "north": 2, "lon": 3, "east": 4, "mode": 5, "hdop": 7, "up": 8},
    "RMC": {"time": 0, "status": 1, "lat": 2, "north": 3, "lon": 4, "east": 5, "date": 8,
            "mode": 11},
    "GLL": {"lat": 0, "north": 1, "lon": 2, "east": 3, "time": 4, "status": 5, "mode": 6},
    "WPL": {"lat": 0, "north": 1, "lon": 2, "east": 3, "name": 4},
    "ZDA": {"time": 0, "day": 1, "month": 2, "year": 3},
}  # fmt: skip
#: Names of the fields of each, in their order, blank for those that are not used.
_NAMES: Final = {
    kind: [next((name for name, at in places.items() if at == place), "") for place in range(12)]
    for kind, places in _PLACES.items()
}
#: Types that are used, and the fields that each must have at least.
FIELDS: Final = {"GGA": 10, "RMC": 10, "GNS": 10, "GLL": 6, "ZDA": 5, "WPL": 5}

_SENTENCE: Final = re.compile(
    rb"[$!](?P<body>(?P<talker>P(?=[A-Z]{3})|[A-Z]{2})(?P<type>[A-Z0-9]{2,6})(?:,[^$!*\r\n]*)?)"
    rb"(?P<sum>\*[0-9A-Fa-f]{0,2})?"
)
_FRAGMENT: Final = re.compile(rb"(?:GGA|RMC|GNS|GLL|WPL),")
#: Bytes of a log that are looked through at once.
_PIECE: Final = 2**18
_COMMENT: Final = re.compile(rb"\s*#")


class Sentence(NamedTuple):
    """A sentence that is used: line of the file, type, talker, its fields by name, its text."""

    line: int
    kind: str
    talker: str
    said: dict[str, str]
    text: str


@dataclass(frozen=True)
class Sentences:
    """The sentences of a log.

    Attributes
    ----------
    used : list of Sentence
        Those of the types in `FIELDS`, whose checksum is right or missing.
    damaged : list of (int, str, str)
        Line, text and reason of those that cannot be used.
    others : Counter
        Sentences of other types, by type.
    unchecked : int
        Sentences without a checksum.
    strange : int
        Lines with something in them, and no sentence.
    """

    used: list[Sentence]
    damaged: list[tuple[int, str, str]]
    others: Counter[str]
    unchecked: int
    strange: int


def checksum(body: bytes) -> int:
    """Return the checksum of what stands between ``$`` and ``*``.

    Examples
    --------
    >>> f"{checksum(b'GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,'):02X}"
    '47'
    """
    return int(np.bitwise_xor.reduce(np.frombuffer(body, dtype=np.uint8), initial=0))


def pieces(data: bytes) -> Iterator[tuple[bytes, int]]:
    r"""Cut a log at ends of lines, or else in front of a sentence; with the line of each piece.

    Examples
    --------
    >>> [line for _, line in pieces(b"$GPGGA,\n" * 70_000)]
    [1, 32770, 65539]
    """
    start, line = 0, 1
    while start < len(data):
        end = data.find(b"\n", start + _PIECE, start + 2 * _PIECE) + 1
        if not end:
            end = data.find(b"$", start + _PIECE)
        piece = data[start : end if end > 0 else None]
        yield piece, line
        start += len(piece)
        line += piece.count(b"\n")


def find_sentences(data: bytes, first_line: int = 1) -> Sentences:
    """Find the sentences of a piece of a log, in order.

    Parameters
    ----------
    data : bytes
        The piece, in UTF-8 or in bytes that are no text at all between the sentences.
    first_line : int
        Line of the log that it begins with.
    """
    ends = line_ends(data)
    found = _framed(data, ends)
    if not found:
        damaged = _fragments(data, [], ends, first_line)
        return Sentences([], damaged, Counter(), 0, _strange(data, np.empty(0)))
    lines = np.searchsorted(ends, [match.start() for match in found]) + 1
    numbers = lines + (first_line - 1)
    right = _sums_are_right(data, found)
    used: list[Sentence] = []
    damaged = _fragments(data, found, ends, first_line)
    others: Counter[str] = Counter()
    unchecked = 0
    for match, line, sound in zip(found, numbers.tolist(), right.tolist(), strict=True):
        unchecked += match["sum"] in (None, b"*")
        if not sound:
            damaged.append((line, _words(match[0]), _sum_words(match)))
            continue
        kind = match["type"].decode()
        own = match["talker"] == b"P"
        if own or kind not in FIELDS:
            others["P" + kind if own else kind] += 1
            continue
        body = _words(match["body"])
        fields = body.split(",")[1:]
        if body.split() != [body]:
            fields = [text.strip() for text in fields]
        if len(fields) < FIELDS[kind]:
            reason = f"the sentence is cut short: {len(fields)} fields, and {kind} has more"
            damaged.append((line, _words(match[0]), reason))
            continue
        said = dict(zip(_NAMES[kind], fields, strict=False))
        used.append(Sentence(line, kind, match["talker"].decode(), said, _words(match[0])))
    return Sentences(used, sorted(damaged), others, unchecked, _strange(data, lines))


def _framed(data: bytes, ends: IntArray) -> list[re.Match[bytes]]:
    """Find what is framed as a sentence, outside of comments."""
    found = [
        match
        for match in _SENTENCE.finditer(data)
        if match["talker"] == b"P" or len(match["type"]) == 3
    ]
    if not found or b"#" not in data:
        return found
    starts = np.concatenate([[0], ends + 1])
    lines = starts[np.searchsorted(ends, [match.start() for match in found])].tolist()
    return [
        match for match, start in zip(found, lines, strict=True) if not _COMMENT.match(data, start)
    ]


def line_ends(data: bytes) -> IntArray:
    """Return the bytes at which lines end."""
    letters = np.frombuffer(data, dtype=np.uint8)
    return np.flatnonzero(letters == ord("\n"))


def _sums_are_right(data: bytes, found: list[re.Match[bytes]]) -> npt.NDArray[np.bool_]:
    """Compare the checksums of all sentences; one that is not there counts as right."""
    letters = np.frombuffer(data + b"\0", dtype=np.uint8)
    bounds = np.array([match.span("body") for match in found], dtype=np.int64)
    sums = np.bitwise_xor.reduceat(letters, bounds.ravel())[::2]
    stated = np.array([_stated(match["sum"]) for match in found], dtype=np.int64)
    return (stated == -1) | (stated == sums)


def _stated(written: bytes | None) -> int:
    if written is None or written == b"*":
        return -1
    return int(written[1:], 16) if len(written) == 3 else -2


def _sum_words(match: re.Match[bytes]) -> str:
    right = checksum(match["body"])
    return f"the checksum is wrong: {match['sum'][1:].decode()} stands, and {right:02X} would fit"


def _fragments(
    data: bytes, found: list[re.Match[bytes]], ends: IntArray, first_line: int
) -> list[tuple[int, str, str]]:
    """List lines with the name of a position sentence that is in no sentence found."""
    names = list(_FRAGMENT.finditer(data))
    begins = np.array([name.start() for name in names], dtype=np.int64)
    spans = np.array([match.span() for match in found], dtype=np.int64).reshape(-1, 2)
    behind = np.concatenate([[0], spans[:, 1]])
    outside = begins >= behind[np.searchsorted(spans[:, 0], begins, side="right")]
    told: dict[int, str] = {}
    for name in itertools.compress(names, outside.tolist()):
        line = int(np.searchsorted(ends, name.start()))
        start = int(ends[line - 1]) + 1 if line else 0
        end = int(ends[line]) if line < len(ends) else len(data)
        if _COMMENT.match(data, start):
            continue
        told.setdefault(line + first_line, _words(data[max(start, name.start() - 40) : end]))
    return [(line, text, "a damaged sentence: it has no beginning") for line, text in told.items()]


def _strange(data: bytes, lines: npt.NDArray[np.generic]) -> int:
    """Count the lines that hold something, and neither a sentence nor a comment."""
    known = set(lines.tolist())
    return sum(
        bool(line.strip()) and not _COMMENT.match(line) and number not in known
        for number, line in enumerate(data.split(b"\n"), start=1)
    )


def _words(text: bytes) -> str:
    return text.decode("utf-8", errors="replace").strip()
