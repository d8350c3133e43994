"""Trails room: gait from prints: step, stride, straddle, angulation, feet, and what is doubtful.

A *sequence* is the prints of one trail in the order in which they were made, with places in a
plane (a grid laid on the ground, or a traced photo mosaic) or with lengths from a tape
(``tape.py``). The course, the sides and the feet are inferred (``course.py``, ``feet.py``);
lengths are measured between feet that were inferred, so that a missing print leaves a gap and
never a stride of double length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import FEET
from carnivore_sign.trails.course import Course, follow_course, lay_out
from carnivore_sign.trails.feet import GOING, STATES, Feet, feet_numbers, infer_feet
from carnivore_sign.trails.gait_checks import check_prints, tell_doubts
from carnivore_sign.trails.steps import (
    DEFINITIONS,
    FloatArray,
    pace_angulation_deg,
    straddle_from_steps,
)
from carnivore_sign.units import MM_PER_M

_CUT: Final = 200  # longer sequences are cut here to infer feet, with so many beside the cut:
_BESIDE: Final = 16
_INNER: Final = ["number", "state", "foot_no", "front", "left"]
_MISSED: Final = 1.6  # a stride so much longer than the middle one spans prints that are missing
_FOOT: Final = np.array([state.foot for state in STATES])
_PLACE: Final = np.array([state.place for state in STATES])


@dataclass(frozen=True, eq=False)
class GaitSequence:
    """What was measured of one or more sequences of prints.

    Attributes
    ----------
    prints : DataFrame
        One row per print: ``sequence``, ``print_no``, ``x_m``, ``y_m``, ``along_m``,
        ``across_m`` (left above 0), ``heading_deg``; ``foot`` inferred, ``foot_probability``,
        ``p_<foot>`` of each foot, ``p_direct_register``; and the lengths of
        `carnivore_sign.trails.steps.DEFINITIONS`, missing where they could not be measured.
    summary : DataFrame
        One row per sequence and measure: ``median``, ``spread`` (1.4826 times the median
        deviation from the median), ``count``, ``definition``.
    going : DataFrame
        Index sequence: the probability of each order of feet (`carnivore_sign.trails.feet.GOING`).
    set_aside : DataFrame
        Rows that were not used, with ``reason``.
    doubts : DataFrame
        ``sequence``, ``print_no`` (missing for the whole), ``doubt``: feet that cannot be what
        was noted, prints that may be of two animals, sequences in which nothing tells front feet
        from hind.
    """

    prints: pd.DataFrame
    summary: pd.DataFrame
    going: pd.DataFrame
    set_aside: pd.DataFrame
    doubts: pd.DataFrame

    def middle(self, measure: str) -> pd.Series:
        """Return the median of a measure by sequence; missing where it was never measured."""
        rows = self.summary[self.summary["measure"].eq(measure)]
        return rows.set_index("sequence")["median"].reindex(self.going.index)


def gait_sequence(prints: pd.DataFrame) -> GaitSequence:
    """Measure the gait of one or more sequences of prints.

    Parameters
    ----------
    prints : DataFrame
        One row per print with ``x_m`` and ``y_m``, places in a plane in metres. Optional:
        ``sequence`` (name of the trail; all one if missing), ``print_no`` (the order in which
        they were made; as they stand if missing), ``foot`` (of `FEET`; may be missing or
        wrong), ``toe_deg`` (axis of the foot, clockwise from the y axis), ``width_mm`` and
        ``length_mm``; and from a tape ``step_m`` and ``stride_m`` to each print from the one
        before and the one before that, which are then kept as they were taken.

    Returns
    -------
    GaitSequence
        The gait at each print, its summary, what is doubtful, and the rows set aside.

    Raises
    ------
    InputError
        If there are no places, or the lengths cannot be metres.

    Examples
    --------
    >>> x = np.arange(8) * 0.48
    >>> walk = gait_sequence(pd.DataFrame({"x_m": x, "y_m": np.tile([0.08, -0.08], 4)}))
    >>> walk.middle("stride_m").round(2).tolist()
    [0.96]
    >>> walk.going.idxmax(axis=1).tolist()
    ['direct_register']
    """
    clean, set_aside = check_prints(prints)
    number, names = pd.factorize(clean["sequence"])
    course = follow_course(clean[["x_m", "y_m"]].to_numpy(dtype=float), number)
    feet = _infer(clean, number, course)
    table = _table(clean, number, course, feet)
    table = table.join(_strides(table)).join(_paces(table)).join(_others(table, clean))
    table = _taped(table, clean)
    going = _going(feet.going, number, names)
    doubts = tell_doubts(table, clean)
    lengths = [name for name in DEFINITIONS if name in table]
    return GaitSequence(
        table.drop(columns=_INNER), _summary(table, lengths), going, set_aside, doubts
    )


def _infer(clean: pd.DataFrame, number: np.ndarray, course: Course) -> Feet:
    """Infer feet, long sequences in pieces that overlap; arrays have a row per print."""
    count = np.bincount(number)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    place = np.arange(len(number)) - first[number]
    core = number * (count.max() // _CUT + 1) + place // _CUT
    begins = np.unique(core, return_index=True)[1]
    ends = np.append(begins[1:], len(number))
    of = number[begins]
    low = np.maximum(begins - _BESIDE, first[of])
    high = np.minimum(ends + _BESIDE, (first + count)[of])
    piece = np.repeat(np.arange(len(low)), high - low)
    offset = np.arange(len(piece)) - np.concatenate([[0], np.cumsum(high - low)[:-1]])[piece]
    rows = low[piece] + offset
    layout = lay_out(piece)
    side, step, size, noted = _features(clean, number, course)
    told = infer_feet(
        layout.spread(side[rows]), layout.spread(step[rows]), layout.spread(size[rows]),
        layout.spread(noted[rows], -1), layout.there,
    )  # fmt: skip
    own = (rows >= begins[piece]) & (rows < ends[piece])
    at = layout.row[own], layout.place[own]
    return Feet(told.foot[at], told.going[at], told.state[at])


def _features(
    clean: pd.DataFrame, number: np.ndarray, course: Course
) -> tuple[FloatArray, FloatArray, FloatArray, np.ndarray]:
    """Side, step, size and noted foot of each print, relative to its sequence."""
    frame = pd.DataFrame(
        {"across": np.abs(course.across_m), "advance": course.advance_m, "number": number}
    )
    means = frame.groupby("number")[["across", "advance"]].mean().reindex(range(number.max() + 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        side = course.across_m / means["across"].to_numpy()[number]
        step = course.advance_m / means["advance"].to_numpy()[number]
    size = np.full(len(clean), np.nan)
    for name in ("width_mm", "length_mm"):
        values = np.log(clean[name].to_numpy(dtype=float, na_value=np.nan))
        values = values - pd.Series(values).groupby(number).transform("median").to_numpy()
        size = np.where(np.isfinite(size), size, values)
    noted = feet_numbers(clean["foot"].astype(object).to_numpy())
    side, step = (np.where(np.isfinite(values), values, np.nan) for values in (side, step))
    return side, step, size, noted


def _table(clean: pd.DataFrame, number: np.ndarray, course: Course, feet: Feet) -> pd.DataFrame:
    table = clean[["sequence", "print_no", "x_m", "y_m"]].copy()
    table["along_m"], table["across_m"] = course.along_m, course.across_m
    table["heading_deg"] = course.heading_deg
    best = _FOOT[feet.state]
    table["foot"] = np.array(FEET, dtype=object)[best]
    table["foot_probability"] = feet.foot[np.arange(len(best)), best]
    for place, foot in enumerate(FEET):
        table[f"p_{foot}"] = feet.foot[:, place]
    going = dict(zip(GOING, feet.going.T, strict=True))
    table["p_direct_register"] = going["direct_register"]
    table["p_grouped"] = going["front_hind_front_hind"] + going["front_front_hind_hind"]
    table["state"], table["number"] = feet.state, number
    table["foot_no"] = best
    table["front"], table["left"] = best < 2, best % 2 == 0  # the order of FEET
    return table


def _strides(table: pd.DataFrame) -> pd.DataFrame:
    """Stride to each print from the one before it of the same foot."""
    ordered = table.sort_values(["number", "foot_no"], kind="stable")
    before = ordered.shift()
    same = (ordered["number"] == before["number"]) & (ordered["foot_no"] == before["foot_no"])
    stride = np.hypot(ordered["x_m"] - before["x_m"], ordered["y_m"] - before["y_m"]).where(same)
    usual = stride.groupby(ordered["number"]).transform("median")
    fits = stride.between(usual / _MISSED, usual * _MISSED)
    return stride.where(fits).rename("stride_m").to_frame()


def _paces(table: pd.DataFrame) -> pd.DataFrame:
    """Step to each print, and angulation and straddle at it, along one pair of feet."""
    ordered = table[["number", "x_m", "y_m", "p_grouped", "front", "left"]]
    ordered = ordered.sort_values(["number", "front"], kind="stable")
    before, after = ordered.shift(), ordered.shift(-1)
    from_left = (before["number"] == ordered["number"]) & (before["front"] == ordered["front"])
    turns = from_left & (before["left"] != ordered["left"]) & (ordered["p_grouped"] < 0.5)
    turns_next = turns.shift(-1, fill_value=False)
    step = np.hypot(ordered["x_m"] - before["x_m"], ordered["y_m"] - before["y_m"]).where(turns)
    usual = step.groupby(ordered["number"]).transform("median")
    step = step.where(step.between(usual / _MISSED, usual * _MISSED))
    onward = step.shift(-1).where(turns_next)
    long = np.hypot(after["x_m"] - before["x_m"], after["y_m"] - before["y_m"])
    angle = pace_angulation_deg(step, onward, long)
    straddle = straddle_from_steps(step, onward, long)
    return pd.DataFrame(
        {"step_m": step, "pace_angulation_deg": angle, "straddle_m": straddle}, index=ordered.index
    )


def _others(table: pd.DataFrame, clean: pd.DataFrame) -> pd.DataFrame:
    """Outer straddle, hind on front, foot angle, length of groups."""
    width = clean["width_mm"].to_numpy(dtype=float, na_value=np.nan) / MM_PER_M
    left = table["left"].to_numpy()
    toe = clean["toe_deg"].to_numpy(dtype=float, na_value=np.nan)
    turned = (toe - table["heading_deg"].to_numpy() + 180.0) % 360.0 - 180.0
    return pd.DataFrame(
        {
            "hind_on_front_m": _hind_on_front(table),
            "foot_angle_deg": np.where(left, -turned, turned),
            **_groups(table),
            "width_m": width,
        },
        index=table.index,
    )


def _hind_on_front(table: pd.DataFrame) -> FloatArray:
    """Place of each hind print past the nearest front print of its side, along the course."""
    direct = table["p_direct_register"].to_numpy() > 0.5
    told = np.where(direct, 0.0, np.nan)
    key = table["number"].to_numpy() * 2 + table["left"].to_numpy(dtype=int)
    front = table["front"].to_numpy()
    apart = 4.0 * (np.ptp(table["along_m"].to_numpy()) + 1.0)
    at = key * apart + table["along_m"].to_numpy()
    fronts = np.sort(at[front])
    rows = np.flatnonzero(~front & ~direct)
    if not len(fronts) or not len(rows):
        return told
    place = np.clip(np.searchsorted(fronts, at[rows]), 1, max(len(fronts) - 1, 1))
    below, above = (
        fronts[np.minimum(place, len(fronts)) - 1],
        fronts[np.minimum(place, len(fronts) - 1)],
    )
    near = np.where(at[rows] - below <= above - at[rows], below, above)
    past = at[rows] - near
    stride = _reference_stride(table)[rows]
    told[rows] = np.where(np.abs(past) < 0.5 * stride, past, np.nan)
    return told


def _reference_stride(table: pd.DataFrame) -> FloatArray:
    """Middle stride of each print's sequence; endless where none was measured."""
    ordered = table.sort_values(["number", "foot_no"], kind="stable")
    gap = ordered.groupby(["number", "foot_no"])["along_m"].diff()
    usual = gap.groupby(table["number"]).median().reindex(range(int(table["number"].max()) + 1))
    return np.nan_to_num(usual.to_numpy(dtype=float), nan=np.inf)[table["number"].to_numpy()]


