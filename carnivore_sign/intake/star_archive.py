"""Star archive: the files of a Darwin Core Archive as text in cells, under their terms.

What ``meta.xml`` says of encoding, separators, quotes and header is believed, and told where it
turns out wrong. A file that is named there and missing is told; without the core nothing is read.

Source: Darwin Core text guide (TDWG): attributes of core and extension, and their defaults.
"""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import PurePosixPath
from typing import Any, Final

import pandas as pd
from lxml import etree

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.archives import ZIP_MAGIC, member_names, read_member
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.records.darwin_core import short_of

META: Final = "meta.xml"
_OURS: Final = "own:"
#: Column of a file that names the row of the core, and that of the row's number in its file.
ID: Final = "id"
ROW: Final = "row"
_ESCAPES: Final = {"\\t": "\t", "\\n": "\n", "\\r": "\r", "\\\\": "\\"}
_SHOWN: Final = 10


@dataclass(frozen=True, eq=False)
class StarTable:
    """One file of an archive.

    Attributes
    ----------
    file : str
        Its name in the archive.
    row_type : str
        What a row is, as a term in short; the address where the term is of no list we know.
    cells : DataFrame of str
        `ID`, `ROW` (number in the file, as a spreadsheet counts) and a column per term in short.
    broken : tuple of (int, str, str)
        Rows that are none: number, why, and the row as it came.
    """

    file: str
    row_type: str
    cells: pd.DataFrame
    broken: tuple[tuple[int, str, str], ...] = ()


@dataclass(frozen=True, eq=False)
class Star:
    """An archive.

    Attributes
    ----------
    core : StarTable
        Its core.
    extensions : tuple of StarTable
        Its extensions, without those of our own row types.
    own : tuple of callable
        What reads each file of our own row types, which may be large, when it is called; notes
        go into the list that it is given.
    notes : tuple of str
        What there is to tell.
    """

    core: StarTable
    extensions: tuple[StarTable, ...]
    own: tuple[Callable[[list[str]], StarTable], ...]
    notes: tuple[str, ...]

    def tables(self, row_type: str) -> list[StarTable]:
        """Return the files of a row type."""
        return [one for one in (self.core, *self.extensions) if one.row_type == row_type]


def is_star(source: Source) -> bool:
    """Tell whether content is a zip archive with a ``meta.xml`` of Darwin Core in it."""
    if not source.data.startswith(ZIP_MAGIC):
        return False
    name = _meta_name(member_names(source.data, source.path))
    if name is None:
        return False
    return b"rs.tdwg.org/dwc/text" in read_member(source.data, name, source.path).data


def _meta_name(names: list[str]) -> str | None:
    """Return the ``meta.xml`` that lies highest."""
    found = [name for name in names if PurePosixPath(name).name.lower() == META]
    return min(found, key=lambda name: name.count("/"), default=None)


def read_star(source: Source) -> Star:
    """Read the files of an archive.

    Raises
    ------
    FileUnreadable
        If ``meta.xml`` is missing or damaged, declares entities, names no core, or the core file
        is missing.
    """
    names = member_names(source.data, source.path)
    meta = _meta_name(names)
    if meta is None:
        raise FileUnreadable(f"it has no {META}", file=source.path, remedy="Export it once more.")
    root = _parsed(read_member(source.data, meta, source.path).data, source)
    folder = meta[: -len(PurePosixPath(meta).name)]
    notes: list[str] = []
    core: StarTable | None = None
    extensions = []
    own: list[Callable[[list[str]], StarTable]] = []
    for part in root:
        tag = etree.QName(part).localname if isinstance(part.tag, str) else ""
        if tag not in ("core", "extension"):
            continue
        if tag == "extension" and short_of(part.get("rowType") or "").startswith(_OURS):
            there = _files_there(part, folder, names, notes)
            own += [partial(_read_file, part, folder, name, source) for name in there]
            continue
        found = _read_part(part, source, folder, names, notes)
        if tag == "core":
            core = found
        elif found is not None:
            extensions.append(found)
    if core is None:
        told = "; ".join(notes) or f"{META} names no core"
        raise FileUnreadable(
            f"the core of the archive is missing ({told})",
            file=source.path,
            remedy="Export it once more; without its core an archive says nothing.",
        )
    return Star(core, tuple(extensions), tuple(own), tuple(notes))


