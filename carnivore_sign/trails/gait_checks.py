"""Trails room: what is wrong with the prints of a sequence, and what is doubtful about them.

Rows in = rows kept + rows set aside, each with its reason.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.vocabularies import FEET
from carnivore_sign.trails.feet import feet_numbers

_SAME_PLACE_M: Final = 0.005
_STEPS_M: Final = (0.02, 4.0)  # no carnivore's prints lie closer or farther in the middle
_FAR: Final = 12.0  # times the middle distance on both sides: written in another unit
_OPTIONAL: Final = ("toe_deg", "width_mm", "length_mm")
_SURE: Final = 0.9
_SPLIT: Final = 0.22  # log of the ratio of two clusters of sizes that front and hind cannot give
_SPLIT_SHARE: Final = 0.25
_LEAST_SIZES: Final = 6
_BACK_DEG: Final = 110.0
_BACK_SHARE: Final = 0.15
_LEAST_BACK: Final = 2
_TOLD: Final = 0.75  # a foot is told to be front or hind from this probability on
_LEAST_OPEN: Final = 6
_CLEAR: Final = 3.0  # times the spread within both clusters


def check_prints(prints: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sort out prints: those that can be used, in order, and those set aside with a reason."""
    missing = [name for name in ("x_m", "y_m") if name not in prints]
    if missing:
        raise InputError(
            f"the prints have no column {' and no '.join(missing)}",
            remedy="Give places in metres, or make them of a tape table: prints_from_tape(tape).",
        )
    table = prints.reset_index(drop=True).copy()
    if "sequence" not in table:
        table["sequence"] = "1"
    if "print_no" not in table:
        table["print_no"] = table.groupby("sequence").cumcount() + 1
    for name in _OPTIONAL:
        table[name] = table.get(name, np.nan)
    table["foot"] = table["foot"].astype(object) if "foot" in table else None
    table["foot"] = table["foot"].astype(object).where(table["foot"].notna(), None)
    _check_feet(table)
    table["reason"] = pd.Series(None, index=table.index, dtype=object)
    _mark(table, table["sequence"].isna(), "it is of no sequence")
    _mark(table, ~np.isfinite(table[["x_m", "y_m"]].astype(float)).all(axis=1), "it has no place")
    _mark(table, table["print_no"].isna(), "it has no number in the sequence")
    again = table.duplicated(["sequence", "print_no"]) & table["reason"].isna()
    _mark(table, again, "its number stands twice in the sequence; the first one was kept")
    used = table[table["reason"].isna()].sort_values(["sequence", "print_no"], kind="stable")
    used = _without_twins(table, used)
    _check_units(used)
    used = _without_strays(table, used)
    aside = table[table["reason"].notna()]
    kept = [name for name in prints.columns if name in aside]
    aside = aside[list(dict.fromkeys([*kept, "sequence", "print_no", "reason"]))]
    if used.empty:
        raise InputError(
            "no print is left to measure" + (f": {aside['reason'].iloc[0]}" if len(aside) else ""),
            remedy="A sequence needs prints with places in metres.",
        )
    return used.drop(columns="reason").reset_index(drop=True), aside.reset_index(drop=True)


def _mark(table: pd.DataFrame, rows: pd.Series, reason: str) -> None:
    table.loc[rows & table["reason"].isna(), "reason"] = reason


def _check_feet(table: pd.DataFrame) -> None:
    strange = table["foot"].dropna()
    strange = strange[~strange.isin(FEET)]
    if len(strange):
        raise InputError(
            f"'{strange.iloc[0]}' is no foot", row=int(strange.index[0]) + 1,
            remedy=f"One of {', '.join(FEET)}, or left empty.",
        )  # fmt: skip


