"""Trails room: prints from a tape: steps and strides measured one after another, and sides.

A tape gives no places. They are laid out along a straight course from the lengths, so that feet
can be inferred; the lengths themselves are kept as they were taken.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.trails.steps import straddle_from_steps
from carnivore_sign.units import lengths_from_text

_WIDTH_OF_STEP: Final = 0.3  # straddle over step where no stride was measured, to lay out only
_SIDES: Final = ("left", "right")


def prints_from_tape(tape: pd.DataFrame, *, default_unit: str | None = None) -> pd.DataFrame:
    """Lay out the prints of a tape table.

    Parameters
    ----------
    tape : DataFrame
        One row per print, in order: ``step``, the distance from the print before it (missing for
        the first), as a number or as people write it (``48 cm``); if measured ``stride``, the
        distance from the print before that; ``side`` (left, right; they take turns if
        missing); ``foot``, ``sequence``, ``print_no``, ``width_mm`` and ``length_mm`` as
        `gait_sequence` takes them. Or TAPE of the records, whose ``step_m`` and ``stride_m``
        are in metres.
    default_unit : str, optional
        Unit of bare numbers: a key of `carnivore_sign.units.METRES`. Without it a bare number is
        an error, since a step in inches among centimetres cannot be seen.

    Returns
    -------
    DataFrame
        What `gait_sequence` takes.

    Raises
    ------
    InputError
        If a length cannot be read, or a stride is longer than the two steps in it.

    Examples
    --------
    >>> tape = pd.DataFrame({"step": [None, "45 cm", "45 cm"], "stride": [None, None, "80 cm"]})
    >>> prints_from_tape(tape)[["x_m", "y_m"]].round(3).to_numpy().tolist()
    [[0.0, 0.103], [0.4, -0.103], [0.8, 0.103]]
    """
    table = tape.reset_index(drop=True).copy()
    if "step" not in table and "step_m" in table:
        table = table.rename(columns={"step_m": "step", "stride_m": "stride"})
        default_unit = "m"
    if "step" not in table:
        raise InputError("the tape table has no column 'step'")
    if "sequence" not in table:
        table["sequence"] = "1"
    step = _read(table, "step", default_unit)
    stride = _read(table, "stride", default_unit) if "stride" in table else step * np.nan
    first = ~table["sequence"].duplicated()
    _check(table, step, stride, first)
    step = step.mask(first)
    before = step.groupby(table["sequence"]).shift()
    high = pd.Series(straddle_from_steps(before, step, stride), index=table.index)
    by = table["sequence"]
    width = (
        high.groupby(by)
        .transform("median")
        .fillna(_WIDTH_OF_STEP * step.groupby(by).transform("median"))
    )
    ahead = np.sqrt(np.maximum(step**2 - width**2, (0.2 * step) ** 2)).fillna(0.0)
    table["x_m"] = ahead.groupby(by).cumsum()
    table["y_m"] = _left(table) * width / 2.0
    table["step_m"], table["stride_m"] = step, stride
    return table.drop(columns=[name for name in ("step", "stride", "side") if name in table])


def _read(table: pd.DataFrame, name: str, default_unit: str | None) -> pd.Series:
    values, faults = lengths_from_text(table[name], to="m", default_unit=default_unit)
    if len(faults):
        row = int(faults.index[0])
        raise InputError(
            f"the {name} '{table[name].iloc[row]}': {faults.iloc[0]}", row=row + 1,
            remedy="Write the unit behind each length, or state default_unit.",
        )  # fmt: skip
    return values


def _check(table: pd.DataFrame, step: pd.Series, stride: pd.Series, first: pd.Series) -> None:
    nothing = step.isna() & ~first
    if nothing.any() or (step <= 0).any():
        row = int((nothing | (step <= 0)).idxmax())
        raise InputError(
            "a step of no length" if not nothing[row] else "a step is missing", row=row + 1,
            remedy="Begin a new sequence where a print is missing, or measure across it.",
        )  # fmt: skip
    both = step + step.groupby(table["sequence"]).shift()
    usual = step.groupby(table["sequence"]).transform("median")
    mixed = (step > 8.0 * usual) | (step < usual / 8.0)
    if mixed.any():
        row = int(mixed.idxmax())
        raise InputError(
            f"the step of {step[row]:g} m is far from the others, about {usual[row]:g} m",
            row=row + 1,
            remedy="Is it in another unit? Write the unit behind it.",
        )  # fmt: skip
    long = stride > 1.02 * both
    if long.any():
        row = int(long.idxmax())
        raise InputError(
            f"the stride of {stride[row]:g} m is longer than its two steps, {both[row]:g} m",
            row=row + 1,
            remedy="A stride goes from a foot to the same foot, over two steps.",
        )


def _left(table: pd.DataFrame) -> pd.Series:
    """1 for prints of the left, -1 for those of the right; they take turns if not noted."""
    turn = table.groupby("sequence").cumcount() % 2
    words = table["side"] if "side" in table else pd.Series(None, index=table.index, dtype=object)
    if "foot" in table:
        words = words.fillna(table["foot"].astype(object).str.split("_").str[0])
    strange = words.dropna()[~words.dropna().isin(_SIDES)]
    if len(strange):
        raise InputError(f"'{strange.iloc[0]}' is no side", row=int(strange.index[0]) + 1)
    noted = words.map({"left": 1.0, "right": -1.0}).astype(float)
    turned = noted * np.where(turn == 0, 1.0, -1.0)
    lead = turned.groupby(table["sequence"]).transform("median").fillna(1.0)
    lead = lead.where(lead != 0, 1.0)
    return noted.fillna(lead * np.where(turn == 0, 1.0, -1.0))
