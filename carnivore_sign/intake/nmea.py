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

import datetime
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.nmea_sentences import Sentence, Sentences, find_sentences
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.records.check import TIME

FloatArray = npt.NDArray[np.float64]

#: Place of each field in the sentences that carry a position.
_PLACES: Final[dict[str, dict[str, int]]] = {
    "GGA": {"time": 0, "lat": 1, "north": 2, "lon": 3, "east": 4, "mode": 5, "hdop": 7, "up": 8},
    "GNS": {"time": 0, "lat": 1, "north": 2, "lon": 3, "east": 4, "mode": 5, "hdop": 7, "up": 8},
    "RMC": {"time": 0, "status": 1, "lat": 2, "north": 3, "lon": 4, "east": 5, "date": 8,
            "mode": 11},
    "GLL": {"lat": 0, "north": 1, "lon": 2, "east": 3, "time": 4, "status": 5, "mode": 6},
    "WPL": {"lat": 0, "north": 1, "lon": 2, "east": 3, "name": 4},
    "ZDA": {"time": 0, "day": 1, "month": 2, "year": 3},
}  # fmt: skip
#: Which sentence of a moment gives the position: the first of these that is there.
_BEST: Final = ("GGA", "GNS", "RMC", "GLL")
_EPOCH: Final = datetime.date(1970, 1, 1)
_NO_TIME: Final = int(np.iinfo(np.int64).min)
_DAY_MS: Final = 86_400_000
#: Two-digit years from here on are of the last century; GPS time begins in 1980.
_CENTURY: Final = 80
_VOID: Final = "the receiver had no fix"
_TYPED_IN: Final = "the receiver was in simulator mode, or the position was typed in"
_CLOCK: Final = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d*)?", re.ASCII)
_DATUM: Final = re.compile(rb"\$[A-Z]{2}DTM,([^,*\r\n]*)")
_WGS84: Final = (b"", b"W84", b"WGS84")
_ANGLE: Final = re.compile(r"-?\d{1,3}[0-5]\d(?:\.\d*)?", re.ASCII)


@dataclass
class Moment:
    """The sentences of one moment, by type, and what they say about time and doubt."""

    clock: str
    sentences: dict[tuple[str, str], Sentence] = field(default_factory=dict)
    date: str | None = None

    def takes(self, sentence: Sentence, clock: str) -> bool:
        """Tell whether a sentence belongs to this moment."""
        same = not clock or not self.clock or clock == self.clock
        return same and (sentence.talker, sentence.kind) not in self.sentences

    def best(self) -> Sentence | None:
        """Return the sentence with the position, if there is one."""
        for wanted in _BEST:
            for (_, kind), sentence in self.sentences.items():
                if kind == wanted and _get(sentence, "lat"):
                    return sentence
        return None

    def first(self, name: str) -> str:
        """Return the first field of that name that is not blank."""
        return next(filter(None, (_get(one, name) for one in self.sentences.values())), "")

    def doubt(self) -> str | None:
        """Tell why the position is none, if its sentences say so."""
        words = {_doubt(sentence) for sentence in self.sentences.values()}
        return _VOID if _VOID in words else _TYPED_IN if _TYPED_IN in words else None


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
    found = find_sentences(data)
    if not found.used and not found.damaged:
        raise FileUnreadable(
            "it holds no position sentence (GGA, RMC, GNS, GLL)",
            file=source.path,
            remedy="Look whether the receiver was set to write positions.",
        )
    moments = _moments(found.used)
    times, notes = _times(moments)
    placed = [bool(moment.sentences.keys() - {("", "ZDA")}) for moment in moments]
    fixes = _fix_columns([one for one, there in zip(moments, placed, strict=True) if there])
    fixes["time"] = times[np.array(placed, dtype=bool)].reset_index(drop=True)
    fixes["unknown_datum"] = _on_unknown_datum(data, fixes["source_row"].to_numpy())
    if found.damaged:
        fixes = pd.concat([fixes, _damaged(found)], ignore_index=True)
        fixes = fixes.sort_values("source_row", kind="stable", ignore_index=True)
    points = {"fixes": fixes}
    marks = [one for one in found.used if one.kind == "WPL"]
    if marks:
        points["waypoints"] = _waypoint_columns(marks)
    return log_reading(
        source,
        "nmea",
        points=points,
        head=LogHead(observer=observer, tracks=int(bool(len(fixes))), parts=int(bool(len(fixes)))),
        notes=[*notes, *_told(found)],
    )


