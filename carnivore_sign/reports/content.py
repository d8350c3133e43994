"""Content: what a report is made of, before it is HTML or PDF.

Every string is plain text. Neither renderer reads it as markup, so that a note from a
notebook can hold anything. A missing value is printed as an en dash, and the table says so.
"""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from numbers import Integral, Real
from typing import Any, Final

import pandas as pd

from carnivore_sign.incidents.words import MISSING

#: Printed under a table that has a missing value.
MISSING_NOTE: Final = f"{MISSING} not known, or cannot be computed"

#: With what the file of a JPEG begins.
_JPEG: Final = b"\xff\xd8"


@dataclass(frozen=True)
class Heading:
    """A heading of level 2 or 3; the title of the report is level 1.

    Attributes
    ----------
    text : str
        The words.
    level : int
        2 or 3.
    """

    text: str
    level: int = 2


@dataclass(frozen=True)
class Paragraph:
    """A paragraph; a `lead` is printed larger.

    Attributes
    ----------
    text : str
        The words.
    lead : bool
        Whether it is printed larger.
    """

    text: str
    lead: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list of short items."""

    items: tuple[str, ...]


@dataclass(frozen=True)
class Caution:
    """A caution with where it comes from.

    Attributes
    ----------
    title, text : str
        What it says.
    source : str
        Where it comes from.
    """

    title: str
    text: str
    source: str


@dataclass(frozen=True)
class NewPage:
    """On paper, what follows begins a page."""


@dataclass(frozen=True)
class FigureBlock:
    """A PNG or JPEG with its caption, and the words for it where it cannot be seen.

    Attributes
    ----------
    png : bytes
        The picture.
    caption : str
        What stands below it.
    alt : str
        What it shows, in words.
    """

    png: bytes
    caption: str
    alt: str


@dataclass(frozen=True, eq=False)
class TableBlock:
    """A table.

    Attributes
    ----------
    frame : DataFrame
        Column names are the headings.
    caption : str
        What the table shows.
    units : mapping of str to str
        Unit of a column, printed behind its heading.
    decimals : mapping of str to int
        Decimals of a column of numbers; 2 where nothing is said.
    """

    frame: pd.DataFrame
    caption: str
    units: Mapping[str, str] = field(default_factory=dict)
    decimals: Mapping[str, int] = field(default_factory=dict)

    @property
    def head(self) -> list[str]:
        """Headings with their units."""
        return [
            f"{name}, {self.units[name]}" if name in self.units else str(name)
            for name in self.frame.columns
        ]

    @property
    def numeric(self) -> list[bool]:
        """Which columns hold numbers, and are set to the right."""
        return [
            pd.api.types.is_numeric_dtype(dtype) and not pd.api.types.is_bool_dtype(dtype)
            for dtype in self.frame.dtypes
        ]

    @property
    def rows(self) -> list[list[str]]:
        """The cells as text."""
        columns = [
            [cell_text(value, self.decimals.get(str(name), 2)) for value in self.frame[name]]
            for name in self.frame.columns
        ]
        return [list(row) for row in zip(*columns, strict=True)]


Block = Heading | Paragraph | Bullets | Caution | NewPage | FigureBlock | TableBlock


@dataclass(frozen=True)
class Report:
    """A report: its title, its language (BCP 47), the date it bears, and its blocks.

    Attributes
    ----------
    title, subtitle : str
        Its headings.
    language : str
        BCP 47.
    made_on : date
        The date it bears.
    blocks : tuple
        What it says, in order.
    """

    title: str
    subtitle: str
    language: str
    made_on: dt.date
    blocks: tuple[Block, ...]


def cell_text(value: Any, decimals: int = 2) -> str:
    r"""Print one value; a missing one as an en dash.

    Examples
    --------
    >>> cell_text(2.0, 1), cell_text(7), cell_text("a\tb"), cell_text(True)
    ('2.0', '7', 'a b', 'yes')
    """
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return MISSING
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if isinstance(value, Integral):
        return f"{int(value)}"
    if isinstance(value, Real):
        return f"{float(value):.{decimals}f}"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d %H:%M}"
    return plain(value) or MISSING


def plain(text: object) -> str:
    """Return `text` on one line, without control characters and lone surrogates."""
    words = " ".join(str(text).split())
    return "".join(
        c for c in words if unicodedata.category(c) not in ("Cc", "Cs", "Co", "Cn") or c == "\ufffd"
    )


def as_plain(report: Report) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Return a report as nested dictionaries of text, and its figures by file name."""
    figures: dict[str, bytes] = {}
    blocks = []
    for block in report.blocks:
        if isinstance(block, FigureBlock):
            kind = "jpg" if block.png.startswith(_JPEG) else "png"
            name = f"figure-{len(figures) + 1}.{kind}"
            figures[name] = block.png
            blocks.append({"kind": "figure", "file": name, **_texts(block, "caption", "alt")})
        else:
            blocks.append(_plain_block(block))
    head = {**_texts(report, "title", "subtitle", "language"), "made_on": f"{report.made_on}"}
    return {**head, "blocks": blocks}, figures


def unbroken(value: Any) -> Any:
    r"""Tie each number to its per cent sign, in every text of nested lists and dictionaries.

    Examples
    --------
    >>> unbroken({"text": "under 5 %"})
    {'text': 'under 5\xa0%'}
    """
    if isinstance(value, dict):
        return {name: unbroken(item) for name, item in value.items()}
    if isinstance(value, list):
        return [unbroken(item) for item in value]
    return re.sub(r"(?<=\d) %", "\N{NO-BREAK SPACE}%", value) if isinstance(value, str) else value


def _plain_block(block: Block) -> dict[str, Any]:
    if isinstance(block, Heading):
        return {"kind": "heading", "level": block.level, **_texts(block, "text")}
    if isinstance(block, Paragraph):
        return {"kind": "paragraph", "lead": block.lead, **_texts(block, "text")}
    if isinstance(block, Bullets):
        return {"kind": "bullets", "items": [plain(item) for item in block.items]}
    if isinstance(block, Caution):
        return {"kind": "caution", **_texts(block, "title", "text", "source")}
    if isinstance(block, TableBlock):
        return _plain_table(block)
    return {"kind": "new_page"}


def _plain_table(block: TableBlock) -> dict[str, Any]:
    rows = block.rows
    gaps = any(cell == MISSING for row in rows for cell in row)
    return {
        "kind": "table",
        "caption": plain(block.caption),
        "head": [plain(name) for name in block.head],
        "numeric": block.numeric,
        "rows": rows,
        "note": MISSING_NOTE if gaps else "",
    }


def _texts(block: object, *names: str) -> dict[str, str]:
    return {name: plain(getattr(block, name)) for name in names}