def _parsed(data: bytes, source: Source) -> etree._Element:
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)
    try:
        root = etree.fromstring(data, parser)
    except etree.XMLSyntaxError as error:
        raise FileUnreadable(
            f"its {META} is damaged ({error.msg})", file=source.path, remedy="Export it once more."
        ) from error
    if root.getroottree().docinfo.doctype:
        raise FileUnreadable(
            f"its {META} declares a document type, which no archive needs",
            file=source.path,
            remedy="Export it once more.",
        )
    return root


def _read_part(
    part: etree._Element, source: Source, folder: str, names: list[str], notes: list[str]
) -> StarTable | None:
    """Read the files of one part of the archive, one behind the other."""
    there = _files_there(part, folder, names, notes)
    parts = [_read_file(part, folder, name, source, notes) for name in there]
    if not parts:
        return None
    cells = pd.concat([one.cells for one in parts], ignore_index=True)
    if len(parts) > 1:
        cells[ROW] = range(1, len(cells) + 1)
        notes.append(f"rows of {', '.join(there)} are counted through")
    broken = tuple(row for one in parts for row in one.broken)
    return StarTable(", ".join(there), parts[0].row_type, cells, broken)


def _files_there(
    part: etree._Element, folder: str, names: list[str], notes: list[str]
) -> list[str]:
    """List the files of a part of the archive that are there, and tell of the others."""
    files = [
        (one.text or "").strip() for one in part.iter() if _local(one) == "location" and one.text
    ]
    there = [name for name in files if folder + name in names]
    for name in sorted(set(files) - set(there)):
        notes.append(f"'{name}' is named in {META} and missing in the archive")
    return there


def _local(element: Any) -> str:
    return etree.QName(element).localname if isinstance(element.tag, str) else ""


def _read_file(
    part: etree._Element, folder: str, name: str, source: Source, notes: list[str]
) -> StarTable:
    member = read_member(source.data, folder + name, source.path)
    notes += [note for note in member.notes if "was read from" not in note]
    text = _decoded(member.data, part.get("encoding") or "UTF-8", name, notes)
    separator, quote = _marks(part, text)
    skipped = _whole(part.get("ignoreHeaderLines"), 0)
    places, constants = _terms(part, notes, name)
    width = max(places.values(), default=-1) + 1
    cells, broken = split_cells(text, width, separator=separator, quote=quote, skipped=skipped)
    columns = {term: cells[place] for term, place in places.items()}
    frame = pd.DataFrame({ROW: cells[ROW], **columns}, dtype="object")
    for term, value in constants.items():
        frame[term] = frame[term].where(frame[term].ne(""), value) if term in frame else value
    if ID not in frame:
        frame[ID] = ""
    return StarTable(name, short_of(part.get("rowType") or ""), frame, tuple(broken))


def _decoded(data: bytes, stated: str, name: str, notes: list[str]) -> str:
    """Decode a file as it is said to be encoded, or else as it is."""
    try:
        return data.decode(stated).removeprefix("\ufeff")
    except (LookupError, UnicodeDecodeError):
        utf8, told = as_utf8(data)
        notes.append(f"'{name}' is not {stated}, as {META} says" + "".join(f"; {t}" for t in told))
        return utf8.decode("utf-8")


