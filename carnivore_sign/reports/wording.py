"""Wording: nouns, plurals and lists, so that sentences fit the data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from carnivore_sign.records.vocabularies import TAXA


@dataclass(frozen=True)
class TaxonWords:
    """How a taxon is spoken of: the bare name, one of them, several."""

    name: str
    one: str
    many: str


_MANY: Final = {
    "lynx": "lynx",
    "wolf": "wolves",
    "red_fox": "red foxes",
    "other": "other animals",
}


def taxon_words(taxon: str) -> TaxonWords:
    """Return the words for a taxon.

    Examples
    --------
    >>> taxon_words("wolf")
    TaxonWords(name='wolf', one='a wolf', many='wolves')
    """
    name = TAXA[taxon]
    one = "another animal" if taxon == "other" else f"a {name}"
    return TaxonWords(name, one, _MANY.get(taxon, f"{name}s"))


def count(number: int, noun: str, plural: str | None = None) -> str:
    """Print a number with its noun.

    Examples
    --------
    >>> count(1, "walk"), count(0, "walk"), count(3, "sheep", "sheep")
    ('1 walk', '0 walks', '3 sheep')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


def listed(items: Sequence[str]) -> str:
    """Join items as a sentence does.

    Examples
    --------
    >>> listed(["April", "May", "June"])
    'April, May and June'
    """
    *most, last = items
    return f"{', '.join(most)} and {last}" if most else last


def kilometres(metres: float) -> str:
    """Print a distance in kilometres, or in metres below one.

    Examples
    --------
    >>> kilometres(5000), kilometres(2340), kilometres(480.2)
    ('5 km', '2.3 km', '480 m')
    """
    if metres >= 1000:
        return f"{metres / 1000:.1f}".removesuffix(".0") + " km"
    return f"{metres:.0f} m"
