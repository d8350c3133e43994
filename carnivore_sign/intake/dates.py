"""Dates: days and times of day as people write them, turned into ISO 8601.

Read is what can be meant in one way only: ``2014-08-22``, ``2014/08/22``, ``22 Aug 2014``,
``Aug 22, 2014``, ``22.08.2014`` (day first, as dots are used), and a date with slashes or
dashes if it is the same day whichever of its numbers is the month, or if one of them is above
12. Times of day are ``7:40``, ``7.40``, ``7h40``, ``0740`` and ``7:40 pm``. Anything else is
left as it came, and `why_unread` says what is wrong with it and what to write.
"""

from __future__ import annotations

import datetime
import re
from typing import Final

import pandas as pd

#: Shown in remedies.
_DATE: Final = "2014-08-22"
_CLOCK: Final = "18:53"

_MONTH_NAMES: Final = (
    *("january", "february", "march", "april", "may", "june", "july", "august", "september"),
    *("october", "november", "december"),
)
_MONTH: Final = r"(?P<{}>[A-Za-z]{{3,9}})\.?"
_YEAR_FIRST: Final = r"(?P<y1>\d{4})(?P<s1>[-/.])(?P<m1>\d{1,2})(?P=s1)(?P<d1>\d{1,2})"
_COMPACT: Final = r"(?P<y2>(?:19|20)\d\d)(?P<m2>\d\d)(?P<d2>\d\d)"
_YEAR_LAST: Final = r"(?P<a3>\d{1,2})(?P<s3>[-/]|\. ?)(?P<b3>\d{1,2})(?P=s3)(?P<y3>\d{4}|\d\d)"
_DAY_NAME: Final = (
    r"(?P<d4>\d{1,2})(?:st|nd|rd|th)?\.?[\s-]*"
    + _MONTH.format("m4")
    + r",?[\s-]*(?P<y4>\d{4}|\d\d)"
)
_NAME_DAY: Final = (
    _MONTH.format("m5") + r"[\s-]*(?P<d5>\d{1,2})(?:st|nd|rd|th)?(?:,\s*|[\s-]+)(?P<y5>\d{4}|\d\d)"
)
_DAY: Final = (
    "(?:" + "|".join((_YEAR_FIRST, _COMPACT, _YEAR_LAST, _DAY_NAME, _NAME_DAY)) + r")(?!\d)"
)
_MOMENT: Final = re.compile(
    rf"(?P<day>{_DAY})(?:(?:[Tt]|,?\s+(?:at\s+)?)\s*(?P<clock>\S.*))?\s*", re.ASCII
)
_TIME: Final = re.compile(
    r"(?P<hour>\d{1,2})(?:(?:[:.]|\s*[hH]\s*)(?P<minute>\d\d)(?P<rest>:\d\d(?:[.,]\d+)?)?)?"
    r"\s*(?:(?P<half>[aApP])\.?\s?[mM]?\.?)?",
    re.ASCII,
)
_DIGITS: Final = re.compile(r"(\d{1,2})(\d\d)(?:\s*[hH])?", re.ASCII)
_SIX_DIGITS: Final = re.compile(r"(\d\d)(\d\d)(\d\d)(\.\d+)?", re.ASCII)
_READ_TIME: Final = re.compile(
    r"([01]\d|2[0-3]):[0-5]\d(?::[0-5]\d(?:[.,]\d+)?)?(?:\s*(?:[zZ]|[+-].*))?", re.ASCII
)
#: Orders of a date of six digits, and the places of its year, month and day.
_ORDERS: Final = {
    "year, month, day": (0, 2, 4),
    "day, month, year": (4, 2, 0),
    "month, day, year": (4, 0, 2),
}
#: Year, without its century, in which GPS began.
_FIRST_YEAR: Final = 80
_MIDNIGHT: Final = re.compile(r"00:00(?::00(?:\.0+)?)?")


def split_moment(written: str) -> tuple[str, str]:
    """Part a cell into its date and its time of day, each as written; blank where it has none.

    Examples
    --------
    >>> split_moment("22/08/2014 18:53"), split_moment("7:40 pm")
    (('22/08/2014', '18:53'), ('', '7:40 pm'))
    """
    found = _MOMENT.fullmatch(written)
    if found is None:
        return "", written
    return found["day"], found["clock"] or ""


