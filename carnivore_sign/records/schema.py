"""Schema: what a column and a table are.

The tables themselves are in ``recorded.py`` (what people noted) and ``computed.py`` (what was
computed from that); `carnivore_sign.records.tables` offers all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

ColumnKind = Literal["text", "integer", "number", "time", "probability"]


@dataclass(frozen=True)
class Column:
    """One column: its kind, what it means, and which words or range it may hold."""

    name: str
    kind: ColumnKind
    meaning: str
    required: bool = False
    words: tuple[str, ...] = ()
    at_least: float | None = None
    at_most: float | None = None


@dataclass(frozen=True)
class Table:
    """One table: what a row is, its columns, its key, and its geometry (if any)."""

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    geometry: Literal["Point", "LineString", "Polygon", "Geometry"] | None = None
    geometry_required: bool = True
    names: tuple[str, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "names", tuple(column.name for column in self.columns))

    def __getitem__(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


def text(name: str, meaning: str, *, required: bool = False, words: tuple[str, ...] = ()) -> Column:
    """Describe a column of text, of any or of the given words."""
    return Column(name, "text", meaning, required, words)


def number(
    name: str,
    meaning: str,
    *,
    required: bool = False,
    at_least: float | None = None,
    at_most: float | None = None,
) -> Column:
    """Describe a column of numbers, whose unit stands in its name."""
    return Column(name, "number", meaning, required, (), at_least, at_most)


def count(name: str, meaning: str, *, required: bool = False) -> Column:
    """Describe a column of whole numbers from 0."""
    return Column(name, "integer", meaning, required, (), 0)


def yes_no(name: str, meaning: str) -> Column:
    """Return a column that says whether something holds: 1 for yes, 0 for no."""
    return Column(name, "integer", f"1 if {meaning}, 0 if not", False, (), 0, 1)


def time(name: str, meaning: str, *, required: bool = False) -> Column:
    """Describe a column of moments in UTC."""
    return Column(name, "time", meaning, required)
