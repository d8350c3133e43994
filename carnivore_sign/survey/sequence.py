"""Sequence: which of several lines near a fix was walked, told from the fixes around it.

Where one transect only lies near a fix, the nearest place on it is taken. Where there are more
(a crossing, parallel roads, the legs of a hairpin), the whole run of unsure fixes is decided at
once as a hidden Markov model: the passes are the states, the offset from the line is the
emission, and a step that fits its length along one line is likelier than a change of line. The
best sequence is Viterbi's. All runs advance together, one step at a time, so that the loop is as
long as the longest unsure run and not as long as the data.

Source of the model: Newson & Krumm 2009, Hidden Markov map matching through noise and
sparseness, ACM GIS '09: Gaussian offsets, and an exponential law for the difference between the
length of the step and the length along the line. Different here: transects are not a road
network, so a change of line has one price wherever it happens; and fixes that follow closely
share their error, so that a fix weighs no more than the seconds it stands for.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.survey.linework import Passes, nearest_pass
from carnivore_sign.survey.tracks import Track

FloatArray = npt.NDArray[np.float64]
SmallFloatArray = npt.NDArray[np.float32]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

#: Price of leaving a line for another: the log of one change in a thousand steps (working value).
CHANGE_OF_LINE: Final = 6.9

#: Errors of GPS fixes closer in time than this are taken as one error (working value).
ERROR_LASTS_S: Final = 10.0

#: Fixes farther apart in time than this say nothing about each other's line.
LINK_S: Final = 600.0

#: Lines considered for one fix, nearest first.
MOST_LINES: Final = 6

_CHUNK: Final = 65_536


def choose_passes(
    passes: Passes,
    track: Track,
    transect: IntArray,
    x: FloatArray,
    y: FloatArray,
    *,
    noise_m: float,
) -> IntArray:
    """Choose one pass for each fix of the track.

    Parameters
    ----------
    passes : Passes
        Lines near the fixes; ``point`` counts the fixes in the order of `track`.
    track : Track
        The fixes in order.
    transect : array of int
        Transect of each segment.
    x, y : array
        Positions of the fixes in the working CRS, metres.
    noise_m : float
        Standard deviation of a fix across the line, metres.

    Returns
    -------
    array of int
        Row in `passes` for each fix, -1 where no line is within reach.
    """
    chosen = nearest_pass(passes, len(track))
    count = np.bincount(passes.point, minlength=len(track))
    unsure = np.flatnonzero(count > 1)
    if not len(unsure):
        return chosen
    first = np.cumsum(count) - count
    linked = track.continues & (np.nan_to_num(track.step_s, nan=np.inf) <= LINK_S)
    step_m = np.hypot(np.diff(x, prepend=np.nan), np.diff(y, prepend=np.nan))
    weight = np.clip(np.nan_to_num(track.step_s, nan=ERROR_LASTS_S) / ERROR_LASTS_S, 0.02, 1.0)

    width = min(int(count.max()), MOST_LINES)
    here = _candidates(passes, unsure, first, count, width)
    offset = np.where(here >= 0, passes.offset_m[here], np.inf)
    score = -0.5 * (offset / noise_m) ** 2 * weight[unsure, None]

    def prices(fix: IntArray) -> SmallFloatArray:
        """Log probability of each change of line from the fix in front to this one."""
        found = np.empty((len(fix), width, width), dtype=np.float32)
        for at in range(0, len(fix), _CHUNK):
            some = fix[at : at + _CHUNK]
            before, after = (_candidates(passes, f, first, count, width) for f in (some - 1, some))
            found[at : at + _CHUNK] = _transitions(
                passes, transect, before, after, step_m=step_m[some], noise_m=noise_m
            )
        return found

    follows = np.zeros(len(unsure), dtype=bool)
    follows[1:] = (np.diff(unsure) == 1) & linked[unsure[1:]]
    enters = ~follows & linked[unsure] & (count[unsure - 1] == 1)
    score[enters] += prices(unsure[enters])[:, 0, :]
    after = np.minimum(unsure + 1, len(track) - 1)
    leaves = (after > unsure) & linked[after] & (count[after] == 1)
    score[leaves] += prices(after[leaves])[:, :, 0]
    moves = np.zeros((len(unsure), width, width), dtype=np.float32)
    moves[follows] = prices(unsure[follows])
    best = _best_sequence(score, moves, follows)
    chosen[unsure] = here[np.arange(len(unsure)), best]
    return chosen


def _candidates(
    passes: Passes, fix: IntArray, first: IntArray, count: IntArray, width: int
) -> IntArray:
    """Rows in `passes` of the nearest lines of each fix, shape (fixes, width), -1 filled."""
    most = int(count[fix].max(initial=1))
    slot = np.arange(max(most, width))
    rows = first[fix, None] + slot
    rows[slot >= count[fix, None]] = -1
    if most > width:
        offset = np.where(rows >= 0, passes.offset_m[rows], np.inf)
        rows = np.take_along_axis(rows, np.argsort(offset, axis=1, kind="stable"), axis=1)
    return rows[:, :width]


def _transitions(
    passes: Passes,
    transect: IntArray,
    before: IntArray,
    after: IntArray,
    *,
    step_m: FloatArray,
    noise_m: float,
) -> FloatArray:
    """Log probability, up to a constant, of going from each line before to each line after."""
    along = np.abs(passes.along_m[after][:, None, :] - passes.along_m[before][:, :, None])
    same = (
        transect[passes.segment[after]][:, None, :] == transect[passes.segment[before]][:, :, None]
    )
    misfit = np.abs(along - step_m[:, None, None]) / noise_m
    price = np.where(same, np.minimum(misfit, CHANGE_OF_LINE), CHANGE_OF_LINE)
    price[np.broadcast_to((before < 0)[:, :, None], price.shape)] = np.inf
    return -price


def _best_sequence(score: FloatArray, moves: SmallFloatArray, follows: BoolArray) -> IntArray:
    """Viterbi over all runs at once; a run begins where `follows` is false."""
    start = np.flatnonzero(~follows)
    length = np.diff(np.append(start, len(follows)))
    order = np.argsort(-length, kind="stable")
    start, length = start[order], length[order]
    running = np.searchsorted(-length, -np.arange(length[0]), side="left")
    total = score.copy()
    came_from = np.zeros(score.shape, dtype=np.int8)
    for step in range(1, int(length[0])):
        at = start[: running[step]] + step
        reached = total[at - 1][:, :, None] + moves[at]
        came_from[at] = reached.argmax(axis=1)
        total[at] += reached.max(axis=1)
    best = np.zeros(len(follows), dtype=np.int64)
    last = start + length - 1
    best[last] = total[last].argmax(axis=1)
    for step in range(int(length[0]) - 1, 0, -1):
        at = start[: running[step]] + step
        best[at - 1] = came_from[at, best[at]]
    return best