def _groups(table: pd.DataFrame) -> dict[str, FloatArray]:
    """Length of each whole group of four and distance of its first two, at its first print."""
    place = _PLACE[table["state"].to_numpy()]
    number, along = table["number"].to_numpy(), table["along_m"].to_numpy()
    begins = np.ones(len(table), dtype=bool)
    begins[1:] = (place[1:] <= place[:-1]) | (number[1:] != number[:-1])
    first = np.flatnonzero(begins)
    size = np.diff(np.append(first, len(table)))
    whole = first[(size == 4) & (table["p_grouped"].to_numpy()[first] > 0.5)]
    length, pair = np.full(len(table), np.nan), np.full(len(table), np.nan)
    length[whole], pair[whole] = along[whole + 3] - along[whole], along[whole + 1] - along[whole]
    return {"group_length_m": length, "group_pair_m": pair}


def _taped(table: pd.DataFrame, clean: pd.DataFrame) -> pd.DataFrame:
    """Keep lengths as the tape gave them, and what follows from them."""
    width = table.pop("width_m")
    if "step_m" in clean:
        step = clean["step_m"].astype(float)
        stride = clean["stride_m"].astype(float) if "stride_m" in clean else step * np.nan
        follows = (table["number"] == table["number"].shift(-1)).to_numpy()
        onward, long = step.shift(-1).where(follows), stride.shift(-1).where(follows)
        table["step_m"], table["stride_m"] = step, stride
        table["pace_angulation_deg"] = pace_angulation_deg(step, onward, long)
        table["straddle_m"] = straddle_from_steps(step, onward, long)
        table.loc[table["pace_angulation_deg"].isna(), "straddle_m"] = np.nan
    table["straddle_outer_m"] = table["straddle_m"] + width
    return table


def _going(going: FloatArray, number: np.ndarray, names: pd.Index) -> pd.DataFrame:
    frame = pd.DataFrame(going, columns=list(GOING)).groupby(number).mean()
    return frame.set_axis(pd.Index(names, name="sequence"))


def _summary(table: pd.DataFrame, lengths: list[str]) -> pd.DataFrame:
    long = table.melt("sequence", lengths, "measure", "value").dropna(subset=["value"])
    by = ["sequence", "measure"]
    middle = long.groupby(by)["value"].transform("median")
    long["away"] = (long["value"] - middle).abs()
    told = long.groupby(by, sort=False).agg(
        median=("value", "median"), spread=("away", "median"), count=("value", "size")
    )
    told["spread"] *= 1.4826
    told = told.reset_index()
    told["definition"] = told["measure"].map(DEFINITIONS)
    return told


def require_measured(sequence: GaitSequence, measure: str) -> pd.Series:
    """Return the middle of a measure, or raise if it was measured nowhere."""
    values = sequence.middle(measure)
    if values.isna().all():
        raise InputError(
            f"{measure} could not be measured on any sequence",
            remedy="Measure at least three prints in a row that follow each other.",
        )
    return values
