"""XML walk: a document element by element, within bounds; behind a fault it goes on.

Expat reads the document in pieces, so that memory stays flat, no entity is ever expanded and
nothing outside the file is opened. Elements count by their local name: devices write any
prefix, or none, and often one that they never declared. At a fault the handler closes what is
broken, and reading goes on at the next element that stands in what is still open.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol
from xml.parsers import expat

from carnivore_sign.errors import FileUnreadable

#: Elements nested deeper than this are a fault.
MAX_DEPTH: Final = 256
#: A tag (or comment) longer than this is a fault, in bytes: it would hold attributes by the
#: hundred thousand.
MAX_TAG_BYTES: Final = 2**20
#: So is a longer text in one element, in characters; a line of a million positions has 40.
MAX_TEXT: Final = 48 * 2**20
#: A document with more faults than this is not read further.
MAX_FAULTS: Final = 1000
_PIECE: Final = 2**16
_CONTENT_BYTES: Final = 4000
_FAULTS_TOLD: Final = 3
_CUT_SHORT: Final = (
    expat.errors.codes[expat.errors.XML_ERROR_NO_ELEMENTS],
    expat.errors.codes[expat.errors.XML_ERROR_UNCLOSED_TOKEN],
)


@dataclass(frozen=True)
class Fault:
    """Where the document cannot be read on, and why; the text so far of the element it is in."""

    at: int
    reason: str
    text: str = ""


class Handler(Protocol):
    """What a reader does with the elements; `parents` are local names from the root down."""

    def start(self, name: str, attributes: dict[str, str], parents: list[str], at: int) -> None:
        """Take the beginning of an element, at byte `at` of the document."""

    def end(self, name: str, text: str, parents: list[str]) -> None:
        """Take the end of an element, with the text directly in it, stripped."""

    def broken(self, fault: Fault, restart: str | None, parents: list[str]) -> bool:
        """Close what a fault broke; tell whether a row was lost to it.

        `restart` is the element at which reading goes on, if it does, and `parents` are those
        in which that stands.
        """

    def lose(self, at: int, name: str, reason: str, parents: list[str]) -> None:
        """Take an element that begins at byte `at` and cannot be read."""


class Broken(Exception):
    """Raised by a handler: the element that begins here cannot stand where it does."""


class Refused(Exception):
    """The document asks for something that no log needs, or is another one."""


def walk(
    data: bytes,
    handler: Handler,
    *,
    root: str,
    restarts: Mapping[str, Collection[str]],
    file: str | Path,
) -> list[str]:
    """Hand every element of a document to a handler.

    Parameters
    ----------
    data : bytes
        The document in UTF-8, without a byte order mark.
    handler : Handler
        What is called for the beginning and the end of each element, and at a fault.
    root : str
        Local name of the root element.
    restarts : mapping of str to collection of str
        Elements at which reading can go on behind a fault, each with those in which it stands.
    file : path-like
        Where it came from, for messages.

    Returns
    -------
    list of str
        The faults, the first of them in words.

    Raises
    ------
    FileUnreadable
        If the root is another element, if it declares entities or attributes, or if nothing in
        it is XML.
    """
    walker = _Walker(data, handler, root, restarts)
    told: list[str] = []
    start, ancestors = 0, list[str]()
    for number in range(MAX_FAULTS + 1):
        try:
            walker.read(start, ancestors)
            break
        except Refused as error:
            raise _unreadable(str(error), file) from error
        except (expat.ExpatError, Broken) as error:
            if not walker.begun:
                raise _unreadable(f"it is not readable as XML ({words_of(error)})", file) from error
            fault = walker.fault(error)
        restart = None if number == MAX_FAULTS else walker.next_restart(fault.at)
        lost = walker.close(fault, restart)
        if lost or not told:  # an end tag of what was passed over is no fault of its own
            told.append(fault.reason)
        if restart is None:
            break
        start, ancestors = restart.start(), walker.ancestors(restart)
    more = ["the XML is broken in more places"] if len(told) > _FAULTS_TOLD else []
    return told[:_FAULTS_TOLD] + more


def feed(parser: expat.XMLParserType, data: bytes, start: int, base: int) -> None:
    """Feed a parser with `data` from `start` on, in pieces.

    Parameters
    ----------
    parser : XMLParserType
        The parser.
    data : bytes
        The document.
    start : int
        Byte at which to begin.
    base : int
        Byte of the document that the parser counts as its first.

    Raises
    ------
    Broken
        If a tag is longer than `MAX_TAG_BYTES`.
    """
    view = memoryview(data)
    for at in range(start, len(data), _PIECE):
        piece = view[at : at + _PIECE]
        parser.Parse(piece, False)
        if at + len(piece) - base - parser.CurrentByteIndex > MAX_TAG_BYTES:
            raise Broken(f"a tag longer than {MAX_TAG_BYTES >> 20} MiB")
    parser.Parse(b"", True)


def refuse_declarations(parser: expat.XMLParserType) -> None:
    """Have a parser refuse what can make a small document grow: entities, and attributes."""

    def refuse(*_: object) -> None:
        raise Refused("it declares XML entities, which no log needs and which can harm")

    parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
    parser.EntityDeclHandler = refuse
    parser.AttlistDeclHandler = refuse


class LineCounter:
    """Counts lines up to one byte after another; it starts again from the last one."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0
        self.line = 1

    def line_of(self, at: int) -> int:
        """Return the line of byte `at`, counted from 1."""
        if at < self.at:
            self.at, self.line = 0, 1
        self.line += self.data.count(b"\n", self.at, at)
        self.at = at
        return self.line