def read_day(written: str) -> tuple[str | None, str]:
    """Read a date.

    Returns
    -------
    iso : str or None
        As ``YYYY-MM-DD``; None if it cannot be read.
    told : str
        Why it cannot be read; of one that was read, what was assumed, or nothing.

    Examples
    --------
    >>> read_day("22 Aug 2014"), read_day("8/22/2014")[0], read_day("3/4/2014")[1]
    (('2014-08-22', ''), '2014-08-22', 'it can be two dates: write 2014-04-03 or 2014-03-04')
    """
    found = _MOMENT.fullmatch(written)
    if found is None or found["clock"]:
        return None, f"not a date: write the date as {_DATE}"
    parts = {name: found[name] for name in found.groupdict() if found[name]}
    year = next(parts[name] for name in ("y1", "y2", "y3", "y4", "y5") if name in parts)
    if len(year) == 2:
        return None, f"a year of two digits: write the year in full, as in {_DATE}"
    if "y3" in parts:
        return _year_last(int(year), int(parts["a3"]), int(parts["b3"]), parts["s3"].strip())
    place = next(place for place in "1245" if f"y{place}" in parts)
    month = parts[f"m{place}"]
    number = int(month) if month.isdigit() else _month_number(month)
    if not number:
        return None, f"'{month}' is no month: write the date as {_DATE}"
    iso = _iso(int(year), number, int(parts[f"d{place}"]))
    return (iso, "") if iso else (None, _no_such(written))


def _year_last(year: int, first: int, second: int, mark: str) -> tuple[str | None, str]:
    day_first, month_first = _iso(year, second, first), _iso(year, first, second)
    written = f"{first:02d}{mark}{second:02d}{mark}{year}"
    if mark == "." or first == second:
        return (day_first, "") if day_first else (None, _no_such(written))
    if first <= 12 and second <= 12:
        return None, f"it can be two dates: write {day_first} or {month_first}"
    iso = day_first or month_first
    return (iso, f"{written} as {iso}") if iso else (None, _no_such(written))


def _month_number(name: str) -> int:
    word = name.lower()
    if word == "sept":
        return 9
    fits = [whole.startswith(word) and len(word) >= 3 for whole in _MONTH_NAMES]
    return fits.index(True) + 1 if any(fits) else 0


def _iso(year: int, month: int, day: int) -> str | None:
    try:
        return datetime.date(year, month, day).isoformat()
    except ValueError:
        return None


def _no_such(written: str) -> str:
    return f"no such date ({written}): write the date as {_DATE}"


def tidy_clock(written: str) -> str:
    """Return a time of day as ``HH:MM`` with its seconds; as it came if it is none.

    Examples
    --------
    >>> [tidy_clock(text) for text in ("7.40", "1910", "7:10 pm", "7 pm", "12:05 a.m.", "noon")]
    ['07:40', '19:10', '19:10', '19:00', '00:05', 'noon']
    >>> tidy_clock("173418")
    '17:34:18'
    """
    bare = _DIGITS.fullmatch(written)
    if bare:
        return f"{bare[1]:0>2}:{bare[2]}"
    seconds = _SIX_DIGITS.fullmatch(written)
    if seconds:
        return f"{seconds[1]}:{seconds[2]}:{seconds[3]}{seconds[4] or ''}"
    found = _TIME.fullmatch(written)
    if found is None or not (found["minute"] or found["half"]):
        return written
    hour = int(found["hour"])
    if found["half"]:
        if not 1 <= hour <= 12:
            return written
        hour = hour % 12 + 12 * (found["half"].lower() == "p")
    return f"{hour:02d}:{found['minute'] or '00'}{found['rest'] or ''}"


def join_moment(day: str, clock: str) -> str:
    """Join a cell of a date and one of a time of day into ISO 8601 text.

    Either cell may hold both; then the date that stands beside the time of day is taken. The
    midnight that a spreadsheet adds to a date goes. What cannot be read is joined as it came.

    Examples
    --------
    >>> join_moment("22.08.2014", "7:10 pm"), join_moment("", "Aug 22, 2014 1910")
    ('2014-08-22T19:10', '2014-08-22T19:10')
    """
    day, clock = parted(day, clock)
    day = read_day(day)[0] or day
    clock = tidy_clock(clock)
    return f"{day}T{clock}" if day and clock else day + clock


