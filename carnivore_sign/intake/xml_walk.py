"""XML walk: a document element by element, within bounds, up to its end or its first fault.

Expat reads the document, so that memory stays flat, no entity is ever expanded and nothing
outside the file is opened. Elements count by their local name: devices write any prefix, or
none, and often one that they never declared.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol
from xml.parsers import expat

from carnivore_sign.errors import FileUnreadable

#: Elements nested deeper than this are a fault.
MAX_DEPTH: Final = 256
_CONTENT_BYTES: Final = 4000
_CUT_SHORT: Final = (
    expat.errors.codes[expat.errors.XML_ERROR_NO_ELEMENTS],
    expat.errors.codes[expat.errors.XML_ERROR_UNCLOSED_TOKEN],
)


class Handler(Protocol):
    """What a reader does with the elements; `parents` are local names from the root down."""

    def start(self, name: str, attributes: dict[str, str], parents: list[str], at: int) -> None:
        """Take the beginning of an element, at byte `at` of the document."""

    def end(self, name: str, text: str, parents: list[str]) -> None:
        """Take the end of an element, with the text directly in it, stripped."""


@dataclass(frozen=True)
class Fault:
    """Where the document cannot be read further, and why; the text of the element it is in."""

    at: int
    reason: str
    text: str = ""


class _Refused(Exception):
    """The document asks for something that no log needs, or is another one."""


class _TooDeep(Exception):
    """Elements are nested deeper than `MAX_DEPTH`."""


def walk(data: bytes, handler: Handler, *, root: str, file: str | Path) -> Fault | None:
    """Hand every element of a document to a handler.

    Parameters
    ----------
    data : bytes
        The document in UTF-8, without a byte order mark.
    handler : Handler
        What is called for the beginning and the end of each element.
    root : str
        Local name of the root element.
    file : path-like
        Where it came from, for messages.

    Returns
    -------
    Fault or None
        Where reading stopped, if it stopped before the end.

    Raises
    ------
    FileUnreadable
        If the root is another element, if it declares entities, or if nothing in it is XML.
    """
    parser = expat.ParserCreate(encoding="UTF-8")
    parser.buffer_text = True
    parser.SetParamEntityParsing(expat.XML_PARAM_ENTITY_PARSING_NEVER)
    open_names: list[str] = []
    texts: list[list[str]] = [[]]

    def refuse_entity(*_: object) -> None:
        raise _Refused("it declares XML entities, which no log needs and which can harm")

    def start(tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(":")[2]
        if not open_names and name != root:
            raise _Refused(f"its root element is <{name}>, and not <{root}>")
        if len(open_names) >= MAX_DEPTH:
            raise _TooDeep
        handler.start(name, attributes, open_names, parser.CurrentByteIndex)
        open_names.append(name)
        texts.append([])

    def end(_: str) -> None:
        name = open_names.pop()
        handler.end(name, "".join(texts.pop()).strip(), open_names)

    def take(text: str) -> None:
        texts[-1].append(text)

    parser.EntityDeclHandler = refuse_entity
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = take
    try:
        parser.Parse(data, True)
    except _Refused as error:
        raise FileUnreadable(
            str(error), file=file, remedy="Export the log once more, as GPX if that is possible."
        ) from error
    except (expat.ExpatError, _TooDeep) as error:
        if not open_names and len(texts) == 1:
            raise FileUnreadable(
                f"it is not readable as XML ({_words(error)})",
                file=file,
                remedy="Export the log once more, as GPX if that is possible.",
            ) from error
        parser.buffer_text = False  # hands over the text that is waiting
        return _fault(parser, error, data, text="".join(texts[-1]))
    return None


def lost_elements(data: bytes, names: Sequence[str], start: int) -> list[tuple[int, str]]:
    """List the elements of those names that begin at byte `start` or behind it.

    Returns
    -------
    list of (int, str)
        Byte at which each begins, and its local name.
    """
    pattern = re.compile(rb"<(?:[\w.-]+:)?(" + "|".join(names).encode() + rb")(?=[\s/>]|\Z)")
    return [(match.start(), match[1].decode()) for match in pattern.finditer(data, start)]


def content_at(data: bytes, at: int) -> str:
    """Return the original text of the element that begins at byte `at`."""
    piece = data[at : at + _CONTENT_BYTES]
    name = re.match(rb"<([\w.:-]+)", piece)
    end = re.search(rb"</" + re.escape(name[1]) + rb"\s*>", piece) if name else None
    return piece[: end.end() if end else None].decode("utf-8", errors="replace")


def _fault(parser: expat.XMLParserType, error: Exception, data: bytes, *, text: str) -> Fault:
    deep = isinstance(error, _TooDeep)
    at = min(max(parser.CurrentByteIndex if deep else parser.ErrorByteIndex, 0), len(data))
    line = data.count(b"\n", 0, at) + 1
    if not data[at:].strip() or parser.ErrorCode in _CUT_SHORT:
        return Fault(at, f"the file is cut short at line {line}", text)
    return Fault(at, f"the XML is broken at line {line} ({_words(error)})", text)


def _words(error: Exception) -> str:
    if isinstance(error, expat.ExpatError):
        return str(expat.ErrorString(error.code))
    return f"elements nested deeper than {MAX_DEPTH}"
