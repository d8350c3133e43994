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
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any, Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.logs import LogHead, log_reading
from carnivore_sign.intake.optional import optional_library
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source
from carnivore_sign.records.check import TIME

#: The mark of a FIT file, and where it stands.
FIT_MAGIC: Final = b".FIT"
FIT_AT: Final = 8
#: A file whose decoded messages are more than this is not read further.
MAX_MESSAGES: Final = 5_000_000

_SEMICIRCLE_DEG: Final = 180 / 2**31
_EPOCH_S: Final = int(pd.Timestamp("1989-12-31", tz="UTC").timestamp())
_FIRST_UTC_S: Final = 2**28
_NO_TIME: Final = int(np.iinfo(np.int64).min)
_PLACE_MESSAGE: Final = 29
_TIMER, _STARTED = 0, 0
_COURSE: Final = 6
_COLUMNS: Final = ("time_s", "lat", "lon", "elevation_m", "accuracy_m", "name", "part")


@dataclass
class _Found:
    """The points of a file, by table, as tuples of `_COLUMNS`; and what it says of itself."""

    tables: dict[str, list[tuple[Any, ...]]] = field(
        default_factory=lambda: {"fixes": [], "waypoints": [], "route_points": []}
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
        row = (
            message.get_value("timestamp", fallback=None),
            _raw(message, "position_lat"),
            _raw(message, "position_long"),
            height,
            message.get_value("gps_accuracy", fallback=None),
            None,
            self.parts - 1,
        )
        self.tables["route_points" if self.course else "fixes"].append(row)

    def mark(self, said: list[Any]) -> None:
        """Take a place: time, latitude, longitude, height and name."""
        time_s, lat, lon, height, name = said
        self.tables["waypoints"].append((time_s, lat, lon, height, None, name, 0))


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
    if found.tables["route_points"]:
        notes.append("the records of a course are route points: a course is a plan")
    return log_reading(
        source,
        "fit",
        points={name: _columns(rows, name) for name, rows in found.tables.items() if rows},
        head=LogHead(device=found.device, observer=observer, tracks=found.files, parts=found.parts),
        notes=notes,
        content_of=_content,
    )


def _decode(source: Source) -> _Found:
    fitdecode = optional_library("fitdecode", file=source.path, purpose="read FIT files")
    found = _Found()
    count = 0
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        try:
            for count, message in enumerate(_messages(fitdecode, source.data), start=1):
                found.take(message)
                if count >= MAX_MESSAGES:
                    found.notes.append(f"only the first {MAX_MESSAGES} messages were read")
                    break
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


def _columns(rows: list[tuple[Any, ...]], table: str) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=list(_COLUMNS), dtype="object")
    columns: dict[str, Any] = {
        name: _numbers(frame[name]) for name in ("lat", "lon", "elevation_m", "accuracy_m")
    }
    for name in ("lat", "lon"):
        columns[name] = np.round(columns[name] * _SEMICIRCLE_DEG, 9)
    columns["route" if table == "route_points" else "part"] = frame["part"].astype("int64")
    columns["time"] = _times(_numbers(frame["time_s"]))
    columns["name"] = frame["name"].map(lambda name: name if isinstance(name, str) else None)
    columns["content"] = pd.Series(rows, dtype="object")
    lost = np.isnan(columns["lat"]) | np.isnan(columns["lon"])
    columns["fault"] = pd.Series("no position", index=frame.index, dtype="object").where(lost, None)
    return pd.DataFrame(columns)


def _numbers(values: pd.Series) -> np.ndarray[Any, np.dtype[np.float64]]:
    return pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)


def _times(seconds: np.ndarray[Any, np.dtype[np.float64]]) -> pd.DatetimeIndex:
    known = np.isfinite(seconds) & (seconds >= _FIRST_UTC_S) & (seconds < 2**32)
    time_ms = np.full(len(seconds), _NO_TIME)
    time_ms[known] = (seconds[known].astype(np.int64) + _EPOCH_S) * 1000
    return pd.DatetimeIndex(time_ms.view("datetime64[ms]")).tz_localize("UTC").astype(TIME)


def _content(row: tuple[Any, ...]) -> str:
    return ", ".join(
        f"{name}={value}"
        for name, value in zip(_COLUMNS, row, strict=True)
        if value is not None and name != "part"
    )
