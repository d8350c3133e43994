"""Encoded: a log as the season takes it, which whoever read it has made ready to be written.

The points of a log go from columns to encoded rows, and no table is made of them: a table holds
a Python object a point, which is slow to make, to hold and to hand from process to process. With
the rows go the times and places that tell whether the season has them already.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.intake.log_tables import LogTables
from carnivore_sign.intake.logs import milliseconds
from carnivore_sign.intake.overlaps import FixKeys
from carnivore_sign.intake.reading import Reading, ReceiptColumns
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
    log : mapping of str to value or None
        Its row in table ``logs``, as `LogTables` holds it; None if it has no point at all.
    tables : dict of str to DataFrame or Rows
        The rows to add to the other tables, those set aside among them.
    fixes : FixKeys or None
        When and where its fixes are; None if there is none.
    receipts : ReceiptColumns
        One value per table, as `Reading.receipt_columns`.
    problem : str or None
        Why nothing of it was kept, if so.
    """

    file: str
    sha256: str
    log: Mapping[str, Any] | None
    tables: dict[str, pd.DataFrame | Rows]
    fixes: FixKeys | None
    receipts: ReceiptColumns
    problem: str | None

    @property
    def name(self) -> str | None:
        """Name of the log; None if it has no point at all."""
        return None if self.log is None else self.log["log"]

    def renamed(self, name: str) -> EncodedLog:
        """Return the log under another name, with a note."""
        if self.log is None:
            return self
        tables = {table: _with_log(rows, name) for table, rows in self.tables.items()}
        note = f"another log of the season is called {self.name}, so that this one is {name}"
        return replace(self, log={**self.log, "log": name}, tables=tables).noted(note)

    def without_known(self, known: npt.NDArray[np.bool_], note: str) -> EncodedLog:
        """Return the log without the fixes that the season has already."""
        if self.fixes is None:
            return self
        rows, fresh = self.tables["fixes"], ~known
        some = rows.taken(fresh) if isinstance(rows, Rows) else rows.loc[fresh]
        counts = [
            int(known.sum()) if table == "fixes" else count
            for table, count in zip(
                self.receipts["table_name"], self.receipts["rows_known"], strict=True
            )
        ]
        return replace(
            self,
            tables={**self.tables, "fixes": some},
            fixes=self.fixes.taken(fresh),
            receipts={**self.receipts, "rows_known": counts},
        ).noted(note)

    def noted(self, note: str) -> EncodedLog:
        """Return the log with one more note on its receipts."""
        notes = [note if there is None else f"{there}; {note}" for there in self.receipts["notes"]]
        return replace(self, receipts={**self.receipts, "notes": notes})


def encode_log(reading: Reading) -> EncodedLog:
    """Encode the reading of a log."""
    tables: dict[str, pd.DataFrame | Rows]
    if isinstance(reading.tables, LogTables):
        points = reading.tables.points
        log = reading.tables.log
        tables = {name: some.rows() for name, some in points.items() if len(some)}
        found = points.get("fixes")
        fixes = found.keys() if found else None
    else:
        frames = dict(reading.tables)
        log = _log_of(frames.pop("logs"))
        tables = encode_large(frames)
        fixes = FixKeys.of(frames["fixes"]) if len(frames["fixes"]) else None
    return EncodedLog(
        file=reading.file,
        sha256=reading.sha256,
        log=log,
        tables={**tables, **encode_large({"set_aside": reading.set_aside})},
        fixes=fixes,
        receipts=reading.receipt_columns(),
        problem=problem_of(reading),
    )


def _log_of(logs: pd.DataFrame) -> dict[str, Any] | None:
    """Return the one row of a table ``logs``, its times as numbers; None if there is none."""
    if not len(logs):
        return None
    columns = {name: None if logs[name].isna().all() else logs[name].tolist()[0] for name in logs}
    times = {name: int(milliseconds(logs[name])[0]) for name in ("start", "end")}
    return {**columns, **times}


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
