"""The record of a page: what it was computed from, with which versions, so that it can be
computed again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from carnivore_sign._version import __version__
from carnivore_sign.reports.content import Block, Bullets, Heading, TableBlock


@dataclass(frozen=True)
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
    hashes : mapping of str to str
        SHA-256 of each input, by file name.
    version : str
        Version of the library.
    made_by : str, optional
        Who ran it.
    """

    season: str
    time_zone: str
    made_on: dt.date
    hashes: Mapping[str, str] = field(default_factory=dict)
    version: str = __version__
    made_by: str | None = None

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
        f"Season: {record.season}.",
        f"Page dated {record.made_on:%d %B %Y}. Times are local to {record.time_zone}.",
        f"Computed with carnivore_sign {record.version}.",
    ]
    if record.made_by:
        said.append(f"Made by {record.made_by}.")
    blocks: tuple[Block, ...] = (Heading("Record"), Bullets(tuple(said)))
    if not record.hashes:
        return blocks
    frame = pd.DataFrame(
        {
            "Input": list(record.hashes),
            "SHA-256 (first 16 of 64 digits)": [h[:16] for h in record.hashes.values()],
        }
    )
    return (*blocks, TableBlock(frame, "Inputs. The same inputs give the same page."))