class _Walker:
    """State of one walk; the handlers that expat calls."""

    def __init__(
        self,
        data: bytes,
        handler: Handler,
        root: str,
        restarts: Mapping[str, Collection[str]],
    ) -> None:
        self.data = data
        self.handler = handler
        self.root = root
        self.restarts = restarts
        self.lines = LineCounter(data)
        self.begun = False
        self.last_at = self.base = self.started = self.stopped_at = 0
        self.tags: list[str] = []
        self.names: list[str] = []
        self.local = _LocalNames()
        self.texts: list[list[str]] = [[]]
        self.letters = 0

    def read(self, start: int, ancestors: Sequence[str]) -> None:
        """Read from byte `start` on with a fresh parser, inside `ancestors`."""
        parser = expat.ParserCreate(encoding="UTF-8")
        parser.buffer_text = True
        refuse_declarations(parser)
        opening = "".join(f"<{tag}>" for tag in ancestors).encode()
        if opening:
            parser.Parse(opening, False)
        self.parser = parser
        self.started, self.base = start, start - len(opening)
        self.tags = list(ancestors)
        self.names = [self.local[tag] for tag in ancestors]
        self.texts = [[] for _ in range(len(ancestors) + 1)]
        parser.StartElementHandler = self.start
        parser.EndElementHandler = self.end
        parser.CharacterDataHandler = self.take
        feed(parser, self.data, start, self.base)

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = self.local[tag]
        if not self.begun and name != self.root:
            raise Refused(f"its root element is <{name}>, and not <{self.root}>")
        self.begun = True
        at = self.base + self.parser.CurrentByteIndex
        self.stopped_at = at  # expat runs on behind what a handler raises
        if len(self.names) >= MAX_DEPTH:
            raise Broken(f"elements nested deeper than {MAX_DEPTH}")
        self.handler.start(name, attributes, self.names, at)
        self.last_at = at
        self.tags.append(tag)
        self.names.append(name)
        self.texts.append([])
        self.letters = 0

    def end(self, _: str) -> None:
        self.tags.pop()
        name = self.names.pop()
        texts = self.texts.pop()
        self.handler.end(name, "".join(texts).strip() if texts else "", self.names)

    def take(self, text: str) -> None:
        if not self.texts[-1] and text.isspace():
            return
        self.texts[-1].append(text)
        self.letters += len(text)
        if self.letters > MAX_TEXT:
            self.stopped_at = self.base + self.parser.CurrentByteIndex
            raise Broken(f"a text longer than {MAX_TEXT >> 20} million letters")

    def fault(self, error: Exception) -> Fault:
        """Say where and why reading stopped."""
        parser = self.parser
        at = self.stopped_at
        if not isinstance(error, Broken):
            at = min(max(self.base + parser.ErrorByteIndex, self.started), len(self.data))
        line = self.lines.line_of(at)
        self.letters = 0
        parser.buffer_text = False  # hands over the text that is waiting
        text = "".join(self.texts[-1])
        cut = not isinstance(error, Broken) and parser.ErrorCode in _CUT_SHORT
        if cut or not self.data[at : at + _PIECE].strip():
            return Fault(at, f"the file is cut short at line {line}", text)
        return Fault(at, f"the XML is broken at line {line} ({words_of(error)})", text)

    def next_restart(self, at: int) -> re.Match[bytes] | None:
        """Find the next element at which reading can go on."""
        open_names = set(self.names)
        names = [name for name, parents in self.restarts.items() if open_names & set(parents)]
        first = max(at, self.last_at + 1, self.started + 1)
        return _pattern(names).search(self.data, first) if names else None

    def ancestors(self, restart: re.Match[bytes]) -> list[str]:
        """Return the tags, of those that are open, in which reading goes on."""
        return self.tags[: self._depth(restart)]

    def close(self, fault: Fault, restart: re.Match[bytes] | None) -> bool:
        """Tell the handler of the fault; return whether an element was lost to it."""
        parents = self.names[: self._depth(restart)] if restart else []
        name = restart[1].decode() if restart else None
        lost = self.handler.broken(fault, name, parents)
        end = restart.start() if restart else len(self.data)
        first = max(self.last_at + 1, self.started)
        found = _pattern(list(self.restarts)).finditer(self.data, first, end)
        for element in found:
            self.handler.lose(element.start(), element[1].decode(), fault.reason, self.names)
            lost = True
        return lost

    def _depth(self, restart: re.Match[bytes]) -> int:
        parents = self.restarts[restart[1].decode()]
        return max(place for place, name in enumerate(self.names) if name in parents) + 1


def content_at(data: bytes, at: int) -> str:
    """Return the original text of the element that begins at byte `at`, up to the next alike."""
    piece = data[at : at + _CONTENT_BYTES]
    name = re.match(rb"<([\w.:-]+)", piece)
    end = None
    if name is not None:
        ends = re.compile(
            rb"</" + re.escape(name[1]) + rb"\s*>|(?=" + re.escape(name[0]) + rb"[\s/>])"
        )
        found = ends.search(piece, 1)
        end = found.end() if found else None
    return piece[:end].decode("utf-8", errors="replace")


def words_of(error: Exception) -> str:
    """Say in words what is wrong with the XML."""
    if isinstance(error, expat.ExpatError):
        return str(expat.ErrorString(error.code))
    return str(error)


def _pattern(names: Sequence[str]) -> re.Pattern[bytes]:
    return re.compile(rb"<(?:[\w.-]+:)?(" + "|".join(names).encode() + rb")(?=[\s/>]|\Z)")


class _LocalNames(dict[str, str]):
    """Tags without their prefix, each worked out once."""

    def __missing__(self, tag: str) -> str:
        self[tag] = tag.rpartition(":")[2]
        return self[tag]


def _unreadable(what: str, file: str | Path) -> FileUnreadable:
    return FileUnreadable(
        what, file=file, remedy="Export the log once more, as GPX if that is possible."
    )
