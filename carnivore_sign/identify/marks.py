"""Identification room: the marks of each print put into their places.

A print has eleven places: four toes from left to right as seen from above, the pad, a claw
for each toe, the dewclaw and the carpal pad. Left and right are facts of the ground; inside
and outside depend on the foot and come later.
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
from carnivore_sign.identify.shapes import FloatArray, IntArray, Rings, rings_from_geometries

PAD: Final = 4
CLAWS: Final = (5, 6, 7, 8)
DEWCLAW: Final = 9
CARPAL_PAD: Final = 10
PLACES: Final = 11

_NUMBER_OF_PART: Final = {f"toe_{number}": float(number) for number in (2, 3, 4, 5)}


@dataclass(frozen=True, eq=False)
class Marks:
    """Marks of many prints, each in its place.

    Attributes
    ----------
    rings : Rings
        Outlines, print after print, and within a print in the order of the places.
    row : ndarray of int, shape (marks,)
        Print of each mark.
    place : ndarray of int, shape (marks,)
        0 to 3 toes from left to right, then `PAD`, `CLAWS`, `DEWCLAW`, `CARPAL_PAD`.
    placed : ndarray of bool, shape (prints,)
        Whether it is known which toe each toe is: all four are there, or they are numbered.
    numbered_from_left : ndarray, shape (prints,)
        1 where the numbers given run 2 to 5 from left to right (a right foot), -1 where they
        run the other way, 0 where there are none or they make no sense.
    """

    rings: Rings
    row: IntArray
    place: IntArray
    placed: npt.NDArray[np.bool_]
    numbered_from_left: IntArray

    @property
    def count(self) -> int:
        """Number of prints."""
        return len(self.placed)

    def spread_out(self, values: FloatArray) -> FloatArray:
        """Lay values of the marks out by print and place; NaN where there is no mark."""
        laid = np.full((self.count, PLACES, *values.shape[1:]), np.nan)
        laid[self.row, self.place] = values
        return laid

    def complete(self) -> npt.NDArray[np.bool_]:
        """Tell which prints have four toes and a pad."""
        core = self.place <= PAD
        return np.bincount(self.row[core], minlength=self.count) == PAD + 1

    def core(self, prints: npt.NDArray[np.bool_]) -> IntArray:
        """Return the marks that are toes or pad, of some prints, in order."""
        return np.flatnonzero((self.place <= PAD) & prints[self.row])


@dataclass(frozen=True, eq=False)
class Placing:
    """What was found wrong with the numbers of toes, per print."""

    misnumbered: npt.NDArray[np.bool_]


def place_marks(outlines: gpd.GeoDataFrame, row: IntArray, count: int) -> tuple[Marks, Placing]:
    """Put the marks of each print into their places.

    Parameters
    ----------
    outlines : GeoDataFrame
        Checked outlines with at most four toes and one pad a print.
    row : ndarray of int
        Print of each outline, 0 to ``count - 1``.
    count : int
        Number of prints.

    Returns
    -------
    Marks, Placing
    """
    shapes = outlines.geometry.to_numpy()
    part = outlines["part"].astype(str)
    centre = shapely.get_coordinates(shapely.centroid(shapes))
    is_toe = part.str.startswith("toe").to_numpy()
    pad = np.full((count, 2), np.nan)
    pads = part.eq("pad").to_numpy()
    pad[row[pads]] = centre[pads]
    place = np.full(len(outlines), -1)
    place[pads] = PAD
    place[part.eq("dewclaw").to_numpy()] = DEWCLAW
    place[part.eq("carpal_pad").to_numpy()] = CARPAL_PAD
    toes = np.flatnonzero(is_toe)
    number = part.map(_NUMBER_OF_PART).to_numpy(dtype=float, na_value=np.nan)
    direction = np.zeros(count, dtype=np.intp)
    misnumbered = np.zeros(count, dtype=bool)
    placed = np.zeros(count, dtype=bool)
    per_print = np.bincount(row[toes], minlength=count)
    for many in (1, 2, 3, 4):
        rows = np.flatnonzero(per_print == many)
        mine = toes[per_print[row[toes]] == many]
        mine = mine[np.argsort(row[mine], kind="stable")].reshape(-1, many)
        order = left_to_right(centre[mine], pad[rows])
        mine = np.take_along_axis(mine, order, axis=1)
        runs, wrong = _direction_of_numbers(number[mine])
        direction[rows], misnumbered[rows] = runs, wrong
        placed[rows] = (many == 4) | (runs != 0)
        places = np.broadcast_to(np.arange(many), mine.shape)
        by_number = np.where(runs[:, None] > 0, number[mine] - 2, 5 - number[mine])
        place[mine] = np.where(runs[:, None] == 0, places, np.nan_to_num(by_number))
    _place_claws(place, shapes, row, part.str.startswith("claw").to_numpy(), toes)
    return _assemble(shapes, row, place, placed, direction), Placing(misnumbered)


def _direction_of_numbers(
    number: FloatArray,
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.bool_]]:
    """Tell which way the numbers run from left to right, and whether they make no sense.

    A single toe has no direction. Toes without a number among numbered ones leave it open.
    """
    given = np.isfinite(number)
    steps = np.diff(number, axis=1)
    all_given = given.all(axis=1) & (number.shape[1] > 1)
    up = all_given & (steps > 0).all(axis=1)
    down = all_given & (steps < 0).all(axis=1)
    return up.astype(np.intp) - down.astype(np.intp), all_given & ~up & ~down


def _place_claws(
    place: npt.NDArray[np.intp],
    shapes: npt.NDArray[np.object_],
    row: IntArray,
    is_claw: npt.NDArray[np.bool_],
    toes: IntArray,
) -> None:
    """Give each claw to the nearest toe of its print, and a toe its nearest claw, in place."""
    claws = pd.DataFrame({"row": row[is_claw], "claw": np.flatnonzero(is_claw)})
    pairs = claws.merge(pd.DataFrame({"row": row[toes], "toe": toes}), on="row")
    pairs["gap"] = shapely.distance(shapes[pairs["claw"]], shapes[pairs["toe"]])
    nearest = pairs.sort_values("gap", kind="stable").drop_duplicates("claw")
    nearest = nearest.drop_duplicates("toe")
    place[nearest["claw"]] = place[nearest["toe"]] + CLAWS[0]


def _assemble(
    shapes: npt.NDArray[np.object_],
    row: IntArray,
    place: npt.NDArray[np.intp],
    placed: npt.NDArray[np.bool_],
    direction: npt.NDArray[np.intp],
) -> Marks:
    """Order the marks by print and place; a second mark in one place is left out."""
    held = np.flatnonzero(place >= 0)
    held = held[np.lexsort((place[held], row[held]))]
    key = row[held] * PLACES + place[held]
    held = held[np.concatenate([[True], np.diff(key) > 0])[: len(held)]]
    return Marks(rings_from_geometries(shapes[held]), row[held], place[held], placed, direction)