def _marks(part: etree._Element, text: str) -> tuple[str, str]:
    """Return the separator and the quotation mark of a file."""
    separator = _unescaped(part.get("fieldsTerminatedBy"), ",")
    quote = _unescaped(part.get("fieldsEnclosedBy"), '"')
    if separator.isspace() and "\t" in text.partition("\n")[0]:
        separator = "\t"  # a tab that stands in an attribute is read as a space (XML)
    return separator[:1] or ",", quote[:1]


def _unescaped(mark: str | None, default: str) -> str:
    if mark is None:
        return default
    for written, meant in _ESCAPES.items():
        mark = mark.replace(written, meant)
    return mark


def _whole(text: str | None, default: int) -> int:
    return int(text) if text is not None and text.strip().isdigit() else default


def _terms(
    part: etree._Element, notes: list[str], name: str
) -> tuple[dict[str, int], dict[str, str]]:
    """Return the place of each term in a row, and the values that hold for every row."""
    places: dict[str, int] = {}
    constants: dict[str, str] = {}
    for field in part:
        tag = _local(field)
        place = _whole(field.get("index"), -1)
        if tag in ("id", "coreid"):
            places[ID] = max(place, 0)
        elif tag == "field":
            term = short_of(field.get("term") or "")
            if term in places:
                notes.append(f"'{name}' has the term {term} twice; the first was read")
                continue
            if place >= 0:
                places[term] = place
            if field.get("default") is not None:
                constants[term] = field.get("default") or ""
    return places, constants


def split_cells(
    text: str, width: int, *, separator: str = ",", quote: str = '"', skipped: int = 0
) -> tuple[pd.DataFrame, list[tuple[int, str, str]]]:
    r"""Part a text into cells; rows with more cells than there are columns are told apart.

    Parameters
    ----------
    text : str
        The text.
    width : int
        Cells of a row; a row with fewer is filled with blanks.
    separator, quote : str
        What stands between cells, and around those with a separator in them, if anything does.
    skipped : int
        Rows at the beginning that are passed over.

    Returns
    -------
    cells : DataFrame of str
        Columns 0 to `width` - 1, and `ROW`; rows without any text are left out.
    broken : list of (int, str, str)
        Rows with more cells: number, why, and the row as it came.

    Examples
    --------
    >>> cells, broken = split_cells("S1,track\nS2,scat,fox\n", 2)
    >>> cells[[0, 1]].values.tolist(), broken[0][0]
    ([['S1', 'track']], 2)
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            cells = pd.read_csv(
                io.StringIO(text, newline=""),
                sep=separator,
                header=None,
                names=range(width),
                index_col=False,
                dtype=str,
                keep_default_na=False,
                skip_blank_lines=False,
                quotechar=quote or '"',
                quoting=csv.QUOTE_MINIMAL if quote else csv.QUOTE_NONE,
            ).astype("object")
    except (pd.errors.ParserError, pd.errors.EmptyDataError, Warning, ValueError):
        return _split_slowly(text, separator, quote, skipped, width)
    cells = cells.iloc[skipped:].fillna("")
    cells[ROW] = cells.index + 1
    filled = cells[list(range(width))].ne("").any(axis=1)
    return cells.loc[filled].reset_index(drop=True), []


def _split_slowly(
    text: str, separator: str, quote: str, skipped: int, width: int
) -> tuple[pd.DataFrame, list[tuple[int, str, str]]]:
    lines = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=separator,
        quotechar=quote or None,
        quoting=csv.QUOTE_MINIMAL if quote else csv.QUOTE_NONE,
    )
    rows, numbers, broken = [], [], []
    for number, line in enumerate(lines, start=1):
        if number <= skipped or not any(line):
            continue
        if any(line[width:]):
            told = f"{len(line)} cells, and there are {width} columns: a separator in a text?"
            broken.append((number, told, separator.join(line)))
            continue
        rows.append([*line[:width], *[""] * (width - len(line))])
        numbers.append(number)
    cells = pd.DataFrame(rows, columns=range(width), dtype="object")
    cells[ROW] = numbers
    return cells, broken
