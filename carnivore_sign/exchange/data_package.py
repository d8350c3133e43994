"""Data package: tables as CSV, with a dictionary of their columns that programs read.

``datapackage.json`` says of each column what it means, its kind, and which words or range it may
hold, from the one place where columns are defined. Text that a spreadsheet would run as a formula
has an apostrophe in front, which `read_package` takes away again.

Source: Frictionless Data, Data Package and Table Schema v1; RFC 4180.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd

from carnivore_sign.errors import FileUnreadable, TableFaults
from carnivore_sign.intake.star_archive import split_cells
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import FAULT_COLUMNS, split_faults
from carnivore_sign.records.plain_text import neutralise, read_words, restore, write_words
from carnivore_sign.records.schema import Column, Table
from carnivore_sign.records.tables import TABLES
from carnivore_sign.writing import write_whole

DICTIONARY: Final = "datapackage.json"
_TYPES: Final = {
    "text": "string",
    "integer": "integer",
    "number": "number",
    "probability": "number",
    "time": "datetime",
}
_GEOMETRY: Final = {
    "name": "geometry",
    "type": "string",
    "description": "place as well-known text, longitude and latitude in degrees on WGS84",
}
_GUARDED: Final = (
    "Text that a spreadsheet would run as a formula (it begins with = + - @, a tab or a line "
    "break) has an apostrophe in front; text that began so has one more."
)


def write_package(
    folder: str | Path,
    tables: Mapping[str, tuple[Table, pd.DataFrame]],
    *,
    title: str,
    about: str = "",
    made_on: dt.date | None = None,
    show_progress: bool = False,
) -> dict[str, Path]:
    """Write tables as CSV with a dictionary of their columns.

    Parameters
    ----------
    folder : path-like
        Where to; made if it is not there, and files of the same names are replaced.
    tables : mapping of str to (Table, DataFrame)
        The tables by name, each with its schema.
    title : str
        Title of the package.
    about : str
        What there is to know of it, such as what was done to places.
    made_on : date, optional
        Date that it bears; today, unless given.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    dict of str to Path
        What was written, by what it is.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.records.check import conform
    >>> from carnivore_sign.records.tables import CLEARINGS
    >>> rain = conform(pd.DataFrame({"cause": ["rain"], "transects": ["all"], "receipt": ["r"],
    ...     "time": ["2026-02-01T06:00Z"]}), CLEARINGS)
    >>> folder = tempfile.mkdtemp()
    >>> _ = write_package(folder, {"clearings": (CLEARINGS, rain)}, title="March")
    >>> read_package(folder)["clearings"]["cause"].tolist()
    ['rain']

    >>> import tempfile
    >>> from carnivore_sign.example import example_season
    >>> from carnivore_sign.records.tables import PARCELS
    >>> folder = Path(tempfile.mkdtemp())
    >>> tables = {"parcels": (PARCELS, example_season().read("parcels"))}
    >>> [path.name for path in write_package(folder, tables, title="Pastures").values()][:1]
    ['parcels.csv']
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    written: dict[str, Path] = {}
    for name in with_progress(list(tables), "tables", show=show_progress):
        table, frame = tables[name]
        text = _guarded(write_words(frame, table), table)
        body = text.to_csv(index=False, lineterminator="\r\n")
        written[f"table {name}"] = write_whole(
            folder / f"{name}.csv", body.encode("utf-8", errors="replace")
        )
    said = {
        "profile": "tabular-data-package",
        "name": "carnivore-sign",
        "title": title,
        "description": " ".join(filter(None, (about, _GUARDED))),
        "created": f"{made_on or dt.datetime.now(dt.UTC).date()}T00:00:00Z",
        "resources": [resource_of(name, table) for name, (table, _) in tables.items()],
    }
    path = folder / DICTIONARY
    body = json.dumps(said, indent=2, ensure_ascii=False)
    written["column dictionary"] = write_whole(path, body.encode("utf-8"))
    return written


