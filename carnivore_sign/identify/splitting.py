"""Identification room: patches that may hold two prints, split before they are measured.

Only a patch with a mark too many, or whose marks fit one print badly, is fitted both ways
(``overlap.py``); every other patch passes untouched, with the probability of a second print
left at 0 because nothing speaks for one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.identify.axis import left_to_right
from carnivore_sign.identify.overlap import BAD_FIT, Sharing, fit_residual, share_out
from carnivore_sign.identify.shapes import FloatArray, IntArray

_MOST_TOES: Final = 8
_MOST_PADS: Final = 2


@dataclass(frozen=True, eq=False)
class Split:
    """The marks that are measured, and what became of the others.

    Attributes
    ----------
    first : ndarray of bool, shape (outlines,)
        Marks of the print that is measured.
    p_overlap : ndarray, shape (prints,)
        Probability that there is a second print; NaN where it could not be fitted.
    second_marks, stray_marks : ndarray of object, shape (prints,)
        Index labels of the outlines proposed for a second print, and for none.
    notes : ndarray of object, shape (prints,)
        A sentence where a patch was split or could not be; else an empty string.
    """

    first: npt.NDArray[np.bool_]
    p_overlap: FloatArray
    second_marks: npt.NDArray[np.object_]
    stray_marks: npt.NDArray[np.object_]
    notes: npt.NDArray[np.object_]


def split_overlaps(outlines: gpd.GeoDataFrame, row: IntArray, count: int) -> Split:
    """Find the patches that may hold two prints, and share their marks out.

    Parameters
    ----------
    outlines : GeoDataFrame
        Checked outlines.
    row : ndarray of int
        Print of each outline.
    count : int
        Number of prints.

    Returns
    -------
    Split
    """
    part = outlines["part"].astype(str)
    toe = part.str.startswith("toe").to_numpy()
    pad = part.eq("pad").to_numpy()
    z = shapely.get_coordinates(shapely.centroid(outlines.geometry.to_numpy())) @ (1.0, 1j)
    toes = np.bincount(row[toe], minlength=count)
    pads = np.bincount(row[pad], minlength=count)
    found = Split(
        np.ones(len(outlines), dtype=bool),
        np.zeros(count),
        _empty_lists(count),
        _empty_lists(count),
        np.full(count, "", dtype=object),
    )
    suspect = (toes > 4) | (pads > 1)
    suspect |= _badly_fitting(
        z, row, np.where(toe, 0, np.where(pad, 1, 2)), (toes == 4) & (pads == 1)
    )
    for number in np.flatnonzero(suspect):
        mine = np.flatnonzero(row == number)
        _share(found, outlines, z, (mine, mine[toe[mine]], mine[pad[mine]]), int(number))
    return found


def _empty_lists(count: int) -> npt.NDArray[np.object_]:
    lists = np.empty(count, dtype=object)
    lists[:] = [[] for _ in range(count)]
    return lists


def _badly_fitting(
    z: npt.NDArray[np.complex128],
    row: IntArray,
    kind: IntArray,
    complete: npt.NDArray[np.bool_],
) -> npt.NDArray[np.bool_]:
    """Tell which prints of four toes (kind 0) and a pad (kind 1) stray far from the template."""
    bad = np.zeros(len(complete), dtype=bool)
    whole = np.flatnonzero(complete)
    if not len(whole):
        return bad
    chosen = np.isin(row, whole)
    toes = np.flatnonzero((kind == 0) & chosen)
    rows = toes[np.argsort(row[toes], kind="stable")].reshape(-1, 4)
    middle = np.flatnonzero((kind == 1) & chosen)
    middle = middle[np.argsort(row[middle], kind="stable")]
    around = z[rows]
    xy = np.stack([around.real, around.imag], axis=-1)
    order = left_to_right(xy, np.column_stack([z[middle].real, z[middle].imag]))
    centres = np.column_stack([np.take_along_axis(around, order, axis=1), z[middle]])
    bad[whole] = fit_residual(centres) > BAD_FIT
    return bad


def _share(
    found: Split,
    outlines: gpd.GeoDataFrame,
    z: npt.NDArray[np.complex128],
    patch: tuple[IntArray, IntArray, IntArray],
    number: int,
) -> None:
    """Share out the marks of one patch (all, its toes, its pads), and write down what was done."""
    mine, toes, pads = patch
    fits = 4 <= len(toes) <= _MOST_TOES and 1 <= len(pads) <= _MOST_PADS
    if not fits:
        found.p_overlap[number] = np.nan
        found.first[toes[4:]] = False
        found.first[pads[1:]] = False
        if len(toes) > 4:
            found.first[toes] = False
        found.notes[number] = (
            f"{len(toes)} toes and {len(pads)} pads: no prints can be fitted to them; "
            "give the marks of each print a name of their own"
        )
        return
    sharing = share_out(z[toes], z[pads])
    marks = np.concatenate([toes, pads])
    found.p_overlap[number] = sharing.p_two
    second, strays = marks[list(sharing.second)], marks[list(sharing.strays)]
    second = np.concatenate([second, _claws_of(outlines, mine, toes, second)]).astype(np.intp)
    strays = np.concatenate([strays, _claws_of(outlines, mine, toes, strays)]).astype(np.intp)
    found.first[second] = False
    found.first[strays] = False
    found.second_marks[number] = outlines.index[second].tolist()
    found.stray_marks[number] = outlines.index[strays].tolist()
    found.notes[number] = _words(sharing, outlines, second, strays)


def _claws_of(
    outlines: gpd.GeoDataFrame, mine: IntArray, toes: IntArray, left_out: IntArray
) -> IntArray:
    """Return the claws whose nearest toe is among the marks left out."""
    claws = mine[outlines["part"].iloc[mine].astype(str).str.startswith("claw").to_numpy()]
    if not len(claws):
        return claws
    shapes = outlines.geometry.to_numpy()
    gaps = shapely.distance(shapes[claws][:, None], shapes[toes][None, :])
    return claws[np.isin(toes[gaps.argmin(axis=1)], left_out)]


def _words(sharing: Sharing, outlines: gpd.GeoDataFrame, second: IntArray, strays: IntArray) -> str:
    said = []
    if len(second):
        names = ", ".join(outlines["part"].iloc[second].astype(str))
        said.append(
            f"two prints fit better than one (probability {sharing.p_two:.2f}): "
            f"{names} are proposed for a second print and left out"
        )
    if len(strays):
        names = ", ".join(outlines["part"].iloc[strays].astype(str))
        said.append(
            f"one print fits better than two (probability of two {sharing.p_two:.2f}): "
            f"{names} are taken for stray marks and left out"
        )
    return "; ".join(said)


def note_rows(notes: pd.Series, rows: npt.NDArray[np.bool_], said: str) -> pd.Series:
    """Add a sentence to the notes of some prints.

    Examples
    --------
    >>> note_rows(pd.Series(["", "a"]), np.array([True, True]), "b").tolist()
    ['b', 'a; b']
    """
    added = np.where(notes.eq(""), said, notes + "; " + said)
    return notes.mask(rows, pd.Series(added, index=notes.index))
