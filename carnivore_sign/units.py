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
_MIXED = r"^\s*(?:(?P<whole>\d+)[\s-]+)?(?P<top>\d+)\s*/\s*(?P<bottom>[1-9]\d*)" + _UNIT


def lengths_from_text(
    text: pd.Series, *, to: str = "m", default_unit: str | None = None
) -> tuple[pd.Series, pd.Series]:
    """Read lengths as people write them: ``7.6 cm``, ``3 1/4 in``, ``2,5"``, ``80``.

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
    plain = words.str.extract(_LENGTH)
    mixed = words.str.extract(_MIXED)

    number = pd.to_numeric(plain["number"].str.replace(",", "."), errors="coerce")
    whole = pd.to_numeric(mixed["whole"], errors="coerce").fillna(0.0)
    fraction = pd.to_numeric(mixed["top"], errors="coerce") / pd.to_numeric(
        mixed["bottom"], errors="coerce"
    )
    number = number.fillna(whole + fraction)
    spelled = plain["unit"].fillna(mixed["unit"]).fillna("").str.lower()
    unit = spelled.map(SPELLINGS)
    if default_unit is not None:
        unit = unit.mask(spelled.eq("") & number.notna(), default_unit)
    values = number * unit.map(METRES) / METRES[to]

    faults = pd.Series(pd.NA, index=text.index, dtype="object")
    faults[present & number.isna()] = "not a length"
    faults[present & number.notna() & unit.isna()] = (
        "no unit: write the unit behind the number, or state one for the column"
    )
    strange = present & number.notna() & unit.isna() & spelled.ne("")
    faults[strange] = "unknown unit '" + spelled[strange].astype(str) + "'"
    faults[present & (values < 0)] = "a length below zero"
    values = values.where(faults.isna())
    return values.astype(float), faults.dropna().astype(str)
