"""Sheets: a table of any kind as text in cells, under the row that names its columns.

The separator of a CSV file is the one under which most names are recognised, and so is the
sheet of a workbook and the row of it that holds the names.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.columns import ALL_COLUMNS, plain_name
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.workbook import Sheet, is_workbook, read_sheets

SEPARATORS: Final = (",", ";", "\t", "|")
#: Rows of a table beyond which reading it would take over a gigabyte of memory.
MAX_ROWS: Final = 400_000
_HEADER_BYTES: Final = 65_536
#: Rows of a sheet among which the header is looked for: people put titles above it.
_HEADER_ROWS: Final = 10


@dataclass(frozen=True)
class Grid:
    """A table as text: its header, its rows, and the row of the file that each stands in."""

    header: list[str]
    rows: list[list[str]]
    numbers: list[int]
    separator: str
    notes: tuple[str, ...]


def read_header(source: Source) -> list[str] | None:
    """Return the names in the first row of a table, or None if the file is not text."""
    if is_workbook(source):
        best = _best_sheet(source, None)
        return best.header if best else []
    head, _ = as_utf8(source.data[:_HEADER_BYTES])
    text = head.decode("utf-8", errors="replace")
    if "\x00" in text or sum(ord(letter) < 9 for letter in text[:1000]):
        return None
    first = next((line for line in text.splitlines() if line.strip()), "")
    return _renamed(_split(first, separator_of(first)), source)


def _renamed(header: Sequence[str], source: Source) -> list[str]:
    """Return a header with the names that its columns were said to have."""
    if not source.columns:
        return list(header)
    return [source.columns.get(plain_name(name), name) for name in header]


def read_grid(source: Source, *, kind: str | None = None) -> Grid:
    """Read a table as text, row by row.

    Parameters
    ----------
    source : Source
        The file: CSV with any separator, or a workbook.
    kind : str, optional
        The table that is looked for among the sheets of a workbook; any, unless given.

    Returns
    -------
    Grid
        Rows without any text are passed over; cells are stripped. Rows keep the number that
        they have in a spreadsheet, where the header is row 1.

    Raises
    ------
    FileUnreadable
        If there is no row under the header, a cell is larger than any notebook, or there are
        more than `MAX_ROWS` rows.
    """
    if is_workbook(source):
        return _workbook_grid(source, kind)
    body, notes = as_utf8(source.data)
    text = body.decode("utf-8")
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = separator_of(first)
    _hold_rows(text.count("\n"), source)
    try:
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    except csv.Error as error:
        raise FileUnreadable(
            f"the table cannot be read ({error})",
            file=source.path,
            remedy="Look for a quotation mark that is opened and never closed.",
        ) from error
    filled = _filled(lines)
    if len(filled) < 2:
        raise _no_rows(source)
    return Grid(
        header=_renamed([name.strip("\ufeff") for name in filled[0][1]], source),
        rows=[cells for _, cells in filled[1:]],
        numbers=[number for number, _ in filled[1:]],
        separator=separator,
        notes=notes,
    )


def _hold_rows(rows: int, source: Source) -> None:
    if rows > MAX_ROWS:
        raise FileUnreadable(
            f"the table has {rows:,} rows, and at most {MAX_ROWS:,} are read",
            file=source.path,
            remedy="Split it, for instance by months, and import the pieces.",
        )


def _filled(lines: Sequence[Sequence[str]]) -> list[tuple[int, list[str]]]:
    """Number the rows from 1 and drop those without any text."""
    return [
        (number, [cell.strip() for cell in cells])
        for number, cells in enumerate(lines, start=1)
        if any(cell.strip() for cell in cells)
    ]


def _no_rows(source: Source) -> FileUnreadable:
    return FileUnreadable(
        "the table has no rows under its header", file=source.path, remedy="Fill it in first."
    )


@dataclass(frozen=True)
class _Found:
    """A header found in a sheet: how many names match, and what stands around it."""

    matched: int
    sheet: Sheet
    header: list[str]
    rows: list[tuple[int, list[str]]]
    above: int
    others: list[str]


def _best_sheet(source: Source, kind: str | None) -> _Found | None:
    """Find the sheet, and the row in it, with the most names of a table."""
    tables = [ALL_COLUMNS[kind]] if kind else list(ALL_COLUMNS.values())
    best: _Found | None = None
    sheets = read_sheets(source)
    for sheet in sheets:
        filled = _filled(sheet.rows)
        others = [other.name for other in sheets if other is not sheet]
        for place, (_, written) in enumerate(filled[:_HEADER_ROWS]):
            cells = _renamed(written, source)
            matched = max(len(columns.match(cells)[0]) for columns in tables)
            if best is None or matched > best.matched:
                best = _Found(matched, sheet, cells, filled[place + 1 :], place, others)
    return best


def _workbook_grid(source: Source, kind: str | None) -> Grid:
    best = _best_sheet(source, kind)
    if best is None or not best.rows:
        raise _no_rows(source)
    notes = [f"read from sheet '{best.sheet.name}'", *best.sheet.notes]
    if best.others:
        notes.append("sheets not read: " + ", ".join(best.others))
    if best.above:
        notes.append(f"{best.above} rows above the header were passed over")
    width = max(place + 1 for place, name in enumerate(best.header) if name)
    return Grid(
        header=best.header[:width],
        rows=[_cut(cells) for _, cells in best.rows],
        numbers=[number for number, _ in best.rows],
        separator="\t",
        notes=tuple(notes),
    )


def _cut(cells: list[str]) -> list[str]:
    """Drop blank cells at the end, which spreadsheets keep where there once was something."""
    width = max(place + 1 for place, cell in enumerate(cells) if cell)
    return cells[:width]


def separator_of(first: str) -> str:
    """Return the separator under which most names of a header are recognised."""

    def known(separator: str) -> tuple[int, int]:
        names = _split(first, separator)
        most = max(len(columns.match(names)[0]) for columns in ALL_COLUMNS.values())
        return most, len(names)

    return max(SEPARATORS, key=known)


def _split(line: str, separator: str) -> list[str]:
    try:
        return [name.strip() for name in next(csv.reader([line], delimiter=separator), [])]
    except csv.Error:
        return [line]
