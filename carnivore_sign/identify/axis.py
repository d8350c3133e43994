"""Identification room: the long axis of a print, and its toes from left to right.

The long axis runs forward from the centroid of the pad to the mean of the centroids of the
four toes. Where a toe or the pad is missing it is taken from what is left, and the name of
the way is kept, so that nobody mistakes the second best for the best.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

#: How the long axis was found, best first.
AXIS_WAYS: Final = (
    "pad and four toes",
    "pad and middle toes",
    "pad and outer toes",
    "four toes",
    "shape of the pad",
    "pad alone",
    "none",
)


def long_axis(
    toes: FloatArray, pad: FloatArray, pad_axis: FloatArray, *, placed: npt.NDArray[np.bool_]
) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Find the forward direction of each print.

    Parameters
    ----------
    toes : ndarray, shape (prints, 4, 2)
        Centroids, left to right; NaN where there is no toe.
    pad : ndarray, shape (prints, 2)
        Centroid; NaN where there is no pad.
    pad_axis : ndarray, shape (prints, 2)
        Unit vector along the pad's own axis, towards its narrower side (see `pad_axes`); used
        where there are no toes to tell.
    placed : ndarray of bool, shape (prints,)
        Whether it is known which toe each is. If not, only a full set of toes tells.

    Returns
    -------
    forward : ndarray, shape (prints, 2)
        Unit vectors; NaN where there is too little to tell.
    way : ndarray of int, shape (prints,)
        Index into `AXIS_WAYS`.

    Examples
    --------
    >>> toes = np.array([[[-3.0, 2], [-1, 5], [1, 5], [3, 2]]])
    >>> forward, way = long_axis(toes, np.zeros((1, 2)), np.array([[0.0, 1]]), placed=[True])
    >>> forward.tolist(), AXIS_WAYS[way[0]]
    ([[0.0, 1.0]], 'pad and four toes')
    """
    there: npt.NDArray[np.bool_] = np.isfinite(toes).all(axis=2)  # type: ignore[assignment]
    middle, outer = toes[:, 1:3].mean(axis=1), toes[:, [0, 3]].mean(axis=1)
    count = there.sum(axis=1, keepdims=True)
    known = np.where(there[:, :, None], toes, 0.0).sum(axis=1)
    some = np.where(count > 0, known / np.maximum(count, 1) - pad, np.nan)
    along = np.einsum("ij,ij->i", some, pad_axis)
    ways = np.stack(
        [
            toes.mean(axis=1) - pad,
            np.where(np.asarray(placed)[:, None], middle - pad, np.nan),
            np.where(np.asarray(placed)[:, None], outer - pad, np.nan),
            middle - outer,
            pad_axis * np.sign(along)[:, None],
            np.where(count > 0, np.nan, pad_axis),
            np.full_like(pad, np.nan),
        ]
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        ways = ways / np.hypot(ways[..., 0], ways[..., 1])[..., None]
    good = np.isfinite(ways).all(axis=2)
    good[-1] = True
    way = good.argmax(axis=0)
    return ways[way, np.arange(len(pad))], way


def left_to_right(toes: FloatArray, pad: FloatArray) -> npt.NDArray[np.intp]:
    """Order the toes of prints around the pad, as seen from above with the toes ahead.

    Parameters
    ----------
    toes : ndarray, shape (prints, toes, 2)
        Centroids, the same number for every print.
    pad : ndarray, shape (prints, 2)
        Centroid; where it is NaN, four toes are ordered along their line and the outer two
        are taken to lie behind the middle two.

    Returns
    -------
    ndarray of int, shape (prints, toes)
        Which toe is first, second and so on.

    Examples
    --------
    >>> left_to_right(np.array([[[2.0, 3], [-2, 3]]]), np.zeros((1, 2))).tolist()
    [[1, 0]]
    """
    mean = toes.mean(axis=1)
    forward = mean - pad
    seen = toes - pad[:, None, :]
    aside = forward[:, None, 0] * seen[..., 1] - forward[:, None, 1] * seen[..., 0]
    ahead = np.einsum("pti,pi->pt", seen, forward)
    order = np.argsort(-np.arctan2(aside, ahead), axis=1, kind="stable")
    blind = ~np.isfinite(pad).all(axis=1)
    if blind.any():
        order[blind] = _order_without_pad(toes[blind])
    return order


def _order_without_pad(toes: FloatArray) -> npt.NDArray[np.intp]:
    apart = toes - toes.mean(axis=1, keepdims=True)
    across = np.linalg.eigh(np.einsum("pti,ptj->pij", apart, apart))[1][:, :, -1]
    order = np.argsort(np.einsum("pti,pi->pt", apart, across), axis=1, kind="stable")
    if toes.shape[1] < 4:
        return order
    sorted_toes = np.take_along_axis(apart, order[:, :, None], axis=1)
    forward = sorted_toes[:, 1:-1].mean(axis=1) - sorted_toes[:, [0, -1]].mean(axis=1)
    mirrored = across[:, 0] * forward[:, 1] - across[:, 1] * forward[:, 0] < 0
    order[mirrored] = order[mirrored, ::-1]
    return order


def turn_forward(xy: FloatArray, origin: FloatArray, forward: FloatArray) -> FloatArray:
    """Move points so that `origin` is at 0 and `forward` is the direction of y.

    Parameters
    ----------
    xy, origin, forward : ndarray, shape (points, 2)
        `forward` of length 1.

    Examples
    --------
    >>> east = np.array([[1.0, 0.0]])
    >>> turn_forward(np.array([[5.0, 2.0]]), np.array([[2.0, 2.0]]), east).tolist()
    [[0.0, 3.0]]
    """
    moved = xy - origin
    across = moved[:, 0] * forward[:, 1] - moved[:, 1] * forward[:, 0]
    return np.column_stack([across, np.einsum("ij,ij->i", moved, forward)])
