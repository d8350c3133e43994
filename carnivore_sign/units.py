"""Units: the constants and conversions of the whole library, and lengths read from text.

Every stored quantity has its unit in the column name. Lengths of prints are millimetres,
lengths on the ground metres, times UTC. The factors are checked against pyproj's table of
units in ``tests/test_units.py``.
"""

from __future__ import annotations

from typing import Final

import pandas as pd

#: Metres in one of each unit of length. The foot is the international foot (0.3048 m exactly).
METRES: Final[dict[str, float]] = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "km": 1000.0,
    "in": 0.0254,
    "ft": 0.3048,
    "yd": 0.9144,
    "mi": 1609.344,
}

#: Spellings that people write, and the unit they mean.
SPELLINGS: Final[dict[str, str]] = {
    **{unit: unit for unit in METRES},
    "millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm",
    "centimetre": "cm", "centimetres": "cm", "centimeter": "cm", "centimeters": "cm",
    "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "kilometre": "km", "kilometres": "km", "kilometer": "km", "kilometers": "km",
    "inch": "in", "inches": "in", '"': "in", "\u2033": "in", "''": "in",
    "foot": "ft", "feet": "ft", "'": "ft", "\u2032": "ft",
    "yard": "yd", "yards": "yd", "yds": "yd",
    "mile": "mi", "miles": "mi",
}  # fmt: skip

MM_PER_M: Final = 1000.0
M_PER_KM: Final = 1000.0
SECONDS_PER_HOUR: Final = 3600.0
HOURS_PER_DAY: Final = 24.0

_UNIT = r"\s*(?P<unit>[^\d\s.,]*?)\.?\s*$"
_LENGTH = r"^\s*(?P<number>[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))" + _UNIT
#: Feet with inches behind them: 3' 1", 3 ft 1 1/2 in, 3' 1 (the mark of the inches may be missing
#: behind the mark of the feet, and nowhere else).
_FEET_INCHES = (
    r"^\s*(?P<feet>\d+)\s*(?:(?:ft|feet|foot)\.?|['\u2032\u2019])[\s,-]*"
    r"(?:(?P<inches>\d+(?:[.,]\d+)?)(?![\d/]))?\s*(?:[\s-]*(?P<over>\d+)\s*/\s*(?P<under>[1-9]\d*))?"
    r"\s*(?P<mark>in\.?|inch|inches|\"|''|[\u2033\u201d])?\s*$"
)
_MIXED = r"^\s*(?:(?P<whole>\d+)[\s-]+)?(?P<top>\d+)\s*/\s*(?P<bottom>[1-9]\d*)" + _UNIT


#: A comma with three digits behind it may part thousands or decimals; a point does where
#: other cells of the column have decimal commas.
_EITHER: Final = r"^\s*[+-]?[1-9]\d{0,2},\d{3}(?!\d)"
_EITHER_POINT: Final = r"^\s*[+-]?[1-9]\d{0,2}\.\d{3}(?![\d,])"
#: What shows by its digits how the commas and points of a column are meant.
_DECIMAL_COMMA: Final = r"^\s*[+-]?(?:0,\d|\d*,(?:\d{1,2}|\d{4,})(?!\d)|\d{4,},\d)"
_DECIMAL_POINT: Final = r"^\s*[+-]?\d*\.\d"
_GROUPED_BY_COMMA: Final = r"^\s*[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+|,\d{3})(?!\d)"
_GROUPED_BY_POINT: Final = r"^\s*[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+|\.\d{3})(?!\d)"

#: Said of a length that may be a thousand times another.
TWO_NUMBERS: Final = "it can be two numbers: write 1200 or 1.2, without a mark of thousands"
#: Said of a length without a unit.
NO_UNIT: Final = "no unit: write it behind the number (82 mm)"


def lengths_from_text(
    text: pd.Series, *, to: str = "m", default_unit: str | None = None
) -> tuple[pd.Series, pd.Series]:
    """Read lengths as people write them: ``7.6 cm``, ``3 1/4 in``, ``3' 1"``, ``2,5"``, ``80``.

    Parameters
    ----------
    text : Series
        One length per row; numbers are taken as they are. Missing stays missing.
    to : str
        Unit of the result, a key of `METRES`.
    default_unit : str, optional
        Unit of a bare number. Without it a bare number is a fault.

    Returns
    -------
    values : Series of float
        Lengths in unit `to`, with the index of `text`; NaN where missing or faulty.
    faults : Series of str
        Why a row could not be read; only the faulty rows.

    Examples
    --------
    >>> values, faults = lengths_from_text(pd.Series(["3 in", "76mm", "7,6 cm"]), to="mm")
    >>> [round(value, 1) for value in values]
    [76.2, 76.0, 76.0]
    """
    raw = text.astype("object")
    present = raw.notna() & raw.astype(str).str.strip().ne("")
    words = raw.astype(str).where(present, "")
    words, double = decimal_points(words)
    number, spelled = _numbers_with_units(words, present & ~double)
    unit = spelled.map(SPELLINGS)
    if default_unit is not None:
        unit = unit.mask(spelled.eq("") & number.notna(), default_unit)
    values = number * unit.map(METRES) / METRES[to]

    faults = pd.Series(pd.NA, index=text.index, dtype="object")
    faults[present & number.isna()] = "not a length"
    faults[double] = TWO_NUMBERS
    faults[present & number.notna() & unit.isna()] = NO_UNIT
    strange = present & number.notna() & unit.isna() & spelled.ne("")
    faults[strange] = "unknown unit '" + spelled[strange].astype(str) + "'"
    faults[present & (values < 0)] = "a length below zero"
    values = values.where(faults.isna())
    return values.astype(float), faults.dropna().astype(str)


