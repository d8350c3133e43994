"""EXIF: the tags of a photo's TIFF block, read without trusting one byte of it.

The layout is that of TIFF 6.0 and CIPA DC-008 (Exif): a header, directories of 12-byte
entries, values in the entry or at an offset. Only the tags that the library uses are read,
from four directories at most, so that neither a loop nor a count can cost time or memory.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple

#: Largest value that is read, in bytes; larger ones are maker notes and damage.
MAX_VALUE_BYTES: Final = 2**16
MAX_THUMBNAIL_BYTES: Final = 2**20
#: What writers put where a number is not known.
UNKNOWN: Final = 2**32 - 1

#: Tags of the first directory, of the camera's and of the GPS directory, by their EXIF names.
MAIN_TAGS: Final = {
    0x0100: "ImageWidth",
    0x0101: "ImageLength",
    0x010F: "Make",
    0x0110: "Model",
    0x0201: "JPEGInterchangeFormat",
    0x0202: "JPEGInterchangeFormatLength",
    0x02BC: "XMP",
    0x8769: "ExifIFD",
    0x8825: "GPSIFD",
}
CAMERA_TAGS: Final = {
    0x9003: "DateTimeOriginal",
    0x9004: "DateTimeDigitized",
    0x9010: "OffsetTime",
    0x9011: "OffsetTimeOriginal",
    0x9012: "OffsetTimeDigitized",
    0x9291: "SubSecTimeOriginal",
    0x9292: "SubSecTimeDigitized",
}
GPS_TAGS: Final = {
    0x01: "GPSLatitudeRef",
    0x02: "GPSLatitude",
    0x03: "GPSLongitudeRef",
    0x04: "GPSLongitude",
    0x05: "GPSAltitudeRef",
    0x06: "GPSAltitude",
    0x07: "GPSTimeStamp",
    0x09: "GPSStatus",
    0x0B: "GPSDOP",
    0x10: "GPSImgDirectionRef",
    0x11: "GPSImgDirection",
    0x12: "GPSMapDatum",
    0x1D: "GPSDateStamp",
    0x1F: "GPSHPositioningError",
}

_ORDER: Final = {b"II": "<", b"MM": ">"}
_MAGIC: Final = 42
_ENTRY_BYTES: Final = 12
#: Types of values: code of `struct`, and bytes each. Text and opaque bytes have no code.
_TYPES: Final = {
    1: ("B", 1), 2: ("", 1), 3: ("H", 2), 4: ("I", 4), 5: ("II", 8), 6: ("b", 1), 7: ("B", 1),
    8: ("h", 2), 9: ("i", 4), 10: ("ii", 8), 11: ("f", 4), 12: ("d", 8), 13: ("I", 4),
    129: ("", 1),
}  # fmt: skip
_PAIRS: Final = (5, 10)


class Ratio(NamedTuple):
    """A number as EXIF writes most of them: one whole number over another."""

    top: int
    bottom: int

    def __float__(self) -> float:
        """Return the number; NaN if it is empty or stands for *unknown*."""
        if self.bottom == 0 or UNKNOWN in self:
            return math.nan
        return self.top / self.bottom

    def __str__(self) -> str:
        """Return it as it stands in the file."""
        return f"{self.top}/{self.bottom}"


Number = Ratio | int | float
Value = str | tuple[Number, ...]
Tags = Mapping[str, Value]


@dataclass(frozen=True)
class Exif:
    """The tags of one photo by their EXIF names.

    Attributes
    ----------
    main, camera, gps : mapping of str to str or tuple of numbers
        Tags of the first directory, of the camera's and of the GPS directory. A tag that is
        missing, empty or damaged is not there.
    thumbnail : bytes or None
        The small JPEG that is stored beside the picture.
    faults : tuple of str
        What could not be read.
    cut : bool
        Something lies beyond the end of the block.
    """

    main: Tags = field(default_factory=dict)
    camera: Tags = field(default_factory=dict)
    gps: Tags = field(default_factory=dict)
    thumbnail: bytes | None = None
    faults: tuple[str, ...] = ()
    cut: bool = False


@dataclass
class _Block:
    """The bytes, their order, and what was found wrong on the way."""

    data: bytes
    order: str
    faults: list[str] = field(default_factory=list)
    cut: bool = False

    def beyond(self, what: str) -> None:
        self.cut = True
        self.faults.append(f"{what} lies beyond the end of the EXIF block")


def read_exif(data: bytes) -> Exif:
    r"""Read the tags of a TIFF block.

    Parameters
    ----------
    data : bytes
        The block from its byte order mark on: what follows ``Exif\0\0`` in a JPEG, the chunk
        ``eXIf`` of a PNG, the whole of a TIFF.

    Returns
    -------
    Exif
        What could be read; damage is told in ``faults`` and never raised.

    Examples
    --------
    >>> entry = struct.pack("<HHI4s", 0x010F, 2, 4, b"Toy\x00")
    >>> block = b"II*\x00\x08\x00\x00\x00" + b"\x01\x00" + entry + bytes(4)
    >>> read_exif(block).main
    {'Make': 'Toy'}
    """
    order = _ORDER.get(data[:2])
    if order is None or len(data) < 8:
        return Exif(faults=("the EXIF block has no TIFF header",), cut=len(data) < 8)
    magic, start = struct.unpack_from(order + "HI", data, 2)
    if magic != _MAGIC:
        return Exif(faults=("the EXIF block is not classic TIFF",))
    block = _Block(data, order)
    main, after = _directory(block, start, MAIN_TAGS, "first")
    camera, _ = _directory(block, _offset(main, "ExifIFD"), CAMERA_TAGS, "camera")
    gps, _ = _directory(block, _offset(main, "GPSIFD"), GPS_TAGS, "GPS")
    second, _ = _directory(block, after, MAIN_TAGS, "thumbnail")
    thumbnail = _thumbnail(block, second)
    return Exif(main, camera, gps, thumbnail, tuple(dict.fromkeys(block.faults)), block.cut)


def number(tags: Tags, name: str) -> float:
    """Return the first number of a tag; NaN if it is missing, text, empty or unknown."""
    value = tags.get(name)
    if value is None or isinstance(value, str) or not value:
        return math.nan
    return _float(value[0])


def numbers(value: Value) -> tuple[float, ...]:
    """Return all numbers of a value; nothing if it is text."""
    return () if isinstance(value, str) else tuple(_float(part) for part in value)


def text(tags: Tags, name: str) -> str:
    """Return a tag as text without outer spaces; nothing if it is missing or a number."""
    value = tags.get(name, "")
    return value.strip() if isinstance(value, str) else ""


def shown(value: Value) -> str:
    """Return a value as it stands in the file, for messages."""
    return value if isinstance(value, str) else ", ".join(str(part) for part in value)


def _float(part: Number) -> float:
    return math.nan if part == UNKNOWN else float(part)


def _offset(tags: Tags, name: str) -> int:
    value = tags.get(name)
    if value is None or isinstance(value, str) or not isinstance(value[0], int):
        return 0
    return max(0, value[0])  # a signed type may say less than nothing


def _directory(
    block: _Block, start: int, wanted: Mapping[int, str], name: str
) -> tuple[dict[str, Value], int]:
    """Read the wanted tags of one directory, and where the next one starts (0 if nowhere)."""
    if start == 0:
        return {}, 0
    if start + 2 > len(block.data):
        block.beyond(f"the {name} directory")
        return {}, 0
    (count,) = struct.unpack_from(block.order + "H", block.data, start)
    first = start + 2
    there = min(count, (len(block.data) - first) // _ENTRY_BYTES)
    if there < count:
        block.beyond(f"part of the {name} directory")
    end = first + there * _ENTRY_BYTES
    tags: dict[str, Value] = {}
    for tag, kind, length, raw in struct.iter_unpack(block.order + "HHI4s", block.data[first:end]):
        if tag in wanted and wanted[tag] not in tags:
            value = _value(block, wanted[tag], kind, length, raw)
            if value:
                tags[wanted[tag]] = value
    if there < count or end + 4 > len(block.data):
        return tags, 0
    return tags, struct.unpack_from(block.order + "I", block.data, end)[0]


def _value(block: _Block, name: str, kind: int, length: int, raw: bytes) -> Value | None:
    """Read one value, or tell why it cannot be read; an empty one is nothing."""
    if kind not in _TYPES:
        block.faults.append(f"{name} has an unknown type")
        return None
    code, size = _TYPES[kind]
    total = size * length
    if total > MAX_VALUE_BYTES:
        block.faults.append(f"{name} claims {total} bytes")
        return None
    data = raw[:total]
    if total > len(raw):
        (start,) = struct.unpack(block.order + "I", raw)
        data = block.data[start : start + total]
        if len(data) < total:
            block.beyond(name)
            return None
    if not code or name == "XMP":
        return data.split(b"\x00", 1)[0].decode("utf-8", errors="replace")
    plain = struct.unpack(f"{block.order}{length * len(code)}{code[0]}", data)
    if kind in _PAIRS:
        return tuple(map(Ratio, plain[::2], plain[1::2]))
    return plain


def _thumbnail(block: _Block, tags: Tags) -> bytes | None:
    start, length = (
        _offset(tags, "JPEGInterchangeFormat"),
        _offset(tags, "JPEGInterchangeFormatLength"),
    )
    if not start or not 0 < length <= MAX_THUMBNAIL_BYTES:
        return None
    data = block.data[start : start + length]
    return data if data.startswith(b"\xff\xd8") else None
