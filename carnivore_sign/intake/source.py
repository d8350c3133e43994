"""Source: the bytes of a field file, hashed, unpacked within bounds, and turned to UTF-8.

Everything that a reader needs to know about the file itself is settled here, before any of
it is interpreted: that it exists and is not empty, the hash by which a second import is
recognised, gzip and bzip2 unpacked with a limit on size, and the encoding of text.
"""

from __future__ import annotations

import bz2
import codecs
import hashlib
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from carnivore_sign.errors import FileUnreadable

#: Largest file that is read, and largest size to which a packed one may unpack, in bytes. With
#: these, and at most a million points, no file takes more than a gibibyte of memory.
MAX_FILE_BYTES: Final = 160 * 2**20
MAX_UNPACKED_BYTES: Final = 128 * 2**20

_GZIP: Final = b"\x1f\x8b"
_BZIP2: Final = re.compile(rb"BZh[1-9]1AY&SY")
_CHUNK: Final = 2**14
#: What a file that is empty may hold, and the bytes that mostly tell that it is not.
_BLANK: Final = b" \t\r\n\x00"
_HEAD: Final = 1024
_SHAPEFILE: Final = b"\x00\x00\x27\x0a"
_SHAPEFILE_PARTS: Final = (".dbf", ".shx", ".prj", ".cpg")
_UTF_8: Final = re.compile(r"utf_?8|us_ascii|ascii|utf_8_sig")
#: Encodings of text that a declaration may ask for; anything else is guessed.
_KNOWN_ENCODING: Final = re.compile(
    r"utf_?(8|16)(_?[bl]e)?|us_ascii|ascii|(iso_?)?8859_\d+|iso8859_\d+|latin_?\d|l1"
    r"|windows_125\d|cp\d{3,4}|koi8_[ru]|mac_\w+|shift_?jis|euc_(jp|kr)|gb(k|2312|18030)|big5"
)
_DECLARED: Final = re.compile(rb"""<\?xml[^>]*?encoding\s*=\s*["']([A-Za-z0-9._:-]+)["'][^>]*\?>""")
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True)
class Source:
    """One file as it lies on the disk.

    Attributes
    ----------
    path : Path
        Where it is.
    sha256 : str
        Hash of the file as it is; for a shapefile, of the files that make it up.
    data : bytes
        Its content, unpacked if it was packed.
    notes : tuple of str
        What was done to get at the content.
    columns : mapping of str to str
        Names of the first row of a table, plain, and the columns that they were said to be.
    """

    path: Path
    sha256: str
    data: bytes
    notes: tuple[str, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)

    @property
    def receipt(self) -> str:
        """Name of the receipt: the first 12 digits of the hash."""
        return self.sha256[:12]


def open_source(path: str | Path) -> Source:
    """Read a file whole, hash it, and unpack it if it is packed.

    Raises
    ------
    FileUnreadable
        If it is missing, empty, a folder, too large, or packed beyond the limit.
    """
    path = Path(path)
    raw = _read_bytes(path)
    digest = hashlib.sha256(raw)
    if raw.startswith(_SHAPEFILE):
        for part in _shapefile_parts(path):
            digest.update(part.read_bytes())
    data, notes = _unpack(raw, path)
    if not data[:_HEAD].strip(_BLANK) and not data.strip(_BLANK):
        raise FileUnreadable(
            "the file is empty", file=path, remedy="Copy it from the device once more."
        )
    return Source(path, digest.hexdigest(), data, notes)


def _read_bytes(path: Path) -> bytes:
    if path.is_dir():
        raise FileUnreadable(
            "this is a folder", file=path, remedy="Name the files in it, for instance with *.gpx."
        )
    try:
        size = path.stat().st_size
        if size > MAX_FILE_BYTES:
            raise FileUnreadable(
                f"the file has {size / 2**20:.0f} MiB, and at most "
                f"{MAX_FILE_BYTES / 2**20:.0f} MiB are read",
                file=path,
                remedy="Split it, or look whether it is what you meant.",
            )
        return path.read_bytes()
    except FileNotFoundError as error:
        raise FileUnreadable(
            "there is no such file", file=path, remedy="Check the folder and the spelling."
        ) from error
    except OSError as error:
        raise FileUnreadable(
            f"the file cannot be read ({error.strerror})",
            file=path,
            remedy="Check that you may read it and that the card or disk is connected.",
        ) from error


