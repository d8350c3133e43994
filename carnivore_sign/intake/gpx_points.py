"""GPX points: the points of one kind of a GPX file as arrays, however they were read.

The referee hands over one point after the other, as text; numbers become numbers at once, so
that a million points fit in memory. The scan of regular files fills the same arrays itself.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.intake.text_points import PointColumns, hold_count, plain_number

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Longest text that one element or attribute of a point may hold, in characters.
MAX_TEXT: Final = 100_000
#: Element in which `write_gpx` writes what has no column.
OWN_EXTRAS: Final = "own:extras"
#: Those of them that are numbers; all but `SIGNED` are never below zero.
MEASURES: Final = (
    "elevation", "hdop", "accuracy", "vdop", "pdop", "satellites", "speed", "course",
    "heart_rate", "temperature", "cadence",
)  # fmt: skip
SIGNED: Final = ("elevation", "temperature")


@dataclass
class Point:
    """One point as text: where it begins in the file, its part, position and children.

    ``extras`` are the elements and attributes that have no place among ``children``, by the
    name that they have in the file.
    """

    begin: int
    part: int
    lat: str | None
    lon: str | None
    children: dict[str, str] = field(default_factory=dict)
    extras: dict[str, str] = field(default_factory=dict)

    def add_extra(self, name: str, value: str) -> None:
        """Keep a text under the name it has; behind the one that is there, if there is one."""
        there = self.extras.get(name)
        self.extras[name] = value if there is None else f"{there}; {value}"


@dataclass
class PointArrays:
    """Points of one kind as arrays of one length, and what is wrong with some of them.

    Attributes
    ----------
    begin : array of int
        Byte of the document at which each begins.
    part : array of int
        Segment (of track points) or route (of route points), counted from 0.
    lon, lat : array of float
        Degrees, NaN where missing.
    measures : dict of str to array of float
        By the names of `MEASURES`; NaN where missing, and only what there is.
    texts : dict of str to array of object
        ``fix``, ``extras`` (JSON), and the texts of waypoints; None where missing, and only
        what there is.
    time_ms : array of int
        Milliseconds since 1970 UTC, NaT as the smallest integer.
    faults : dict of int to str
        Why a point cannot be kept, by its place in the arrays.
    """

    begin: IntArray
    part: IntArray
    lon: FloatArray
    lat: FloatArray
    measures: dict[str, FloatArray]
    texts: dict[str, npt.NDArray[np.object_]]
    time_ms: IntArray
    faults: dict[int, str]
    hour_twice: npt.NDArray[np.bool_] | None = None


class GpxPoints:
    """Points of one kind, gathered in columns.

    Parameters
    ----------
    file : path-like
        Where they come from, for messages.
    """

    def __init__(self, file: str | Path) -> None:
        self.file = file
        self.columns = PointColumns()
        #: How many had neither position nor anything else.
        self.blank = 0

    def __len__(self) -> int:
        return len(self.columns)

    def append(self, point: Point) -> None:
        """Take a point; a measure that is no number stays among the extras, as text."""
        columns = self.columns
        hold_count(len(columns) + 1, self.file)
        columns.begin_point(point.begin, point.part)
        columns.put_position("lat", point.lat)
        columns.put_position("lon", point.lon)
        self.blank += not (point.lat or point.lon or point.children or point.extras)
        for name, text in point.children.items():
            if name not in MEASURES:
                columns.put_text(name, text)
                continue
            value = plain_number(text)
            if math.isfinite(value) and (name in SIGNED or value >= 0):
                columns.put_number(name, value)
            else:
                point.add_extra(name, text)
                columns.leave_out(name, text)
        if point.extras:
            columns.put_text("extras", extras_as_json(point.extras) or "")
        longest = max(map(len, (*point.children.values(), *point.extras.values())), default=0)
        if longest > MAX_TEXT:
            reason = f"a text of {longest} characters, and {MAX_TEXT} are read"
            columns.add_fault(len(columns) - 1, reason)

    def arrays(self, time_zone: str | None) -> tuple[PointArrays, list[str]]:
        """Return the points as arrays, with what was assumed or left out."""
        columns = self.columns
        notes = [
            f"{name} left out where it is no such number ({count}: {first!r:.60})"
            for name, (count, first) in columns.unread.items()
        ]
        times = columns.read_times(time_zone)
        columns.texts.pop("time", None)
        arrays = PointArrays(
            begin=np.array(columns.begin, dtype=np.int64),
            part=np.array(columns.part, dtype=np.int64),
            lon=columns.number_column("lon"),
            lat=columns.number_column("lat"),
            measures={
                name: columns.number_column(name) for name in columns.numbers if name in MEASURES
            },
            texts={
                name: np.array(columns.text_column(name), dtype=object) for name in columns.texts
            },
            time_ms=times.time_ms,
            faults=columns.faults,
            hour_twice=times.hour_twice,
        )
        return arrays, [*notes, *times.notes]


def extras_as_json(extras: dict[str, str]) -> str | None:
    """Write what has no column as JSON, in the order of the names; None if there is nothing.

    What we wrote into a GPX file as JSON already is taken out of it again.
    """
    if OWN_EXTRAS in extras:
        try:
            own = json.loads(extras[OWN_EXTRAS])
        except ValueError:
            own = None
        texts = own.values() if isinstance(own, dict) else [None]
        if all(isinstance(text, str) for text in texts):
            extras = {name: text for name, text in extras.items() if name != OWN_EXTRAS} | own
    return json.dumps(extras, ensure_ascii=False, sort_keys=True) if extras else None