def parted(day: str, clock: str) -> tuple[str, str]:
    """Return the date and the time of day of two cells, of which either may hold both."""
    own = split_moment(clock)
    if own[0] and (not day or re.search(r"\d{4}", own[0])):
        return own
    if not clock:
        return split_moment(day) if split_moment(day)[0] else (day, "")
    written, rest = split_moment(day)
    return (written if written and _MIDNIGHT.fullmatch(rest) else day), clock


def six_digit_days(days: pd.Series, *, latest: datetime.date) -> tuple[pd.Series, list[str]]:
    """Read dates of six digits, as devices write them in a column of their own.

    The order of year, month and day is that which makes a date of every cell between the
    beginning of GPS (1980) and `latest`. Where several do, it is year, month, day, the order of
    ISO 8601, and the note says what else it can be.

    Parameters
    ----------
    days : Series of str
        The column; cells of another form are left as they are.
    latest : date
        No date can be later: today.

    Returns
    -------
    days : Series of str
        With those dates as ``YYYY-MM-DD``.
    notes : list of str
        How they were read.

    Examples
    --------
    >>> today = datetime.date(2026, 2, 14)
    >>> six_digit_days(pd.Series(["310725", "010825"]), latest=today)[0].tolist()
    ['2025-07-31', '2025-08-01']
    >>> six_digit_days(pd.Series(["999999"]), latest=today)[0].tolist()
    ['999999']
    """
    cells = [day for day in days.unique() if _SIX_DIGITS.fullmatch(day)]
    fits = {}
    for order, places in _ORDERS.items():
        read = {day: _two_digit_day(day, places, latest) for day in cells}
        if all(read.values()):
            fits[order] = read
    if not cells or not fits:
        return days, []
    (order, read), *others = fits.items()
    told = f"dates of six digits were read as {order}: {cells[0]} as {read[cells[0]]}"
    told += "".join(f"; by {other} it would be {known[cells[0]]}" for other, known in others)
    return days.map(lambda day: read.get(day, day)), [told]


def _two_digit_day(written: str, places: tuple[int, int, int], latest: datetime.date) -> str | None:
    year, month, day = (int(written[place : place + 2]) for place in places)
    iso = _iso(year + (1900 if year >= _FIRST_YEAR else 2000), month, day)
    return iso if iso and iso <= latest.isoformat() else None


def date_notes(moments: pd.Series) -> list[str]:
    """Tell how dates with slashes or dashes were read.

    Parameters
    ----------
    moments : Series of str
        Dates, with or without the time of day behind them.
    """
    told = [read_day(split_moment(text)[0])[1] for text in moments.unique() if "T" not in text]
    read = [one for one in told if " as " in one and one[0].isdigit()]
    if not read:
        return []
    return [f"dates were read by the number above 12, which is a day: {read[0]}"]


def why_unread(day: str, clock: str, *, apart: bool) -> str | None:
    """Say why a date with its time of day cannot be read, and what to write.

    Parameters
    ----------
    day, clock : str
        The two cells, as written; `day` is blank where a table has one column for both.
    apart : bool
        Whether the table has a column for the date and one for the time of day.

    Returns
    -------
    str or None
        None if it can be read.

    Examples
    --------
    >>> why_unread("22/08/14", "18:53", apart=True)
    'a year of two digits: write the year in full, as in 2014-08-22'
    """
    day, clock = parted(day, clock)
    is_time = _READ_TIME.fullmatch(tidy_clock(clock)) is not None
    if not day:
        both = f"the date as {_DATE} and the time as {_CLOCK}" if apart else f"{_DATE} {_CLOCK}"
        what = "a time of day without a date" if is_time else "not a time"
        return f"{what}: write {both}"
    iso, told = read_day(day)
    if iso is None:
        return told
    if not clock:
        missing = f"the time as {_CLOCK} in its column" if apart else f"{iso} {_CLOCK}"
        return f"a date without time of day: write {missing}"
    return (
        None
        if is_time
        else f"'{clock}' is no time of day: write the time in full, for example {_CLOCK}"
    )
