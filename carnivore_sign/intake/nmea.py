"""NMEA 0183: fixes and waypoints from the sentences of a receiver.

The sentences of one moment (GGA, RMC, GNS, GLL) make one fix: the position from the one that
says most, height and HDOP from where they stand. The date comes from RMC or ZDA and is carried
forward, and back to the fixes before it, over midnight in both directions. A fix that any of
its sentences calls void, or that a receiver made in simulator mode, is set aside. WPL is a
waypoint. ``source_row`` is the line of the file.

Source: NMEA 0183, as receiver manuals give it: latitude as ddmm.mmmm, longitude as dddmm.mmmm,
date as ddmmyy; quality 0 and status V are no fix, quality 7 and mode M a position typed in,
quality 8 and mode S a simulator; times are UTC.
"""

from __future__ import annotations

import functools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.nmea_moments import (
    Moment,
    clock_ms,
    day_of,
    sort_moments,
)
from carnivore_sign.intake.nmea_sentences import (
    Sentence,
    Sentences,
    find_sentences,
    line_ends,
    pieces,
)
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import hold_count
from carnivore_sign.records.check import TIME

FloatArray = npt.NDArray[np.float64]

_NO_TIME: Final = int(np.iinfo(np.int64).min)
_DAY_MS: Final = 86_400_000
_DATUM: Final = re.compile(rb"\$[A-Z]{2}DTM,([^,*\r\n]*)")
_WGS84: Final = (b"", b"W84", b"WGS84")
_ANGLE: Final = re.compile(r"-?\d{1,3}[0-5]\d(?:\.\d*)?", re.ASCII)


