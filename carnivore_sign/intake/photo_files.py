"""Photo files: the EXIF block, the XMP packet and the size, out of JPEG, PNG, TIFF and HEIC.

A reader of our own, because measurements spoke for it. Pillow, which is the referee of the
tests, agrees on every sound photo, but gives up a photo whose picture is damaged behind sound
tags (of 3,000 copies with a few bytes changed it read nothing of 494, and the right position
of 1,417; here none and 1,608), decodes all pixels of a PNG whose tags stand behind them, and
needs a codec for HEIC that most people do not have. It also takes twice the time, which would
not have been a reason. ``tests/benchmarks/bench_photos.py`` repeats the comparison.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from carnivore_sign.errors import UnknownKind
from carnivore_sign.intake.exif import UNKNOWN, Exif, number, read_exif
from carnivore_sign.intake.heif import is_heif, read_heif
from carnivore_sign.intake.source import open_source

MAX_SEGMENTS: Final = 20_000
MAX_FILL_BYTES: Final = 2**12
MAX_XMP_BYTES: Final = 2**18
#: Bytes that hold what is looked for in nearly every photo of a phone or camera.
HEAD_BYTES: Final = 2**18

_JPEG: Final = b"\xff\xd8\xff"
_PNG: Final = b"\x89PNG\r\n\x1a\n"
_TIFF: Final = (b"II*\x00", b"MM\x00*")
_EXIF: Final = b"Exif\x00"
_XMP: Final = b"http://ns.adobe.com/xap/1.0/\x00"
_PNG_XMP: Final = b"XML:com.adobe.xmp\x00\x00\x00\x00\x00"
#: Markers that stand alone, and those of a frame header, which holds the size.
_ALONE: Final = {0x01, *range(0xD0, 0xD8)}
_FRAMES: Final = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_START_OF_SCAN: Final = 0xDA
_END: Final = 0xD9


@dataclass(frozen=True)
class PhotoFile:
    """What a photo says about itself, before any of it is interpreted.

    Attributes
    ----------
    form : str
        ``JPEG``, ``PNG``, ``TIFF`` or ``HEIC``.
    exif : Exif
        Its tags.
    xmp : bytes
        Its XMP packet; empty if there is none.
    width_px, height_px : int or None
        Size as stored, before the picture is turned.
    faults : tuple of str
        What could not be read.
    cut : bool
        Something lies beyond the end of the bytes that were handed in.
    """

    form: str
    exif: Exif
    xmp: bytes
    width_px: int | None
    height_px: int | None
    faults: tuple[str, ...]
    cut: bool


@dataclass
class _Found:
    block: bytes | None = None
    xmp: bytes = b""
    width: int | None = None
    height: int | None = None
    fault: str | None = None
    cut: bool = False


def form_of(data: bytes) -> str | None:
    """Tell the form of a photo from its first bytes; None if it is none."""
    if data.startswith(_JPEG):
        return "JPEG"
    if data.startswith(_PNG):
        return "PNG"
    if data.startswith(_TIFF):
        return "TIFF"
    return "HEIC" if is_heif(data) else None


def read_photo_file(data: bytes, *, file: str | Path) -> PhotoFile:
    """Find what a photo says about itself; no pixel is decoded.

    Raises
    ------
    UnknownKind
        If the bytes are no photo. Damage further on is told in ``faults``.
    """
    form = form_of(data)
    if form is None:
        raise UnknownKind(
            "this is not a photo", file=file, remedy="Hand in JPEG, HEIC, PNG or TIFF files."
        )
    found = _READERS[form](data)
    exif = Exif() if found.block is None else read_exif(found.block)
    if form == "TIFF":
        found.width, found.height = _tiff_size(exif)
        found.xmp = str(exif.main.get("XMP", "")).encode()
    faults = (*exif.faults, *([found.fault] if found.fault else []))
    # A block that came whole cannot grow by reading on.
    cut = found.cut or (form == "TIFF" and exif.cut)
    return PhotoFile(form, exif, found.xmp, found.width, found.height, faults, cut)


def photo_header(path: str | Path) -> PhotoFile:
    """Read what a photo says about itself from its first bytes, and from all if it must.

    Parameters
    ----------
    path : path-like
        A photo. It is not hashed; `read_photos` makes the rows of the record.

    Raises
    ------
    FileUnreadable
        If there is no such file or it cannot be read.
    UnknownKind
        If it is no photo.
    """
    head = _head(Path(path))
    photo = read_photo_file(head, file=path)
    if photo.cut and len(head) == HEAD_BYTES:
        photo = read_photo_file(open_source(path).data, file=path)
    return photo


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError:
        head = b""
    return head or open_source(path).data


def _jpeg(data: bytes) -> _Found:
    """Walk the segments up to the picture itself."""
    found = _Found(fault="the file ends before its picture", cut=True)
    at = 2
    for _ in range(MAX_SEGMENTS):
        fill = data[at : at + MAX_FILL_BYTES]
        at += max(0, len(fill) - len(fill.lstrip(b"\xff")) - 1)
        if at + 4 > len(data):
            return found
        mark, marker, length = data[at], data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if mark != 0xFF:
            break
        if marker in (_START_OF_SCAN, _END):
            found.fault, found.cut = None, False
            return found
        if marker in _ALONE:
            at += 2
            continue
        _keep(found, marker, data[at + 4 : at + 2 + length])
        at += 2 + max(length, 2)
    found.fault, found.cut = "the segments before the picture are damaged", False
    return found


def _keep(found: _Found, marker: int, held: bytes) -> None:
    if marker == 0xE1 and held.startswith(_EXIF) and found.block is None:
        found.block = held[6:]
    elif marker == 0xE1 and held.startswith(_XMP) and not found.xmp:
        found.xmp = held[len(_XMP) :]
    elif marker in _FRAMES and len(held) >= 5 and found.width is None:
        found.height, found.width = struct.unpack_from(">HH", held, 1)


def _png(data: bytes) -> _Found:
    """Walk the chunks to the end, for the EXIF block may stand behind the picture."""
    found = _Found(fault="the file ends before its last chunk", cut=True)
    at = len(_PNG)
    for _ in range(MAX_SEGMENTS * 10):
        if at + 8 > len(data):
            return found
        length, name = struct.unpack_from(">I4s", data, at)
        start, end = at + 8, at + 8 + length
        if name == b"IHDR" and length >= 8 and start + 8 <= len(data):
            found.width, found.height = struct.unpack_from(">II", data, start)
        elif name == b"eXIf" and found.block is None:
            found.block = data[start:end].removeprefix(b"Exif\x00\x00")
        elif name == b"iTXt" and data[start : start + len(_PNG_XMP)] == _PNG_XMP:
            found.xmp = data[start + len(_PNG_XMP) : min(end, start + MAX_XMP_BYTES)]
        if name == b"IEND":
            found.fault, found.cut = None, False
            return found
        at = end + 4
    found.fault, found.cut = "there are more chunks than a photo has", False
    return found


def _tiff(data: bytes) -> _Found:
    return _Found(block=data)


def _heic(data: bytes) -> _Found:
    parts = read_heif(data)
    fault = "; ".join(parts.faults) or None
    return _Found(parts.block, b"", parts.width, parts.height, fault, parts.cut)


def _tiff_size(exif: Exif) -> tuple[int | None, int | None]:
    width, height = number(exif.main, "ImageWidth"), number(exif.main, "ImageLength")
    known = 0 < width <= UNKNOWN and 0 < height <= UNKNOWN
    return (int(width), int(height)) if known else (None, None)


_READERS: Final = {"JPEG": _jpeg, "PNG": _png, "TIFF": _tiff, "HEIC": _heic}
