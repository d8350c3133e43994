"""Identification room: one print or two on top of each other.

A hind print on a front print can look like a track of six toes. Counting does not settle it: a
fifth mark may be a clod, and four toes may belong to two prints. So both are fitted. A print is
a template of four toes and a pad, moved, turned and scaled; its marks stray from the template
by a normal error. A second print is the same template, with its own place and with size and
heading near those of the first. What belongs to neither is a stray mark anywhere on the patch.
Every way of sharing out the marks is weighed, and the marks of the second print are those
that the likeliest way gives it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np
import numpy.typing as npt

from carnivore_sign.identify.shapes import FloatArray

Complex = npt.NDArray[np.complex128]

#: Log weight, marks of the second print, strays.
Way = tuple[float, tuple[int, ...], tuple[int, ...]]

#: Toes from left to right and pad, in a print of length 1 heading along y; between the cat's
#: and the dog's arrangement (common practice, no source).
TEMPLATE: Final = np.array([-0.345 + 0.33j, -0.12 + 0.60j, 0.12 + 0.60j, 0.345 + 0.33j, 0.0])

#: SD of a mark around the template, as a share of the length (working choice).
STRAY_SHARE: Final = 0.045

#: Chance beforehand that a patch with a mark too many, or with marks that fit one print badly,
#: holds two prints (working choice; common practice, no source).
PRIOR_TWO: Final = 0.5

#: A second print against the first: SD of log size, of heading, and of its place in lengths.
_SIZE_SD: Final = 0.12
_HEADING_SD_RAD: Final = 0.25
_PLACE_SD: Final = 0.6

#: Chance that a toe of a print left no mark, and the number of stray marks to expect.
_TOE_HIDDEN: Final = 0.1
_STRAYS: Final = 0.05

#: One print fits badly where its marks stray more than this many SD (root mean square).
BAD_FIT: Final = 2.0


@dataclass(frozen=True, eq=False)
class Sharing:
    """How the marks of one patch are shared out between a first and a second print.

    Attributes
    ----------
    p_two : float
        Probability that there are two prints.
    second : tuple of int
        Marks that the likeliest way of sharing out gives to a second print.
    strays : tuple of int
        Marks that it gives to neither.
    """

    p_two: float
    second: tuple[int, ...]
    strays: tuple[int, ...]


def fit_residual(centres: Complex) -> FloatArray:
    """Return how far the marks of whole prints stray from the template, in SDs.

    Parameters
    ----------
    centres : ndarray of complex, shape (prints, 5)
        Toes from left to right, and pad.

    Returns
    -------
    ndarray, shape (prints,)
        Root mean square after the best shift, turn and scale (least squares in the plane of
        complex numbers, in closed form).

    Examples
    --------
    >>> fit_residual(TEMPLATE[None] * 80j).round(6).tolist()
    [0.0]
    """
    shape = TEMPLATE - TEMPLATE.mean()
    apart = centres - centres.mean(axis=1, keepdims=True)
    factor = (apart * shape.conj()).sum(axis=1) / (np.abs(shape) ** 2).sum()
    left = np.abs(apart - factor[:, None] * shape) ** 2
    return np.sqrt(left.sum(axis=1) / 6.0) / (STRAY_SHARE * np.abs(factor))


def share_out(toes: Complex, pads: Complex) -> Sharing:
    """Share the marks of one patch out between one print or two.

    Parameters
    ----------
    toes : ndarray of complex, shape (toes,)
        Centroids; from four to eight of them.
    pads : ndarray of complex, shape (pads,)
        One or two.

    Returns
    -------
    Sharing
        Marks are numbered toes first, then pads.

    Examples
    --------
    >>> first, second = TEMPLATE * 80, TEMPLATE * 74 + 12 - 30j
    >>> toes = np.concatenate([first[:4], second[1:3]])
    >>> sharing = share_out(toes, first[4:])
    >>> sharing.p_two > 0.9, sharing.second
    (True, (4, 5))
    """
    ways = list(_ways(toes, pads))
    weights = np.array([weight for weight, *_ in ways])
    two = np.array([bool(second) for _, second, _ in ways])
    top = weights.max()
    chance = np.exp(weights - top)
    p_two = float(chance[two].sum() / chance.sum())
    likely = np.flatnonzero(two == (p_two >= 0.5))
    _, second, strays = ways[likely[weights[likely].argmax()]]
    return Sharing(p_two, tuple(sorted(second)), tuple(sorted(strays)))


def _ways(toes: Complex, pads: Complex) -> Iterator[Way]:
    """Yield (log weight, second print's marks, strays) of each way of sharing out the marks."""
    marks = np.concatenate([toes, pads])
    extent = max(np.ptp(marks.real), np.ptp(marks.imag), 1e-9)
    log_stray = np.log(_STRAYS) - 2.0 * np.log(1.3 * extent)
    count = len(toes)
    for pad in range(len(pads)):
        for size in (4, 3):
            for chosen in combinations(range(count), size):
                order = _ordered(toes[list(chosen)], pads[pad])
                mine = [chosen[number] for number in order]
                rest = [mark for mark in range(len(marks)) if mark not in (*mine, count + pad)]
                for slots in combinations(range(4), size):
                    first = _first_print(marks[[*mine, count + pad]], [*slots, 4])
                    if first is None:
                        continue
                    said, factor, origin = first
                    said += (4 - size) * np.log(_TOE_HIDDEN) + size * np.log(1 - _TOE_HIDDEN)
                    yield (
                        said + len(rest) * log_stray + np.log(1.0 - PRIOR_TWO),
                        (),
                        tuple(rest),
                    )
                    if rest:
                        second = _second_print(marks, rest, count, factor, origin)
                        yield said + second + np.log(PRIOR_TWO), tuple(rest), ()


def _ordered(toes: Complex, pad: complex) -> list[int]:
    """Order toes from left to right around a pad."""
    ahead = toes.mean() - pad
    return [int(number) for number in np.argsort(-np.angle((toes - pad) / ahead))]


def _first_print(marks: Complex, slots: list[int]) -> tuple[float, complex, complex] | None:
    """Fit the template to the marks of a first print, with place, turn and size left open."""
    shape = TEMPLATE[slots]
    centre = marks.mean()
    apart, form = marks - centre, shape - shape.mean()
    factor = complex((apart * form.conj()).sum() / (np.abs(form) ** 2).sum())
    size = abs(factor)
    if size < 1e-9:
        return None
    sd = STRAY_SHARE * size
    left = float((np.abs(apart - factor * form) ** 2).sum())
    said = -left / (2 * sd**2) - (len(marks) - 2) * np.log(2 * np.pi * sd**2)
    return said, factor, complex(centre - factor * shape.mean())


def _second_print(
    marks: Complex, rest: list[int], toes: int, factor: complex, origin: complex
) -> float:
    """Return the log density of the marks left over, as the best-fitting second print.

    Place, turn and size of the second print are normal around those of the first, and so its
    marks are jointly normal: x = a t + b + e with a ~ N(factor, s), b ~ N(origin, p).
    """
    mine = [mark for mark in rest if mark < toes]
    pads = [mark for mark in rest if mark >= toes]
    if len(mine) > 4 or len(pads) > 1:
        return -np.inf
    size = abs(factor)
    spread = size**2 * (_SIZE_SD**2 + _HEADING_SD_RAD**2) / 2.0
    pad = marks[pads[0]] if pads else origin
    order = [mine[number] for number in _ordered_by(marks[mine], pad, factor)]
    x = marks[[*order, *pads]]
    best = -np.inf
    for slots in combinations(range(4), len(order)):
        shape = TEMPLATE[[*slots, *([4] if pads else [])]]
        covariance = (
            spread * np.outer(shape, shape.conj())
            + (_PLACE_SD * size) ** 2
            + (STRAY_SHARE * size) ** 2 * np.eye(len(x))
        ) * 2.0
        apart = x - factor * shape - origin
        quadratic = float((apart.conj() @ np.linalg.solve(covariance, apart)).real)
        said = -quadratic - np.linalg.slogdet(np.pi * covariance)[1]
        hidden = 4 - len(order)
        said += hidden * np.log(0.5) + len(order) * np.log(0.5)
        best = max(best, float(said))
    return best


def _ordered_by(toes: Complex, pad: complex, factor: complex) -> list[int]:
    """Order toes across the heading of the first print."""
    return [int(number) for number in np.argsort(((toes - pad) / (factor or 1.0)).real)]
