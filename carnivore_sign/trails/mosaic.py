"""Trails room: prints from a traced photo mosaic: where each lies, how it points, how wide it is.

A mosaic of photos laid to one scale, on which pads and toes were traced, is a plane with prints
in it. The outlines come in millimetres, as identification reads them, a row per mark.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import PRINT_PARTS
from carnivore_sign.units import MM_PER_M

#: Marks that make up the length and width of a print; claws and what lies behind do not.
_PAD: Final = "pad"
_TOES: Final = tuple(part for part in PRINT_PARTS if part.startswith("toe"))
_MARKS: Final = (_PAD, *_TOES)


def prints_from_mosaic(outlines: gpd.GeoDataFrame) -> pd.DataFrame:
    """Place the prints of a traced mosaic.

    Parameters
    ----------
    outlines : GeoDataFrame
        A row per mark, in millimetres, x to the right and y upwards: ``print``, ``part`` (of
        `PRINT_PARTS`), ``geometry``; ``foot`` and ``sequence`` if stated. The prints stand in
        the order in which they were made.

    Returns
    -------
    DataFrame
        What `gait_sequence` takes, a row per print: ``sequence``, ``print`` its name,
        ``print_no``, ``x_m`` and ``y_m`` the middle of pad and toes by area; ``toe_deg`` from
        the pad to the toes, clockwise from the y axis; ``width_mm`` and ``length_mm`` across
        and along that axis, missing where pad or toes were not traced; ``foot``. A print of
        which nothing was traced but claws keeps its row, with no place.

    Raises
    ------
    InputError
        If a column is missing, a part is unknown, or a print has two feet or sequences.

    Examples
    --------
    >>> rows = {"print": "A", "part": ["pad", "toe"], "foot": None}
    >>> marks = [shapely.box(480, 0, 520, 30), shapely.box(490, 50, 510, 70)]
    >>> told = prints_from_mosaic(gpd.GeoDataFrame(rows, geometry=marks))
    >>> told[["x_m", "y_m", "toe_deg", "width_mm", "length_mm"]].round(3).iloc[0].tolist()
    [0.5, 0.026, 0.0, 40.0, 70.0]
    """
    marks = _check(outlines)
    names = pd.Index(pd.unique(marks["print"]), name="print")
    group = names.get_indexer(marks["print"])
    middle = _middle(marks, group, len(names), _MARKS)
    pad, toes = (_middle(marks, group, len(names), parts) for parts in ((_PAD,), _TOES))
    axis = toes - pad
    axis = axis / np.hypot(*axis.T)[:, None]
    width, length = _extent(marks, group, axis)
    first = marks.drop_duplicates("print")
    table = pd.DataFrame(
        {
            "sequence": first["sequence"].to_numpy(dtype=object),
            "print": names.astype(str),
            "x_m": middle[:, 0] / MM_PER_M,
            "y_m": middle[:, 1] / MM_PER_M,
            "toe_deg": np.mod(np.degrees(np.arctan2(axis[:, 0], axis[:, 1])), 360.0),
            "width_mm": width,
            "length_mm": length,
            "foot": marks.groupby("print", sort=False)["foot"].first().to_numpy(dtype=object),
        }
    )
    table.insert(2, "print_no", table.groupby("sequence").cumcount() + 1)
    return table


def _check(outlines: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return the marks as a plain table, or say what is wrong with them."""
    missing = [name for name in ("print", "part", "geometry") if name not in outlines]
    if missing:
        raise InputError(
            f"the outlines have no column {', '.join(missing)}",
            remedy="Give a row per mark with print, part and geometry, in millimetres.",
        )
    marks = pd.DataFrame(outlines).reset_index(drop=True)
    marks = marks.assign(
        foot=marks["foot"].astype(object) if "foot" in marks else None,
        sequence=marks.get("sequence", "1"),
    )
    strange = ~marks["part"].isin(PRINT_PARTS)
    if strange.any():
        row = int(strange.idxmax())
        raise InputError(
            f"'{marks['part'][row]}' is no part of a print", row=row + 1,
            remedy=f"One of {', '.join(PRINT_PARTS)}.",
        )  # fmt: skip
    for name in ("foot", "sequence"):
        named = marks[["print", name]].dropna().drop_duplicates()
        several = named["print"][named["print"].duplicated()]
        if len(several):
            raise InputError(
                f"the marks of print '{several.iloc[0]}' name more than one {name}",
                remedy="Give each print a name of its own.",
            )
    return marks


def _middle(
    marks: pd.DataFrame, group: np.ndarray, count: int, parts: tuple[str, ...]
) -> np.ndarray:
    """Middle of some marks of each print by area, shape (prints, 2); NaN where there are none."""
    shapes = marks["geometry"].to_numpy()
    area = np.nan_to_num(shapely.area(shapes)) * marks["part"].isin(parts).to_numpy()
    centres = shapely.get_coordinates(shapely.centroid(shapes[area > 0]))
    sums = [np.bincount(group[area > 0], area[area > 0] * xy, count) for xy in centres.T]
    with np.errstate(invalid="ignore"):
        return np.column_stack(sums) / np.bincount(group, area, count)[:, None]


def _extent(
    marks: pd.DataFrame, group: np.ndarray, axis: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Width across and length along the axis of each print, over pad and toes."""
    kept = marks["part"].isin(_MARKS).to_numpy()
    xy, row = shapely.get_coordinates(marks["geometry"].to_numpy()[kept], return_index=True)
    of = group[kept][row]
    along = (xy * axis[of]).sum(axis=1)
    across = xy[:, 0] * axis[of, 1] - xy[:, 1] * axis[of, 0]
    spans = []
    for values in (across, along):
        by = pd.Series(values).groupby(of)
        spans.append((by.max() - by.min()).reindex(range(len(axis))).to_numpy())
    return spans[0], spans[1]
