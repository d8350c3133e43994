"""Chain: whom to call, out of a small file that the user fills in, and who made an answer."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.maps import answer_edition
from carnivore_sign.maps.readers import CATEGORY

#: The columns of the file.
COLUMNS: Final = ("region", "agency", "telephone")


@dataclass(frozen=True)
class AnswerPage:
    """What stands on an answer besides its numbers.

    Attributes
    ----------
    agency : str, optional
        Whom to call.
    made_by : str, optional
        Who made the answer.
    made_for : str
        ``landowner``, ``managers`` or ``public``: who will read it. The landowner's own data
        stands in the landowner's copy and that of managers; the public reads sums alone.
    sensitivity : int
        Category of sensitivity of places, 1 (cells of one degree) to 4 (a thousandth): the
        cell in which the public reads the loss.

    Raises
    ------
    InputError
        If there is no such reader or category.
    """

    agency: str | None = None
    made_by: str | None = None
    made_for: str = "landowner"
    sensitivity: int = CATEGORY

    def __post_init__(self) -> None:
        answer_edition(self.made_for, category=self.sensitivity)  # refuses what is not known


def agency_from_file(path: str | Path, region: str) -> str:
    """Read whom to call in a region.

    Parameters
    ----------
    path : path-like
        A CSV with the columns ``region``, ``agency`` and ``telephone``, one region a row. A row
        whose region is ``all`` serves every region that has no row.
    region : str
        The region of the analysis.

    Returns
    -------
    str
        The agency and its telephone, as they shall stand on the page.

    Raises
    ------
    InputError
        If the file cannot be read, a column is missing, or no row serves the region.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "contacts.csv"
    >>> row = {"region": "all", "agency": "Wildlife Office (invented)", "telephone": "555 0100"}
    >>> pd.DataFrame([row]).to_csv(path, index=False)
    >>> agency_from_file(path, "dry_range")
    'Wildlife Office (invented), 555 0100'
    """
    try:
        table = pd.read_csv(path, dtype=str, encoding="utf-8-sig", skipinitialspace=True)
    except (OSError, ValueError) as fault:
        raise InputError(
            f"the contacts cannot be read: {fault}",
            file=path,
            remedy=f"It is a CSV with the columns {', '.join(COLUMNS)}.",
        ) from fault
    missing = [name for name in COLUMNS if name not in table]
    if missing:
        raise InputError(
            f"the contacts have no column {', '.join(missing)}",
            file=path,
            remedy=f"The first row names the columns: {', '.join(COLUMNS)}.",
        )
    for wanted in (region, "all"):
        rows = table[table["region"].str.strip().eq(wanted)]
        if len(rows):
            told = rows[["agency", "telephone"]].iloc[0].dropna().str.strip()
            return ", ".join(filter(None, told))
    raise InputError(
        f"the contacts have no row for the region '{region}'",
        file=path,
        remedy=f"Add one, or a row for 'all'. It has: {', '.join(table['region'].dropna())}.",
    )
