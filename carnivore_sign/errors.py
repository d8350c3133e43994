"""Errors and warnings: every class the library raises, in one tree.

::

    CarnivoreSignError
    +-- InputError (ValueError)         what was handed in cannot be used
    |   +-- FileUnreadable              the file is missing, empty, or not what it claims to be
    |   +-- UnknownKind                 no reader recognises the content of the file
    |   +-- TableFaults                 a table breaks its schema; ``.faults`` lists every fault
    |   +-- TimeZoneMissing             a local time came without a zone, and none was stated
    |   +-- CrsMissing                  coordinates came without a reference system
    |   `-- GeographicCrs               a planar length was asked of coordinates in degrees
    +-- SeasonError                     the season file cannot be used
    |   +-- SeasonMissing               there is no such file
    |   +-- SeasonVersion               it was written by a version that cannot be read
    |   `-- SeasonBusy                  another process is writing to it
    +-- EstimateError                   the data do not carry the number that was asked for
    |   +-- NothingSurveyed             no effort in the period: "not found" would mean nothing
    |   `-- NotConverged                the optimiser found no maximum
    `-- LibraryMissing (ImportError)    an optional library is not installed

    CarnivoreSignWarning (UserWarning)
    +-- BoundaryWarning                 an estimate sits at the edge of its range
    +-- SmallSampleWarning              limits rest on very few observations
    +-- SeasonMigrated                  a season of an older version was brought up to this one
    `-- DataWarning                     rows were left out of a computation, and why

A message says what came, what would do, and the call that mends it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from os import PathLike

    import pandas as pd


class CarnivoreSignError(Exception):
    """Root of every error that the library raises on purpose."""


class InputError(CarnivoreSignError, ValueError):
    """Something handed in cannot be used.

    Parameters
    ----------
    what : str
        The fault, as a sentence without its final full stop.
    file : path-like, optional
        The file it was found in.
    row : int, optional
        The row of that file, counted as the reader counts (see the message).
    remedy : str, optional
        What the user can do about it, as a sentence.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | PathLike[str] | None = None,
        row: int | None = None,
        remedy: str | None = None,
    ) -> None:
        self.what = what
        self.file = None if file is None else str(file)
        self.row = row
        self.remedy = remedy
        super().__init__(self._message())

    def _message(self) -> str:
        where = "" if self.file is None else self.file
        if self.row is not None:
            where += f", row {self.row}" if where else f"row {self.row}"
        text = f"{where}: {self.what}" if where else self.what
        text = text.rstrip(".") + "."
        return f"{text} {self.remedy}" if self.remedy else text


class FileUnreadable(InputError):
    """The file is missing, empty, cut short, or not what it claims to be."""


class UnknownKind(InputError):
    """No reader recognises the content of the file."""


class TableFaults(InputError):
    """A table breaks its schema.

    Attributes
    ----------
    faults : pandas.DataFrame
        Columns ``row`` (the caller's index label), ``column``, ``value``, ``reason``.
    """

    def __init__(self, table: str, faults: pd.DataFrame, *, file: str | None = None) -> None:
        self.table = table
        self.faults = faults
        shown = [
            f"  row {fault.row}, {fault.column}: {fault.reason} (came: {fault.value!r})"
            for fault in faults.head(5).itertuples()
        ]
        if len(faults) > len(shown):
            shown.append(f"  ... and {len(faults) - len(shown)} more in .faults")
        super().__init__(
            f"{len(faults)} fault(s) in table '{table}':\n" + "\n".join(shown),
            file=file,
        )


class TimeZoneMissing(InputError):
    """A local time came without a zone, and neither the call nor the season states one."""


class CrsMissing(InputError):
    """Coordinates came without a coordinate reference system."""


class GeographicCrs(InputError):
    """A planar length, area or distance was asked of coordinates in degrees."""


class SeasonError(CarnivoreSignError):
    """The season file cannot be used."""


class SeasonMissing(SeasonError):
    """There is no season file at that path."""


class SeasonVersion(SeasonError):
    """The season file is of a version of the schema that this library does not read."""


class SeasonBusy(SeasonError):
    """Another process is writing to the season file."""


class EstimateError(CarnivoreSignError):
    """The data do not carry the number that was asked for."""


class NothingSurveyed(EstimateError):
    """No effort in the period, so that "not found" would mean nothing."""


class NotConverged(EstimateError):
    """The optimiser found no maximum of the likelihood."""


class LibraryMissing(CarnivoreSignError, ImportError):
    """An optional library is not installed; the message holds the install command."""


class CarnivoreSignWarning(UserWarning):
    """Root of every warning that the library gives."""


class BoundaryWarning(CarnivoreSignWarning):
    """An estimate sits at the edge of its range; its standard error means little."""


class SmallSampleWarning(CarnivoreSignWarning):
    """Limits rest on very few observations."""


class SeasonMigrated(CarnivoreSignWarning):
    """A season of an older version was brought up to this one; a copy as it was is kept."""


class DataWarning(CarnivoreSignWarning):
    """Rows were left out of a computation; the message says how many and why."""
