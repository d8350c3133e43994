"""GeoJSON document: the features of a file, one after the other, up to its end or past a fault.

The file is decoded in windows, and the features of a collection are taken out of it one by one,
so that no more than one is held. One document, one feature a line, and text sequences are one
and the same here: objects in a row. Behind a feature that is broken, reading goes on at the
next that can be found.

Source: RFC 7946 (GeoJSON), RFC 8142 (text sequences); the member ``crs`` of the older
specification is believed where it stands.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from json import JSONDecodeError, JSONDecoder
from pathlib import Path
from typing import Any, Final

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.xml_walk import LineCounter

#: Letters that are decoded at once, as a rule.
_WINDOW: Final = 2**20
#: A feature with more values than this is refused; a line of a million positions has 4 million.
MAX_VALUES: Final = 8_000_000
#: A file with more faults than this is not read further.
MAX_FAULTS: Final = 100
_FAULTS_TOLD: Final = 3
_CONTENT_BYTES: Final = 4000
_DECODER: Final = JSONDecoder()
_SPACE: Final = re.compile(r"[\s,\x1e]*")
_FEATURE: Final = re.compile(rb'\{\s*"type"\s*:\s*"Feature"')
_OBJECT: Final = re.compile(rb"[\n\x1e]\s*(?=\{)")
_IS_FEATURE: Final = re.compile(rb'"type"\s*:\s*"Feature"')


@dataclass
class GeoJsonDocument:
    """What a file says of itself, and what could not be read of it.

    ``broken`` holds the byte and the reason of features that could not be read.
    """

    count: int = 0
    broken: list[tuple[int, str]] = field(default_factory=list)
    crs: str | None = None
    notes: list[str] = field(default_factory=list)


class _Cursor:
    """A place in the bytes of a file, with the text from there on, a window at a time."""

    def __init__(self, body: bytes) -> None:
        self.body = body
        self.load(0, _WINDOW)

    def load(self, at: int, size: int) -> None:
        """Decode `size` bytes from byte `at` on."""
        end = min(at + size, len(self.body))
        while end < len(self.body) and self.body[end] & 0xC0 == 0x80:
            end -= 1
        self.at, self.end, self.place = at, end, 0
        self.text = self.body[at:end].decode("utf-8", errors="replace")
        self.is_plain = len(self.text) == end - at

    @property
    def byte(self) -> int:
        """Byte at which the cursor stands."""
        if self.is_plain:
            return self.at + self.place
        return self.at + len(self.text[: self.place].encode())

    def peek(self) -> str:
        """Pass over space and commas; return the letter there, nothing at the end."""
        while True:
            self.place = _SPACE.match(self.text, self.place).end()  # type: ignore[union-attr]
            if self.place < len(self.text):
                return self.text[self.place]
            if self.end == len(self.body):
                return ""
            self.load(self.end, _WINDOW)

    def value(self) -> Any:
        """Read the value at the cursor, and go behind it."""
        size = _WINDOW
        while True:
            try:
                value, end = _DECODER.raw_decode(self.text, self.place)
            except JSONDecodeError as error:
                if not self._may_go_on(error):
                    raise
            else:
                # A number at the end of the window may go on behind it.
                if end < len(self.text) or self.end == len(self.body):
                    self.place = end
                    return value
            size *= 2
            self.load(self.byte, size)
            if size > 8 * _WINDOW:
                _hold_values(self.text)

    def _may_go_on(self, error: JSONDecodeError) -> bool:
        """Tell whether the fault may be the end of the window."""
        if self.end == len(self.body):
            return False
        return error.msg.startswith("Unterminated") or error.pos > len(self.text) - 64


class _TooLarge(Exception):
    """One feature holds too many values."""


def _hold_values(text: str) -> None:
    if sum(text.count(sign) for sign in ",[{:") > MAX_VALUES:
        raise _TooLarge


def read_features(
    body: bytes, file: str | Path, take: Callable[[Any, int], None]
) -> GeoJsonDocument:
    """Read the features of a file.

    Parameters
    ----------
    body : bytes
        The file in UTF-8.
    file : path-like
        Where it came from, for messages.
    take : callable
        Is given each feature, and the byte at which it begins.

    Raises
    ------
    FileUnreadable
        If nothing of it is GeoJSON, or its values are nested too deep or are too many.
    """
    reader = _Reader(body, take)
    try:
        reader.read()
    except (RecursionError, _TooLarge) as error:
        what = "its values are nested deeper than any GeoJSON"
        if isinstance(error, _TooLarge):
            what = f"one of its features holds more than {MAX_VALUES:,} values"
        raise FileUnreadable(what, file=file, remedy="Export it once more.") from error
    if not reader.document.count:
        raise FileUnreadable(
            "it holds no GeoJSON feature", file=file, remedy="Export it once more."
        )
    return reader.document


class _Reader:
    """State of reading one file."""

    def __init__(self, body: bytes, take: Callable[[Any, int], None]) -> None:
        self.cursor = _Cursor(body)
        self.body = body
        self.document = GeoJsonDocument()
        self.hand_over = take
        self.lines = LineCounter(body)
        self.faults = 0

    def read(self) -> None:
        """Read the objects of the file."""
        cursor = self.cursor
        while cursor.peek():
            begin = cursor.byte
            try:
                self.read_object(begin)
            except ValueError as error:
                behind = _OBJECT.search(self.body, max(begin + 1, cursor.byte))
                in_line = _OBJECT.search(self.body, begin + 1)
                if not self.document.count and not self.document.broken and behind is None:
                    self.document.broken.append((begin, str(error)))
                    return
                self.lose(begin, error, in_line or behind)
                if self.faults > MAX_FAULTS or in_line is None:
                    return

    def read_object(self, begin: int) -> None:
        """Read one object; the features of a collection one by one."""
        cursor = self.cursor
        if cursor.peek() != "{":
            raise ValueError("not a GeoJSON object")
        cursor.place += 1
        members: dict[str, Any] = {}
        streamed = False
        while cursor.peek() != "}":
            name = cursor.value()
            if not isinstance(name, str) or cursor.peek() != ":":
                raise ValueError("a name without a value")
            cursor.place += 1
            if name == "features" and cursor.peek() == "[":
                cursor.place += 1
                self.read_collection()
                streamed = True
                if not cursor.peek():
                    break
            else:
                cursor.peek()
                members[name] = cursor.value()
        cursor.place += 1  # behind the brace
        crs = members.get("crs")
        if isinstance(crs, dict) and isinstance(crs.get("properties"), dict):
            self.document.crs = str(crs["properties"].get("name"))
        if streamed:
            return
        if "type" not in members:
            raise ValueError("a GeoJSON object has a type")
        self.take(members, begin)

    def read_collection(self) -> None:
        """Read features up to the end of their list."""
        cursor = self.cursor
        while (letter := cursor.peek()) != "]":
            begin = cursor.byte
            try:
                if not letter:
                    raise ValueError("the list of features has no end")
                feature = cursor.value()
            except ValueError as error:
                behind = _FEATURE.search(self.body, begin + 1)
                self.lose(begin, error, behind)
                if behind is None or self.faults > MAX_FAULTS:
                    cursor.load(len(self.body), 0)
                    return
            else:
                self.take(feature, begin)
        cursor.place += 1

    def take(self, feature: Any, begin: int) -> None:
        self.document.count += 1
        self.hand_over(feature, begin)

    def lose(self, begin: int, error: ValueError, behind: re.Match[bytes] | None) -> None:
        """Set a feature aside that cannot be read, and go on behind it."""
        self.faults += 1
        going_on = behind is not None and self.faults <= MAX_FAULTS
        end = behind.end() if behind and going_on else len(self.body)
        if behind is not None and going_on and behind.re is _FEATURE:
            end = behind.start()
        line = self.lines.line_of(begin)
        words = error.msg if isinstance(error, JSONDecodeError) else str(error)
        reason = f"the document is broken at line {line} ({words})"
        if self.faults <= _FAULTS_TOLD:
            self.document.notes.append(reason)
        lost = sum(1 for _ in _IS_FEATURE.finditer(self.body, begin, end))
        self.document.broken += [(begin, reason)] * max(lost, 1)
        self.cursor.load(end, _WINDOW)


def content_at(body: bytes, at: int) -> str:
    """Return the text of the feature at byte `at`, as far as it can be read."""
    piece = body[at : at + _CONTENT_BYTES].decode("utf-8", errors="replace")
    try:
        return piece[: _DECODER.raw_decode(piece)[1]]
    except (ValueError, RecursionError):
        behind = _FEATURE.search(body, at + 1, at + _CONTENT_BYTES)
        end = behind.start() if behind else at + _CONTENT_BYTES
        return body[at:end].decode("utf-8", errors="replace").strip().strip("\x1e,").strip()
