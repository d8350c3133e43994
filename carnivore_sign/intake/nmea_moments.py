"""NMEA moments: the sentences that a receiver wrote at one moment, and what they say together.

Source: NMEA 0183, as receiver manuals give it: date as ddmmyy, times are UTC; quality 0 and
status V are no fix, quality 7 and mode M a position typed in, quality 8 and mode S a simulator.
"""

from __future__ import annotations

import datetime
import functools
import math
import re
from dataclasses import dataclass, field
from typing import Final

from carnivore_sign.intake.nmea_sentences import Sentence

#: Which sentence of a moment gives the position: the first of these that is there.
_BEST: Final = ("GGA", "GNS", "RMC", "GLL")
_EPOCH: Final = datetime.date(1970, 1, 1)
#: Two-digit years from here on are of the last century; GPS time begins in 1980.
_CENTURY: Final = 80
_VOID: Final = "the receiver had no fix"
_TYPED_IN: Final = "the receiver was in simulator mode, or the position was typed in"
_CLOCK: Final = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d*)?", re.ASCII)


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

    @property
    def is_placed(self) -> bool:
        """Whether a sentence besides that of the date is there."""
        return any(kind != "ZDA" for _, kind in self.sentences)

    def best(self) -> Sentence | None:
        """Return the sentence with the position, if there is one."""
        for wanted in _BEST:
            for (_, kind), sentence in self.sentences.items():
                if kind == wanted and sentence.said.get("lat"):
                    return sentence
        return None

    def first(self, name: str) -> str:
        """Return the first field of that name that is not blank."""
        for sentence in self.sentences.values():
            if text := sentence.said.get(name):
                return text
        return ""

    def doubt(self) -> str | None:
        """Tell why the position is none, if its sentences say so."""
        words = {_doubt(sentence) for sentence in self.sentences.values()}
        return _VOID if _VOID in words else _TYPED_IN if _TYPED_IN in words else None


def _doubt(sentence: Sentence) -> str | None:
    if sentence.kind == "ZDA":
        return None
    mode, status = sentence.said.get("mode", ""), sentence.said.get("status", "")
    if status == "V" and mode not in ("S", "M"):
        return _VOID
    if sentence.kind == "GGA":
        return _VOID if mode in ("", "0") else _TYPED_IN if mode in ("7", "8") else None
    if mode and not mode.strip("N"):
        return _VOID
    return _TYPED_IN if set(mode) & {"S", "M"} else _VOID if status == "V" else None


def sort_moments(used: list[Sentence], before: list[Moment]) -> list[Moment]:
    """Sort sentences into moments; the one before them may take some. Return the new ones."""
    moments = list(before)
    for sentence in used:
        if sentence.kind == "WPL":
            continue
        clock = sentence.said.get("time", "")
        key = ("", "ZDA") if sentence.kind == "ZDA" else (sentence.talker, sentence.kind)
        if not moments or not moments[-1].takes(sentence, clock) or key in moments[-1].sentences:
            moments.append(Moment(clock))
        moment = moments[-1]
        moment.clock = moment.clock or clock
        moment.sentences[key] = sentence
        moment.date = moment.date or _date(sentence)
    return moments[len(before) :]


def _date(sentence: Sentence) -> str | None:
    """Return the date that a sentence states, as 2026-02-14; a void RMC is not believed."""
    if sentence.kind == "ZDA":
        day, month, year = (sentence.said.get(name, "") for name in ("day", "month", "year"))
        within = year.isdecimal() and 1900 + _CENTURY <= int(year) < 2000 + _CENTURY
        return f"{year}-{month:0>2}-{day:0>2}" if within else None
    date = sentence.said.get("date", "")
    if len(date) != 6 or not date.isdecimal() or _doubt(sentence) == _VOID:
        return None
    century = "19" if int(date[4:]) >= _CENTURY else "20"
    return f"{century}{date[4:]}-{date[2:4]}-{date[:2]}"


def clock_ms(clock: str) -> float:
    """Return a time of day in milliseconds, NaN if it is none."""
    parts = _CLOCK.fullmatch(clock)
    if parts is None:
        return math.nan
    minutes = int(parts[1]) * 60 + int(parts[2])
    return (minutes * 60 + int(parts[3])) * 1000 + float((parts[4] or "0").ljust(2, "0")) * 1000


@functools.lru_cache(maxsize=100)
def day_of(date: str | None) -> float:
    """Return a date in days since 1970, NaN if there is no such date."""
    try:
        return (datetime.date.fromisoformat(date) - _EPOCH).days if date else math.nan
    except ValueError:
        return math.nan
