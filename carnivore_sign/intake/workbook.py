"""Workbook: the sheets of an XLSX file as text, cell by cell, within bounds.

openpyxl reads the file, an optional library (extra ``xlsx``). Nothing in a workbook is ever
computed: a formula counts by the value that the spreadsheet program left beside it, and one
without a value stays the text that it is. Dates come as the dates that they are in the
spreadsheet, in ISO 8601 and without a zone.
"""

from __future__ import annotations

import datetime
import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Final

import numpy as np

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.archives import ZIP_MAGIC, member_names, read_member
from carnivore_sign.intake.optional import optional_library
from carnivore_sign.intake.source import Source

#: Most cells that a sheet may have, empty ones in between included.
MAX_CELLS: Final = 2_000_000
_REMEDY: Final = "Save the table as CSV."
_PARTS: Final = (".xml", ".rels")


@dataclass(frozen=True)
class Sheet:
    """One sheet as text: its name, its rows, and what there is to tell about it."""

    name: str
    rows: list[list[str]]
    notes: tuple[str, ...] = ()


def is_workbook(source: Source) -> bool:
    """Tell whether content is a workbook in XLSX."""
    if not source.data.startswith(ZIP_MAGIC):
        return False
    names = member_names(source.data, source.path)
    return "[Content_Types].xml" in names and any(name.startswith("xl/") for name in names)


def read_sheets(source: Source) -> list[Sheet]:
    """Read every sheet of a workbook.

    Returns
    -------
    list of Sheet
        In the order of the workbook; rows as they stand, the first one being row 1.

    Raises
    ------
    LibraryMissing
        If openpyxl is not installed.
    FileUnreadable
        If it is damaged, declares XML entities, or is larger than the limits allow.
    """
    openpyxl = optional_library("openpyxl", file=source.path, purpose="read XLSX files")
    has_formulas = _hold_bounds(source)
    values, notes = _load(openpyxl, source, data_only=True)
    formulas, _ = _load(openpyxl, source, data_only=False) if has_formulas else ({}, {})
    sheets = []
    for name, rows in values.items():
        bare = _fill_formulas(rows, formulas.get(name, []))
        told = [f"{bare} formulas have no value; they were taken as text"] if bare else []
        texts = [[_text(*cell) for cell in row] for row in rows]
        sheets.append(Sheet(name, texts, (*notes.get(name, ()), *told)))
    return sheets


def _hold_bounds(source: Source) -> bool:
    """Unpack every part within bounds and look for entities; tell whether there are formulas."""
    formulas = False
    for name in member_names(source.data, source.path):
        if not name.endswith(_PARTS):
            continue
        part = read_member(source.data, name, source.path).data
        if b"<!DOCTYPE" in part or b"<!ENTITY" in part:
            raise FileUnreadable(
                "it declares XML entities, which no workbook needs and which can harm",
                file=source.path,
                remedy=_REMEDY,
            )
        formulas = formulas or (name.startswith("xl/worksheets/") and b"<f" in part)
    return formulas


def _load(
    openpyxl: ModuleType, source: Source, *, data_only: bool
) -> tuple[dict[str, list[Any]], dict[str, list[str]]]:
    """Read the cells of every sheet as pairs of value and number format; with notes."""
    sheets: dict[str, list[Any]] = {}
    notes: dict[str, list[str]] = {}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and validations that are not read
            book = openpyxl.load_workbook(
                io.BytesIO(source.data), read_only=True, data_only=data_only, keep_links=False
            )
            for sheet in book.worksheets:
                rows: list[Any] = []
                problem = _read_rows(sheet, rows, source)
                sheets[sheet.title] = rows
                if problem:
                    told = f"the sheet is damaged behind row {len(rows)} ({problem})"
                    notes[sheet.title] = [told + "; the rows before it were read"]
            book.close()
    except FileUnreadable:
        raise
    # Damaged workbooks make the library fail in ways that it does not document.
    except Exception as error:
        raise FileUnreadable(
            f"the workbook cannot be read ({type(error).__name__}: {error})",
            file=source.path,
            remedy=_REMEDY,
        ) from error
    return sheets, notes


def _read_rows(sheet: Any, rows: list[Any], source: Source) -> str | None:
    """Append the rows of a sheet; return why it could not be read to its end, if so."""
    cells = 0
    try:
        sheet.reset_dimensions()  # what a sheet says about its size need not be true
        for row in sheet.iter_rows():
            cells += len(row) + 1
            if cells > MAX_CELLS:
                raise FileUnreadable(
                    f"sheet '{sheet.title}' has more than {MAX_CELLS} cells",
                    file=source.path,
                    remedy="Look for a stray cell far below or to the right, or save it as CSV.",
                )
            rows.append([(cell.value, getattr(cell, "number_format", "") or "") for cell in row])
    except FileUnreadable:
        raise
    except Exception as error:  # as above
        return f"{type(error).__name__}: {error}"
    return None


def _fill_formulas(rows: list[Any], formulas: list[Any]) -> int:
    """Put formulas that have no value in the place of it, as text; return how many."""
    bare = 0
    for row, written in zip(rows, formulas, strict=False):
        for place, (cell, formula) in enumerate(zip(row, written, strict=False)):
            text = getattr(formula[0], "text", formula[0])
            if cell[0] is None and isinstance(text, str) and text.startswith("="):
                row[place] = (text, "")
                bare += 1
    return bare


def _text(value: object, number_format: str) -> str:
    """Write the value of a cell as text, as the notebook tables are read.

    Examples
    --------
    >>> import datetime
    >>> _text(datetime.datetime(2026, 2, 14), "yyyy-mm-dd"), _text(datetime.time(7, 40), "h:mm")
    ('2026-02-14', '07:40:00')
    >>> _text(0.1 + 0.2, "General"), _text(3.0, "0"), _text(None, "")
    ('0.3', '3', '')
    """
    for kind, write in _WRITERS.items():
        if isinstance(value, kind):
            return write(value, number_format)
    return "" if value is None else str(value)


def _moment_text(value: datetime.datetime, number_format: str) -> str:
    moment = _to_ms(value)
    if moment.time() == datetime.time() and not set(number_format.lower()) & set("hs"):
        return moment.date().isoformat()
    return moment.isoformat(timespec="milliseconds").removesuffix(".000")


def _clock_text(value: datetime.time, _: str) -> str:
    moment = _to_ms(datetime.datetime.combine(datetime.date(2000, 1, 1), value))
    return moment.time().isoformat(timespec="milliseconds").removesuffix(".000")


#: How each kind of value is written; numbers with the 15 digits that a spreadsheet keeps.
_WRITERS: Final[dict[type, Callable[[Any, str], str]]] = {
    bool: lambda value, _: "yes" if value else "no",
    float: lambda value, _: np.format_float_positional(float(f"{value:.15g}"), trim="-"),
    datetime.datetime: _moment_text,
    datetime.time: _clock_text,
    datetime.timedelta: lambda value, _: f"{value.total_seconds() / 3600:.15g} h",
}


def _to_ms(moment: datetime.datetime) -> datetime.datetime:
    """Round to milliseconds: a spreadsheet keeps times as fractions of a day."""
    over = datetime.timedelta(microseconds=moment.microsecond % 1000)
    up = datetime.timedelta(milliseconds=int(over.microseconds >= 500))
    return moment - over + up
