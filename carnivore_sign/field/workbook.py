"""Workbook: the field form written as an XLSForm, which form clients and converters read.

openpyxl writes it, an optional library (extra ``xlsx``).
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from carnivore_sign.errors import InputError
from carnivore_sign.field.form import form_sheets
from carnivore_sign.intake.optional import optional_library
from carnivore_sign.writing import write_whole

_WIDTHS: Final = {"label": 48, "hint": 48, "calculation": 40, "relevant": 30, "constraint": 30}
_WIDTH: Final = 18


def write_field_form(path: str | Path, *, transects: Sequence[str] = ()) -> Path:
    """Write the field form as an XLSForm.

    Parameters
    ----------
    path : path-like
        Where to, ending in .xlsx.
    transects : sequence of str
        Names to choose the transect from; without them its name is typed.

    Returns
    -------
    Path
        The workbook. What is filled in on it, `import_files` reads.

    Raises
    ------
    InputError
        If `path` does not end in .xlsx, or two transects have the same name.
    LibraryMissing
        If openpyxl is not installed.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     write_field_form(Path(folder) / "form.xlsx", transects=["MESA"]).name
    'form.xlsx'
    """
    target = Path(path)
    if target.suffix.lower() != ".xlsx":
        raise InputError("a form is a workbook, which ends in .xlsx", file=target)
    openpyxl = optional_library("openpyxl", file=target, purpose="write XLSX files")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, frame in form_sheets(transects=transects).items():
        sheet = book.create_sheet(name)
        for row in [list(frame.columns), *frame.to_numpy().tolist()]:
            sheet.append([cell or None for cell in row])
        for place, column in enumerate(frame.columns, start=1):
            top = sheet.cell(1, place)
            top.font = openpyxl.styles.Font(bold=True)
            sheet.column_dimensions[top.column_letter].width = _WIDTHS.get(column, _WIDTH)
        for cells in sheet.iter_rows():
            for cell in cells:
                cell.data_type = "n" if cell.value is None else "s"  # text, never a formula
        sheet.freeze_panes = "A2"
    body = io.BytesIO()
    book.save(body)
    return write_whole(target, body.getvalue())
