"""SVG paths: the path data of SVG as points, curves flattened.

The grammar is that of the `d` attribute in Scalable Vector Graphics 1.1 (W3C), section 8.3: the
commands M L H V C S Q T A Z, absolute in capitals and relative in small letters. In SVG y runs
down; what is returned keeps it so.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.errors import InputError

Complex = npt.NDArray[np.complex128]

_TOKEN: Final = re.compile(
    r"(?P<command>[MmLlHhVvCcSsQqTtAaZz])"
    r"|(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)|(?P<other>[^\s,])"
)
_COUNT: Final = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}
_PIECES: Final = 48


def points_of_path(text: str) -> tuple[Complex, bool]:
    """Read the first outline of SVG path data.

    Parameters
    ----------
    text : str
        A ``d`` attribute; a second outline in it is a fault, since an outline is one mark.

    Returns
    -------
    points : ndarray of complex
        x + iy, y downwards, in the units of the path; curves as 48 straight pieces.
    closed : bool
        Whether it ends with Z.

    Raises
    ------
    InputError
        If it is no path, or holds more than one outline.

    Examples
    --------
    >>> points, closed = points_of_path("M0 0 h10 v10 h-10 z")
    >>> points.tolist(), closed
    ([0j, (10+0j), (10+10j), 10j], True)
    """
    points: list[complex] = []
    closed = False
    before = ("", 0j)  # the last command and its last control point
    for letter, numbers in _commands(text):
        command = letter.upper()
        if closed or (command == "M" and points):
            raise InputError(
                "a path holds more than one outline", remedy="Give each mark a path of its own."
            )
        if command == "Z":
            closed = True
            continue
        if not points and command != "M":
            raise InputError(f"a path begins with M, and '{letter}' came first")
        here = points[-1] if points else 0j
        base = here if letter.islower() else 0j
        drawn, control = _draw(command, numbers, here, base, before)
        points += drawn
        before = (command, control)
    if len(points) > 1 and points[0] == points[-1]:
        points.pop()
        closed = True
    return np.array(points, dtype=complex), closed


def _commands(text: str) -> list[tuple[str, list[float]]]:
    """Split a path into single commands with their numbers; repeated ones are written out."""
    found: list[tuple[str, list[float]]] = []
    letter, numbers = "", []
    for match in [*_TOKEN.finditer(_spaced_flags(text)), None]:
        if match is not None and match["other"]:
            raise InputError(f"'{match['other']}' does not belong into the data of a path")
        if match is not None and match["number"]:
            numbers.append(float(match["number"]))
            continue
        if letter:
            found += _written_out(letter, numbers)
        elif numbers:
            raise InputError("a path begins with a command, and a number came first")
        if match is not None:
            letter, numbers = match["command"], []
    if not found:
        raise InputError("a path without any command")
    return found


def _spaced_flags(text: str) -> str:
    """Write spaces behind the two flags of an arc, which may stand without any."""
    arc = re.compile(
        r"((?:[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?[\s,]*){3})([01])[\s,]*([01])[\s,]*"
        r"((?:[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?[\s,]*){2})"
    )
    return re.sub(
        r"[Aa][^A-Za-z]*(?:[eE][^A-Za-z]*)*",
        lambda match: match[0][0] + arc.sub(r"\1 \2 \3 \4 ", match[0][1:]),
        text,
    )


def _written_out(letter: str, numbers: list[float]) -> list[tuple[str, list[float]]]:
    count = _COUNT[letter.upper()]
    if count == 0 or not numbers:
        if count != len(numbers):
            raise InputError(f"'{letter}' of a path takes {count} numbers, and {len(numbers)} came")
        return [(letter, [])]
    if len(numbers) % count:
        raise InputError(
            f"'{letter}' of a path takes {count} numbers at a time, and {len(numbers)} came"
        )
    parts = [numbers[start : start + count] for start in range(0, len(numbers), count)]
    after = {"M": "L", "m": "l"}.get(letter, letter)  # further points of a move are lines
    return [(letter if number == 0 else after, part) for number, part in enumerate(parts)]


def _draw(
    command: str, numbers: list[float], here: complex, base: complex, before: tuple[str, complex]
) -> tuple[list[complex], complex]:
    """Return the points that a command draws, and its last control point."""
    if command in ("H", "V", "M", "L", "A"):
        end = _end(command, numbers, here, base)
        return (_arc(here, end, numbers) if command == "A" else [end]), end
    end = base + complex(*numbers[-2:])
    given = [base + complex(*numbers[at : at + 2]) for at in range(0, len(numbers), 2)]
    mirrored = 2 * here - before[1]
    if command == "C":
        return _curve(_cubic, [here, *given]), given[1]
    if command == "S":
        first = mirrored if before[0] in ("C", "S") else here
        return _curve(_cubic, [here, first, *given]), given[0]
    if command == "Q":
        return _curve(_quadratic, [here, *given]), given[0]
    middle = mirrored if before[0] in ("Q", "T") else here
    return _curve(_quadratic, [here, middle, end]), middle


def _end(command: str, numbers: list[float], here: complex, base: complex) -> complex:
    if command == "H":
        return complex(base.real + numbers[0], here.imag)
    if command == "V":
        return complex(here.real, base.imag + numbers[0])
    return base + complex(*numbers[-2:])


def _curve(form: Callable[..., Complex], controls: list[complex]) -> list[complex]:
    part = np.arange(1, _PIECES + 1) / _PIECES
    return [complex(point) for point in form(part, *controls)]


def _cubic(t: npt.NDArray[np.float64], a: complex, b: complex, c: complex, d: complex) -> Complex:
    return (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t**2 * c + t**3 * d


def _quadratic(t: npt.NDArray[np.float64], a: complex, b: complex, c: complex) -> Complex:
    return (1 - t) ** 2 * a + 2 * (1 - t) * t * b + t**2 * c


def _arc(start: complex, end: complex, numbers: list[float]) -> list[complex]:
    """Return points of an elliptical arc (SVG 1.1, appendix F.6, from ends to centre)."""
    rx, ry, turn_deg, large, sweep = (*map(abs, numbers[:2]), *numbers[2:5])
    if start == end:
        return []
    if rx == 0 or ry == 0:
        return [end]
    turn = np.exp(1j * np.radians(turn_deg))
    half = (start - end) / 2 / turn
    half = complex(half.real / rx, half.imag / ry)  # in units of the radii
    size = abs(half)
    if size > 1:
        rx, ry, half, size = rx * size, ry * size, half / size, 1.0
    side = 1.0 if large == sweep else -1.0
    centre = side * np.sqrt(max(1.0 / size**2 - 1.0, 0.0)) * half * 1j
    begin, stop = np.angle(half - centre), np.angle(-half - centre)
    swept = (stop - begin) % (2 * np.pi) if sweep else -((begin - stop) % (2 * np.pi))
    angle = begin + swept * np.arange(1, _PIECES + 1) / _PIECES
    unit = centre + np.exp(1j * angle)
    points = (start + end) / 2 + turn * (unit.real * rx + 1j * unit.imag * ry)
    points[-1] = end
    return [complex(point) for point in points]
