"""Tracks: fixes in the order in which they were taken, their walks and their speeds.

A *walk* is the fixes of one log between which no more than four hours passed. A *step* leads
from one usable fix to the next of the same track segment (part). Speed is judged over some
seconds on either side of a fix, because the noise of two fixes a second apart is itself a speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.units import SECONDS_PER_HOUR

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: A pause longer than this ends a walk (common practice, no source).
WALK_GAP_H: Final = 4.0

#: Speed is the net displacement over this long, on either side of the fix, or over one step
#: where steps are longer.
SPEED_WINDOW_S: Final = 15.0


@dataclass(frozen=True)
class Track:
    """Usable fixes in order of log, part and time.

    Attributes
    ----------
    row : array of int
        Row of each in the frame that was given.
    group : array of int
        Number of its log and part together, growing.
    log : array of int
        Number of its log.
    seconds : array
        Time, seconds since the first of all.
    """

    row: IntArray
    group: IntArray
    log: IntArray
    seconds: FloatArray

    def __len__(self) -> int:
        return len(self.row)

    @property
    def continues(self) -> BoolArray:
        """Whether a fix has another of its log and part in front of it."""
        joined = np.zeros(len(self), dtype=bool)
        joined[1:] = self.group[1:] == self.group[:-1]
        return joined

    @property
    def step_s(self) -> FloatArray:
        """Seconds since the fix in front; NaN where there is none."""
        return np.where(self.continues, np.diff(self.seconds, prepend=np.nan), np.nan)


def order_track(fixes: pd.DataFrame, usable: BoolArray) -> Track:
    """Put the usable fixes in order of log, part and time (all of them must have a time)."""
    row = np.flatnonzero(usable)
    log = pd.factorize(fixes["log"])[0].astype(np.int64)[row]
    part = fixes["part"].to_numpy(dtype=np.int64, na_value=-1)[row]
    seconds = _seconds(fixes["time"])[row]
    if not _sorted(log, part, seconds):
        order = np.lexsort((seconds, part, log))
        row, log, part, seconds = row[order], log[order], part[order], seconds[order]
    new = (np.diff(log, prepend=-1) != 0) | (np.diff(part, prepend=-1) != 0)
    return Track(row, np.cumsum(new) - 1, log, seconds)


def _seconds(times: pd.Series) -> FloatArray:
    milliseconds = times.dt.as_unit("ms").to_numpy(dtype="datetime64[ms]")
    known = ~np.isnat(milliseconds)
    seconds = np.full(len(times), np.nan)
    if known.any():
        first = milliseconds[known].min()
        seconds[known] = (milliseconds[known] - first).astype(np.int64) / 1000.0
    return seconds


def _sorted(log: IntArray, part: IntArray, seconds: FloatArray) -> bool:
    log_step, part_step = np.diff(log), np.diff(part)
    later = (part_step > 0) | ((part_step == 0) & (np.diff(seconds) >= 0))
    return bool(((log_step > 0) | ((log_step == 0) & later)).all())


def number_walks(track: Track) -> IntArray:
    """Return the number of each fix's walk within its log, from 1."""
    order = np.lexsort((track.seconds, track.log))
    seconds, log = track.seconds[order], track.log[order]
    new_log = np.diff(log, prepend=-1) != 0
    pause = np.diff(seconds, prepend=0.0) > WALK_GAP_H * SECONDS_PER_HOUR
    through = np.cumsum(new_log | pause)
    first = np.maximum.accumulate(np.where(new_log, through, 0))
    numbers = np.empty(len(track), dtype=np.int64)
    numbers[order] = through - first + 1
    return numbers


def speeds_m_s(track: Track, x: FloatArray, y: FloatArray) -> FloatArray:
    """Speed at each fix: the lower of the speeds over the window before it and after it.

    The lower of the two keeps a walker's first fix after a car ride, and the last before one,
    from being taken for the car's. A fix that stands alone has no speed (NaN).
    """
    before = _over_window(track, x, y)
    after = _over_window(_reversed(track), x[::-1], y[::-1])[::-1]
    return np.fmin(before, after)


def _reversed(track: Track) -> Track:
    last = track.group[-1] if len(track) else 0
    return Track(track.row[::-1], last - track.group[::-1], track.log[::-1], -track.seconds[::-1])


def _over_window(track: Track, x: FloatArray, y: FloatArray) -> FloatArray:
    """Net displacement since the first fix of the window before, over the time since."""
    if not len(track):
        return np.empty(0)
    here = np.arange(len(track))
    first = np.flatnonzero(~track.continues)[track.group]
    span = np.ptp(track.seconds) + 2 * SPEED_WINDOW_S
    clock = track.seconds + track.group * span
    back = np.searchsorted(clock, clock - SPEED_WINDOW_S, side="left")
    back = np.clip(back, first, np.maximum(here - 1, first))
    elapsed = track.seconds - track.seconds[back]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(elapsed > 0, np.hypot(x - x[back], y - y[back]) / elapsed, np.nan)
