"""Notes: what a reader of a result has to know, and the warning that goes with it."""

from __future__ import annotations

from typing import NamedTuple

from carnivore_sign.errors import BoundaryWarning, DataWarning


class Note(NamedTuple):
    """One thing to know, and the class of warning it deserves (None: not a warning)."""

    text: str
    warning: type[Warning] | None = None


def left_out(what: str) -> Note:
    """Return a note on rows that were not used."""
    return Note(f"Left out: {what}", DataWarning)


def not_estimable(what: str) -> Note:
    """Return a note on a quantity that the data leave open."""
    return Note(f"Not estimable: {what}", BoundaryWarning)
