"""Archive importing: an archive into a season, with the receipts that its rows bring with them.

A season that is handed on as an archive and read again keeps its books: the receipts of the first
imports come with the rows that they account for, and importing those files once more is
recognised. What the season has already is not added again.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import pandas as pd

from carnivore_sign.intake.encoded import problem_of
from carnivore_sign.intake.known_rows import split_known
from carnivore_sign.intake.overlaps import FixKeys
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.writing import SeasonWriter
from carnivore_sign.records.check import conform, empty
from carnivore_sign.records.tables import RECEIPTS, SET_ASIDE, SETTLED

#: Tables that keep the books, and are not rows of anything.
BOOKS: Final = ("receipts", "set_aside", "settled")
_NAMED_BY_LOG: Final = ("logs", "fixes", "waypoints", "route_points", "photo_places")


@dataclass(eq=False)
class _Books:
    """The receipts that come with an archive, and what is to be added to them."""

    receipts: pd.DataFrame
    known: dict[tuple[str, str], int] = field(default_factory=dict)

    def note_known(self, table: str, receipts: pd.Series) -> None:
        """Count rows that the season has already, by their receipt."""
        for receipt, count in receipts.value_counts().items():
            key = (str(receipt), table)
            self.known[key] = self.known.get(key, 0) + int(count)

    def written(self) -> pd.DataFrame:
        """Return the receipts with the rows that were known."""
        keys = zip(self.receipts["receipt"], self.receipts["table_name"], strict=True)
        more = [self.known.get((str(receipt), str(table)), 0) for receipt, table in keys]
        there = self.receipts["rows_known"].fillna(0) + pd.Series(more, self.receipts.index)
        return self.receipts.assign(rows_known=there.astype("Int64"))


def add_archive(writer: SeasonWriter, reading: Reading) -> tuple[pd.DataFrame, str | None]:
    """Add an archive to a season, whole or not at all.

    Parameters
    ----------
    writer : SeasonWriter
        The season.
    reading : Reading
        From `carnivore_sign.intake.darwin_core.read_archive`.

    Returns
    -------
    receipts : DataFrame
        Of the archive itself: they count the rows that came without a receipt of their own.
    problem : str or None
        Why nothing of it was kept, if so.
    """
    writer.flush()
    problem = problem_of(reading)
    books, brought = _new_receipts(writer, reading)
    reading, counts = _without_known_files(writer, reading, brought)
    reading = _with_own_log_names(writer, reading)
    fresh: dict[str, pd.DataFrame] = {}
    rows_known: dict[str, int] = {}
    for name in [name for name in reading.tables if name not in BOOKS]:
        before = reading.tables[name]
        if name == "fixes":
            fresh[name] = _new_fixes(writer, before)
        else:
            reading, fresh[name], _ = split_known(writer.season, reading, name)
        if "receipt" not in before:
            continue
        gone = before.loc[~_there(before, fresh[name])]
        books.note_known(name, gone.loc[gone["receipt"].ne(reading.receipt), "receipt"])
        rows_known[name] = int(gone["receipt"].eq(reading.receipt).sum())
    receipts = _own_receipts(reading, rows_known, counts)
    aside, settled = _books_of_rows(writer, reading, brought)
    frames = {name: rows for name, rows in fresh.items() if len(rows)}
    frames |= {
        "set_aside": pd.concat([aside, reading.set_aside], ignore_index=True),
        "settled": settled,
    }
    writer.add(frames, pd.concat([receipts, books.written()], ignore_index=True))
    writer.read_again()
    return receipts, problem


def _new_receipts(writer: SeasonWriter, reading: Reading) -> tuple[_Books, frozenset[str]]:
    """Return the receipts that the season does not have, and their names."""
    told = reading.tables.get("receipts", empty(RECEIPTS))
    held = writer.season.read("receipts")["receipt"]
    books = told.loc[~told["receipt"].isin(held)].reset_index(drop=True)
    return _Books(books), frozenset(books["receipt"])


def _without_known_files(
    writer: SeasonWriter, reading: Reading, brought: frozenset[str]
) -> tuple[Reading, int]:
    """Leave out the rows of files that the season has; return how many those are."""
    kept = {}
    gone = 0
    for name, rows in reading.tables.items():
        if name in BOOKS or "receipt" not in rows:
            kept[name] = rows
            continue
        ours = rows["receipt"].isin(brought) | rows["receipt"].eq(reading.receipt)
        held = rows["receipt"].isin(writer.season.read("receipts")["receipt"])
        strange = ~ours & ~held  # a receipt that the archive does not bring: it is ours then
        told = rows.assign(receipt=rows["receipt"].mask(strange, reading.receipt))
        kept[name] = told.loc[ours | strange].reset_index(drop=True)
        gone += int((~ours & ~strange).sum())
    return _with_tables(reading, kept), gone


def _with_tables(reading: Reading, tables: dict[str, pd.DataFrame]) -> Reading:
    """Return a reading of other rows, which counts those alone."""
    aside = reading.rows_set_aside
    rows_in = {name: len(rows) + aside[name] for name, rows in tables.items()}
    return replace(reading, tables=tables, rows_in=rows_in)


def _with_own_log_names(writer: SeasonWriter, reading: Reading) -> Reading:
    """Rename logs that are called as others of the season are."""
    logs = reading.tables.get("logs")
    if logs is None or not logs["log"].isin(writer.log_names).any():
        return reading
    again = logs.loc[logs["log"].isin(writer.log_names)]
    names = {
        log: f"{log}-{receipt[:6]}"
        for log, receipt in zip(again["log"], again["receipt"], strict=True)
    }
    tables = {
        name: rows.assign(log=rows["log"].replace(names)) if name in _NAMED_BY_LOG else rows
        for name, rows in reading.tables.items()
    }
    note = f"{len(names)} logs were renamed, for others of the season are called so"
    return replace(reading, tables=tables, notes=(*reading.notes, note))


def _new_fixes(writer: SeasonWriter, fixes: pd.DataFrame) -> pd.DataFrame:
    if not len(fixes):
        return fixes
    return fixes.loc[~writer.fixes.has(FixKeys.of(fixes))].reset_index(drop=True)


def _there(before: pd.DataFrame, fresh: pd.DataFrame) -> pd.Series:
    """Tell which rows are among those to be added, by where they came from."""
    if len(before) == len(fresh):
        return pd.Series(True, index=before.index)
    place = ["receipt", "source_row"]
    left = pd.MultiIndex.from_frame(fresh[place].astype("object"))
    return pd.Series(
        pd.MultiIndex.from_frame(before[place].astype("object")).isin(left), index=before.index
    )


def _own_receipts(reading: Reading, rows_known: dict[str, int], gone: int) -> pd.DataFrame:
    """Return the receipts of the archive: of the rows that no other receipt accounts for."""
    own = {
        name: rows.loc[rows["receipt"].eq(reading.receipt)]
        for name, rows in reading.tables.items()
        if name not in BOOKS and "receipt" in rows
    }
    brought = {name: len(reading.tables[name]) - len(rows) for name, rows in own.items()}
    notes = list(reading.notes)
    if sum(brought.values()):
        listed = ", ".join(f"{name} {count}" for name, count in brought.items() if count)
        notes.insert(0, f"rows that came with receipts of their own: {listed}")
    if gone:
        notes.append(f"{gone} rows are of files that the season has already")
    counted = _with_tables(replace(reading, notes=tuple(notes)), own)
    return counted.receipts(rows_known=rows_known)


def _books_of_rows(
    writer: SeasonWriter, reading: Reading, brought: frozenset[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows set aside that come with an archive, and what settled them.

    A row set aside is known by its number in its table, so that the numbers move on.
    """
    aside = reading.tables.get("set_aside", empty(SET_ASIDE))
    settled = reading.tables.get("settled", empty(SETTLED))
    ours = aside["receipt"].isin(brought).to_numpy(dtype=bool)
    first = len(writer.season.read("set_aside"))
    numbers = pd.Series(first + ours.cumsum(), index=range(1, len(aside) + 1))
    numbers = numbers[ours]
    known = settled["set_aside_no"].isin(numbers.index) & settled["receipt"].isin(brought)
    moved = settled.loc[known]
    moved = moved.assign(set_aside_no=moved["set_aside_no"].map(numbers))
    return aside.loc[ours].reset_index(drop=True), conform(moved.reset_index(drop=True), SETTLED)