def _on_unknown_datum(data: bytes, lines: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Tell which lines stand behind a DTM sentence that names another datum than WGS84.

    Source: NMEA 0183, sentence DTM; its first field is the datum in use, W84 for WGS84.
    """
    named = list(_DATUM.finditer(data))
    if not named:
        return np.zeros(len(lines), dtype=bool)
    at = np.array([data.count(b"\n", 0, one.start()) + 1 for one in named])
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


def _get(sentence: Sentence, name: str) -> str:
    place = _PLACES[sentence.kind].get(name)
    fields = sentence.fields
    return fields[place].strip() if place is not None and place < len(fields) else ""


def _doubt(sentence: Sentence) -> str | None:
    if sentence.kind == "ZDA":
        return None
    mode, status = _get(sentence, "mode"), _get(sentence, "status")
    if status == "V" and mode not in ("S", "M"):
        return _VOID
    if sentence.kind == "GGA":
        return _VOID if mode in ("", "0") else _TYPED_IN if mode in ("7", "8") else None
    if mode and not mode.strip("N"):
        return _VOID
    return _TYPED_IN if set(mode) & {"S", "M"} else _VOID if status == "V" else None


def _moments(used: list[Sentence]) -> list[Moment]:
    moments: list[Moment] = []
    for sentence in used:
        if sentence.kind == "WPL":
            continue
        clock = _get(sentence, "time")
        key = ("", "ZDA") if sentence.kind == "ZDA" else (sentence.talker, sentence.kind)
        if not moments or not moments[-1].takes(sentence, clock) or key in moments[-1].sentences:
            moments.append(Moment(clock))
        moment = moments[-1]
        moment.clock = moment.clock or clock
        moment.sentences[key] = sentence
        moment.date = moment.date or _date(sentence)
    return moments


def _date(sentence: Sentence) -> str | None:
    """Return the date that a sentence states, as 2026-02-14; a void RMC is not believed."""
    if sentence.kind == "ZDA":
        day, month, year = (_get(sentence, name) for name in ("day", "month", "year"))
        within = year.isdecimal() and 1900 + _CENTURY <= int(year) < 2000 + _CENTURY
        return f"{year}-{month:0>2}-{day:0>2}" if within else None
    date = _get(sentence, "date")
    if len(date) != 6 or not date.isdecimal() or _doubt(sentence) == _VOID:
        return None
    century = "19" if int(date[4:]) >= _CENTURY else "20"
    return f"{century}{date[4:]}-{date[2:4]}-{date[:2]}"


def _times(moments: list[Moment]) -> tuple[pd.Series, list[str]]:
    """Put clock and date of every moment together; carry dates to where there are none."""
    clock_ms = pd.Series([_clock_ms(moment.clock) for moment in moments], dtype=float)
    days = pd.Series([_day(moment.date) for moment in moments], dtype=float)
    step = clock_ms.ffill().diff()
    midnights = (step.lt(-_DAY_MS / 2).astype(int) - step.gt(_DAY_MS / 2).astype(int)).cumsum()
    carried = (days - midnights).ffill().bfill() + midnights
    total = days.fillna(carried) * _DAY_MS + clock_ms
    known = total.notna().to_numpy()
    time_ms = np.full(len(total), _NO_TIME)
    time_ms[known] = np.round(total.to_numpy()[known]).astype(np.int64)
    notes = _time_notes(moments, clock_ms, carried=int((days.isna() & known).sum()), days=days)
    return pd.Series(time_ms.view("datetime64[ms]")).dt.tz_localize("UTC"), notes


def _time_notes(
    moments: list[Moment], clock_ms: pd.Series, *, carried: int, days: pd.Series
) -> list[str]:
    if not moments:
        return []
    if days.isna().all():
        seen = [moment.clock for moment in moments if moment.clock]
        clocks = f" (times of day from {seen[0]} to {seen[-1]} UTC)" if seen else ""
        return [f"no sentence states a date (RMC or ZDA would), so that no fix has a time{clocks}"]
    unread = sum(bool(moment.clock) for moment in moments) - int(clock_ms.notna().sum())
    notes = [f"the date of {carried} moments was carried from another sentence"] if carried else []
    return notes + ([f"{unread} times of day could not be read"] if unread else [])


def _clock_ms(clock: str) -> float:
    """Return a time of day in milliseconds, NaN if it is none."""
    parts = _CLOCK.fullmatch(clock)
    if parts is None:
        return math.nan
    minutes = int(parts[1]) * 60 + int(parts[2])
    return (minutes * 60 + int(parts[3])) * 1000 + float((parts[4] or "0").ljust(2, "0")) * 1000


def _day(date: str | None) -> float:
    """Return a date in days since 1970, NaN if there is no such date."""
    try:
        return (datetime.date.fromisoformat(date) - _EPOCH).days if date else math.nan
    except ValueError:
        return math.nan


def _fix_columns(moments: list[Moment]) -> pd.DataFrame:
    columns = _positions([moment.best() for moment in moments])
    doubts = [moment.doubt() for moment in moments]
    columns["fault"] = [
        doubt or fault for doubt, fault in zip(doubts, columns["fault"], strict=True)
    ]
    first = [next(iter(moment.sentences.values())).line for moment in moments]
    texts = [" ".join(one.text for one in moment.sentences.values()) for moment in moments]
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
        [_get(one, name) if one else "" for one in sentences]
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


def _damaged(found: Sentences) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source_row": pd.Series([line for line, _, _ in found.damaged], dtype="int64"),
            "content": pd.Series([text for _, text, _ in found.damaged], dtype="object"),
            "fault": pd.Series([reason for _, _, reason in found.damaged], dtype="object"),
            "time": pd.Series(pd.NaT, index=range(len(found.damaged)), dtype=TIME),
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
            "name": pd.Series([_get(one, "name") or None for one in sentences], dtype="object"),
        }
    )


def _told(found: Sentences) -> list[str]:
    notes = []
    if found.unchecked:
        notes.append(f"{found.unchecked} sentences have no checksum; they were believed")
    if found.strange:
        notes.append(f"{found.strange} lines hold no sentence")
    if found.others:
        most = sorted(found.others.items(), key=lambda item: (-item[1], item[0]))
        told = ", ".join(f"{name} ({count})" for name, count in most[:12])
        more = f", and {len(most) - 12} more" if len(most) > 12 else ""
        notes.append(f"sentences of other types, not used: {told}{more}")
    return notes
