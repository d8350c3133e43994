"""Cells: what people write in a notebook, turned into numbers and words of the record.

Each reader takes a column of text and gives the values and the faults, both with the index of
the column: a value where it could be read, a reason where it could not, neither where the cell
is blank. `carnivore_sign.units.lengths_from_text` does the same for lengths.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.records.vocabularies import FEET, NOT_VISIBLE, TAXON_NAMES, UNNAMED
from carnivore_sign.units import HOURS_PER_DAY, decimal_points

Read = tuple[pd.Series, pd.Series]

#: Hours in the units of time that people write for the age of sign.
HOURS: Final[dict[str, float]] = {
    "": 1.0,
    **dict.fromkeys(("min", "mins", "minute", "minutes"), 1 / 60),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), 1.0),
    **dict.fromkeys(("d", "day", "days"), 24.0),
    **dict.fromkeys(("w", "wk", "wks", "week", "weeks"), 168.0),
}

#: The sixteen points of the compass, clockwise from north.
COMPASS: Final = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
    "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip
_COMPASS_DEG: Final = {point: place * 22.5 for place, point in enumerate(COMPASS)}
_COMPASS_WORDS: Final = {"NORTH": "N", "EAST": "E", "SOUTH": "S", "WEST": "W"}

#: Feet as people write them, and the word of the record.
FOOT_NAMES: Final[dict[str, str]] = {
    **{foot: foot for foot in FEET},
    **{
        written: f"{side}_{end}"
        for side in ("left", "right")
        for end, letters in (("front", ("f",)), ("hind", ("h", "r")))
        for letter in letters
        for written in (f"{side[0]}{letter}", f"{letter}{side[0]}", f"{end}_{side}")
    },
    "left_rear": "left_hind", "right_rear": "right_hind",
    "left_back": "left_hind", "right_back": "right_hind",
    "left_fore": "left_front", "right_fore": "right_front",
}  # fmt: skip
# "rf" and "rh" are right feet and "lr" a left rear one; "fr" would be read two ways, and "rr"
# and "rl" only one.
FOOT_NAMES.update({"rf": "right_front", "rh": "right_hind", "rr": "right_hind"})

_NUMBER: Final = r"^\s*(?P<number>[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(?P<unit>[^\d\s]*)\s*$"
#: What people write for "could not be seen".
_HIDDEN_WORDS: Final = ("not_visible", "hidden", "unclear", "not_seen", "nv", "?", "-", "n/a")


def words_of(text: pd.Series) -> pd.Series:
    """Return a column in lower case with single underscores for spaces and dashes."""
    plain = text.str.strip().str.lower()
    return plain.str.replace(r"[\s\-_]+", "_", regex=True).str.strip("_")


def numbers_from_text(text: pd.Series) -> Read:
    """Read bare numbers with a decimal point or comma.

    Examples
    --------
    >>> values, faults = numbers_from_text(pd.Series(["37.42", "-119,2", "x"]))
    >>> values.tolist(), faults.tolist()
    ([37.42, -119.2, nan], ['not a number'])
    """
    numbers, units, present = _with_unit(text)
    bad = present & (numbers.isna() | units.ne(""))
    return numbers.where(~bad), _faults(bad, "not a number")


def counts_from_text(text: pd.Series) -> Read:
    """Read whole numbers from 0 up."""
    numbers, units, present = _with_unit(text)
    whole = numbers.ge(0) & numbers.mod(1).eq(0) & numbers.lt(2**31) & units.eq("")
    bad = present & ~whole
    return numbers.where(~bad), _faults(bad, "not a whole number")


def shares_from_text(text: pd.Series) -> Read:
    """Read a confidence as a share of one: ``80 %``, ``0.8``; a bare 80 is percent too.

    Examples
    --------
    >>> shares_from_text(pd.Series(["80 %", "0,8", "80", ""]))[0].tolist()
    [0.8, 0.8, 0.8, nan]
    """
    numbers, units, present = _with_unit(text)
    percent = units.eq("%") | (units.eq("") & numbers.gt(1))
    shares = numbers.where(~percent, numbers / 100)
    bad = present & (numbers.isna() | ~units.isin(["", "%"]) | ~shares.between(0, 1))
    return shares.where(~bad), _faults(bad, "not a share: write 80 % or 0.8")


def hours_from_text(text: pd.Series) -> Read:
    """Read an age in hours: ``2 h``, ``1 d``, ``30 min``; a bare number is hours.

    Examples
    --------
    >>> hours_from_text(pd.Series(["2 h", "1.5 d", "30 min", "6"]))[0].tolist()
    [2.0, 36.0, 0.5, 6.0]
    """
    numbers, units, present = _with_unit(text)
    factor = units.str.lower().str.rstrip(".").map(HOURS)
    hours = numbers * factor
    bad = present & (hours.isna() | hours.lt(0))
    return hours.where(~bad), _faults(bad, "not an age: write 2 h, 1 d or 30 min")


def days_from_text(text: pd.Series) -> Read:
    """Read a span in days: ``2 d``, ``12 h``; a bare number is days.

    Examples
    --------
    >>> days_from_text(pd.Series(["2", "12 h", "1.5 d"]))[0].tolist()
    [2.0, 0.5, 1.5]
    """
    hours, faults = hours_from_text(text)
    bare, _ = numbers_from_text(text)
    return bare.fillna(hours / HOURS_PER_DAY), faults


def bearings_from_text(text: pd.Series) -> Read:
    """Read a direction in degrees from north: ``45``, ``45°``, ``NNE``, ``north-east``.

    Examples
    --------
    >>> bearings_from_text(pd.Series(["NNE", "north-west", "45°", "360"]))[0].tolist()
    [22.5, 315.0, 45.0, 0.0]
    """
    upper = text.str.strip().str.upper().str.replace(r"[\s\-_]+", "", regex=True)
    for word, letter in _COMPASS_WORDS.items():
        upper = upper.str.replace(word, letter, regex=False)
    points = upper.map(_COMPASS_DEG)
    numbers, units, present = _with_unit(text)
    plain = units.str.lower().isin(["", "°", "deg", "degrees"])
    degrees = numbers.where(plain & numbers.between(0, 360)) % 360
    bearings = points.fillna(degrees).astype(float)
    bad = present & bearings.isna()
    return bearings, _faults(bad, "not a direction: write degrees from 0 to 360, or NNE")


def words_from_text(text: pd.Series, known: Mapping[str, str] | Iterable[str]) -> Read:
    """Read words of a vocabulary, written with spaces, dashes or underscores in any case.

    Parameters
    ----------
    text : Series of str
        The column.
    known : mapping of str to str, or iterable of str
        Words as people write them and the word of the record, or the words themselves.
    """
    mapping = dict(known) if isinstance(known, Mapping) else {word: word for word in known}
    words = words_of(text)
    read = words.map(_plain_words(tuple(mapping.items()))).astype("object")
    read = read.where(read.notna(), None)
    bad = words.ne("") & read.isna()
    return read, _faults(bad, "not one of " + ", ".join(dict.fromkeys(mapping.values())))


@lru_cache(maxsize=64)
def _plain_words(known: tuple[tuple[str, str], ...]) -> dict[str, str]:
    """Return the words that people write, as `words_of` gives them, and those of the record."""
    written = words_of(pd.Series([word for word, _ in known], dtype="object"))
    return dict(zip(written, (word for _, word in known), strict=True))


def taxa_from_text(text: pd.Series) -> Read:
    """Read the name of an animal; see `carnivore_sign.records.vocabularies.TAXON_NAMES`.

    Who writes *unknown* has named no animal, so that it is missing.

    Examples
    --------
    >>> read, faults = taxa_from_text(pd.Series(["Cougar", "unknown", "?"]))
    >>> read.tolist(), len(faults)
    (['puma', None, None], 0)
    """
    named = ~text.str.strip().str.lower().isin(UNNAMED)
    return words_from_text(text.where(named, ""), TAXON_NAMES)


def feet_from_text(text: pd.Series) -> Read:
    """Read which foot: ``LF``, ``left front``, ``left_front``."""
    return words_from_text(text, FOOT_NAMES)


def character_from_text(text: pd.Series, states: Collection[str]) -> Read:
    """Read the state of a character; blank is not visible, which is never a vote."""
    hidden = dict.fromkeys(_HIDDEN_WORDS, NOT_VISIBLE)
    read, faults = words_from_text(text, {**{state: state for state in states}, **hidden})
    blank = text.str.strip().eq("")
    return read.mask(blank, NOT_VISIBLE), faults


def _with_unit(text: pd.Series) -> tuple[pd.Series, pd.Series, pd.Series]:
    present = text.str.strip().ne("")
    pointed, double = decimal_points(text)
    parts = pointed.where(~double, "").str.extract(_NUMBER)
    numbers = pd.to_numeric(parts["number"].str.replace(",", ".", regex=False), errors="coerce")
    return numbers.astype(np.float64), parts["unit"].fillna(""), present


def _faults(bad: pd.Series, reason: str) -> pd.Series:
    return pd.Series(reason, index=bad.index[bad.to_numpy(dtype=bool)], dtype="object")
