"""Identification room: prints measured with calipers, in the columns of measured outlines.

Areas are not measured with calipers. The number of toes that would fit into the pad is
estimated from lengths and widths, taking a toe for an ellipse and a pad for a stated share of
the rectangle around it, and its error says so.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.foot import FootSigns, foot_probabilities, foot_words
from carnivore_sign.identify.measuring import MEASURED, mean_known
from carnivore_sign.records.vocabularies import FEET

_TOES: Final = (2, 3, 4, 5)

#: Share of the rectangle around it that a pad fills, and the relative error of areas that are
#: reckoned from lengths (common practice, no source).
PAD_FILL: Final = 0.66
AREA_ERROR: Final = 0.15

_LENGTHS: Final = ("length_mm", "width_mm", "pad_length_mm", "pad_width_mm",
                   "length_with_claws_mm", "width_with_claws_mm")  # fmt: skip
_LIMITS_MM: Final = (1.0, 500.0)


def measure_calipers(table: pd.DataFrame, *, error_mm: float) -> pd.DataFrame:
    """Lay caliper measurements out as `measure_print` does.

    Parameters
    ----------
    table : DataFrame
        One print a row, columns as `measure_print` says.
    error_mm : float
        SD of one measurement.

    Returns
    -------
    DataFrame
        Columns of `measure_print`; NaN where calipers tell nothing.

    Raises
    ------
    InputError
        If no column is one of theirs, or a value is no length in mm.

    Examples
    --------
    >>> table = pd.DataFrame({"print": ["A"], "length_mm": [90.0], "width_mm": [88.0]})
    >>> measure_calipers(table, error_mm=1.0)["length_to_width"].round(3).tolist()
    [1.023]
    """
    toes = {f"toe_{toe}_{side}_mm" for toe in _TOES for side in ("length", "width")}
    known = [name for name in table if name in _LENGTHS or name in toes]
    if not known:
        raise InputError(
            "there are neither outlines nor caliper measurements",
            remedy="Give a geometry column, or any of "
            f"{', '.join(_LENGTHS[:4])}, toe_2_length_mm, toe_2_width_mm ...",
        )
    index = pd.Index(table.get("print", table.index), name="print")
    numbers = _numbers(table, known)
    names = [each for name in MEASURED for each in (name, f"{name}_error")]
    found = pd.DataFrame(np.nan, index=index, columns=names)
    for name in set(known) & set(_LENGTHS):
        found[name] = numbers[name].to_numpy()
        found[f"{name}_error"] = np.where(found[name].notna(), error_mm, np.nan)
    _add_ratios(found, numbers, error_mm)
    return found.assign(**_the_rest(table, found, numbers))


def _numbers(table: pd.DataFrame, known: list[str]) -> pd.DataFrame:
    numbers = table[known].apply(pd.to_numeric, errors="coerce").astype(float)
    low, high = _LIMITS_MM
    wrong = (table[known].notna() & numbers.isna()) | (numbers < low) | (numbers > high)
    if wrong.any(axis=None):
        row = int(np.flatnonzero(wrong.any(axis=1))[0])
        column = wrong.columns[wrong.iloc[row]][0]
        raise InputError(
            f"{column} is {table[column].iloc[row]!r}, no length from {low:g} to {high:g} mm",
            row=row,
            remedy="Give numbers in millimetres; units.lengths_from_text reads other units.",
        )
    return numbers


def _add_ratios(found: pd.DataFrame, numbers: pd.DataFrame, error_mm: float) -> None:
    """Fill in what follows from the lengths, with first-order errors."""
    empty = pd.Series(np.nan, index=numbers.index)

    def of(name: str) -> np.ndarray:
        return numbers.get(name, empty).to_numpy()

    def relative(*parts: np.ndarray) -> np.ndarray:
        return error_mm * np.sqrt(sum(1.0 / part**2 for part in parts))

    found["length_to_width"] = of("length_mm") / of("width_mm")
    found["length_to_width_error"] = found["length_to_width"] * relative(
        of("length_mm"), of("width_mm")
    )
    long = mean_known(np.column_stack([of(f"toe_{toe}_length_mm") for toe in _TOES]))
    wide = mean_known(np.column_stack([of(f"toe_{toe}_width_mm") for toe in _TOES]))
    found["toe_length_mm"], found["toe_width_mm"] = long, wide
    found["toe_length_mm_error"] = np.where(np.isfinite(long), error_mm, np.nan)
    found["toe_width_mm_error"] = np.where(np.isfinite(wide), error_mm, np.nan)
    found["toe_elongation"] = long / wide
    found["toe_elongation_error"] = long / wide * relative(long, wide)
    pad = of("pad_length_mm") * of("pad_width_mm") * PAD_FILL
    ratio = pad / (np.pi / 4.0 * long * wide)
    found["toes_in_pad_ratio"] = ratio
    measured = relative(of("pad_length_mm"), of("pad_width_mm"), long, wide)
    found["toes_in_pad_ratio_error"] = ratio * np.hypot(measured, AREA_ERROR)


def _the_rest(table: pd.DataFrame, found: pd.DataFrame, numbers: pd.DataFrame) -> dict[str, object]:
    none = np.full(len(table), np.nan)
    chances = foot_probabilities(
        FootSigns(
            none,
            none,
            found["length_to_width"].to_numpy(),
            found["toes_in_pad_ratio"].to_numpy(),
            none,
            none,
        )
    )
    words = foot_words(chances)
    if "foot" in table:
        stated = table["foot"].isin(FEET).to_numpy()
        words["foot"] = np.where(stated, table["foot"].to_numpy(dtype=object), words["foot"])
    toes = [name for name in numbers if name.startswith("toe_")]
    seen = {name.rsplit("_", 2)[0] for name in toes}
    count = sum(
        numbers[[name for name in toes if name.startswith(toe + "_")]].notna().any(axis=1)
        for toe in seen
    )
    return {
        "axis_from": "none",
        "toe_count": np.asarray(count) if seen else 0,
        "claw_count": 0,
        "dewclaw": False,
        "carpal_pad": False,
        "diagonals_clear": pd.array([None] * len(table), dtype="boolean"),
        **chances,
        **words,
        "toe_3_lead_mm": np.nan,
        "toe_2_lead_mm": np.nan,
        "toes_numbered_by": "unknown",
        "p_overlap": np.nan,
        "second_print_marks": [[] for _ in range(len(table))],
        "stray_marks": [[] for _ in range(len(table))],
        "method": "calipers",
        "notes": "",
    }
