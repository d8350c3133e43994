"""Photos made byte by byte from the standards, for the tests: TIFF 6.0, CIPA DC-008, HEIF.

Values are given by EXIF name: text, whole numbers, pairs for rationals, or ``(type, values)``.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from typing import Any

from carnivore_sign.intake.exif import CAMERA_TAGS, GPS_TAGS, MAIN_TAGS

CODES = {name: tag for tags in (MAIN_TAGS, CAMERA_TAGS, GPS_TAGS) for tag, name in tags.items()}
BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SLONG, SRATIONAL, DOUBLE = (
    1,
    2,
    3,
    4,
    5,
    7,
    9,
    10,
    12,
)
_PACK = {1: "B", 3: "H", 4: "I", 5: "I", 7: "B", 10: "i", 12: "d"}
#: 37 degrees 24 minutes 30.5 seconds south, 119 degrees 12 minutes west, GPS time, direction.
PLACE = {
    "GPSLatitudeRef": "S",
    "GPSLatitude": [(37, 1), (24, 1), (305, 10)],
    "GPSLongitudeRef": "W",
    "GPSLongitude": [(119, 1), (12, 1), (0, 1)],
}
CLOCK = {"GPSTimeStamp": [(15, 1), (40, 1), (305, 10)], "GPSDateStamp": "2026:02:14"}
LAT, LON = -(37 + 24 / 60 + 30.5 / 3600), -119.2


def tiff(
    main: Mapping[str, Any] | None = None,
    camera: Mapping[str, Any] | None = None,
    gps: Mapping[str, Any] | None = None,
    *,
    order: str = "<",
    thumbnail: bytes = b"",
) -> bytes:
    """Lay out a TIFF block: four directories in a row, each followed by its values."""
    main = dict(main or {})
    for name, tags in (("ExifIFD", camera), ("GPSIFD", gps)):
        if tags is not None:
            main[name] = (LONG, [0])
    first = directory(main, 8, order)
    pointers = {}
    at = 8 + len(first)
    rest = b""
    for name, tags in (("ExifIFD", camera), ("GPSIFD", gps)):
        if tags is not None:
            pointers[name] = (LONG, [at])
            rest += directory(tags, at, order)
            at = 8 + len(first) + len(rest)
    after = 0
    if thumbnail:
        after = at
        places = {"JPEGInterchangeFormat": [0], "JPEGInterchangeFormatLength": [len(thumbnail)]}
        behind = at + len(directory(places, at, order))
        places["JPEGInterchangeFormat"] = [behind]
        rest += directory(places, at, order) + thumbnail
    head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8)
    return head + directory({**main, **pointers}, 8, order, after=after) + rest


def directory(tags: Mapping[str, Any], at: int, order: str, *, after: int = 0) -> bytes:
    """Lay out one directory that starts at an offset."""
    entries, values = b"", b""
    behind = at + 2 + 12 * len(tags) + 4
    for name, value in sorted(tags.items(), key=lambda item: CODES[item[0]]):
        kind, count, data = packed(value, order)
        if len(data) > 4:
            where = struct.pack(order + "I", behind + len(values))
            values += data + b"\x00" * (len(data) % 2)
        else:
            where = data.ljust(4, b"\x00")
        entries += struct.pack(order + "HHI", CODES[name], kind, count) + where
    return struct.pack(order + "H", len(tags)) + entries + struct.pack(order + "I", after) + values


def packed(value: Any, order: str) -> tuple[int, int, bytes]:
    """Type, count and bytes of a value."""
    if isinstance(value, str):
        data = value.encode() + b"\x00"
        return ASCII, len(data), data
    if isinstance(value, tuple):
        kind, values = value
        if isinstance(values, bytes):
            return kind, len(values), values
    else:
        values = value
        kind = RATIONAL if values and isinstance(values[0], tuple) else LONG
    plain = [part for pair in values for part in pair] if kind in (5, 10) else list(values)
    return kind, len(values), struct.pack(f"{order}{len(plain)}{_PACK[kind]}", *plain)


def jpeg(block: bytes | None, *, xmp: bytes = b"", size: tuple[int, int] = (640, 480)) -> bytes:
    """Wrap a TIFF block and an XMP packet as the head of a JPEG; there is no picture behind."""
    segments = b""
    if block is not None:
        segments += segment(0xE1, b"Exif\x00\x00" + block)
    if xmp:
        segments += segment(0xE1, b"http://ns.adobe.com/xap/1.0/\x00" + xmp)
    frame = struct.pack(">BHHB", 8, size[1], size[0], 1) + b"\x01\x11\x00"
    scan = segment(0xDA, b"\x01\x01\x00\x00\x3f\x00")
    return b"\xff\xd8" + segments + segment(0xC0, frame) + scan + b"\x00" * 16 + b"\xff\xd9"


def segment(marker: int, held: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(held) + 2) + held


def png(block: bytes | None, *, size: tuple[int, int] = (640, 480), late: bool = False) -> bytes:
    """Wrap a TIFF block as a PNG, in front of the picture or behind it."""
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", *size, 8, 0, 0, 0, 0))
    exif = b"" if block is None else chunk(b"eXIf", block)
    picture = chunk(b"IDAT", zlib.compress(b"\x00" * 8))
    middle = picture + exif if late else exif + picture
    return b"\x89PNG\r\n\x1a\n" + head + middle + chunk(b"IEND", b"")


def chunk(name: bytes, held: bytes) -> bytes:
    return struct.pack(">I", len(held)) + name + held + struct.pack(">I", zlib.crc32(name + held))


def box(name: bytes, held: bytes) -> bytes:
    return struct.pack(">I", 8 + len(held)) + name + held


def heic(
    block: bytes | None,
    *,
    size: tuple[int, int] = (640, 480),
    version: int = 1,
    inside: bool = False,
    brand: bytes = b"heic",
) -> bytes:
    """Wrap a TIFF block as an HEIC file whose item 2 is the EXIF block.

    `version` is that of ``iloc``; with `inside` the block lies in ``idat``.
    """
    item = b"" if block is None else struct.pack(">I", 6) + b"Exif\x00\x00" + block
    kinds = [b"hvc1"] if block is None else [b"hvc1", b"Exif"]
    entries = b"".join(
        box(b"infe", struct.pack(">IHH", 2 << 24, number, 0) + kind + b"\x00")
        for number, kind in enumerate(kinds, 1)
    )
    shape = box(b"ispe", struct.pack(">III", 0, *size))
    properties = box(b"ipco", box(b"hvcC", b"\x00" * 4) + shape)
    linked = box(b"ipma", struct.pack(">IIHBBB", 0, 1, 1, 2, 0x81, 0x02))
    parts = {
        "fixed": box(b"pitm", struct.pack(">IH", 0, 1))
        + box(b"iinf", struct.pack(">IH", 0, len(kinds)) + entries)
        + box(b"iprp", properties + linked)
        + (box(b"idat", item) if inside else b""),
    }
    kind = box(b"ftyp", brand + b"\x00\x00\x00\x00" + b"mif1")

    def laid(at: int) -> bytes:
        places = [(1, 0, 0, 0)] if block is None else [(1, 0, 0, 0), (2, inside, at, len(item))]
        held = struct.pack(">IBB", version << 24, 0x44, 0x00)
        held += struct.pack(">I" if version == 2 else ">H", len(places))
        for number, method, start, length in places:
            held += struct.pack(">I" if version == 2 else ">H", number)
            held += struct.pack(">H", method) if version else b""
            held += struct.pack(">HHII", 0, 1, start, length)
        return box(b"meta", b"\x00" * 4 + parts["fixed"] + box(b"iloc", held))

    behind = len(kind) + len(laid(0)) + 8
    return kind + laid(0 if inside else behind) + box(b"mdat", b"" if inside else item)


MAKERS = {"JPEG": jpeg, "PNG": png, "TIFF": lambda block: block, "HEIC": heic}