def read_nmea(
    source: Source, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
    """Read a log of NMEA 0183 sentences.

    Parameters
    ----------
    source : Source
        The file; text of any encoding, with binary messages in between or not.
    time_zone : str, optional
        Not needed: the times of NMEA are UTC. It is there as it is in the other readers.
    observer : str, optional
        Who carried the receiver.

    Returns
    -------
    Reading
        Tables as a log has them; ``source_row`` is the line of the file. Set aside are
        moments without a fix, and every sentence with a wrong checksum or cut short.

    Raises
    ------
    FileUnreadable
        If there is no sentence in it.
    """
    data = as_utf8(source.data)[0] if source.data[:2] in (b"\xff\xfe", b"\xfe\xff") else source.data
    log = _read_pieces(data, source)
    if not log.found_any:
        raise FileUnreadable(
            "it holds no position sentence (GGA, RMC, GNS, GLL)",
            file=source.path,
            remedy="Look whether the receiver was set to write positions.",
        )
    times, notes = log.times()
    placed = np.concatenate([np.empty(0, dtype=bool), *log.placed])
    fixes = pd.concat([_fix_columns([]), *log.fixes], ignore_index=True)
    fixes["time"] = times[placed].reset_index(drop=True)
    fixes["unknown_datum"] = _on_unknown_datum(data, fixes["source_row"].to_numpy())
    if log.damaged:
        fixes = pd.concat([fixes, _damaged(log.damaged)], ignore_index=True)
        fixes = fixes.sort_values("source_row", kind="stable", ignore_index=True)
    points = {"fixes": fixes}
    if log.marks:
        points["waypoints"] = pd.concat(log.marks, ignore_index=True)
    return log_reading(
        source,
        "nmea",
        points=points,
        head=LogHead(observer=observer, tracks=int(bool(len(fixes))), parts=int(bool(len(fixes)))),
        notes=[*notes, *log.notes()],
        content_of=functools.partial(_content, data, line_ends(data)),
    )


@dataclass
class _Log:
    """What was found in the pieces of a file so far; of moments what is needed for a table."""

    fixes: list[pd.DataFrame] = field(default_factory=list)
    marks: list[pd.DataFrame] = field(default_factory=list)
    placed: list[npt.NDArray[np.bool_]] = field(default_factory=list)
    clock_ms: list[FloatArray] = field(default_factory=list)
    days: list[FloatArray] = field(default_factory=list)
    damaged: list[tuple[int, str, str]] = field(default_factory=list)
    others: Counter[str] = field(default_factory=Counter)
    clocks: list[str] = field(default_factory=list)
    clock_count: int = 0
    unchecked: int = 0
    strange: int = 0
    rows: int = 0
    found_any: bool = False

    def take(self, found: Sentences) -> None:
        """Take what a piece holds besides moments."""
        self.found_any = self.found_any or bool(found.used or found.damaged)
        self.damaged += found.damaged
        self.others += found.others
        self.unchecked += found.unchecked
        self.strange += found.strange
        marks = [one for one in found.used if one.kind == "WPL"]
        if marks:
            self.marks.append(_waypoint_columns(marks))
        self.rows += len(marks) + len(found.damaged)

    def take_moments(self, moments: list[Moment]) -> None:
        """Take moments that are complete."""
        if not moments:
            return
        with_place = [one for one in moments if one.is_placed]
        self.fixes.append(_fix_columns(with_place))
        self.rows += len(with_place)
        self.placed.append(np.array([one.is_placed for one in moments], dtype=bool))
        self.clock_ms.append(np.array([clock_ms(one.clock) for one in moments]))
        self.days.append(np.array([day_of(one.date) for one in moments]))
        clocks = [one.clock for one in moments if one.clock]
        self.clock_count += len(clocks)
        if clocks:
            self.clocks = [*self.clocks[:1], clocks[0], clocks[-1]]

    def times(self) -> tuple[pd.Series, list[str]]:
        """Put clock and date of every moment together; carry dates to where there are none."""
        nothing = np.empty(0)
        clock_ms = pd.Series(np.concatenate([nothing, *self.clock_ms]))
        days = pd.Series(np.concatenate([nothing, *self.days]))
        step = clock_ms.ffill().diff()
        midnights = (step.lt(-_DAY_MS / 2).astype(int) - step.gt(_DAY_MS / 2).astype(int)).cumsum()
        carried = (days - midnights).ffill().bfill() + midnights
        total = days.fillna(carried) * _DAY_MS + clock_ms
        known = total.notna().to_numpy()
        time_ms = np.full(len(total), _NO_TIME)
        time_ms[known] = np.round(total.to_numpy()[known]).astype(np.int64)
        unread = self.clock_count - int(clock_ms.notna().sum())
        notes = self.time_notes(days, carried=int((days.isna() & known).sum()), unread=unread)
        return pd.Series(time_ms.view("datetime64[ms]")).dt.tz_localize("UTC"), notes

    def time_notes(self, days: pd.Series, *, carried: int, unread: int) -> list[str]:
        if not len(days):
            return []
        if days.isna().all():
            seen = self.clocks
            clocks = f" (times of day from {seen[0]} to {seen[-1]} UTC)" if seen else ""
            what = "no sentence states a date (RMC or ZDA would), so that no fix has a time"
            return [what + clocks]
        what = f"the date of {carried} moments was carried from another sentence"
        return ([what] if carried else []) + (
            [f"{unread} times of day could not be read"] if unread else []
        )

    def notes(self) -> list[str]:
        """Tell what was believed, and what was left out."""
        notes = []
        if self.unchecked:
            notes.append(f"{self.unchecked} sentences have no checksum; they were believed")
        if self.strange:
            notes.append(f"{self.strange} lines hold no sentence")
        if self.others:
            most = sorted(self.others.items(), key=lambda item: (-item[1], item[0]))
            told = ", ".join(f"{name} ({count})" for name, count in most[:12])
            more = f", and {len(most) - 12} more" if len(most) > 12 else ""
            notes.append(f"sentences of other types, not used: {told}{more}")
        return notes


def _read_pieces(data: bytes, source: Source) -> _Log:
    """Read the sentences of a file a piece at a time, so that few are held."""
    log = _Log()
    moments: list[Moment] = []
    for piece, line in pieces(data):
        found = find_sentences(piece, line)
        log.take(found)
        moments += sort_moments(found.used, moments[-1:])
        log.take_moments(moments[:-1])  # the last one may go on in the next piece
        del moments[:-1]
        hold_count(log.rows, source.path)
    log.take_moments(moments)
    hold_count(log.rows, source.path)
    return log


def _content(data: bytes, ends: npt.NDArray[np.int64], content: str | int) -> str:
    """Return the text of a moment: itself, or the line that it begins in."""
    if isinstance(content, str):
        return content
    start = int(ends[content - 2]) + 1 if content > 1 else 0
    end = int(ends[content - 1]) if content <= len(ends) else len(data)
    return data[start:end].decode("utf-8", errors="replace").strip()


def _on_unknown_datum(data: bytes, lines: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Tell which lines stand behind a DTM sentence that names another datum than WGS84.

    Source: NMEA 0183, sentence DTM; its first field is the datum in use, W84 for WGS84.
    """
    named = list(_DATUM.finditer(data))
    if not named:
        return np.zeros(len(lines), dtype=bool)
    at = np.searchsorted(line_ends(data), [one.start() for one in named]) + 1
    other = np.array([False, *(one[1].strip().upper() not in _WGS84 for one in named)])
    return other[np.searchsorted(at, lines, side="right")]


def degrees_from_text(
    angles: Sequence[str], letters: Sequence[str], positive: str, negative: str
) -> FloatArray:
    """Turn ``ddmm.mmmm`` and a letter into degrees; NaN where that cannot be.

    Parameters
    ----------
    angles, letters : sequence of str
        The angles, and their hemispheres.
    positive, negative : str
        Letters of the hemispheres: N and S, or E and W.

    Returns
    -------
    array of float
        Degrees, to nine decimals.

    Examples
    --------
    >>> degrees_from_text(["4807.038"], ["S"], "N", "S").tolist()
    [-48.1173]
    """
    packed = np.array(
        [float(text) if _ANGLE.fullmatch(text) else np.nan for text in angles], dtype=np.float64
    )
    degrees = np.trunc(np.abs(packed) / 100)
    size = degrees + (np.abs(packed) - degrees * 100) / 60
    sides = {positive: 1.0, negative: -1.0}
    side = np.array([sides.get(letter.upper(), np.nan) for letter in letters], dtype=np.float64)
    # Some loggers write the sign, and always the positive letter.
    minus = packed < 0
    side = np.where(minus, np.where(side > 0, -1.0, np.nan), side)
    return np.round(size * side, 9)


def _fix_columns(moments: list[Moment]) -> pd.DataFrame:
    columns = _positions([moment.best() for moment in moments])
    doubts = [moment.doubt() for moment in moments]
    columns["fault"] = [
        doubt or fault for doubt, fault in zip(doubts, columns["fault"], strict=True)
    ]
    first = [next(iter(moment.sentences.values())).line for moment in moments]
    texts = [  # the text of a sound one is looked up if it is wanted
        " ".join(one.text for one in moment.sentences.values()) if fault else line
        for moment, fault, line in zip(moments, columns["fault"], first, strict=True)
    ]
    return pd.DataFrame(
        {
            **columns,
            "source_row": np.array(first, dtype=np.int64),
            "content": pd.Series(texts, dtype="object"),
            "fault": pd.Series(columns["fault"], dtype="object"),
            "elevation_m": _numbers([moment.first("up") for moment in moments]),
            "hdop": _numbers([moment.first("hdop") for moment in moments]),
            "part": 0,
        }
    )


def _positions(sentences: Sequence[Sentence | None]) -> dict[str, Any]:
    """Read the positions of sentences: columns ``lon``, ``lat`` and ``fault``."""
    texts = [
        [one.said.get(name, "") if one else "" for one in sentences]
        for name in ("lat", "north", "lon", "east")
    ]
    lat = degrees_from_text(texts[0], texts[1], "N", "S")
    lon = degrees_from_text(texts[2], texts[3], "E", "W")
    faults: list[str | None] = [None] * len(sentences)
    for place in np.flatnonzero(np.isnan(lat) | np.isnan(lon)).tolist():
        came = [column[place] for column in texts]
        told = f"the position cannot be read (came: {','.join(came)})"
        faults[place] = told if any(came) else "no position"
    return {"lon": lon, "lat": lat, "fault": faults}


def _numbers(texts: list[str]) -> FloatArray:
    return pd.to_numeric(pd.Series(texts, dtype="object"), errors="coerce").to_numpy(dtype=float)


def _damaged(damaged: list[tuple[int, str, str]]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source_row": pd.Series([line for line, _, _ in damaged], dtype="int64"),
            "content": pd.Series([text for _, text, _ in damaged], dtype="object"),
            "fault": pd.Series([reason for _, _, reason in damaged], dtype="object"),
            "time": pd.Series(pd.NaT, index=range(len(damaged)), dtype=TIME),
            "part": 0,
            "lat": np.nan,
            "lon": np.nan,
        }
    )


def _waypoint_columns(sentences: list[Sentence]) -> pd.DataFrame:
    columns = _positions(sentences)
    return pd.DataFrame(
        {
            **columns,
            "fault": pd.Series(columns["fault"], dtype="object"),
            "source_row": np.array([one.line for one in sentences], dtype=np.int64),
            "content": pd.Series([one.text for one in sentences], dtype="object"),
            "name": pd.Series([one.said.get("name") or None for one in sentences], dtype="object"),
        }
    )
