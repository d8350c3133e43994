"""Writing: what a season holds, and what goes into it next, whole files only.

Readings are collected and written many at a time, for most of what writing one small log costs
is the transaction and not its rows. A batch is written when it is large or old enough, so that
an interruption costs seconds of work and never half a file.
"""

from __future__ import annotations

import time
from types import TracebackType
from typing import Final, Self

import pandas as pd

from carnivore_sign.intake.encoded import EncodedLog, encode_large
from carnivore_sign.intake.overlaps import HeldFixes
from carnivore_sign.intake.reading import ReceiptColumns, joined_receipts, receipt_frame
from carnivore_sign.records.encoding import Rows, encode_lists
from carnivore_sign.records.season import Season, change_count, write_checked
from carnivore_sign.records.tables import LOGS, RECEIPTS

#: A batch is written when it has this many rows, or when its first file is this old.
MAX_ROWS: Final = 50_000
MAX_SECONDS: Final = 2.0


class SeasonWriter:
    """A season during an import: the receipts, log names and fixes that it holds.

    Used as a context: leaving it, also by an interruption, writes what was collected. If
    another process changes the season, what it holds is read again.

    Parameters
    ----------
    season : Season
        The season.
    """

    def __init__(self, season: Season) -> None:
        self.season = season
        self._batch: list[dict[str, pd.DataFrame | Rows]] = []
        self._logs: list[EncodedLog] = []
        self._rows = 0
        self._since = 0.0
        self._look()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.flush()

    def look_again(self) -> None:
        """Read what the season holds once more, if another process has changed it."""
        if change_count(self.season) != self._changes:
            self.flush()
            self._look()

    @property
    def hashes(self) -> frozenset[str]:
        """Hashes of the contents that the season has."""
        return frozenset(self._hashes | self._fresh.keys())

    def receipts_of(self, sha256: str) -> pd.DataFrame | None:
        """Return the receipts of a content that the season has; None if it has not."""
        if sha256 in self._fresh:
            fresh = self._fresh[sha256]
            return fresh if isinstance(fresh, pd.DataFrame) else receipt_frame([fresh])
        if sha256 not in self._hashes:
            return None
        return self._receipts.loc[self._receipts["sha256"].eq(sha256)]

    def add(self, frames: dict[str, pd.DataFrame], receipts: pd.DataFrame) -> None:
        """Put the rows of one file that is no log into the batch, with their receipts.

        The rows come from a `Reading`, whose tables keep to their schemas; they are not held
        against them a second time.
        """
        self._put({**encode_large(frames), "receipts": receipts})
        self._fresh[receipts["sha256"].iloc[0]] = receipts

    def add_log(self, log: EncodedLog) -> None:
        """Put the rows of a log into the batch, with its receipts, and take in its fixes."""
        if log.name is not None:
            self.log_names.add(log.name)
        if log.fixes is not None:
            self.fixes.add(log.fixes)
        self._logs.append(log)
        self._fresh[log.sha256] = log.receipts
        self._put(log.tables)

    def _put(self, tables: dict[str, pd.DataFrame | Rows]) -> None:
        if not self._batch:
            self._since = time.monotonic()
        self._batch.append(tables)
        self._rows += sum(map(len, tables.values()))
        if self._rows >= MAX_ROWS or time.monotonic() - self._since > MAX_SECONDS:
            self.flush()

    def read_again(self) -> None:
        """Write the batch, and read what the season holds once more."""
        self.flush()
        self._look()

    def flush(self) -> None:
        """Write the batch in one transaction."""
        batch, self._batch, self._rows = self._batch, [], 0
        logs, self._logs = self._logs, []
        if logs:
            receipts = joined_receipts([log.receipts for log in logs])
            batch.append({"receipts": encode_lists(RECEIPTS, receipts)})
            rows = [log.log for log in logs if log.log is not None]
            if rows:
                columns = {name: [row[name] for row in rows] for name in LOGS.names}
                batch.append({"logs": encode_lists(LOGS, columns)})
        if batch:
            write_checked(self.season, batch)
            self._changes = change_count(self.season)

    def _look(self) -> None:
        self._changes = change_count(self.season)
        self._receipts = self.season.read("receipts")
        self._hashes = set(self._receipts["sha256"])
        self._fresh: dict[str, pd.DataFrame | ReceiptColumns] = {}
        self.log_names = set(self.season.read("logs")["log"])
        self.fixes = HeldFixes(self.season)
