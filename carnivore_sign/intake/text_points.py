"""Text points: points as the text of a document, turned into columns for a log."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.intake.clocks import in_hour_twice, times_from_text
from carnivore_sign.records.check import TIME

FloatArray = npt.NDArray[np.float64]

_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_MEASURES: Final = {"elevation": "elevation_m", "hdop": "hdop", "accuracy": "accuracy_m"}
_TEXTS: Final = ("name", "comment", "symbol")
_SHOWN: Final = 60
_COMMA: Final = re.compile(r"\s*([+-]?\d{1,3}),(\d{1,20})\s*", re.ASCII)


@dataclass(slots=True)
class TextPoint:
    """One point as text.

    Attributes
    ----------
    begin : int
        Where it begins in the file.
    part : int
        Segment, or route, counted from 0.
    texts : dict of str to str
        Any of ``lat``, ``lon``, ``time``, ``elevation``, ``hdop``, ``accuracy``, ``name``,
        ``comment`` and ``symbol``.
    fault : str or None
        Why it cannot be kept.
    """

    begin: int
    part: int = 0
    texts: dict[str, str] = field(default_factory=dict)
    fault: str | None = None


def columns_of(
    points: Sequence[TextPoint], *, time_zone: str | None = None
) -> tuple[pd.DataFrame, list[str]]:
    """Turn points as text into the columns that `carnivore_sign.intake.logs` takes.

    Parameters
    ----------
    points : sequence of TextPoint
        The points, in any order; they come back in that of the file.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such points are faulty.

    Returns
    -------
    columns : DataFrame
        ``content`` holds where each point begins.
    notes : list of str
        What was assumed or left out.

    Examples
    --------
    >>> columns, notes = columns_of([TextPoint(0, texts={"lat": "37.4", "lon": "x"})])
    >>> columns["fault"].item()
    'longitude is not a number (came: x)'
    """
    points = sorted(points, key=lambda point: point.begin)
    faults = [point.fault for point in points]
    notes: list[str] = []
    columns: dict[str, Any] = {
        "content": np.array([point.begin for point in points], dtype=np.int64),
        "part": np.array([point.part for point in points], dtype=np.int64),
    }
    for name, what in (("lat", "latitude"), ("lon", "longitude")):
        texts = _texts(points, name)
        columns[name] = plain_numbers(texts)
        for place in np.flatnonzero(np.isnan(columns[name])).tolist():
            if faults[place] is None or points[place].fault is None:
                _add(faults, place, not_a_number(texts[place], what))
    for name, column in _MEASURES.items():
        texts = _texts(points, name)
        values = plain_numbers(texts)
        columns[column] = values
        unread = [texts[place] for place in np.flatnonzero(np.isnan(values)) if texts[place]]
        if unread:
            notes.append(f"{name} left out where it is no number ({len(unread)}: {unread[0]:.60})")
    words = pd.Series(_texts(points, "time"), dtype="object")
    times, why, told = _times(words, time_zone)
    for place, reason in why.items():
        _add(faults, int(place), f"time: {reason} (came: {words[place][:_SHOWN]})")
    columns["time"] = times
    if told:
        columns["hour_twice"] = in_hour_twice(words, time_zone)
    for name in _TEXTS:
        columns[name] = pd.Series(_texts(points, name), dtype="object")
    columns["fault"] = pd.Series(faults, dtype="object")
    return pd.DataFrame(columns), [*notes, *told]


def _times(words: pd.Series, time_zone: str | None) -> tuple[pd.Series, pd.Series, tuple[str, ...]]:
    if words.isna().all():
        none = pd.Series(pd.NaT, index=words.index, dtype=TIME)
        return none, pd.Series(dtype="object"), ()
    return times_from_text(words, time_zone=time_zone)


def plain_numbers(texts: Sequence[str | None]) -> FloatArray:
    """Read decimal numbers; NaN where there is none or the text is something else."""
    return np.array(
        [
            float(text) if text is not None and _NUMBER.fullmatch(text.strip()) else np.nan
            for text in texts
        ],
        dtype=np.float64,
    )


def _texts(points: Sequence[TextPoint], name: str) -> list[str | None]:
    return [point.texts.get(name) for point in points]


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


def _add(faults: list[str | None], place: int, reason: str) -> None:
    there = faults[place]
    faults[place] = reason if there is None else f"{there}; {reason}"