def _shapefile_parts(path: Path) -> list[Path]:
    beside = (path.with_suffix(ending) for ending in _SHAPEFILE_PARTS)
    return [part for part in beside if part.is_file()]


def _unpack(raw: bytes, path: Path) -> tuple[bytes, tuple[str, ...]]:
    unpacker: zlib._Decompress | bz2.BZ2Decompressor
    if raw.startswith(_GZIP):
        kind, unpacker = "gzip", zlib.decompressobj(wbits=31)
    elif _BZIP2.match(raw):
        kind, unpacker = "bzip2", bz2.BZ2Decompressor()
    else:
        return raw, ()
    data, whole = _unpack_within_limit(raw, unpacker, path)
    notes = [f"unpacked from {kind}"]
    if not whole:
        notes.append(f"the {kind} file is cut short or damaged; what could be unpacked was read")
    return data, tuple(notes)


def _unpack_within_limit(
    raw: bytes, unpacker: zlib._Decompress | bz2.BZ2Decompressor, path: Path
) -> tuple[bytes, bool]:
    """Unpack in pieces, so that neither a bomb nor a damaged end costs more than its limit."""
    pieces: list[bytes] = []
    total = 0
    try:
        for start in range(0, len(raw), _CHUNK):
            piece = unpacker.decompress(raw[start : start + _CHUNK], MAX_UNPACKED_BYTES + 1)
            pieces.append(piece)
            total += len(piece)
            if total > MAX_UNPACKED_BYTES:
                raise FileUnreadable(
                    f"it unpacks to more than {MAX_UNPACKED_BYTES / 2**20:.0f} MiB",
                    file=path,
                    remedy="Unpack it yourself if you know what is in it.",
                )
            if unpacker.eof:
                whole = not unpacker.unused_data and start + _CHUNK >= len(raw)
                return b"".join(pieces), whole
    except (zlib.error, OSError, EOFError):
        pass
    return b"".join(pieces), False


def as_utf8(data: bytes, *, fallback: str = "cp1252") -> tuple[bytes, tuple[str, ...]]:
    r"""Turn text in the encoding that it has, or says it has, into UTF-8 without a mark.

    Parameters
    ----------
    data : bytes
        The text. A byte order mark is believed first, then an XML declaration, then UTF-8.
    fallback : str
        Encoding that is used if the bytes are not what they claim to be.

    Returns
    -------
    utf8 : bytes
        The text.
    notes : tuple of str
        What was assumed, if anything was.

    Examples
    --------
    >>> as_utf8("Mu\xf1oz".encode("latin-1"))[0].decode()
    'Muñoz'
    """
    encoding, start = _stated_encoding(data)
    if encoding is None:
        encoding = "utf-8"
    name = encoding.lower().replace("-", "_")
    known = _KNOWN_ENCODING.fullmatch(name) is not None
    if known and _UTF_8.fullmatch(name):
        body = data[start:] if start else data
        if _is_utf8(body):
            return body, ()
    elif known:
        try:
            return data[start:].decode(encoding).encode("utf-8"), ()
        except (LookupError, UnicodeDecodeError):
            pass
    elif _is_utf8(data):
        return data, (f"the encoding '{encoding}' is unknown; it was read as UTF-8",)
    used = encoding if "16" in name else fallback
    text = data[start:].decode(used, errors="replace")
    return text.encode("utf-8"), (f"the text is not whole {encoding}; it was read as {used}",)


def _stated_encoding(data: bytes) -> tuple[str | None, int]:
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return encoding, len(mark)
    if data[:4] == b"<\x00?\x00":
        return "utf-16-le", 0
    if data[:4] == b"\x00<\x00?":
        return "utf-16-be", 0
    declared = _DECLARED.search(data[:400])
    if declared is None:
        return None, 0
    encoding = declared[1].decode("ascii")
    # Bytes that can be read this far have no second byte per letter, whatever they say.
    return ("utf-8" if encoding.lower().startswith("utf-16") else encoding), 0


def _is_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True