def _without_twins(table: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Take a print at the very place of the one before it for a register, or set it aside."""
    before = used.shift()
    metres = np.hypot(used["x_m"] - before["x_m"], used["y_m"] - before["y_m"])
    twin = (used["sequence"] == before["sequence"]) & (metres < _SAME_PLACE_M)
    number, number_before = (feet_numbers(one["foot"].to_numpy(object)) for one in (used, before))
    register = twin & (number >= 0) & (number_before >= 0)
    register &= (number != number_before) & (number % 2 == number_before % 2)
    rows = used.index[twin]
    table.loc[rows, "reason"] = np.where(
        register[twin],
        "a direct register: it is counted with the print before it",
        "a step of no length: it is at the place of the print before it",
    )
    return used[~twin]


def _distances(used: pd.DataFrame) -> pd.Series:
    before = used.shift()
    metres = np.hypot(used["x_m"] - before["x_m"], used["y_m"] - before["y_m"])
    return metres.where(used["sequence"] == before["sequence"])


def _check_units(used: pd.DataFrame) -> None:
    middle = _distances(used).groupby(used["sequence"]).median()
    bad = middle[(middle < _STEPS_M[0]) | (middle > _STEPS_M[1])]
    if len(bad):
        raise InputError(
            f"in sequence '{bad.index[0]}' prints lie {bad.iloc[0]:g} m apart in the middle, which "
            "no animal does",
            remedy="Are they in centimetres? Give x_m and y_m in metres.",
        )


def _without_strays(table: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Set aside prints far from both neighbours: written in another unit, or a slip."""
    metres = _distances(used)
    usual = metres.groupby(used["sequence"]).transform("median")
    onward = metres.shift(-1)
    far = (metres > _FAR * usual) & (onward > _FAR * usual)
    table.loc[used.index[far], "reason"] = (
        f"it lies over {_FAR:g} times as far from its neighbours as the others: another unit?"
    )
    return used[~far]


def tell_doubts(table: pd.DataFrame, clean: pd.DataFrame) -> pd.DataFrame:
    """List feet that cannot be what was noted, and sequences that may be of two animals."""
    noted = clean["foot"].to_numpy(dtype=object)
    wrong = pd.notna(noted) & (noted != table["foot"].to_numpy(dtype=object))
    # Over a direct register either foot of the side may be noted: 0 and 2 are left, 1 and 3 right.
    side = feet_numbers(noted) % 2 == feet_numbers(table["foot"].to_numpy(object)) % 2
    hidden = (table["p_direct_register"] > 0.5).to_numpy() & side
    wrong &= (table["foot_probability"] >= _SURE).to_numpy() & ~hidden
    feet = table.loc[wrong, ["sequence", "print_no"]]
    feet = feet.assign(
        doubt=[
            f"noted as {was.replace('_', ' ')}, but the prints around it say "
            f"{told.replace('_', ' ')}"
            for was, told in zip(noted[wrong], table.loc[wrong, "foot"], strict=True)
        ]
    )
    parts = [feet, _two_animals(clean), _backward(table, clean), _open_ends(table)]
    found = [part for part in parts if len(part)] or [feet]
    return pd.concat(found, ignore_index=True).astype({"doubt": TEXT})


def _backward(table: pd.DataFrame, clean: pd.DataFrame) -> pd.DataFrame:
    """Find sequences of which several feet point back along the course."""
    turned = np.abs((clean["toe_deg"].astype(float) - table["heading_deg"] + 180.0) % 360.0 - 180.0)
    back = (turned > _BACK_DEG).groupby(clean["sequence"], sort=False).agg(["sum", "mean"])
    found = back[(back["sum"] >= _LEAST_BACK) & (back["mean"] >= _BACK_SHARE)]
    return pd.DataFrame(
        {"sequence": found.index, "print_no": pd.NA,
         "doubt": [f"{int(number)} feet point back along the trail: perhaps of two animals, or "
                   "laid out the wrong way round" for number in found["sum"]]}
    )  # fmt: skip


def _open_ends(table: pd.DataFrame) -> pd.DataFrame:
    """Find sequences of front and hind feet in which nothing tells which are which."""
    front = table["p_left_front"] + table["p_right_front"]
    open_ = front.between(1.0 - _TOLD, _TOLD) & (table["p_direct_register"] < 0.5)
    share = open_.groupby(table["sequence"], sort=False).agg(["mean", "size"])
    found = share.index[(share["mean"] > 0.5) & (share["size"] >= _LEAST_OPEN)]
    told = "nothing tells front feet from hind, nor an understep from an overstep: note some feet"
    return pd.DataFrame({"sequence": found, "print_no": pd.NA, "doubt": f"{told}, or widths"})


def _two_animals(clean: pd.DataFrame) -> pd.DataFrame:
    """Find sequences whose prints fall into two sizes farther apart than front and hind feet do."""
    found = []
    for name in ("width_mm", "length_mm"):
        size = np.log(clean[name].astype(float))
        table = pd.DataFrame({"sequence": clean["sequence"], "size": size}).dropna()
        if table.empty:
            continue
        two = _two_sizes(table.sort_values(["sequence", "size"], ignore_index=True))
        found += [
            {"sequence": row.Index, "print_no": pd.NA,
             "doubt": f"prints of two sizes, about {np.exp(row.small):.0f} and "
             f"{np.exp(row.large):.0f} mm ({name[:-3]}): perhaps of two animals"}
            for row in two.itertuples()
        ]  # fmt: skip
    table = pd.DataFrame(found, columns=["sequence", "print_no", "doubt"])
    return table.drop_duplicates("sequence")


def _two_sizes(table: pd.DataFrame) -> pd.DataFrame:
    """Cut the sorted sizes of each sequence at their widest gap; keep what is clearly two."""
    by = table.groupby("sequence")
    rank, number = by.cumcount() + 1, by["size"].transform("size")
    margin = np.ceil(_SPLIT_SHARE * number)
    gap = by["size"].shift(-1) - table["size"]
    gap = gap.where((rank >= margin) & (rank <= number - margin) & (number >= _LEAST_SIZES))
    widest = gap.groupby(table["sequence"]).transform("max")
    cut = rank.where(gap == widest).groupby(table["sequence"]).transform("min")
    low = table["size"].where(rank <= cut)
    high = table["size"].where(rank > cut)
    told = (
        pd.DataFrame({"small": low, "large": high}).groupby(table["sequence"]).agg(["mean", "std"])
    )
    apart = told["large"]["mean"] - told["small"]["mean"]
    within = np.hypot(told["large"]["std"], told["small"]["std"])
    clear = (apart > _SPLIT) & (apart > _CLEAR * within)
    return pd.DataFrame({"small": told["small"]["mean"], "large": told["large"]["mean"]})[clear]
