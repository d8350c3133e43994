"""Integrity: the faults that a season may have, what each means, and how they are told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

#: Rows that are named in a finding; the others are counted.
_NAMED: Final = 5
COLUMNS: Final = ("fault", "weight", "table_name", "column", "rows", "where", "told", "remedy")

_RESTORE: Final = "Restore the season from a backup, or make it again from the files."
_EDITED: Final = "Undo the edit, or restore the season from a backup."
_SEND: Final = (
    "Import the file that brings it. A name that is wrong in a row the season holds is mended in "
    "its file, and all files imported into a new season."
)


@dataclass(frozen=True)
class Fault:
    """One kind of fault.

    Attributes
    ----------
    weight : str
        ``damage``: no import leaves it. ``loose end``: a row names something that is not there,
        as happens while files are still on their way. ``input``: a file, not the season.
    meaning : str
        What is wrong.
    remedy : str
        What to do.
    """

    weight: str
    meaning: str
    remedy: str


#: Every kind of fault that `check_season` looks for.
FAULTS: Final[dict[str, Fault]] = {
    "damaged_file": Fault("damage", "the file itself is damaged", _RESTORE),
    "missing_table": Fault("damage", "a table of the season is gone", _RESTORE),
    "missing_column": Fault("damage", "a column that must be there is gone", _RESTORE),
    "unlisted_layer": Fault("damage", "a layer is not listed, so that no GIS shows it", _RESTORE),
    "breaks_schema": Fault("damage", "values that the table may not hold", _EDITED),
    "repeated_key": Fault("damage", "two rows have one name", _EDITED),
    "unreadable_shape": Fault("damage", "positions that cannot be read", _RESTORE),
    "other_reference": Fault("damage", "positions in another reference system", _EDITED),
    "invalid_shape": Fault("damage", "shapes that cross themselves", "Mend the shape in a GIS."),
    "sums_differ": Fault("damage", "rows in are not rows kept and rows set aside", _RESTORE),
    "receipt_misnamed": Fault("damage", "a receipt's name is not that of its hash", _EDITED),
    "rows_lost": Fault("damage", "fewer rows than the receipt says", _RESTORE),
    "rows_added": Fault("damage", "more rows than the receipt says", _EDITED),
    "no_receipt": Fault("damage", "rows that no receipt accounts for", _EDITED),
    "repeated_row": Fault("damage", "one row of a file stands in the table twice", _EDITED),
    "settled_nothing": Fault("damage", "a correction of a row that was not set aside", _RESTORE),
    "times_reversed": Fault("damage", "an end before its beginning", "Mend the times."),
    "log_times_differ": Fault("damage", "a log's times are not those of its fixes", _EDITED),
    "unknown_flag": Fault("damage", "flags that nobody knows", _EDITED),
    "torn_tie": Fault("damage", "a row names one of its own import that is gone", _RESTORE),
    "loose_tie": Fault("loose end", "a row names one that is not in the season", _SEND),
    "input_changed": Fault(
        "input", "the file is not what was imported", "Find the file as it was, or import this one."
    ),
    "input_missing": Fault("input", "the file is not in the folders", "Name its folder as well."),
}


@dataclass(frozen=True)
class Finding:
    """One fault found: in which table and column, in how many rows, and where."""

    fault: str
    table: str
    told: str
    column: str = ""
    rows: int = 1
    where: str = ""


def named(what: str, names: Sequence[object] | pd.Series) -> str:
    """Name the first few of the rows, and count the others.

    Examples
    --------
    >>> named("row", [3, 5, 8, 13, 21, 34])
    'row 3, 5, 8, 13, 21 and 1 more'
    """
    shown = ", ".join(map(str, names[:_NAMED]))
    more = len(names) - _NAMED
    return f"{what} {shown}" + (f" and {more} more" if more > 0 else "")


@dataclass(frozen=True)
class SeasonCheck:
    """What a check of a season found.

    Attributes
    ----------
    path : Path
        The season file.
    rows : dict of str to int
        Rows checked, by table.
    findings : DataFrame
        One row per fault: ``fault`` and ``weight`` as in `FAULTS`, ``table_name``, ``column``,
        ``rows`` (how many), ``where`` (which), ``told``, ``remedy``.
    inputs_checked : int
        Imported files whose hash was held against a file in the folders given.
    """

    path: Path
    rows: dict[str, int]
    findings: pd.DataFrame
    inputs_checked: int = 0

    @property
    def sound(self) -> bool:
        """Whether the season holds what its receipts say: nothing is damaged."""
        return not self.findings["weight"].eq("damage").any()

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values, as ``--json`` prints them."""
        return {
            "season": str(self.path),
            "sound": self.sound,
            "rows": self.rows,
            "inputs_checked": self.inputs_checked,
            "findings": self.findings.to_dict("records"),
        }

    def lines(self) -> list[str]:
        """Return the result as lines to print."""
        held = sum(self.rows.values())
        said = "sound" if self.sound else "DAMAGED"
        lines = [f"{self.path}: {said}; {held:,} rows in {len(self.rows)} tables were checked"]
        if self.inputs_checked:
            lines.append(f"{self.inputs_checked} imported files are as they were")
        for row in self.findings.to_dict("records"):
            place = ", ".join(filter(None, (row["table_name"], row["column"], row["where"])))
            lines += [f"{row['weight']}: {row['told']} ({place})", f"    {row['remedy']}"]
        return lines


def as_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """Put findings into a table, what is damaged first."""
    rows = [
        (one.fault, FAULTS[one.fault].weight, one.table, one.column, one.rows, one.where,
         one.told, FAULTS[one.fault].remedy)
        for one in findings
    ]  # fmt: skip
    order = {"damage": 0, "loose end": 1, "input": 2}
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return table.sort_values("weight", key=lambda weight: weight.map(order), kind="stable",
                             ignore_index=True)  # fmt: skip