def _guarded(words: pd.DataFrame, table: Table) -> pd.DataFrame:
    texts = [column.name for column in table.columns if column.kind == "text"]
    return words.assign(**{name: neutralise(words[name]) for name in texts})


def resource_of(name: str, table: Table) -> dict[str, Any]:
    """Return what the dictionary says of a table.

    Examples
    --------
    >>> from carnivore_sign.records.tables import CLEARINGS
    >>> fields = resource_of("clearings", CLEARINGS)["schema"]["fields"]
    >>> fields[2]["name"], fields[2]["constraints"]["enum"][:2]
    ('cause', ['rain', 'snow'])
    """
    fields = [_field(column) for column in table.columns]
    if table.geometry is not None:
        fields.append(dict(_GEOMETRY))
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if table.key:
        schema["primaryKey"] = list(table.key)
    return {
        "profile": "tabular-data-resource",
        "name": name,
        "title": table.row,
        "path": f"{name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "quoteChar": '"', "doubleQuote": True, "header": True},
        "schema": schema,
    }


def _field(column: Column) -> dict[str, Any]:
    low, high = (0, 1) if column.kind == "probability" else (column.at_least, column.at_most)
    bounds = {
        "required": column.required or None,
        "enum": list(column.words) or None,
        "minimum": low,
        "maximum": high,
    }
    held = {name: bound for name, bound in bounds.items() if bound is not None}
    said: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES[column.kind],
        "description": column.meaning,
    }
    return said | ({"constraints": held} if held else {})


def read_package(folder: str | Path) -> dict[str, pd.DataFrame]:
    """Read the tables that `write_package` wrote.

    Parameters
    ----------
    folder : path-like
        The folder with ``datapackage.json``.

    Returns
    -------
    dict of str to DataFrame
        The tables that the library knows, by name, each conformed to its schema; those of units
        that were generalised are left out.

    Raises
    ------
    FileUnreadable
        If the dictionary or a table is missing or damaged.
    TableFaults
        If a table breaks its schema; every fault is listed.

    Examples
    --------
    See `write_package`.

    >>> import tempfile
    >>> from carnivore_sign.example import example_season
    >>> from carnivore_sign.records.tables import PARCELS
    >>> folder = Path(tempfile.mkdtemp())
    >>> tables = {"parcels": (PARCELS, example_season().read("parcels"))}
    >>> _ = write_package(folder, tables, title="Pastures")
    >>> len(read_package(folder)["parcels"])
    4
    """
    folder = Path(folder)
    said = json.loads(_text(folder / DICTIONARY))
    names = [str(one["name"]) for one in said.get("resources", [])]
    return {name: _read(folder / f"{name}.csv", TABLES[name]) for name in names if name in TABLES}


def _text(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise FileUnreadable(
            "there is no such file", file=path, remedy="Export the tables once more."
        ) from error
    except UnicodeDecodeError as error:
        raise FileUnreadable(
            "it is not in UTF-8", file=path, remedy="Save it as CSV in UTF-8."
        ) from error


def _read(path: Path, table: Table) -> pd.DataFrame:
    text = _text(path)
    header = next(csv.reader(io.StringIO(text, newline="")), [])
    cells, broken = split_cells(text, len(header), skipped=1)
    if broken or not header:
        number, reason, _ = broken[0] if broken else (1, "there is no header", "")
        raise FileUnreadable(reason, file=path, row=number, remedy="Look for a comma in a text.")
    words = cells.rename(columns=dict(enumerate(header)))
    texts = [c.name for c in table.columns if c.kind == "text" and c.name in words]
    words = words.assign(**{name: restore(words[name]) for name in texts})
    read, wrong = read_words(words, table)
    kept, faults = split_faults(read, table)
    if len(wrong):
        more = wrong.assign(column="", value=None)[FAULT_COLUMNS]
        faults = pd.concat([faults, more], ignore_index=True)
    if len(faults):
        raise TableFaults(table.name, faults, file=str(path))
    return kept
