"""Chaining: how the units of a survey hang together, as options of a fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from carnivore_sign.errors import InputError
from carnivore_sign.presence.markov_line import FirstSegment

Chain = Literal["line", "months", "neighbours"]


@dataclass(frozen=True)
class AlongLine:
    """Segments along their transect; each walk is a look at the line (``markov_line.py``).

    Attributes
    ----------
    first_segment : {"steady", "after_unused"}
        Take the first segment from the chain's steady state, or as if an unused one came
        before it.
    """

    first_segment: FirstSegment = "steady"

    def __post_init__(self) -> None:
        choices = get_args(FirstSegment)
        if self.first_segment not in choices:
            raise InputError(
                f"there is no first_segment {self.first_segment!r}",
                remedy=f"There are {', '.join(map(repr, choices))}.",
            )


@dataclass(frozen=True)
class OverMonths:
    """Months one after another (``months.py``).

    Attributes
    ----------
    colonisation, extinction : sequence of str
        Columns of ``histories.units`` that the change into a month depends on: that an
        unused unit comes into use, and that a used one falls out of it. The row of the
        month that is changed into counts.
    """

    colonisation: Sequence[str] = ()
    extinction: Sequence[str] = ()


@dataclass(frozen=True)
class WithNeighbours:
    """Segments that are used in stretches along their transect (``stretches.py``)."""


Chaining = AlongLine | OverMonths | WithNeighbours

_BY_NAME: dict[str, Chaining] = {
    "line": AlongLine(),
    "months": OverMonths(),
    "neighbours": WithNeighbours(),
}


def chaining_of(chain: Chain | Chaining | None) -> Chaining | None:
    """Return the option that a name stands for, or raise `InputError`."""
    if chain is None or isinstance(chain, Chaining):
        return chain
    if chain not in _BY_NAME:
        there = ", ".join(map(repr, (None, *_BY_NAME)))
        raise InputError(f"there is no chain {chain!r}", remedy=f"There are {there}.")
    return _BY_NAME[chain]


def name_of(chaining: Chaining | None) -> Chain | None:
    """Return the name of a way of chaining."""
    if isinstance(chaining, AlongLine):
        return "line"
    if isinstance(chaining, OverMonths):
        return "months"
    return None if chaining is None else "neighbours"
