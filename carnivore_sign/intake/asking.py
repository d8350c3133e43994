"""Asking: which column of a table is which, where the names do not tell.

A mapping says it beforehand, and a person at the terminal says it column by column; both give the
same: the written name and the column that is meant. A table is then read as if its first row had
those names.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from carnivore_sign.errors import InputError, UnknownKind
from carnivore_sign.intake.columns import ALL_COLUMNS, TableColumns, plain_name
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.sheets import read_header
from carnivore_sign.intake.source import Source, open_source


def require_columns(columns: Mapping[str, str] | None) -> dict[str, str]:
    """Return a mapping of written names, plain, to columns that some table has.

    Parameters
    ----------
    columns : mapping of str to str, optional
        Name as written in the first row, and the column that it is; a unit may stand in the
        latter, as in ``length_mm``.

    Raises
    ------
    InputError
        If no table has such a column.

    Examples
    --------
    >>> require_columns({"Spur Nr.": "sign", "L": "length_mm"})
    {'spur_nr': 'sign', 'l': 'length_mm'}
    """
    for written, column in (columns or {}).items():
        if not any(table.match([column])[0] for table in ALL_COLUMNS.values()):
            known = dict.fromkeys(name for table in ALL_COLUMNS.values() for name in table.names)
            raise InputError(
                f"'{written}' is said to be '{column}', and no table has that column",
                remedy=f"Use one of: {', '.join(known)}.",
            )
    return {plain_name(written): column for written, column in (columns or {}).items()}


def ask_columns(
    path: str | Path,
    *,
    kind: str | None = None,
    columns: Mapping[str, str] | None = None,
    ask: Callable[[str], str] = input,
) -> dict[str, str]:
    """Ask of each column of a table that is not recognised which one it is.

    Parameters
    ----------
    path : path-like
        The file.
    kind : str, optional
        ``sign``, ``prints``, ``clearings``, ``incidents`` or ``points``; recognised by the
        other columns, or asked, unless given.
    columns : mapping of str to str, optional
        What was said already, and is not asked.
    ask : callable
        Puts a question and returns the answer; that of the terminal, unless given.

    Returns
    -------
    dict of str to str
        For `columns` of `import_files`; nothing for a file that is no table.

    Raises
    ------
    FileUnreadable
        If there is no such file or it cannot be read.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> path = Path(tempfile.mkdtemp()) / "notes.csv"
    >>> row = {"sign": "A", "date": "2026-02-14", "time": "07:40", "far": "96 cm", "kind": "track"}
    >>> pd.DataFrame([row]).to_csv(path, index=False)
    >>> ask_columns(path, kind="sign", ask=lambda question: "stride")
    {'far': 'stride'}
    """
    source = replace(open_source(path), columns=require_columns(columns))
    header, kind = _header(source), kind or _kind(source, ask)
    if header is None or kind not in ALL_COLUMNS:
        return {}
    table = ALL_COLUMNS[kind]
    given: dict[str, str] = {}
    for place in table.match(header)[2]:
        written = header[place].strip()
        now = [given.get(name.strip(), name) for name in header]
        if written and written not in given:
            answer = _ask_one(source, written, table, now, ask)
            if answer:
                given[written] = answer
    return given


def _header(source: Source) -> list[str] | None:
    """Return the first row of a table; None of a file that is something else."""
    try:
        found = recognise(source)
    except UnknownKind:
        return read_header(source)
    return read_header(source) if found in ALL_COLUMNS else None


def _kind(source: Source, ask: Callable[[str], str]) -> str:
    """Recognise the table, or ask which it is."""
    try:
        return recognise(source)
    except UnknownKind:
        known = ", ".join(ALL_COLUMNS)
        question = f"{source.path.name}: which table is this ({known}; blank: none of them)? "
        while True:
            answer = plain_name(ask(question))
            if not answer or answer in ALL_COLUMNS:
                return answer


def _ask_one(
    source: Source, written: str, table: TableColumns, now: list[str], ask: Callable[[str], str]
) -> str:
    places = table.match(now)[0]
    free = [name for name in table.names if name not in places]
    likely = table.likely(written, now)
    guess = f" (perhaps '{likely}')" if likely else ""
    question = (
        f"{source.path.name}: which column is '{written}'{guess}? Free are {', '.join(free)}; "
        "blank: none of them. "
    )
    while True:
        answer = ask(question).strip()
        if not answer or set(table.match([answer])[0]) & set(free):
            return answer
