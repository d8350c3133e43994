"""Roundings: the same log once more, with its positions or times rounded more coarsely.

Programs that hand a log on write five decimals of a degree where the device wrote seven, or whole
seconds where it wrote fractions. Two logs whose numbers end at different places are held beside
each other: if nearly all fixes of the one lie within the rounding of fixes of the other, they are
the same fixes. Two devices side by side do not agree so well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Places are whole numbers of this many steps to a degree.
PER_DEGREE: Final = 1_000_000
#: Share of the fixes that must agree, and how many must be there to tell.
MIN_SHARE: Final = 0.9
MIN_FIXES: Final = 10
#: Coarsest rounding that is looked for: five decimals, some 1.1 m. At four decimals the copy of a
#: log cannot be told from a second device carried beside the first.
_MAX_UNIT: Final = 10
_SECOND_MS: Final = 1000
_HALF_TURN: Final = np.array([180 * PER_DEGREE, 90 * PER_DEGREE])


@dataclass(frozen=True)
class Resolution:
    """Where the numbers of a log end: steps of a degree, and milliseconds.

    Attributes
    ----------
    unit : int
        Millionths of a degree that every longitude and latitude is a multiple of: 1 or 10.
    tick_ms : int
        Milliseconds that every time is a multiple of: 1 or 1000.
    """

    unit: int
    tick_ms: int

    def coarser(self, other: Resolution) -> Resolution:
        """Return the coarser of two, in each respect."""
        return Resolution(max(self.unit, other.unit), max(self.tick_ms, other.tick_ms))

    def told(self) -> str:
        """Say what it is."""
        decimals = len(str(PER_DEGREE // self.unit)) - 1
        clock = ", whole seconds" if self.tick_ms == _SECOND_MS else ""
        return f"{decimals} decimals of a degree{clock}"


def resolution_of(moments: IntArray, steps: IntArray) -> Resolution:
    """Return where the numbers of a log end.

    Parameters
    ----------
    moments : array of int
        Milliseconds since 1970 UTC.
    steps : array of int, shape (n, 2)
        Longitude and latitude in steps, counted from 180 west and 90 south.

    Examples
    --------
    >>> resolution_of(np.array([1000, 2000]), np.array([[10, 20], [30, 5010]]))
    Resolution(unit=10, tick_ms=1000)
    """
    written = steps - _HALF_TURN
    unit = 1
    while unit < _MAX_UNIT and not (written % (10 * unit)).any():
        unit *= 10
    return Resolution(unit, 1 if (moments % _SECOND_MS).any() else _SECOND_MS)


def same_within(
    fresh: tuple[IntArray, IntArray], held: tuple[IntArray, IntArray], coarse: Resolution
) -> BoolArray:
    """Tell which fixes are those of another log, to within a rounding.

    Parameters
    ----------
    fresh, held : tuple of array
        Moments and steps, as `resolution_of` takes them.
    coarse : Resolution
        The coarser of the two.

    Returns
    -------
    array of bool
        One per fix of `fresh`; none at all unless nearly all of those agree that lie between
        the first and the last of `held`.

    Notes
    -----
    One unit apart at most is what rounding and cutting off may do, in place and in time.
    """
    moments, steps = fresh
    order = np.argsort(held[0], kind="stable")
    stamps, places = held[0][order], held[1][order]
    reach = coarse.tick_ms - 1 if coarse.tick_ms > 1 else 0
    first = np.searchsorted(stamps, moments - reach, side="left")
    behind = np.searchsorted(stamps, moments + reach, side="right")
    found = np.zeros(len(moments), dtype=bool)
    for offset in range(int((behind - first).max(initial=0))):
        at = first + offset
        there = np.flatnonzero(at < behind)
        apart = np.abs(places[at[there]] - steps[there])
        found[there] |= (apart <= coarse.unit).all(axis=1)
    within = (moments >= stamps[0] - reach) & (moments <= stamps[-1] + reach)
    enough = within.sum() >= MIN_FIXES and found[within].mean() >= MIN_SHARE
    return found if enough else np.zeros(len(moments), dtype=bool)
