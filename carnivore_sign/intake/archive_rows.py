"""Archive rows: rows of an archive held against their tables, and what becomes of each."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from carnivore_sign.intake.reading import csv_line, rows_set_aside, sort_rows
from carnivore_sign.intake.star_archive import ID, ROW, StarTable
from carnivore_sign.records.check import conform, empty, split_faults
from carnivore_sign.records.plain_text import read_words
from carnivore_sign.records.tables import SEASON_TABLES, Table


@dataclass(eq=False)
class Sorted:
    """What an archive has given so far.

    Attributes
    ----------
    receipt : str
        Receipt of the archive.
    notes : list of str
        What there is to tell.
    tables : dict of str to DataFrame
        The rows kept.
    rows_in : dict of str to int
        The rows read.
    aside : list of DataFrame
        The rows set aside.
    joined : int
        Measurements that became cells of other rows.
    computed : list of str
        What was passed over because it is computed anew, with its number.
    """

    receipt: str
    notes: list[str]
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    rows_in: dict[str, int] = field(default_factory=dict)
    aside: list[pd.DataFrame] = field(default_factory=list)
    joined: int = 0
    computed: list[str] = field(default_factory=list)

    def keep(self, table: Table, rows: pd.DataFrame, came: int) -> None:
        """Keep rows of a table, of so many that came."""
        there = self.tables.get(table.name)
        joined = rows if there is None or not len(there) else pd.concat([there, rows])
        self.tables[table.name] = joined.reset_index(drop=True)
        self.rows_in[table.name] = self.rows_in.get(table.name, 0) + came

    def passed(self, what: str, count: int) -> None:
        """Note rows that are computed anew, and were passed over."""
        if count:
            self.computed.append(f"{count} {what}")

    def tell_the_rest(self) -> None:
        """Tell of rows that became cells of others, and of those that were passed over."""
        if self.joined:
            self.notes.append(f"{self.joined} measurements were read as columns of other rows")
        if self.computed:
            told = ", ".join(self.computed)
            self.notes.append(f"passed over, for they are computed anew from the record: {told}")


def leave(
    found: Sorted,
    table: str,
    numbers: Sequence[int],
    reasons: Sequence[str],
    contents: Sequence[str | None],
) -> None:
    """Set rows aside under a table, and count them as come."""
    found.aside.append(
        rows_set_aside(found.receipt, table, rows=numbers, reasons=reasons, contents=contents)
    )
    found.keep(SEASON_TABLES[table], empty(SEASON_TABLES[table]), len(numbers))


def written_rows(rows: pd.DataFrame) -> list[str]:
    """Write rows of an archive as they came, each cell with its term.

    Examples
    --------
    >>> written_rows(pd.DataFrame({"id": ["V1"], "dwc:recordedBy": ["Lind"], "row": [2]}))
    ['id=V1; dwc:recordedBy=Lind']
    """
    shown = [name for name in rows if name not in (ROW, "properties", "used")]
    return [
        "; ".join(f"{name}={value}" for name, value in zip(shown, row, strict=True) if value)
        for row in rows[shown].itertuples(index=False, name=None)
    ]


def properties_in(cells: pd.Series) -> pd.Series:
    """Return what each cell of dynamicProperties says; nothing where it is no JSON object."""
    return pd.Series([_object(cell) for cell in cells], index=cells.index, dtype="object")


def _object(cell: str) -> dict[str, Any]:
    if not cell.startswith("{"):
        return {}
    try:
        said = json.loads(cell)
    except ValueError:
        return {}
    return said if isinstance(said, dict) else {}


def with_source(words: pd.DataFrame, rows: pd.DataFrame, found: Sorted) -> pd.DataFrame:
    """Say where each row came from: as it says itself, or this archive."""
    said = rows["properties"]
    own = said.map(lambda one: "receipt" in one and "source_row" in one)
    number = said.map(lambda one: str(one.get("source_row", "")))
    return words.assign(
        receipt=said.map(lambda one: str(one.get("receipt", ""))).where(own, found.receipt),
        source_row=number.where(own, rows[ROW].astype(str)),
    )


def sort_mapped(
    words: pd.DataFrame,
    table: Table,
    rows: pd.DataFrame,
    lines: Sequence[str],
    found: Sorted,
    *,
    faults: pd.DataFrame | None = None,
) -> None:
    """Sort rows that terms of the standard gave into those kept and those set aside.

    Parameters
    ----------
    words : DataFrame of str
        Columns of the table.
    table : Table
        Its schema.
    rows : DataFrame
        The rows of the archive, with their number.
    lines : sequence of str
        The rows as they came.
    found : Sorted
        What takes them.
    faults : DataFrame, optional
        Columns ``row`` and ``reason``: what is wrong with rows already.
    """
    read, wrong = read_words(words, table)
    told = wrong if faults is None else pd.concat([faults, wrong], ignore_index=True)
    numbered = read.assign(source_row=rows[ROW].to_numpy())
    kept, aside = sort_rows(
        numbered,
        table,
        faults=told,
        contents=pd.Series(list(lines), index=read.index, dtype="object"),
        receipt=found.receipt,
    )
    left = ~numbered["source_row"].isin(aside["source_row"]).to_numpy()
    kept = conform(kept.assign(source_row=read["source_row"].to_numpy()[left]), table)
    found.aside.append(aside)
    found.keep(table, kept, len(rows))


def own_rows(file: StarTable, table: Table, found: Sorted) -> None:
    """Read a table of our own row type; its columns stand under terms of our own."""
    cells = file.cells
    words = cells.rename(columns=lambda term: str(term).removeprefix("own:"))
    unknown = set(words) - set(table.names) - {"geometry", ID, ROW}
    if unknown:
        found.notes.append(f"'{file.file}' has unknown columns: {', '.join(sorted(unknown))}")
    read, wrong = read_words(words, table)
    sound = ~read.index.isin(wrong["row"])
    kept, more = split_faults(read.loc[sound], table)
    told = more["column"] + ": " + more["reason"]
    reasons = pd.concat([wrong, pd.DataFrame({"row": more["row"], "reason": told})])
    found.keep(table, kept.reset_index(drop=True), len(kept))
    if reasons.empty:
        return
    joined = reasons.groupby("row", sort=True)["reason"].agg("; ".join)
    place = "sign" if table.name in ("receipts", "set_aside", "settled") else table.name
    faulty = cells.loc[joined.index]
    leave(
        found,
        place,
        faulty[ROW].tolist(),
        [f"{file.file}: {reason}" for reason in joined],
        [csv_line(row) for row in faulty.drop(columns=[ID, ROW]).to_numpy().tolist()],
    )


def widened(facts: pd.DataFrame, by: str, columns: pd.Series) -> pd.DataFrame:
    """Lay measurements out as columns: a row for each name under `by`, each value its first.

    Parameters
    ----------
    facts : DataFrame
        Measurements; their labels are those of `columns`.
    by : str
        Term that names what was measured.
    columns : Series of str
        Column that each measurement is; a name and column at most once.
    """
    values = facts["dwc:measurementValue"].to_numpy()
    keys = [facts[by].to_numpy(), columns.to_numpy()]
    wide = pd.Series(values, index=pd.MultiIndex.from_arrays(keys), dtype="object").unstack()  # noqa: PD010 - nothing is summed
    return wide.rename_axis(index=None, columns=None)
