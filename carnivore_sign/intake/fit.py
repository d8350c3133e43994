"""FIT: fixes from the binary files of sports watches and handhelds.

The messages are decoded by fitdecode, an optional library (extra ``fit``), which agreed with
an independent reader of the format on every record of the real files in the tests, and gives
the good records of a damaged file before it stops. Records are fixes, one part for each time
that the timer was started; those of a course are route points, since a course is a plan.
Places saved on the device and points of a course are waypoints.

Source: FIT protocol, as fitdecode documents its profile: positions in semicircles (180 degrees
are 2**31), times in seconds since 1989-12-31T00:00:00Z, and smaller numbers than 2**28 are
seconds since the device was switched on. Heights of saved places are fifths of a metre above
-500 m; the names in the real files tell their heights, and agree.
"""

from __future__ import annotations

import io
import math
import warnings
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.optional import optional_library
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source
from carnivore_sign.intake.text_points import hold_count
from carnivore_sign.records.check import TIME

#: The mark of a FIT file, and where it stands.
FIT_MAGIC: Final = b".FIT"
FIT_AT: Final = 8
_SEMICIRCLE_DEG: Final = 180 / 2**31
_EPOCH_S: Final = int(pd.Timestamp("1989-12-31", tz="UTC").timestamp())
_FIRST_UTC_S: Final = 2**28
_NO_TIME: Final = int(np.iinfo(np.int64).min)
_PLACE_MESSAGE: Final = 29
_TIMER, _STARTED = 0, 0
_COURSE: Final = 6
_NUMBERS: Final = ("time_s", "lat", "lon", "elevation_m", "accuracy_m")


@dataclass
class _Rows:
    """Points of one table as growing columns."""

    numbers: dict[str, array[float]] = field(
        default_factory=lambda: {name: array("d") for name in _NUMBERS}
    )
    part: array[int] = field(default_factory=lambda: array("q"))
    names: dict[int, str] = field(default_factory=dict)

    def add(self, *numbers: Any, name: Any = None, part: int = 0) -> None:
        """Add a point: the numbers in the order of `_NUMBERS`, None where missing."""
        if isinstance(name, str):
            self.names[len(self.part)] = name
        for column, number in zip(self.numbers.values(), numbers, strict=True):
            column.append(number if isinstance(number, int | float) else math.nan)
        self.part.append(part)

    def content(self, place: int) -> str:
        """Say what there is of a point."""
        said = {name: column[place] for name, column in self.numbers.items()}
        told = [f"{name}={value:.15g}" for name, value in said.items() if not math.isnan(value)]
        return ", ".join([*told, *([f"name={self.names[place]}"] if place in self.names else [])])


@dataclass
class _Found:
    """The points of a file, by table; and what it says of itself."""

    file: Path
    tables: dict[str, _Rows] = field(
        default_factory=lambda: {n: _Rows() for n in ("fixes", "waypoints", "route_points")}
    )
    parts: int = 0
    files: int = 0
    started: bool = True
    course: bool = False
    device: str | None = None
    notes: list[str] = field(default_factory=list)

    def take(self, message: Any) -> None:
        """Take one message."""
        if message.name == "record":
            self.take_record(message)
        elif message.name == "event":
            if (_raw(message, "event"), _raw(message, "event_type")) == (_TIMER, _STARTED):
                self.started = True
        elif message.name == "file_id":
            self.files += 1
            self.started = True
            self.course = _raw(message, "type") == _COURSE
            self.device = self.device or _device(message)
        elif message.name == "course_point":
            names = ("timestamp", "position_lat", "position_long", "name")
            *place, name = (_raw(message, name) for name in names)
            self.mark([*place, None, name])
        elif message.global_mesg_num == _PLACE_MESSAGE:
            raw = {one.def_num: one.raw_value for one in message.fields}
            height = raw.get(4)
            metres = height / 5 - 500 if isinstance(height, int) else None
            self.mark([raw.get(253), raw.get(1), raw.get(2), metres, raw.get(0)])

    def take_record(self, message: Any) -> None:
        if self.started:
            self.started = False
            self.parts += 1
        height = message.get_value("enhanced_altitude", fallback=None)
        if height is None:
            height = message.get_value("altitude", fallback=None)
        self.tables["route_points" if self.course else "fixes"].add(
            message.get_value("timestamp", fallback=None),
            _raw(message, "position_lat"),
            _raw(message, "position_long"),
            height,
            message.get_value("gps_accuracy", fallback=None),
            part=self.parts - 1,
        )

    def mark(self, said: list[Any]) -> None:
        """Take a place: time, latitude, longitude, height and name."""
        time_s, lat, lon, height, name = said
        self.tables["waypoints"].add(time_s, lat, lon, height, None, name=name)


