"""Angles: latitudes and longitudes as people write them, in decimal degrees.

Read are decimal degrees, degrees and minutes, and degrees, minutes and seconds, with a sign or
a letter for the hemisphere, with the usual marks or with spaces, with decimal points or
commas. Only the last of the numbers may have a fraction. What could be meant in two ways is a
fault with its reason, never a guess.
"""

from __future__ import annotations

import re
from typing import Final, Literal

Axis = Literal["lat", "lon"]

_LETTERS: Final = {"lat": "NS", "lon": "EW"}
_LIMITS: Final = {"lat": 90.0, "lon": 180.0}
_NAMES: Final = {"lat": "latitude", "lon": "longitude"}

#: Marks that people and fonts use, and the plain one.
_PLAIN: Final = str.maketrans(
    {
        **dict.fromkeys("\u00ba\u02da\u1d52*", "\u00b0"),
        **dict.fromkeys("\u2032\u2019\u2018\u00b4`\u02b9\u02bc", "'"),
        **dict.fromkeys("\u2033\u201d\u201c\u02ba", '"'),
        **dict.fromkeys("\u2212\u2013\u2014\u2010\u2011", "-"),
        **dict.fromkeys("\u00a0\u2007\u2009\u202f\t", " "),
        "\ufeff": None,
    }
)
_WORDS: Final = (
    (re.compile(r"\s*\b(north|south|east|west)\b", re.I), lambda match: " " + match[1][0].upper()),
    (re.compile(r"(?<=[\d\s])\s*(degrees|degree|deg)\b\.?", re.I), "\u00b0"),
    (re.compile(r"(?<=[\d\s])\s*(minutes|minute|min)\b\.?", re.I), "'"),
    (re.compile(r"(?<=[\d\s])\s*(seconds|second|sec)\b\.?", re.I), '"'),
    # 12d30m15s: a letter right behind a number, with a number or the end behind it.
    (re.compile(r"(?<=\d)\s*d(?=\s*(\d|$|[NSEWnsew]))"), "\u00b0"),
    (re.compile(r"(?<=\d)\s*m(?=\s*(\d|$|[NSEWnsew]))"), "'"),
    (re.compile(r"(?<='\d)s|(?<=\d)s(?=\s*[NSEWnsew]\s*$)"), '"'),
    (re.compile(r"('\s*\d+(?:[.,]\d+)?)\s*s(?=\s*$)"), r'\1"'),
    (re.compile(r"''"), '"'),
)
_NUMBER: Final = r"\d+(?:[.,]\d*)?|[.,]\d+"
_ANGLE: Final = re.compile(
    rf"(?P<before>[NSEW])?\s*(?P<sign>[+-])?\s*(?P<degrees>{_NUMBER})\s*[\u00b0:]?\s*"
    rf"(?:(?P<minutes>{_NUMBER})\s*[':]?\s*(?:(?P<seconds>{_NUMBER})\s*\"?\s*)?)?"
    r"(?P<behind>[NSEW])?",
    re.IGNORECASE,
)


class Unreadable(ValueError):
    """A position cannot be read; the message is the reason."""


def plain_marks(text: str) -> str:
    """Return a position with plain marks for degrees, minutes, seconds, minus and space.

    Examples
    --------
    >>> plain_marks("37 deg 24 min North")
    "37° 24' N"
    """
    plain = text.translate(_PLAIN).strip()
    for pattern, mark in _WORDS:
        plain = pattern.sub(mark, plain)
    return re.sub(r"\s+", " ", plain).strip()


def degrees_of(text: str, axis: Axis) -> float:
    """Read one latitude or longitude.

    Parameters
    ----------
    text : str
        The angle, as written.
    axis : {'lat', 'lon'}
        Which of the two it is.

    Returns
    -------
    float
        Decimal degrees, north and east positive.

    Raises
    ------
    Unreadable
        If it is no such angle; the message says why.

    Examples
    --------
    >>> degrees_of("N 37\u00b0 24.5'", "lat"), degrees_of("119 12 9 W", "lon")
    (37.40833333333333, -119.2025)
    """
    parts = _ANGLE.fullmatch(plain_marks(text))
    if parts is None:
        raise Unreadable("not a number of degrees: write 37.4216, or N 37 25.296")
    given = [parts[name] for name in ("degrees", "minutes", "seconds") if parts[name]]
    numbers = [float(number.replace(",", ".")) for number in given]
    if any(number % 1 for number in numbers[:-1]):
        raise Unreadable("a fraction stands before the last number")
    if any(number >= 60 for number in numbers[1:]):
        raise Unreadable("60 or more minutes or seconds")
    side = _side(parts, axis)
    size = sum(number / 60**place for place, number in enumerate(numbers))
    if size > _LIMITS[axis]:
        raise Unreadable(f"out of range, -{_LIMITS[axis]:g} to {_LIMITS[axis]:g}")
    return size * side


def _side(parts: re.Match[str], axis: Axis) -> float:
    """Return 1 or -1 for the hemisphere."""
    letters = [parts[name].upper() for name in ("before", "behind") if parts[name]]
    if len(letters) == 2:
        raise Unreadable("two letters for the hemisphere")
    if letters and letters[0] not in _LETTERS[axis]:
        raise Unreadable(f"the letter {letters[0]} is no {_NAMES[axis]}")
    if letters and parts["sign"]:
        raise Unreadable("a sign and a letter for the hemisphere: write one of them")
    negative = letters[0] in "SW" if letters else parts["sign"] == "-"
    return -1.0 if negative else 1.0
