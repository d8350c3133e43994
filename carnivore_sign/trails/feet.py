"""Trails room: which foot made each print, inferred over the whole sequence with probabilities.

A hidden-state model. A state is a foot at its place in the order of feet of one kind of going;
from print to print the state moves on by one place, now and then by more (prints are missing)
and seldom to another kind. What is seen of a print is its side of the course, how far it lies
from the one before, its size (front feet of carnivores are the larger) and the foot that was noted,
which may be wrong. Forward and backward sums over all states give the probability of every foot of
every print; where nothing tells front from hind, they say so.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from carnivore_sign.records.vocabularies import FEET

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

#: Kinds of going that differ in the order of feet on the ground, and how often each is met.
GOING: Final[dict[str, float]] = {
    "hind_behind": 0.22,
    "hind_past": 0.26,
    "direct_register": 0.26,
    "side_trot": 0.08,
    "front_hind_front_hind": 0.07,
    "front_front_hind_hind": 0.07,
    "hind_far_past": 0.04,
}

_ONWARD: Final = (0.93, 0.03, 0.01)  # to the next place of the order, the one after, the third
_ELSEWHERE: Final = 0.03  # to any state: another kind of going
_LABEL_RIGHT: Final = 0.92
_SIZE_FRONT: Final = 0.05  # log size of a front print over the mean of both, and of a hind below
_SIZE_SD: Final = 0.06
_BLOCK_PRINTS: Final = 8_000  # about so many prints are worked on at a time
_ODD_STEP: Final = 0.03  # density of a step that fits nothing


class State(NamedTuple):
    """One foot at its place in the order of one kind of going."""

    going: int
    variant: int
    place: int
    foot: int  # in the order of FEET
    step: float  # from the print before, over the mean of the sequence
    step_sd: float
    side: float  # of the course, left above 0, over the mean distance from it
    side_sd: float


_DIRECT: Final = list(GOING).index("direct_register")
_LEFT_FRONT, _RIGHT_FRONT, _LEFT_HIND, _RIGHT_HIND = range(4)


def _sided(feet: tuple[int, ...]) -> tuple[float, ...]:
    return tuple(1.0 if foot in (_LEFT_FRONT, _LEFT_HIND) else -1.0 for foot in feet)


def _states() -> list[State]:
    """List the states of all kinds of going, each cycle in its order."""
    left, right = (_LEFT_FRONT, _LEFT_HIND), (_RIGHT_FRONT, _RIGHT_HIND)
    near, far = (0.35, 0.30), (1.65, 0.30)
    cycles: list[tuple[int, tuple[int, ...], list[tuple[float, float]], tuple[float, ...], float]]
    hind_first = (*left[::-1], *right[::-1])
    front_first = (*left, *right)
    two = (_LEFT_HIND, _RIGHT_HIND)
    cycles = [
        (0, hind_first, [far, near, far, near], _sided(hind_first), 0.5),
        (1, front_first, [far, near, far, near], _sided(front_first), 0.5),
        (2, two, [(1.0, 0.25)] * 2, _sided(two), 0.5),
        (6, front_first, [(1.0, 0.25)] * 4, _sided(front_first), 0.5),
    ]
    for hind in (1.0, -1.0):
        cycles.append((3, front_first, [far, near, far, near], (-hind, hind) * 2, 0.4))
    for front in (left, right):
        for hind_side in (left, right):
            other = right if front is left else left
            last = right if hind_side is left else left
            mixed = (front[0], hind_side[1], other[0], last[1])
            split = (front[0], other[0], hind_side[1], last[1])
            cycles.append((4, mixed, [(1.9, 0.6), *[(0.7, 0.25)] * 3], _sided(mixed), 0.8))
            within = [(0.45, 0.35), (0.8, 0.4), (0.45, 0.35)]
            cycles.append((5, split, [(2.3, 0.6), *within], _sided(split), 0.8))
    return [
        State(going, variant, place, foot, *step, side, side_sd)
        for variant, (going, feet, steps, sides, side_sd) in enumerate(cycles)
        for place, (foot, step, side) in enumerate(zip(feet, steps, sides, strict=True))
    ]


STATES: Final = tuple(_states())
_OF: Final = {name: np.array([getattr(s, name) for s in STATES]) for name in State._fields}


def _neighbours(way: int) -> IntArray:
    """States one, two and three places on in the cycle of each (`way` 1), or back (-1)."""
    told = np.empty((len(_ONWARD), len(STATES)), dtype=np.intp)
    for row, state in enumerate(STATES):
        cycle = np.flatnonzero(_OF["variant"] == state.variant)
        for ahead in range(len(_ONWARD)):
            told[ahead, row] = cycle[(state.place + way * (ahead + 1)) % len(cycle)]
    return told


def _prior() -> FloatArray:
    shares = np.array(list(GOING.values()))[_OF["going"]]
    number = np.bincount(_OF["going"], minlength=len(GOING))[_OF["going"]]
    return np.asarray(shares / number / sum(GOING.values()))


_PRIOR: Final = _prior()
_FOOT_OF: Final = np.eye(len(FEET))[_OF["foot"]]
_GOING_OF: Final = np.eye(len(GOING))[_OF["going"]]
_AFTER: Final = _neighbours(1)
_BEFORE: Final = _neighbours(-1)


class Feet(NamedTuple):
    """What was inferred, with sequences as rows and prints as columns.

    ``foot`` (sequences, prints, 4) the probability of each of `FEET`; ``going`` the same for
    the kinds of going; ``state`` the states of the most probable sequence as a whole, which
    is consistent where feet taken one by one need not be.
    """

    foot: FloatArray
    going: FloatArray
    state: IntArray


def infer_feet(
    side: FloatArray, step: FloatArray, log_size: FloatArray, noted: IntArray, there: np.ndarray
) -> Feet:
    """Infer the foot of every print of many sequences at once.

    Parameters
    ----------
    side : ndarray, shape (sequences, prints)
        Distance from the course, left above 0, over the mean distance; NaN if unknown.
    step : ndarray
        Advance from the print before over the mean advance; NaN for the first.
    log_size : ndarray
        Log of the size over the middle of the sequence; NaN if not measured.
    noted : ndarray of int
        Place in `FEET` of the foot that was noted, -1 if none was.
    there : ndarray of bool
        Whether there is a print: sequences are padded to one length.

    Returns
    -------
    Feet
    """
    rows = max(_BLOCK_PRINTS // max(side.shape[1], 1), 1)
    parts = []
    for start in range(0, max(len(side), 1), rows):
        own = slice(start, start + rows)
        parts.append(_infer_block(side[own], step[own], log_size[own], noted[own], there[own]))
    return Feet(*(np.concatenate(part) for part in zip(*parts, strict=True)))


def _infer_block(
    side: FloatArray, step: FloatArray, log_size: FloatArray, noted: IntArray, there: np.ndarray
) -> Feet:
    """Infer feet of some sequences, few enough that their states stay in the fast memory."""
    seen = _seen(side.T, step.T, log_size.T, noted.T)  # prints first: each step is one block
    seen[~there.T] = 1.0
    posterior = _forward(seen) * _backward(seen)
    posterior /= posterior.sum(axis=2, keepdims=True)
    foot = (posterior @ _FOOT_OF).swapaxes(0, 1)
    going = (posterior @ _GOING_OF).swapaxes(0, 1)
    return Feet(foot, going, _best_sequence(seen).T)


def _seen(side: FloatArray, step: FloatArray, log_size: FloatArray, noted: IntArray) -> FloatArray:
    """Probability density of what is seen of each print, in each state."""
    direct = _OF["going"] == _DIRECT
    steps = _densities(step, np.column_stack([_OF["step"], _OF["step_sd"]]), _ODD_STEP)
    sides = _densities(side, np.column_stack([_OF["side"], _OF["side_sd"]]), 0.01)
    size = np.where(direct, 0.0, np.where(_OF["foot"] < 2, _SIZE_FRONT, -_SIZE_FRONT))
    sizes = _densities(log_size, np.column_stack([size, np.full(len(size), _SIZE_SD)]), 0.1)
    seen = steps * sides
    if np.isfinite(log_size).any():
        seen *= sizes
    if (noted >= 0).any():
        seen *= _label_shares(direct)[noted]  # -1, not noted, is the last row: ones
    return seen


def _densities(value: FloatArray, of_state: FloatArray, odd: float) -> FloatArray:
    """Normal density of a value in each state, with some that fit nothing; 1 where NaN."""
    kinds, kind = np.unique(of_state, axis=0, return_inverse=True)
    mean, sd = kinds.T
    with np.errstate(invalid="ignore"):
        normal = np.exp(-0.5 * ((value[..., None] - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    normal = np.where(np.isfinite(value)[..., None], 0.97 * normal + odd, 1.0)
    return np.asarray(np.take(normal, kind.reshape(-1), axis=-1))


def _label_shares(direct: np.ndarray) -> FloatArray:
    """Probability that each foot is noted in each state; ones below, for none noted."""
    feet = np.arange(len(FEET))[:, None]
    # Over a direct register either foot of the side may be noted.
    same = np.where(direct, feet % 2 == _OF["foot"] % 2, feet == _OF["foot"])
    right = np.where(direct, _LABEL_RIGHT / 2.0, _LABEL_RIGHT)
    shares = np.where(same, right, (1.0 - _LABEL_RIGHT) / 3.0)
    return np.vstack([shares, np.ones(len(direct))])


def _forward(seen: FloatArray) -> FloatArray:
    """Probability of each state given what was seen so far; prints, sequences, states."""
    forward = np.empty_like(seen)
    forward[0] = _PRIOR * seen[0]
    forward[0] /= forward[0].sum(axis=1, keepdims=True)
    for place in range(1, len(seen)):  # over the longest sequence, all sequences at once
        before = forward[place - 1]
        now = _ELSEWHERE * np.broadcast_to(_PRIOR, before.shape)  # rows of `before` sum to 1
        for share, source in zip(_ONWARD, _BEFORE, strict=True):
            now += share * before[:, source]
        now *= seen[place]
        forward[place] = now / now.sum(axis=1, keepdims=True)
    return forward


def _backward(seen: FloatArray) -> FloatArray:
    """Probability of what is seen from here on, up to a factor, in each state."""
    backward = np.ones_like(seen)
    for place in range(len(seen) - 2, -1, -1):
        after = backward[place + 1] * seen[place + 1]
        now = np.repeat(_ELSEWHERE * (after @ _PRIOR)[:, None], after.shape[1], axis=1)
        for share, source in zip(_ONWARD, _AFTER, strict=True):
            now += share * after[:, source]
        backward[place] = now / now.sum(axis=1, keepdims=True)
    return backward


def _best_sequence(seen: FloatArray) -> IntArray:
    """Most probable states of each sequence as a whole (Viterbi).

    A state is reached from one of the three before it in its own cycle, or from anywhere.
    """
    rows = np.arange(seen.shape[1])
    came = np.zeros(seen.shape, dtype=np.int16)
    now = _PRIOR * seen[0]
    for place in range(1, len(seen)):
        top = now.argmax(axis=1)
        best = now[rows, top][:, None] * (_ELSEWHERE * _PRIOR)
        source = np.repeat(top[:, None], len(STATES), axis=1)
        for share, before in zip(_ONWARD, _BEFORE, strict=True):
            reached = share * now[:, before]
            source = np.where(reached > best, before, source)
            best = np.maximum(best, reached)
        came[place] = source
        now = best * seen[place]
        now /= now.max(axis=1, keepdims=True)
    states = np.empty(seen.shape[:2], dtype=np.intp)
    states[-1] = now.argmax(axis=1)
    for place in range(len(seen) - 1, 0, -1):
        states[place - 1] = came[place, rows, states[place]]
    return states


def feet_numbers(noted: npt.NDArray[np.object_]) -> IntArray:
    """Place in `FEET` of each word; -1 for anything else."""
    numbers = np.full(len(noted), -1, dtype=np.intp)
    for number, foot in enumerate(FEET):
        numbers[noted == foot] = number
    return numbers
