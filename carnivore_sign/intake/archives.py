"""Archives: the members of a zip file, read in memory and within bounds.

Nothing is ever written to the disk, so that a name that climbs out of its folder can do no
harm; it is told. A member is refused if it says, or turns out, to unpack to more than the
limits allow.
"""

from __future__ import annotations

import io
import lzma
import re
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from carnivore_sign.errors import FileUnreadable

ZIP_MAGIC: Final = b"PK\x03\x04"
#: Most members that an archive may have.
MAX_MEMBERS: Final = 10_000
#: Largest size to which one member may unpack, in bytes.
MAX_MEMBER_BYTES: Final = 128 * 2**20
#: Largest size in relation to the packed one, for members above `SMALL_BYTES`. Text with
#: coordinates packs to a tenth, and blanks to a thousandth.
MAX_RATIO: Final = 200
SMALL_BYTES: Final = 2**22
_CHUNK: Final = 2**16
_CLIMBS: Final = re.compile(r"(^|[\\/])\.\.([\\/]|$)|^[\\/]|^[A-Za-z]:")


@dataclass(frozen=True)
class Member:
    """One member of an archive, unpacked, with what there is to tell about it."""

    name: str
    data: bytes
    notes: tuple[str, ...] = ()


def member_names(data: bytes, file: str | Path) -> list[str]:
    """List the names of the members of a zip archive.

    Raises
    ------
    FileUnreadable
        If it is no whole archive, or has more than `MAX_MEMBERS` members.
    """
    with _open(data, file) as archive:
        return [entry.filename for entry in archive.infolist()]


def read_member(data: bytes, name: str, file: str | Path) -> Member:
    """Unpack one member of a zip archive in memory.

    Raises
    ------
    FileUnreadable
        If it is encrypted, packed in an unknown way, or larger than the limits allow.
    """
    with _open(data, file) as archive:
        return _member(archive, name, file)


def read_members(
    data: bytes, names: Sequence[str], file: str | Path
) -> list[Member | FileUnreadable]:
    """Unpack members of a zip archive in memory; of those that cannot be, return why.

    Together they may be as large as one member may be.
    """
    found: list[Member | FileUnreadable] = []
    total = 0
    with _open(data, file) as archive:
        for name in names:
            try:
                member = _member(archive, name, file)
                total += len(member.data)
                _hold_size(f"what '{name}' adds", total, total, file)
                found.append(member)
            except FileUnreadable as error:
                found.append(error)
    return found


def _member(archive: zipfile.ZipFile, name: str, file: str | Path) -> Member:
    entry = archive.getinfo(name)
    if entry.flag_bits & 1:
        raise FileUnreadable(
            f"'{name}' in it is encrypted", file=file, remedy="Unpack it with its password."
        )
    _hold_size(name, entry.file_size, entry.compress_size, file)
    unpacked, whole = _unpacked(archive, entry, file)
    notes = [f"'{name}' was read from the archive"]
    if _CLIMBS.search(name):
        notes.append("that name climbs out of its folder; it was read in memory only")
    if not whole:
        notes.append(f"'{name}' is damaged in the archive; what could be unpacked was read")
    return Member(name, unpacked, tuple(notes))


def _open(data: bytes, file: str | Path) -> zipfile.ZipFile:
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, ValueError, NotImplementedError, EOFError) as error:
        raise FileUnreadable(
            f"the archive is damaged ({error})", file=file, remedy="Copy it once more."
        ) from error
    count = len(archive.infolist())
    if count > MAX_MEMBERS:
        raise FileUnreadable(
            f"the archive has {count} members, and at most {MAX_MEMBERS} are read",
            file=file,
            remedy="Unpack it yourself if you know what is in it.",
        )
    return archive


def _hold_size(name: str, size: int, packed: int, file: str | Path) -> None:
    if size <= SMALL_BYTES or (size <= MAX_MEMBER_BYTES and size <= MAX_RATIO * max(packed, 1)):
        return
    raise FileUnreadable(
        f"'{name}' in it unpacks to {size / 2**20:.0f} MiB, {size / max(packed, 1):.0f} times its "
        "size, as a bomb would",
        file=file,
        remedy="Unpack it yourself if you know what is in it.",
    )


def _unpacked(
    archive: zipfile.ZipFile, entry: zipfile.ZipInfo, file: str | Path
) -> tuple[bytes, bool]:
    """Unpack in pieces: what an archive says about its sizes need not be true."""
    pieces: list[bytes] = []
    total = 0
    try:
        with archive.open(entry) as stream:
            while piece := stream.read(_CHUNK):
                pieces.append(piece)
                total += len(piece)
                _hold_size(entry.filename, total, max(entry.compress_size, 1), file)
    except FileUnreadable:
        raise
    except (zipfile.BadZipFile, zlib.error, lzma.LZMAError, OSError, EOFError, ValueError):
        return b"".join(pieces), False
    except (NotImplementedError, RuntimeError) as error:
        raise FileUnreadable(
            f"'{entry.filename}' in it cannot be unpacked ({error})",
            file=file,
            remedy="Unpack it yourself.",
        ) from error
    return b"".join(pieces), True