def read_fit(
    source: Source, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
    """Read a FIT file.

    Parameters
    ----------
    source : Source
        The file.
    time_zone : str, optional
        Not needed: the times of FIT are UTC. It is there as it is in the other readers.
    observer : str, optional
        Who carried the device.

    Returns
    -------
    Reading
        Tables as a log has them; ``source_row`` counts the points of each table from 1.
        Records without a position, which watches write indoors, are set aside. Of a damaged
        file the records before the damage are kept, and the damage is told.

    Raises
    ------
    LibraryMissing
        If fitdecode is not installed.
    FileUnreadable
        If nothing of the file can be decoded.
    """
    found = _decode(source)
    notes = list(found.notes)
    if found.tables["route_points"].part:
        notes.append("the records of a course are route points: a course is a plan")
    return log_reading(
        source,
        "fit",
        points={name: _columns(rows, name) for name, rows in found.tables.items() if rows.part},
        head=LogHead(device=found.device, observer=observer, tracks=found.files, parts=found.parts),
        notes=notes,
        content_of=str,
    )


def _decode(source: Source) -> _Found:
    fitdecode = optional_library("fitdecode", file=source.path, purpose="read FIT files")
    found = _Found(source.path)
    count = 0
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            for message in _messages(fitdecode, source.data):
                found.take(message)
                count += 1
                hold_count(sum(len(rows.part) for rows in found.tables.values()), source.path)
        except FileUnreadable:
            raise
        # Damaged files make the decoder fail in ways that it does not document.
        except Exception as error:
            if not count:
                raise FileUnreadable(
                    f"it cannot be decoded as FIT ({error})",
                    file=source.path,
                    remedy="Copy it from the device once more.",
                ) from error
            found.notes.append(
                f"the file is damaged behind message {count} ({error}); what stands before it "
                "was read"
            )
    told = list(dict.fromkeys(str(one.message) for one in warned))
    found.notes += [f"the decoder warns: {text}" for text in told[:2]]
    if len(told) > 2:
        found.notes.append(f"the decoder warns of {len(told) - 2} things more")
    return found


def _messages(fitdecode: ModuleType, data: bytes) -> Iterator[Any]:
    with fitdecode.FitReader(
        io.BytesIO(data),
        processor=None,
        check_crc=fitdecode.CrcCheck.WARN,
        error_handling=fitdecode.ErrorHandling.WARN,
    ) as reader:
        for frame in reader:
            if isinstance(frame, fitdecode.FitDataMessage):
                yield frame


def _raw(message: Any, name: str) -> Any:
    return message.get_raw_value(name, fallback=None)


def _device(message: Any) -> str | None:
    words = [
        message.get_value(name, fallback=None)
        for name in ("manufacturer", "product_name", "garmin_product", "product")
    ]
    texts = [str(word) for word in words if word is not None]
    return "FIT device " + " ".join(dict.fromkeys(texts[:2])) if texts else None


def _columns(rows: _Rows, table: str) -> pd.DataFrame:
    columns: dict[str, Any] = {name: np.array(rows.numbers[name]) for name in _NUMBERS[1:]}
    for name in ("lat", "lon"):
        columns[name] = np.round(columns[name] * _SEMICIRCLE_DEG, 9)
    columns["route" if table == "route_points" else "part"] = np.array(rows.part)
    columns["time"] = _times(np.array(rows.numbers["time_s"]))
    count = len(rows.part)
    if rows.names:
        columns["name"] = np.array([rows.names.get(place) for place in range(count)], dtype=object)
    columns["content"] = np.full(count, None, dtype=object)
    columns["fault"] = np.full(count, None, dtype=object)
    lost = np.flatnonzero(np.isnan(columns["lat"]) | np.isnan(columns["lon"]))
    outside = np.flatnonzero((np.abs(columns["lat"]) > 90) | (np.abs(columns["lon"]) > 180))
    for place in (*lost.tolist(), *outside.tolist()):
        columns["content"][place] = rows.content(place)
    columns["fault"][lost] = "no position"
    return pd.DataFrame(columns)


def _times(seconds: np.ndarray[Any, np.dtype[np.float64]]) -> pd.DatetimeIndex:
    known = np.isfinite(seconds) & (seconds >= _FIRST_UTC_S) & (seconds < 2**32)
    time_ms = np.full(len(seconds), _NO_TIME)
    time_ms[known] = (seconds[known].astype(np.int64) + _EPOCH_S) * 1000
    return pd.DatetimeIndex(time_ms.view("datetime64[ms]")).tz_localize("UTC").astype(TIME)
