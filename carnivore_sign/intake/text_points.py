"""Text points: points as the text of a document, gathered in columns, and made ready for a log.

A point read from XML or JSON is a few short texts. A million of them as objects would fill a
gibibyte, so that a reader hands over one point at a time: numbers become numbers at once, and
what is no number becomes the fault of its point. Times are read at the end, all together.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.clocks import in_hour_twice, times_from_text
from carnivore_sign.intake.texts import Text, moments_ms

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Most points that a file may hold; with their table they take some 700 MiB. One fix a second
#: makes as many in eleven days and nights.
MAX_POINTS: Final = 1_000_000

_NUMBER: Final = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII)
_POSITION: Final = {"lat": "latitude", "lon": "longitude"}
_MEASURES: Final = {"elevation": "elevation_m", "hdop": "hdop", "accuracy": "accuracy_m"}
_TEXTS: Final = ("name", "comment", "symbol")
_SHOWN: Final = 60
_COMMA: Final = re.compile(r"\s*([+-]?\d{1,3}),(\d{1,20})\s*", re.ASCII)
_NO_TIME: Final = int(np.iinfo(np.int64).min)
#: Times that are read at once.
_BLOCK: Final = 50_000


class PointColumns:
    """Points as growing columns.

    Attributes
    ----------
    begin, part : array of int
        Where each begins in the file; its segment, or route, counted from 0.
    numbers : dict of str to array of float
        By name; only what there is. Shorter than `begin` if the last points have none.
    texts : dict of str to list of str
        By name, None where missing; only what there is, and shorter likewise.
    faults : dict of int to str
        Why a point cannot be kept, by its place.
    unread : dict of str to tuple of int and str
        How many texts of a name should be numbers and are none, and the first of them.
    """

    def __init__(self) -> None:
        self.begin = array("q")
        self.part = array("q")
        self.numbers: dict[str, array[float]] = {}
        self.texts: dict[str, list[str | None]] = {}
        self.faults: dict[int, str] = {}
        self.unread: dict[str, tuple[int, str]] = {}

    def __len__(self) -> int:
        return len(self.begin)

    def begin_point(self, begin: int, part: int = 0) -> None:
        """Begin a point; what is put from now on belongs to it."""
        self.begin.append(begin)
        self.part.append(part)

    def put_number(self, name: str, value: float) -> None:
        """Put a number to the point."""
        column = self.numbers.get(name)
        if column is None:
            column = self.numbers[name] = array("d")
        missing = len(self.begin) - 1 - len(column)
        if missing:
            column.extend([math.nan] * missing)
        column.append(value)

    def put_text(self, name: str, text: str) -> None:
        """Put a text to the point."""
        column = self.texts.get(name)
        if column is None:
            column = self.texts[name] = []
        missing = len(self.begin) - 1 - len(column)
        if missing:
            column.extend([None] * missing)
        column.append(text)

    def extend(
        self,
        begins: Sequence[int],
        part: int,
        numbers: Mapping[str, FloatArray],
        times: Sequence[str | None],
    ) -> None:
        """Add many points of one part, with their numbers, and times for the first of them."""
        before = len(self.begin)
        self.begin.extend(begins)
        self.part.extend([part] * len(begins))
        for name, values in numbers.items():
            column = self.numbers.setdefault(name, array("d"))
            column.extend([math.nan] * (before - len(column)))
            column.frombytes(np.ascontiguousarray(values).tobytes())
        if any(times):
            words = self.texts.setdefault("time", [])
            words.extend([None] * (before - len(words)))
            words.extend(word or None for word in times)

    def put_position(self, name: str, text: str | None) -> None:
        """Put ``lat`` or ``lon`` to the point; what is no number is its fault."""
        value = plain_number(text)
        self.put_number(name, value)
        if not math.isfinite(value):
            self.add_fault(len(self.begin) - 1, not_a_number(text, _POSITION[name]))

    def leave_out(self, name: str, text: str) -> None:
        """Count a text that should be a number and is none."""
        count, first = self.unread.get(name, (0, text))
        self.unread[name] = (count + 1, first)

    def add_fault(self, place: int, reason: str) -> None:
        """Add a reason why a point cannot be kept behind what is there."""
        there = self.faults.get(place)
        self.faults[place] = reason if there is None else f"{there}; {reason}"

    def number_column(self, name: str) -> FloatArray:
        """Return a column of numbers as long as the points are many."""
        values = np.full(len(self.begin), np.nan)
        some = self.numbers.get(name)
        if some is not None:
            values[: len(some)] = some
        return values

    def text_column(self, name: str) -> list[str | None]:
        """Return a column of texts as long as the points are many."""
        some = self.texts.get(name, [])
        return some + [None] * (len(self.begin) - len(some))

    def read_times(self, time_zone: str | None) -> Times:
        """Read the texts called ``time``; what is no time is a fault of its point."""
        words = self.text_column("time")
        times = times_from_words(words, time_zone=time_zone)
        for place, reason in times.faults.items():
            came = (words[place] or "")[:_SHOWN]
            self.add_fault(place, f"time: {reason} (came: {came})")
        return times


class TextPoints:
    """The points of one file, by table.

    Parameters
    ----------
    file : path-like
        Where they come from, for messages.
    """

    def __init__(self, file: str | Path) -> None:
        self.file = file
        self.tables = {name: PointColumns() for name in ("fixes", "waypoints", "route_points")}
        self.count = 0

    def add(
        self,
        table: str,
        begin: int,
        texts: Mapping[str, str] | None = None,
        *,
        part: int = 0,
        fault: str | None = None,
    ) -> None:
        """Add a point as text.

        Parameters
        ----------
        table : str
            Table that it belongs to.
        begin : int
            Where it begins in the file.
        texts : mapping of str to str
            Any of ``lat``, ``lon``, ``time``, ``elevation``, ``hdop``, ``accuracy``, ``name``,
            ``comment`` and ``symbol``.
        part : int
            Segment, or route, counted from 0.
        fault : str, optional
            Why it cannot be kept.

        Raises
        ------
        FileUnreadable
            If there are more than `MAX_POINTS`.
        """
        self.count += 1
        hold_count(self.count, self.file)
        columns = self.tables[table]
        columns.begin_point(begin, part)
        texts = texts or {}
        if fault is not None:
            columns.add_fault(len(columns) - 1, fault)
        else:
            for name in _POSITION:
                columns.put_position(name, texts.get(name))
        for name, text in texts.items():
            if name in _MEASURES:
                value = plain_number(text)
                if math.isfinite(value):
                    columns.put_number(name, value)
                elif text:
                    columns.leave_out(name, text)
            elif name not in _POSITION:
                columns.put_text(name, text)

    def add_many(
        self,
        table: str,
        begins: Sequence[int],
        numbers: FloatArray,
        *,
        part: int = 0,
        times: Sequence[str | None] = (),
    ) -> None:
        """Add the points of a line, whose positions are numbers already.

        Parameters
        ----------
        table : str
            Table that they belong to.
        begins : sequence of int
            Where each begins in the file.
        numbers : array of float, shape (n, 2) or (n, 3)
            Longitude, latitude and, if it is there, elevation; all of them finite.
        part : int
            Segment, or route, counted from 0.
        times : sequence of str or None
            The times of the first of them, None or blank where there is none.
        """
        self.count += len(begins)
        hold_count(self.count, self.file)
        names = ("lon", "lat", "elevation")
        named = {name: numbers[:, place] for place, name in enumerate(names[: numbers.shape[1]])}
        self.tables[table].extend(begins, part, named, times)

    def columns(self, *, time_zone: str | None = None) -> tuple[dict[str, pd.DataFrame], list[str]]:
        """Return the columns of each table that has points, as `log_reading` takes them, once.

        Parameters
        ----------
        time_zone : str, optional
            IANA name of the zone of times that carry none. Without it such points are faulty.

        Returns
        -------
        columns : dict of str to DataFrame
            Points in the order of the file; ``content`` holds where each begins.
        notes : list of str
            What was assumed or left out.

        Examples
        --------
        >>> points = TextPoints("walk.tcx")
        >>> points.add("fixes", 0, {"lat": "37.4", "lon": "x"})
        >>> columns, notes = points.columns()
        >>> columns["fixes"]["fault"].item()
        'longitude is not a number (came: x)'
        """
        frames: dict[str, pd.DataFrame] = {}
        notes: list[str] = []
        for name in list(self.tables):
            columns = self.tables.pop(name)  # which is of no use any more, and large
            if len(columns):
                frames[name], told = _frame(columns, time_zone)
                notes += [f"{name}: {note}" for note in told]
        return frames, notes


def hold_count(count: int, file: str | Path) -> None:
    """Refuse a file of more than `MAX_POINTS` points."""
    if count > MAX_POINTS:
        raise FileUnreadable(
            f"it holds more than {MAX_POINTS:,} points",
            file=file,
            remedy="Split it, for instance by months, and import the pieces.",
        )


def _frame(columns: PointColumns, time_zone: str | None) -> tuple[pd.DataFrame, list[str]]:
    notes = [
        f"{name} left out where it is no number ({count}: {first:.60})"
        for name, (count, first) in columns.unread.items()
    ]
    times = columns.read_times(time_zone)
    values: dict[str, Any] = {
        "content": np.array(columns.begin, dtype=np.int64),
        "part": np.array(columns.part, dtype=np.int64),
        **{name: columns.number_column(name) for name in _POSITION},
        **{
            column: columns.number_column(name)
            for name, column in _MEASURES.items()
            if name in columns.numbers
        },
        "time": times.utc(),
    }
    if times.hour_twice is not None:
        values["hour_twice"] = times.hour_twice
    for name in _TEXTS:
        if name in columns.texts:
            values[name] = np.array(columns.text_column(name), dtype=object)
    if columns.faults:
        values["fault"] = np.full(len(columns), None, dtype=object)
        values["fault"][list(columns.faults)] = list(columns.faults.values())
    frame = pd.DataFrame(values)
    if (np.diff(frame["content"]) < 0).any():
        frame = frame.sort_values("content", kind="stable", ignore_index=True)
    return frame, [*notes, *times.notes]


@dataclass(frozen=True)
class Times:
    """Times read from text: as numbers, what is wrong with some, and what was assumed.

    Attributes
    ----------
    time_ms : array of int
        Milliseconds since 1970 UTC, the smallest integer where missing.
    faults : dict of int to str
        Why a text is no time, by its place.
    notes : tuple of str
        What was assumed.
    hour_twice : array of bool or None
        Which fall in an hour that the clocks went through twice; None if no zone was used.
    """

    time_ms: IntArray
    faults: dict[int, str]
    notes: tuple[str, ...] = ()
    hour_twice: npt.NDArray[np.bool_] | None = None

    def utc(self) -> pd.DatetimeIndex:
        """Return them as times."""
        return pd.DatetimeIndex(self.time_ms.view("datetime64[ms]")).tz_localize("UTC")


def times_from_words(words: Sequence[str | None], *, time_zone: str | None = None) -> Times:
    """Read times, the plain ones (``2026-02-14T15:40:00Z``) many at once.

    Examples
    --------
    >>> times_from_words(["1970-01-01T00:00:01Z", None, "1970-01-01 00:00:02+00:00"]).time_ms[2]
    np.int64(2000)
    """
    time_ms = np.full(len(words), _NO_TIME)
    others: list[int] = []
    for start in range(0, len(words), _BLOCK):
        places = [start + n for n, word in enumerate(words[start : start + _BLOCK]) if word]
        plain = _plain_times([words[place] or "" for place in places])
        if plain is None:
            others += places
        else:
            time_ms[places] = plain
    if not others:
        return Times(time_ms, {})
    rest = pd.Series([words[place] for place in others], dtype="object")
    times, why, notes = times_from_text(rest, time_zone=time_zone)
    stamps = times.dt.tz_convert("UTC").dt.tz_localize(None)
    time_ms[others] = stamps.to_numpy(dtype="datetime64[ms]").astype(np.int64)
    faults = {others[place]: reason for place, reason in why.items()}
    hour_twice = None
    if notes:
        hour_twice = np.zeros(len(words), dtype=bool)
        hour_twice[others] = in_hour_twice(rest, time_zone)
    return Times(time_ms, faults, notes, hour_twice)


def _plain_times(words: list[str]) -> IntArray | None:
    if not words:
        return np.empty(0, dtype=np.int64)
    joined = " ".join(words)
    if not joined.isascii():
        return None
    length = np.fromiter(map(len, words), dtype=np.int64, count=len(words))
    end = np.cumsum(length + 1) - 1
    return moments_ms(Text(joined.encode("ascii")), end - length, end)


def plain_number(text: str | None) -> float:
    """Read a decimal number; NaN if there is none or the text is something else.

    Examples
    --------
    >>> plain_number(" -119.2"), plain_number("1_0"), plain_number("nan"), plain_number(None)
    (-119.2, nan, nan, nan)
    """
    return float(text) if text is not None and _NUMBER.fullmatch(text) else math.nan


def not_a_number(text: str | None, what: str) -> str:
    """Say why the text of a position is none, and what to write if it is a decimal comma.

    Examples
    --------
    >>> not_a_number("47,64", "latitude")
    'latitude is not a number: write it with a point, 47.64 (came: 47,64)'
    """
    if not text:
        return f"no {what}"
    comma = _COMMA.fullmatch(text)
    remedy = f": write it with a point, {comma[1]}.{comma[2]}" if comma else ""
    return f"{what} is not a number{remedy} (came: {text[:_SHOWN]})"