def decimal_points(words: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Write numbers with decimal points and without thousands separators.

    A comma with three digits behind it, as in ``1,200``, is settled by the other cells of the
    column: one with a decimal comma (``8,2``) or with a point (``8.2``, ``1,200.5``).

    Parameters
    ----------
    words : Series of str
        Numbers with or without units behind them; blank stays blank.

    Returns
    -------
    words : Series of str
        The numbers with points; what is no number is left as it is.
    double : Series of bool
        Where a number can be two, and no cell of the column tells which.

    Examples
    --------
    >>> decimal_points(pd.Series(["1,200 mm", "8.2 mm"]))[0].tolist()
    ['1200 mm', '8.2 mm']
    >>> decimal_points(pd.Series(["1,200 m", "8,2 m"]))[0].tolist()
    ['1.200 m', '8.2 m']
    >>> decimal_points(pd.Series(["1,200 mm"]))[1].tolist()
    [True]
    """
    commas, points = (words.str.contains(mark, regex=False) for mark in ",.")
    if not commas.any():
        return words, pd.Series(False, index=words.index)
    by_comma = words.str.contains(_GROUPED_BY_COMMA)
    by_point = words.str.contains(_GROUPED_BY_POINT)
    either = words.str.contains(_EITHER) & ~by_comma
    either_point = words.str.contains(_EITHER_POINT) & ~commas
    plain_point = words.str.contains(_DECIMAL_POINT) & ~commas & ~either_point
    decimal_comma = (words.str.contains(_DECIMAL_COMMA) & ~points).any() or by_point.any()
    decimal_point = plain_point.any() or by_comma.any()
    if decimal_point and not decimal_comma:
        by_comma |= either
    if by_point.any() and not decimal_point:
        by_point |= either_point
    double = either & (decimal_comma == decimal_point)
    double |= either_point & ~by_point & decimal_comma & (not decimal_point)
    bare = words.mask(by_comma, words.str.replace(r"(?<=\d),(?=\d{3})", "", regex=True))
    bare = bare.mask(by_point, words.str.replace(r"(?<=\d)\.(?=\d{3})", "", regex=True))
    pointed = bare.str.replace(r"(?<=\d),(?=\d)|(?<=^),(?=\d)", ".", regex=True)
    return pointed, double


def _numbers_with_units(words: pd.Series, present: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Return the number of each length, and its unit in lower case as it was spelled.

    The rarer ways of writing are tried on what the commoner ones leave over.
    """
    plain = words.str.extract(_LENGTH)
    number = pd.to_numeric(plain["number"].str.replace(",", ".", regex=False), errors="coerce")
    number = number.where(present).astype(float)
    spelled = plain["unit"].fillna("").str.lower()
    left = present & number.isna()
    if left.any():
        rest = words[left].str.lower()
        fractions, units = _mixed_numbers(rest)
        inches = _inches_behind_feet(rest)
        number[left] = inches.fillna(fractions)
        spelled[left] = units.mask(inches.notna(), "in")
    return number, spelled


def _mixed_numbers(words: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Return numbers with a fraction behind them, such as 3 1/4, and their units."""
    parts = words.str.extract(_MIXED)
    whole, top, bottom = (
        pd.to_numeric(parts[name], errors="coerce") for name in ("whole", "top", "bottom")
    )
    return whole.fillna(0.0) + top / bottom, parts["unit"].fillna("")


def _inches_behind_feet(words: pd.Series) -> pd.Series:
    """Return lengths of feet and inches in inches; NaN where there are not both."""
    parts = words.str.extract(_FEET_INCHES)
    has_inches = parts["inches"].notna() | parts["over"].notna()
    feet, whole, over, under = (
        pd.to_numeric(parts[name].str.replace(",", "."), errors="coerce")
        for name in ("feet", "inches", "over", "under")
    )
    inches = whole.fillna(0.0) + (over / under).fillna(0.0)
    return (12 * feet + inches).where(has_inches & inches.lt(12))
