"""Texts: many short numbers and times in one stretch of bytes, read at once.

Each reader takes where the texts begin and end and gives an array, or None if any of them is
not plainly what it should be. Columns of letters are handled one after the other, each for all
texts at once. Numbers are exact: up to 15 digits an integer divided by a power of ten is the
nearest double (both are doubles, sums of whole numbers below 2**53 are exact in any order, and
the division rounds once); longer ones go to the parser of numpy.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Longest number that is read, in characters.
MAX_DIGITS: Final = 24
_EXACT_DIGITS: Final = 15
_POWERS: Final = 10.0 ** np.arange(MAX_DIGITS)
_MINUS, _POINT, _ZERO, _Z = (ord(letter) for letter in "-.0Z")
#: Place and letter of the signs in 2026-02-14T15:40:00.
_SIGNS: Final = {4: "-", 7: "-", 10: "T", 13: ":", 16: ":"}
#: Places of the digits in it.
_CLOCK: Final = [place for place in range(19) if place not in _SIGNS]
_DATE_LENGTH: Final = 10
_CLOCK_LENGTH: Final = 19
_LONGEST_TIME: Final = 30
#: Letters that are looked through, and of each text compared, at once.
_BLOCK: Final = 2**17
_COMPARED: Final = 32
#: Texts that are read at once.
_AT_ONCE: Final = 50_000
_FIRST_YEAR, _LAST_YEAR = 1900, 2200
_MONTH_DAYS: Final = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


@dataclass(frozen=True)
class Text:
    """Bytes seen as letters; what would stand behind the last of them is blank."""

    data: bytes
    letters: npt.NDArray[np.uint8] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "letters", np.frombuffer(self.data, dtype=np.uint8))

    def places(self, letter: int, start: int, end: int) -> IntArray:
        """Return every place of a letter in a stretch, which is looked through in blocks."""
        found = [np.empty(0, dtype=np.int64)]
        for first in range(start, end, _BLOCK):
            block = self.letters[first : min(first + _BLOCK, end)]
            found.append(first + np.flatnonzero(block == letter))
        return np.concatenate(found)

    def windows(self, start: IntArray, width: int) -> npt.NDArray[np.uint8]:
        """Return `width` letters from each place on, as an array of columns of letters."""
        rows = self.pieces(start, f"V{width}").view(np.uint8).reshape(len(start), width)
        return np.ascontiguousarray(rows.T)

    def equals(self, start: IntArray, word: bytes) -> BoolArray:
        """Tell where the letters from each place on are those of a word without NUL."""
        same = np.ones(len(start), dtype=bool)
        for first in range(0, len(word), _COMPARED):
            piece = word[first : first + _COMPARED]
            same &= self.pieces(start + first, f"S{len(piece)}") == piece
        return same

    def pieces(self, start: IntArray, kind: str) -> npt.NDArray[Any]:
        """Return the bytes from each place on as values of a kind of numpy."""
        width = np.dtype(kind).itemsize
        beyond = int(start.max(initial=0)) + width - len(self.data)
        data = self.data + b" " * beyond if beyond > 0 else self.data
        every = np.ndarray(len(data) - width + 1, dtype=kind, buffer=data, strides=(1,))
        return every[start]

    def ends(self, letter: int, start: IntArray, *, guess: int, width: int) -> IntArray:
        """Return where each text that `letter` ends does so.

        Most texts are as long as the `guess`; the others are looked through up to `width`.
        A text that has `letter` both before and at the guess is cut at the guess: whoever
        reads it finds `letter` inside.
        """
        found = start + guess
        others = np.flatnonzero(self.pieces(found, "u1") != letter)
        if len(others):
            some = start[others]
            found[others] = some + (self.windows(some, width) == letter).argmax(axis=0)
        return found


def decimals(text: Text, start: IntArray, end: IntArray) -> FloatArray | None:
    """Read decimal numbers such as ``-119.2034``; None if any is something else.

    Examples
    --------
    >>> decimals(Text(b"12.5 -3"), np.array([0, 5]), np.array([4, 7]))
    array([12.5, -3. ])
    """
    if len(start) > _AT_ONCE:
        return _in_blocks(decimals, text, start, end)
    length = end - start
    longest = int(length.max(initial=0))
    if not 0 < longest <= MAX_DIGITS or int(length.min()) < 1:
        return None
    if int(end.min()) < longest:  # room in front, for numbers are put below each other's ends
        return decimals(Text(b" " * longest + text.data), start + longest, end + longest)
    columns = text.windows(end - longest, longest)
    inside = np.arange(longest, 0, -1, dtype=np.uint8)[:, None] <= length.astype(np.uint8)
    digits = columns - np.uint8(_ZERO)
    is_digit = (digits < 10) & inside
    is_point = (columns == _POINT) & inside
    negative = text.letters[start] == _MINUS
    digit_count = is_digit.sum(axis=0, dtype=np.uint8)
    point_count = is_point.sum(axis=0, dtype=np.uint8)
    plain = (digit_count + point_count + negative == length) & (digit_count > 0) & (point_count < 2)
    if not plain.all():
        return None
    digits *= is_digit
    numbers = _put_together(digits, is_point)
    np.negative(numbers, out=numbers, where=negative)
    long = np.flatnonzero(digit_count > _EXACT_DIGITS)
    if len(long):
        some = [text.data[first:last] for first, last in zip(start[long], end[long], strict=True)]
        numbers[long] = np.array(some).astype(np.float64)
    return numbers


def _in_blocks(
    read: Callable[[Text, IntArray, IntArray], npt.NDArray[Any] | None],
    text: Text,
    start: IntArray,
    end: IntArray,
) -> npt.NDArray[Any] | None:
    """Read very many texts some at a time, so that little memory is taken on the way."""
    found = []
    for first in range(0, len(start), _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        block = read(text, start[some], end[some])
        if block is None:
            return None
        found.append(block)
    return np.concatenate(found)


def tuples(words: Sequence[str], separator: str) -> FloatArray | None:
    """Read tuples of two or three decimal numbers; None if any is something else.

    Returns
    -------
    array of float, shape (n, 2) or (n, 3), or None
        All tuples have the same length.

    Examples
    --------
    >>> tuples(["-119.2,37.4", "-119.3,37.5"], ",")
    array([[-119.2,   37.4],
           [-119.3,   37.5]])
    """
    if len(words) > _AT_ONCE:
        blocks = [
            tuples(words[at : at + _AT_ONCE], separator) for at in range(0, len(words), _AT_ONCE)
        ]
        sizes = {None if block is None else block.shape[1] for block in blocks}
        return np.concatenate(blocks) if len(sizes) == 1 and None not in sizes else None  # type: ignore[arg-type]
    joined = "\n".join([*words, ""])
    if not words or not joined.isascii():
        return None
    text = Text(joined.encode("ascii"))
    newline, between = ord("\n"), ord(separator)
    at = np.flatnonzero((text.letters == newline) | (text.letters == between))
    size, rest = divmod(len(at), len(words))
    if size not in (2, 3) or rest:
        return None
    start = np.concatenate([[0], at[:-1] + 1]).reshape(-1, size)
    end = at.reshape(-1, size)
    behind = text.letters[end]
    if (behind[:, :-1] != between).any() or (behind[:, -1] != newline).any():
        return None
    columns = [decimals(text, start[:, place], end[:, place]) for place in range(size)]
    if any(column is None for column in columns):
        return None
    return np.column_stack(columns)  # type: ignore[arg-type]


def _put_together(digits: npt.NDArray[np.uint8], is_point: BoolArray) -> FloatArray:
    """Put the digits of each number together; numbers with the point at one place at once."""
    longest, count = digits.shape
    numbers = np.empty(count)
    pointed = is_point.any(axis=1)
    for point in [*np.flatnonzero(pointed).tolist(), longest]:
        where = is_point[point] if point < longest else ~is_point.any(axis=0)
        if not where.any():
            continue
        some = digits if where.all() else digits[:, where]
        behind = max(longest - 1 - point, 0)
        worth = np.concatenate([_POWERS[:point][::-1] * _POWERS[behind], _POWERS[:behind][::-1]])
        there = np.flatnonzero(np.arange(longest) != point)
        numbers[where] = worth @ some[there].astype(np.float64) / _POWERS[behind]
    return numbers


def moments_ms(text: Text, start: IntArray, end: IntArray) -> IntArray | None:
    """Read times such as ``2026-02-14T15:40:00.250Z``; None if any is something else.

    Returns
    -------
    array of int or None
        Milliseconds since 1970 UTC, halves to the even one.

    Examples
    --------
    >>> moments_ms(Text(b"1970-01-01T00:00:01.5Z"), np.array([0]), np.array([22]))
    array([1500])
    """
    if len(start) > _AT_ONCE:
        return _in_blocks(moments_ms, text, start, end)
    length = end - start
    shortest = _CLOCK_LENGTH + 1
    if int(length.min()) < shortest or int(length.max()) > _LONGEST_TIME:
        return None
    columns = text.windows(start, int(length.max()))
    if any((columns[place] != ord(sign)).any() for place, sign in _SIGNS.items()):
        return None
    digits = columns - np.uint8(_ZERO)
    fraction = _fraction_ns(columns, digits, length)
    if fraction is None or any((digits[place] > 9).any() for place in _CLOCK):
        return None
    dated = digits[:_DATE_LENGTH]
    if (dated == dated[:, :1]).all():
        dated = dated[:, :1]  # one day, as most logs are, is worked out once
    year = _two(dated, 0).astype(np.int64) * 100 + _two(dated, 2)
    month, day = _two(dated, 5).astype(np.int64), _two(dated, 8).astype(np.int64)
    hour, minute, second = _two(digits, 11), _two(digits, 14), _two(digits, 17)
    late = (hour > 23) | (minute > 59) | (second > 59)
    if late.any() or not _is_calendar(year, month, day):
        return None
    clock = (hour.astype(np.int32) * 60 + minute) * 60 + second
    ms = (_days(year, month, day) * 86_400 + clock) * 1000
    if fraction.any():
        whole, over = np.divmod(fraction, 1_000_000)
        ms += whole + ((over > 500_000) | ((over == 500_000) & (whole % 2 == 1)))
    return ms


def _two(digits: npt.NDArray[np.uint8], place: int) -> npt.NDArray[np.uint8]:
    """Return the number of two digits that stands at a place."""
    return digits[place] * np.uint8(10) + digits[place + 1]


def _fraction_ns(
    columns: npt.NDArray[np.uint8], digits: npt.NDArray[np.uint8], length: IntArray
) -> IntArray | None:
    """Read what stands between the seconds and the Z; None if that is not a fraction."""
    fraction = np.zeros(len(length), dtype=np.int64)
    worth = 100_000_000
    for place in range(_CLOCK_LENGTH, len(columns)):
        ends = length == place + 1
        inside = length > place + 1
        if (columns[place] != _Z)[ends].any():
            return None
        if place == _CLOCK_LENGTH:
            if (columns[place] != _POINT)[inside].any():
                return None
            continue
        if (ends & (length == _CLOCK_LENGTH + 2)).any() or (digits[place] > 9)[inside].any():
            return None
        fraction += np.where(inside, digits[place].astype(np.int64) * worth, 0)
        worth //= 10
    return fraction


def _is_calendar(year: IntArray, month: IntArray, day: IntArray) -> bool:
    if (year < _FIRST_YEAR).any() or (year > _LAST_YEAR).any():
        return False
    if (month < 1).any() or (month > 12).any() or (day < 1).any():
        return False
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    return bool((day <= _MONTH_DAYS[month] + (leap & (month == 2))).all())


def _days(year: IntArray, month: IntArray, day: IntArray) -> IntArray:
    """Days since 1970-01-01, from the months that numpy counts."""
    months = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
    return months.astype("datetime64[D]").astype(np.int64) + day - 1
