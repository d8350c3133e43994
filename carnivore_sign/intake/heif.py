"""HEIF: where the EXIF block of an HEIC or AVIF photo lies, and how large its picture is.

The boxes are those of ISO/IEC 14496-12 and 23008-12: ``meta`` holds the list of items
(``iinf``), where their bytes lie (``iloc``), which one is the picture (``pitm``) and its
properties (``iprp``). The picture itself is never decoded, so that no codec is needed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

#: Brands of still pictures; films in the same container have others.
BRANDS: Final = (
    b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif", b"avis",
)  # fmt: skip
MAX_BOXES: Final = 10_000
MAX_EXTENTS: Final = 16
MAX_EXIF_BYTES: Final = 2**20
_WHOLE_BOX: Final = 1


@dataclass(frozen=True)
class HeifParts:
    """What was found: the EXIF block, the size in pixels, and whether the end is missing."""

    block: bytes | None
    width: int | None
    height: int | None
    faults: tuple[str, ...]
    cut: bool


class _Short(Exception):
    """A box ends before what it says that it holds."""


class _Cursor:
    """Reads big-endian numbers one after the other, and never past the end."""

    def __init__(self, data: bytes, at: int = 0) -> None:
        self.data = data
        self.at = at

    def number(self, size: int) -> int:
        end = self.at + size
        if end > len(self.data):
            raise _Short
        value = int.from_bytes(self.data[self.at : end], "big")
        self.at = end
        return value

    def version(self) -> int:
        version = self.number(1)
        self.number(3)
        return version


def is_heif(data: bytes) -> bool:
    """Tell whether the bytes begin a file of a still picture in boxes."""
    if data[4:8] != b"ftyp":
        return False
    size = min(int.from_bytes(data[:4], "big"), 256)
    return any(data[at : at + 4] in BRANDS for at in (8, *range(16, size - 3, 4)))


def read_heif(data: bytes) -> HeifParts:
    """Find the EXIF block and the size of the picture; damage is told and never raised."""
    faults: list[str] = []
    cut = False
    found: dict[bytes, bytes] = {}
    for name, start, end in boxes(data, 0, len(data)):
        if end > len(data):
            cut = True
            faults.append("the file is cut short")
        if name == b"meta" and not found:
            found = {
                inner: data[inside : min(stop, len(data))]
                for inner, inside, stop in boxes(data, start + 4, min(end, len(data)))
            }
    if not found:
        return HeifParts(None, None, None, ("there is no list of what the file holds",), True)
    block, width, height = None, None, None
    try:
        block, short = _exif_block(data, found)
        cut = cut or short
    except _Short:
        cut = True
        faults.append("the EXIF block lies beyond the end of the file")
    try:
        width, height = _size(found)
    except _Short:
        faults.append("the size of the picture is damaged")
    return HeifParts(block, width, height, tuple(faults), cut)


def boxes(data: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """List the boxes between two offsets: name, start and end of what each holds."""
    for _ in range(MAX_BOXES):
        if start + 8 > end:
            return
        size = int.from_bytes(data[start : start + 4], "big")
        name, inside = data[start + 4 : start + 8], start + 8
        if size == _WHOLE_BOX:
            size = int.from_bytes(data[inside : inside + 8], "big")
            inside += 8
        stop = end if size == 0 else start + size
        if stop < inside:
            return
        yield name, inside, stop
        start = stop


def _exif_block(data: bytes, found: dict[bytes, bytes]) -> tuple[bytes | None, bool]:
    """Bytes of the EXIF block, and whether some of them are missing."""
    item = _exif_item(found.get(b"iinf", b""))
    if item is None:
        return None, False
    held, cut = _item_bytes(data, found, item)
    skip = _Cursor(held).number(4)
    block = held[4 + skip :]
    if not block:
        raise _Short
    return block, cut


def _exif_item(data: bytes) -> int | None:
    """Number of the item whose type is ``Exif``."""
    if not data:
        return None
    cursor = _Cursor(data)
    count = cursor.number(2 if cursor.version() == 0 else 4)
    for entry, (name, start, end) in enumerate(boxes(data, cursor.at, len(data))):
        if entry >= count or name != b"infe":
            return None
        inside = _Cursor(data[:end], start)
        version = inside.version()
        if version < 2:
            continue
        item = inside.number(2 if version == 2 else 4)
        inside.number(2)
        if inside.number(4) == int.from_bytes(b"Exif", "big"):
            return item
    return None


def _item_bytes(data: bytes, found: dict[bytes, bytes], wanted: int) -> tuple[bytes, bool]:
    """Bytes of one item, from the file or from the box ``idat``; whether some are missing."""
    cursor = _Cursor(found.get(b"iloc", b""))
    version = cursor.version()
    sizes = cursor.number(1), cursor.number(1)
    offset_size, length_size = divmod(sizes[0], 16)
    base_size, index_size = divmod(sizes[1], 16)
    wide = 4 if version == 2 else 2
    for _ in range(min(cursor.number(wide), MAX_BOXES)):
        item = cursor.number(wide)
        method = cursor.number(2) & 15 if version else 0
        cursor.number(2)
        base = cursor.number(base_size)
        count = cursor.number(2)
        if item != wanted:
            cursor.at += count * (offset_size + length_size + (index_size if version else 0))
            continue
        extents = []
        for _ in range(min(count, MAX_EXTENTS)):
            cursor.number(index_size if version else 0)
            extents.append((base + cursor.number(offset_size), cursor.number(length_size)))
        return _joined(found.get(b"idat", b"") if method else data, extents)
    raise _Short


def _joined(data: bytes, extents: list[tuple[int, int]]) -> tuple[bytes, bool]:
    pieces = []
    cut = False
    for start, stated in extents:
        length = stated or max(0, len(data) - start)
        pieces.append(data[start : start + min(length, MAX_EXIF_BYTES)])
        cut = cut or len(pieces[-1]) < length
    return b"".join(pieces), cut


def _size(found: dict[bytes, bytes]) -> tuple[int | None, int | None]:
    """Width and height of the primary picture as it is stored, before it is turned."""
    held = found.get(b"iprp", b"")
    inside = {name: held[start:end] for name, start, end in boxes(held, 0, len(held))}
    if b"ipco" not in inside or b"pitm" not in found:
        return None, None
    pitm = _Cursor(found[b"pitm"])
    primary = pitm.number(2 if pitm.version() == 0 else 4)
    properties = list(boxes(inside[b"ipco"], 0, len(inside[b"ipco"])))
    for place in _properties_of(inside.get(b"ipma", b""), primary):
        if 0 < place <= len(properties) and properties[place - 1][0] == b"ispe":
            cursor = _Cursor(inside[b"ipco"], properties[place - 1][1] + 4)
            return cursor.number(4), cursor.number(4)
    return None, None


def _properties_of(data: bytes, primary: int) -> list[int]:
    """Numbers of the properties of one item, from 1."""
    if not data:
        return []
    cursor = _Cursor(data)
    version = cursor.number(1)
    wide = bool(cursor.number(3) & 1)
    for _ in range(min(cursor.number(4), MAX_BOXES)):
        item = cursor.number(4 if version else 2)
        places = [
            cursor.number(2 if wide else 1) & (0x7FFF if wide else 0x7F)
            for _ in range(cursor.number(1))
        ]
        if item == primary:
            return places
    return []
