"""The record of a page: what it was computed from, with which choices and versions, so that
it can be computed again.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from carnivore_sign._version import __version__
from carnivore_sign.maps.measures import METRIC, Measures
from carnivore_sign.maps.readers import READERS, Edition
from carnivore_sign.records.check import empty
from carnivore_sign.records.tables import RECEIPTS
from carnivore_sign.reports.choices import Choices
from carnivore_sign.reports.content import Block, Bullets, Heading
from carnivore_sign.reports.wording import count

#: Tables that go with a page whoever reads it; the others name places, people or files.
OPEN_TABLES: Final = ("segments", "rates_by_month", "model")
#: Tables of an answer that go with the landowner's own copy.
LANDOWNER_TABLES: Final = ("trails_near", "inputs")


@dataclass(frozen=True, eq=False)
class PageRecord:
    """What a report was made from.

    Attributes
    ----------
    season : str
        Name of the season.
    time_zone : str
        IANA name of the zone in which times are printed.
    made_on : date
        Date that the report bears. It is given, so that the same inputs give the same file.
    receipts : DataFrame
        RECEIPTS of the season.
    choices : Choices
        What was chosen for the analysis.
    tables : str, optional
        Folder beside the page that holds the full tables as CSV, ``inputs.csv`` among them.
        Where none is given, the page names none.
    version : str
        Version of the library.
    made_by : str, optional
        Who ran it.
    edition : Edition
        For whom the page is made, and so what it shows; for managers, unless given.
    measures : Measures
        Units that lengths are printed in.
    own_copy : bool
        Whether it is a landowner's copy of the answer about the own loss, which shows what was
        near as it is.
    """

    season: str
    time_zone: str
    made_on: dt.date
    receipts: pd.DataFrame = field(default_factory=lambda: empty(RECEIPTS))
    choices: Choices = field(default_factory=Choices)
    tables: str | None = None
    version: str = __version__
    made_by: str | None = None
    edition: Edition = field(default_factory=Edition)
    measures: Measures = METRIC
    own_copy: bool = False

    @property
    def inputs(self) -> pd.DataFrame:
        """One row per content that was imported: ``file``, ``sha256``, ``kind``."""
        columns = ["file", "sha256", "kind"]
        once = self.receipts[columns].drop_duplicates("sha256")
        return once.sort_values(["file", "sha256"], ignore_index=True)

    @property
    def combined_hash(self) -> str:
        """SHA-256 of the inputs' SHA-256, sorted, one a line."""
        lines = "".join(f"{digest}\n" for digest in sorted(self.inputs["sha256"]))
        return hashlib.sha256(lines.encode("ascii")).hexdigest()

    def full_table(self, name: str) -> str:
        """Say where the full table is, as a sentence with a space before it; or nothing."""
        own = LANDOWNER_TABLES if self.own_copy else ()
        if not self.tables or not (self.edition.exact or name in (*OPEN_TABLES, *own)):
            return ""
        written = f"{self.edition.unit}s" if name == "segments" else name
        return f" The full table is {self.tables}/{written}.csv."

    def local(self, time: pd.Timestamp | None) -> str | None:
        """Print a moment in the zone of the season; None where there is none."""
        if time is None or pd.isna(time):
            return None
        return f"{time.tz_convert(self.time_zone):%d %b %Y %H:%M}"

    def local_date(self, time: pd.Timestamp | None) -> str | None:
        """Print a date in the zone of the season; None where there is no time."""
        if time is None or pd.isna(time):
            return None
        return f"{time.tz_convert(self.time_zone):%d %b %Y}"


def record_blocks(record: PageRecord) -> tuple[Block, ...]:
    """Print the record at the end of a report."""
    said = [
        f"Season: {record.season}. Times are local to {record.time_zone}. "
        f"Page dated {record.made_on:%d %B %Y}. Computed with carnivore_sign {record.version}. "
        f"Made for {READERS[record.edition.reader]}"
        + (
            f" by {record.made_by}."
            if record.made_by and record.edition.reader != "public"
            else "."
        ),
    ]
    if len(record.inputs):
        said.append(
            f"Inputs: {count(len(record.inputs), 'file')}, combined SHA-256 "
            f"{record.combined_hash} (of their sorted hashes, one a line)."
            f"{record.full_table('inputs')} The same inputs and choices give the same page."
        )
    return Heading("Record"), Bullets(tuple(said))


def withheld_blocks(record: PageRecord) -> tuple[Block, ...]:
    """Say what a page does not show and what was done to its places; nothing for managers."""
    said = record.edition.withheld
    return (Heading("What was withheld"), Bullets(said)) if said else ()
