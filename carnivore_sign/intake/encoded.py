"""Encoded: a log as the season takes it, which whoever read it has made ready to be written.

A log is mostly fixes. As a table they are a Python object each, which is slow to hand from process
to process and to hold; as encoded columns they are a few arrays. With them go the times and
places that tell whether the season has them already.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.intake.overlaps import FixKeys
from carnivore_sign.intake.reading import Reading
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.encoding import Rows, encode_rows
from carnivore_sign.records.tables import SEASON_TABLES

#: Tables of more rows than this are encoded at once, and not when they are written.
_LARGE_ROWS: Final = 500


@dataclass(frozen=True, eq=False)
class EncodedLog:
    """What one log gave, as `Reading`, with its rows encoded.

    Attributes
    ----------
    file, sha256 : str
        Name of the file, and hash of its content.
    log : str or None
        Name of the log; None if it has no point at all.
    tables : dict of str to DataFrame or Rows
        The rows to add, by table, those set aside among them; large tables are encoded.
    fixes : FixKeys or None
        When and where its fixes are; None if there is none.
    receipts : DataFrame
        One row per table, as `Reading.receipts`.
    problem : str or None
        Why nothing of it was kept, if so.
    """

    file: str
    sha256: str
    log: str | None
    tables: dict[str, pd.DataFrame | Rows]
    fixes: FixKeys | None
    receipts: pd.DataFrame
    problem: str | None

    def renamed(self, log: str) -> EncodedLog:
        """Return the log under another name, with a note."""
        tables = {name: _with_log(rows, log) for name, rows in self.tables.items()}
        note = f"another log of the season is called {self.log}, so that this one is {log}"
        return replace(self, log=log, tables=tables).noted(note)

    def without_known(self, known: npt.NDArray[np.bool_], note: str) -> EncodedLog:
        """Return the log without the fixes that the season has already."""
        if self.fixes is None:
            return self
        rows, fresh = self.tables["fixes"], ~known
        some = rows.taken(fresh) if isinstance(rows, Rows) else rows.loc[fresh]
        of_fixes = self.receipts["table_name"].eq("fixes")
        counts = self.receipts["rows_known"].mask(of_fixes, int(known.sum()))
        return replace(
            self,
            tables={**self.tables, "fixes": some},
            fixes=self.fixes.taken(fresh),
            receipts=self.receipts.assign(rows_known=counts),
        ).noted(note)

    def noted(self, note: str) -> EncodedLog:
        """Return the log with one more note on its receipts."""
        there = self.receipts["notes"].iloc[0]
        told = note if pd.isna(there) else f"{there}; {note}"
        notes = pd.array([told] * len(self.receipts), dtype=TEXT)
        return replace(self, receipts=self.receipts.assign(notes=notes))


def encode_log(reading: Reading) -> EncodedLog:
    """Encode the reading of a log."""
    tables = {**reading.tables, "set_aside": reading.set_aside}
    logs, fixes = reading.tables["logs"], reading.tables["fixes"]
    return EncodedLog(
        file=reading.file,
        sha256=reading.sha256,
        log=logs["log"].iloc[0] if len(logs) else None,
        tables=encode_large(tables),
        fixes=FixKeys.of(fixes) if len(fixes) else None,
        receipts=reading.receipts(),
        problem=problem_of(reading),
    )


def encode_large(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame | Rows]:
    """Encode the large frames, which take less room so, and leave out those without a row."""
    return {
        name: encode_rows(SEASON_TABLES[name], frame) if len(frame) > _LARGE_ROWS else frame
        for name, frame in frames.items()
        if len(frame)
    }


def problem_of(reading: Reading) -> str | None:
    """Say why nothing of a file was kept; None if a row besides that of the log itself was."""
    if any(kept for table, kept in reading.rows_kept.items() if table != "logs"):
        return None
    rows = sum(rows for table, rows in reading.rows_in.items() if table != "logs")
    if not rows:
        return f"{reading.file}: it holds no point. Look whether the device recorded at all."
    what = "point" if "logs" in reading.tables else "row"
    told = f"{reading.file}: its only {what} could not be used, and was set aside"
    if rows > 1:
        told = f"{reading.file}: none of its {rows} {what}s could be used; each was set aside"
    return f"{told}; the season has the log without a point." if what == "point" else f"{told}."


def _with_log(rows: pd.DataFrame | Rows, log: str) -> pd.DataFrame | Rows:
    if isinstance(rows, Rows):
        return rows.with_same("log", log) if "log" in rows.same else rows
    if "log" not in rows:
        return rows
    return rows.assign(log=pd.Series(log, index=rows.index, dtype=rows["log"].dtype))
