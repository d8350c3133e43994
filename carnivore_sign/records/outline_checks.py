"""Outline checks: outlines of prints held against what can be measured.

Every fault is named and explained. What can be mended without guessing is mended (a small gap
closed, a loop of a slipped hand cut off); what cannot is set aside, and the rest of its print
is measured. Rows in = rows kept + rows set aside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import PRINT_PARTS

#: An open outline is closed where its gap is at most this share of its length.
_GAP_SHARE: Final = 0.15

#: A self-crossing outline is kept where its largest piece holds at least this share of it.
_PIECE_SHARE: Final = 0.85

#: Two outlines of one part are one where they share this much (intersection over union).
_SAME_OVERLAP: Final = 0.9

#: A coordinate farther off than this is no place in a print.
_FARTHEST_MM: Final = 1e6

#: A part this much larger or smaller than its print's pad or toes was measured in another unit.
UNIT_FACTOR: Final = 6.0

#: A print outside this range of lengths was not drawn in millimetres.
PLAUSIBLE_LENGTH_MM: Final = (20.0, 350.0)

#: What can be wrong with an outline or with the marks of a print, and what to do about it: said
#: by `check_outlines`, by the measuring, and on the page on which prints are traced.
FAULTS: Final[dict[str, str]] = {
    "unknownPart": f"unknown part; known are {', '.join(PRINT_PARTS)}",
    "noPrint": "it names no print",
    "empty": "the outline is missing or empty",
    "strange": "neither a polygon nor a line: give each mark a row of its own",
    "notFinite": "a coordinate is no finite number, or lies a kilometre away",
    "fewPoints": "fewer than three points make no outline",
    "open": "the outline is open: its ends are far apart, trace it to its start",
    "closed": "the outline was open by a small gap and was closed",
    "crossing": "the outline crosses itself and falls into pieces of like size: trace it again",
    "mended": "the outline crossed itself; a small loop of it was cut off",
    "noArea": "the outline has no area",
    "twice": "the same outline stands twice; the later one is set aside",
    "sameNumber": "two toes of one print bear this number; both are taken as unnumbered",
    "oddSize": "its size cannot belong to the other marks of its print: units seem mixed "
    "(mm, cm, inches or pixels)",
    "misnumbered": "the toes are numbered wrongly: from the inside to the outside they must run "
    "2, 3, 4, 5; they were taken by their places",
    "otherFoot": "the foot stated does not fit its marks: the photo may be mirrored",
    "notMillimetres": "the print would be shorter than {:g} mm or longer than {:g} mm, so that its "
    "unit is not mm; sizes are left out, shapes are measured".format(*PLAUSIBLE_LENGTH_MM),
}

_CLAWS: Final = ("claw", "claw_2", "claw_3", "claw_4", "claw_5")
_TOES: Final = ("toe", "toe_2", "toe_3", "toe_4", "toe_5")


@dataclass(frozen=True, eq=False)
class CheckedOutlines:
    """Outlines that can be measured, and what was wrong with the rest.

    Attributes
    ----------
    kept : GeoDataFrame
        The rows that can be measured, mended where a fault says so; index of the input.
    faults : DataFrame
        A row per fault: ``row`` (index label of the input), ``print``, ``part``, ``fault``
        and ``done``, which is ``kept`` or ``set aside``.
    """

    kept: gpd.GeoDataFrame
    faults: pd.DataFrame

    @property
    def set_aside(self) -> pd.Index:
        """Index labels of the rows that cannot be measured."""
        return pd.Index(self.faults.loc[self.faults["done"].eq("set aside"), "row"].unique())


class _Notebook:
    """Faults as they are found, and which rows are still in."""

    def __init__(self, outlines: gpd.GeoDataFrame) -> None:
        self.outlines = outlines
        self.shapes = np.array(outlines.geometry.to_numpy(), dtype=object)
        self.kept = np.ones(len(outlines), dtype=bool)
        self.parts: list[pd.DataFrame] = []

    def note(self, rows: np.ndarray, fault: str, *, keep: bool) -> None:
        """Write a fault of the rows marked, and take them out unless they are kept."""
        rows = rows & self.kept
        if not rows.any():
            return
        told = self.outlines.loc[rows, ["print", "part"]].reset_index(names="row")
        self.parts.append(told.assign(fault=fault, done="kept" if keep else "set aside"))
        if not keep:
            self.kept &= ~rows


def check_outlines(outlines: pd.DataFrame) -> CheckedOutlines:
    """Check outlines of prints, mend what can be mended and set the rest aside.

    Parameters
    ----------
    outlines : DataFrame or GeoDataFrame
        Columns ``print`` (any label), ``part`` (one of `PRINT_PARTS`) and ``geometry``
        (shapely Polygons in millimetres; claws may be LineStrings).

    Returns
    -------
    CheckedOutlines
        What is kept, and what was set aside with its reason.

    Raises
    ------
    InputError
        If a column is missing.

    Examples
    --------
    >>> bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])
    >>> checked = check_outlines(pd.DataFrame({"print": ["A"], "part": ["pad"], "geometry": [bow]}))
    >>> checked.faults["fault"].tolist()
    ['the outline crosses itself and falls into pieces of like size: trace it again']
    """
    missing = [name for name in ("print", "part", "geometry") if name not in outlines]
    if missing:
        raise InputError(
            f"outlines have no column {', '.join(missing)}",
            remedy="Give one row per outline with print, part and geometry (see read_outlines).",
        )
    book = _Notebook(gpd.GeoDataFrame(outlines, geometry="geometry", crs=None))
    _check_what_came(book)
    with np.errstate(over="ignore", invalid="ignore"):  # of rows that are set aside already
        _close_open_ones(book)
        _mend_crossings(book)
        _drop_duplicates(book)
        _check_units(book)
    kept = book.outlines.assign(geometry=book.shapes)[book.kept]
    columns = ["row", "print", "part", "fault", "done"]
    nothing = pd.DataFrame(columns=columns, dtype="str")
    faults = pd.concat(book.parts, ignore_index=True) if book.parts else nothing
    return CheckedOutlines(kept, faults[columns])


def _check_what_came(book: _Notebook) -> None:
    part = book.outlines["part"]
    book.note(
        ~part.isin(PRINT_PARTS).to_numpy(),
        FAULTS["unknownPart"],
        keep=False,
    )
    book.note(book.outlines["print"].isna().to_numpy(), FAULTS["noPrint"], keep=False)
    empty = shapely.is_missing(book.shapes) | shapely.is_empty(book.shapes)
    book.note(empty, FAULTS["empty"], keep=False)
    kinds = [shapely.GeometryType.POLYGON, shapely.GeometryType.LINESTRING]
    kinds += [shapely.GeometryType.LINEARRING, -1]
    strange = ~np.isin(shapely.get_type_id(book.shapes), kinds)
    book.note(strange, FAULTS["strange"], keep=False)
    xy, row = shapely.get_coordinates(book.shapes, return_index=True)
    lost = ~(np.abs(xy) <= _FARTHEST_MM).all(axis=1)
    unfit = np.bincount(row[lost], minlength=len(book.shapes)) > 0
    book.note(unfit, FAULTS["notFinite"], keep=False)


def _close_open_ones(book: _Notebook) -> None:
    """Close lines into polygons; a claw may stay a line, which has a length but no width."""
    kind = shapely.get_type_id(book.shapes)
    line = np.isin(kind, [shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING])
    claw = book.outlines["part"].isin(_CLAWS).to_numpy()
    line &= book.kept & ~(claw & ~shapely.is_closed(book.shapes))
    few = line & (shapely.get_num_points(book.shapes) < 3)
    book.note(few, FAULTS["fewPoints"], keep=False)
    line &= ~few
    gap = np.zeros(len(line))
    lines = book.shapes[line]
    gap[line] = shapely.distance(shapely.get_point(lines, 0), shapely.get_point(lines, -1))
    wide = line & (gap > _GAP_SHARE * shapely.length(book.shapes))
    book.note(wide, FAULTS["open"], keep=False)
    book.note(line & (gap > 0) & ~wide, FAULTS["closed"], keep=True)
    for row in np.flatnonzero(line & ~wide):
        book.shapes[row] = shapely.Polygon(shapely.get_coordinates(book.shapes[row]))


def _mend_crossings(book: _Notebook) -> None:
    crossing = book.kept & ~shapely.is_valid(book.shapes)
    lost = np.zeros_like(crossing)
    for row in np.flatnonzero(crossing):
        pieces = shapely.get_parts(shapely.make_valid(book.shapes[row]))
        areas = shapely.area(pieces)
        whole = areas.max() >= _PIECE_SHARE * areas.sum() > 0
        if whole:
            book.shapes[row] = shapely.Polygon(shapely.get_exterior_ring(pieces[areas.argmax()]))
        lost[row] = not whole
    book.note(
        lost,
        FAULTS["crossing"],
        keep=False,
    )
    book.note(crossing & ~lost, FAULTS["mended"], keep=True)
    polygon = shapely.get_type_id(book.shapes) == shapely.GeometryType.POLYGON
    book.note(polygon & (shapely.area(book.shapes) <= 0), FAULTS["noArea"], keep=False)


def _drop_duplicates(book: _Notebook) -> None:
    """Set aside what was drawn twice; call two of one number toes without a number."""
    table = book.outlines.assign(place=np.arange(len(book.outlines)))[book.kept]
    polygon = shapely.get_type_id(book.shapes[table["place"]]) == shapely.GeometryType.POLYGON
    table = table[polygon][["print", "part", "place"]]
    boxes = shapely.bounds(book.shapes[table["place"]])
    centre = shapely.points((boxes[:, 0] + boxes[:, 2]) / 2, (boxes[:, 1] + boxes[:, 3]) / 2)
    number = pd.factorize(table["print"])[0]
    order = np.lexsort((shapely.get_x(centre), number))
    again = np.zeros(len(book.kept), dtype=bool)
    for step in (1, 2, 3):  # outlines that nearly coincide are neighbours in this order
        one, two = order[:-step], order[step:]
        near = (number[one] == number[two]) & (
            np.abs(boxes[one] - boxes[two]).max(axis=1)
            < 0.1 * np.ptp(boxes[one], axis=1).max(initial=1)
        )
        first, second = table["place"].to_numpy()[one[near]], table["place"].to_numpy()[two[near]]
        shared = shapely.area(shapely.intersection(book.shapes[first], book.shapes[second]))
        both = shapely.area(book.shapes[first]) + shapely.area(book.shapes[second]) - shared
        same = shared >= _SAME_OVERLAP * both
        again[np.maximum(first, second)[same]] = True
    book.note(again, FAULTS["twice"], keep=False)
    numbered = book.outlines["part"].isin(_TOES[1:]).to_numpy() & book.kept
    key = book.outlines["print"].astype(str) + "\0" + book.outlines["part"].astype(str)
    twice = np.zeros(len(key), dtype=bool)
    twice[numbered] = key[numbered].duplicated(keep=False).to_numpy()
    if twice.any():
        book.note(twice, FAULTS["sameNumber"], keep=True)
        book.outlines = book.outlines.assign(part=book.outlines["part"].mask(twice, "toe"))


def _check_units(book: _Notebook) -> None:
    """Set aside a toe or pad whose size cannot belong to the others of its print."""
    sized = book.kept & book.outlines["part"].isin([*_TOES, "pad"]).to_numpy()
    size = pd.Series(np.sqrt(shapely.area(book.shapes[sized])))
    name = book.outlines["print"].to_numpy()[sized]
    usual = size.groupby(name).transform("median").to_numpy()
    odd = np.zeros(len(sized), dtype=bool)
    odd[sized] = (size > usual * UNIT_FACTOR) | (size < usual / UNIT_FACTOR)
    book.note(
        odd,
        FAULTS["oddSize"],
        keep=False,
    )
