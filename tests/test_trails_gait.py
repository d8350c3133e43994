"""Gait sequences: drawn prints whose feet and lengths are known, and prints that are wrong."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from gait_drawing import PHASES, draw_prints
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import GAIT, TAPE
from carnivore_sign.records.vocabularies import FEET
from carnivore_sign.trails import DEFINITIONS, gait_sequence, prints_from_tape
from carnivore_sign.trails.gait import require_measured

P_FEET = [f"p_{foot}" for foot in FEET]


def drawn(gait: str, seed: int = 0, **options: object) -> pd.DataFrame:
    return draw_prints(gait, np.random.default_rng(seed), **options)


def thinned(prints: pd.DataFrame, share: float, seed: int = 1) -> pd.DataFrame:
    """Leave out each print but the first with a chance of `share`."""
    kept = np.random.default_rng(seed).random(len(prints)) >= share
    kept[0] = True
    return prints[kept].assign(print_no=np.arange(1, kept.sum() + 1)).reset_index(drop=True)


@pytest.mark.parametrize("gait", PHASES)
def test_feet_are_found_when_half_of_the_labels_are_missing(gait: str) -> None:
    prints = drawn(gait, stride_m=1.2, turn_deg=40.0, noise_m=0.015)
    noted = np.random.default_rng(2).random(len(prints)) < 0.5
    told = gait_sequence(prints.assign(foot=prints["foot"].where(noted, None))).prints
    assert (told["foot"].to_numpy() == prints["foot"].to_numpy()).mean() > 0.95
    assert told[P_FEET].sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert told["foot_probability"].mean() > 0.9


@pytest.mark.parametrize("gait", PHASES)
def test_lengths_of_a_clean_trail_are_those_it_was_drawn_with(gait: str) -> None:
    (phases, half, _), stride = PHASES[gait], 1.3
    told = gait_sequence(drawn(gait, stride_m=stride, noise_m=0.0, turn_deg=0.0))
    assert told.middle("stride_m").item() == pytest.approx(stride, rel=1e-6)
    past = (phases[1] - phases[0]) * stride
    assert told.middle("hind_on_front_m").item() == pytest.approx(past, abs=0.02)
    if gait in ("lope", "gallop", "bound"):
        assert told.middle("group_length_m").item() == pytest.approx(np.ptp(phases) * stride)
        assert np.isnan(told.middle("step_m").item())
    elif gait != "trot_side":
        width = 2 * half * stride
        step = np.hypot(stride / 2, width)
        assert told.middle("step_m").item() == pytest.approx(step, rel=1e-6)
        assert told.middle("straddle_m").item() == pytest.approx(width, rel=1e-6)
        angle = 2 * np.degrees(np.arctan2(stride / 2, width))
        assert told.middle("pace_angulation_deg").item() == pytest.approx(angle, rel=1e-6)


def test_every_length_says_what_it_is() -> None:
    summary = gait_sequence(drawn("walk_overstep")).summary
    assert set(summary["measure"]) <= set(DEFINITIONS)
    assert summary["definition"].str.len().min() > 20
    stride = summary.set_index("measure")["definition"]["stride_m"]
    assert "same foot" in stride
    assert "full cycle" in stride
    assert (summary["count"] > 0).all()
    assert "centre lines" in DEFINITIONS["straddle_m"]
    assert "outer edges" in DEFINITIONS["straddle_outer_m"]


def test_the_spread_is_robust() -> None:
    prints = drawn("walk_overstep", noise_m=0.01, cycles=30)
    clean = gait_sequence(prints).summary.set_index("measure")
    prints.loc[40, ["x_m", "y_m"]] += 0.2  # one print noted in the wrong place
    bad = gait_sequence(prints).summary.set_index("measure")
    assert bad.loc["stride_m", "median"] == pytest.approx(clean.loc["stride_m", "median"], abs=0.01)
    assert bad.loc["stride_m", "spread"] < 1.5 * clean.loc["stride_m", "spread"]


def test_which_foot_is_not_claimed_where_nothing_tells() -> None:
    # Pairs of prints in line: without a label or a size nobody can say which is the hind.
    prints = drawn("walk_understep").assign(foot=None)
    told = gait_sequence(prints).prints
    assert told["foot_probability"].between(0.3, 0.7).all()
    sides = told[["p_left_front", "p_left_hind"]].sum(axis=1)
    assert ((sides > 0.95) | (sides < 0.05)).all()  # left from right is plain
    # Sizes tell: front feet of carnivores are the larger (common practice, no source).
    width = np.where(
        prints.index.isin(np.flatnonzero(drawn("walk_understep")["foot"].str.endswith("front"))),
        82,
        72,
    )
    sized = gait_sequence(prints.assign(width_mm=width)).prints
    assert (sized["foot"].to_numpy() == drawn("walk_understep")["foot"].to_numpy()).mean() > 0.95


def test_one_wrong_label_is_outvoted_and_told() -> None:
    prints = drawn("walk_overstep")
    right = prints.loc[9, "foot"]
    wrong = next(foot for foot in FEET if foot.split("_")[0] != right.split("_")[0])
    told = gait_sequence(prints.assign(foot=prints["foot"].where(prints.index != 9, wrong)))
    assert told.prints.loc[9, "foot"] == right
    assert told.doubts["print_no"].tolist() == [10]
    assert f"the prints around it say {right.replace('_', ' ')}" in told.doubts["doubt"].item()
    assert gait_sequence(prints).doubts.empty


def test_feet_that_cannot_follow_each_other_are_told_and_put_right() -> None:
    # The same foot noted four times in a row: no animal walks on one foot.
    prints = drawn("walk_overstep", cycles=12)
    noted = prints["foot"].mask(prints.index.isin([20, 21, 22, 23]), "left_front")
    told = gait_sequence(prints.assign(foot=noted))
    assert (told.prints["foot"].to_numpy() == prints["foot"].to_numpy()).all()
    wrong = prints.loc[20:23, "print_no"][prints.loc[20:23, "foot"].ne("left_front")]
    assert told.doubts["print_no"].tolist() == wrong.tolist()
    assert told.middle("stride_m").item() == pytest.approx(1.0, abs=0.02)


def test_numbers_that_stand_twice_keep_the_first_and_set_the_second_aside() -> None:
    prints = drawn("walk_overstep")
    again = prints.iloc[[5]].assign(x_m=99.0)
    told = gait_sequence(pd.concat([prints, again], ignore_index=True))
    assert told.set_aside["print_no"].tolist() == [prints.loc[5, "print_no"]]
    assert told.set_aside["reason"].item().startswith("its number stands twice")
    pd.testing.assert_frame_equal(told.prints, gait_sequence(prints).prints)


@pytest.mark.parametrize("gait", ["walk_understep", "walk_direct", "walk_overstep", "lope"])
def test_missing_prints_leave_gaps_and_no_double_strides(gait: str) -> None:
    prints = thinned(drawn(gait, cycles=20, noise_m=0.01), 0.15)
    told = gait_sequence(prints)
    assert (told.prints["foot"].to_numpy() == prints["foot"].to_numpy()).mean() > 0.9
    assert told.middle("stride_m").item() == pytest.approx(1.0, abs=0.03)
    assert told.prints["stride_m"].max() < 1.7


def test_a_direct_register_hides_the_front_print() -> None:
    told = gait_sequence(drawn("walk_direct"))
    assert (told.prints["p_direct_register"] > 0.9).all()
    assert (told.prints["hind_on_front_m"] == 0.0).all()
    # Noted as front or hind, both are right; neither is told as a doubt.
    fronts = drawn("walk_direct").assign(foot=lambda t: t["foot"].str.replace("hind", "front"))
    assert gait_sequence(fronts).doubts.empty


def test_a_front_and_a_hind_print_at_one_place_are_one_register() -> None:
    prints = drawn("walk_direct", cycles=6)
    fronts = prints.assign(foot=prints["foot"].str.replace("hind", "front"))
    both = pd.concat([fronts, prints]).sort_values("print_no", kind="stable")
    both["print_no"] = np.arange(1, len(both) + 1)
    told = gait_sequence(both)
    assert len(told.prints) == len(prints)
    assert set(told.set_aside["reason"]) == {
        "a direct register: it is counted with the print before it"
    }
    assert told.middle("stride_m").item() == pytest.approx(1.0, abs=0.02)


def test_foot_angle_is_outward_above_zero() -> None:
    prints = drawn("walk_overstep", start_deg=90.0, noise_m=0.0)  # travels along y: 0 degrees
    left = prints["foot"].str.startswith("left")
    turned = prints.assign(toe_deg=np.where(left, -8.0, 8.0) % 360)
    assert gait_sequence(turned).middle("foot_angle_deg").item() == pytest.approx(8.0, abs=0.5)
    inward = prints.assign(toe_deg=np.where(left, 8.0, -8.0) % 360)
    assert gait_sequence(inward).middle("foot_angle_deg").item() == pytest.approx(-8.0, abs=0.5)


def test_the_outer_straddle_is_wider_by_one_print() -> None:
    told = gait_sequence(drawn("walk_direct", noise_m=0.0).assign(width_mm=80.0))
    gap = told.middle("straddle_outer_m").item() - told.middle("straddle_m").item()
    assert gap == pytest.approx(0.08)


def test_many_sequences_at_once_are_as_one_by_one() -> None:
    parts = [drawn(gait, n, sequence=gait, cycles=5 + n) for n, gait in enumerate(PHASES)]
    together = gait_sequence(pd.concat(parts, ignore_index=True))
    for part in parts:
        name = part["sequence"].iloc[0]
        alone = gait_sequence(part)
        rows = together.prints[together.prints["sequence"].eq(name)].reset_index(drop=True)
        pd.testing.assert_frame_equal(rows, alone.prints)
        assert together.middle("stride_m")[name] == pytest.approx(alone.middle("stride_m").item())


def test_a_long_sequence_is_cut_without_a_seam() -> None:
    prints = drawn("walk_overstep", cycles=260)
    told = gait_sequence(prints.assign(foot=prints["foot"].where(prints.index % 3 == 0, None)))
    assert (told.prints["foot"].to_numpy() == prints["foot"].to_numpy()).all()
    assert told.prints["stride_m"].notna().sum() == len(prints) - 4


def test_prints_of_two_animals_are_told() -> None:
    large = drawn("walk_overstep", 1).assign(width_mm=lambda t: 88.0 + t.index % 4)
    small = drawn("walk_overstep", 2).assign(width_mm=lambda t: 60.0 + t.index % 4)
    both = pd.concat([large, small]).sort_values("print_no", kind="stable")
    both["print_no"] = np.arange(len(both))
    doubt = gait_sequence(both.assign(foot=None)).doubts["doubt"]
    assert doubt.str.contains("perhaps of two animals").any()
    assert "61 and 89 mm" in doubt[doubt.str.contains("two animals")].item()
    # Front and hind feet of one animal differ too, by less.
    one = large.assign(
        width_mm=np.where(large["foot"].str.endswith("front"), 88.0, 78.0) + large.index % 3
    )
    assert gait_sequence(one).doubts.empty


def test_feet_that_point_back_are_told() -> None:
    # Two animals met: of one the feet point along the course, of the other against it.
    prints = drawn("walk_overstep", start_deg=90.0)  # travels along y: 0 degrees
    toe = np.where(prints.index % 3 == 0, 182.0, 4.0)
    told = gait_sequence(prints.assign(toe_deg=toe)).doubts["doubt"]
    assert (
        told.str.contains("14 feet point back along the trail: perhaps of two animals").sum() == 1
    )
    assert gait_sequence(prints.assign(toe_deg=4.0)).doubts.empty
    one_slip = np.where(prints.index == 9, 182.0, 4.0)
    assert gait_sequence(prints.assign(toe_deg=one_slip)).doubts.empty


def test_a_sequence_in_which_nothing_tells_front_from_hind_says_so() -> None:
    prints = drawn("walk_understep").assign(foot=None)
    told = gait_sequence(prints).doubts
    assert told["print_no"].isna().all()
    assert told["doubt"].str.contains("nor an understep from an overstep").sum() == 1
    assert gait_sequence(drawn("walk_understep")).doubts.empty
    assert gait_sequence(drawn("walk_direct").assign(foot=None)).doubts.empty


def test_rows_in_are_rows_kept_and_rows_set_aside() -> None:
    prints = drawn("walk_overstep", cycles=8)
    prints.loc[5, "print_no"] = 5  # stands twice
    prints.loc[10, ["x_m", "y_m"]] = prints.loc[9, ["x_m", "y_m"]].to_numpy()  # no length
    prints.loc[12, "x_m"] = np.nan
    prints.loc[20, ["x_m", "y_m"]] *= 100.0  # in centimetres
    told = gait_sequence(prints)
    assert len(told.prints) + len(told.set_aside) == len(prints)
    reasons = told.set_aside.sort_values("reason")["reason"].tolist()
    parts = ["a step of no length", "it has no place", "it lies over 12", "its number stands"]
    for reason, part in zip(reasons, parts, strict=True):
        assert reason.startswith(part)
    assert told.middle("stride_m").item() == pytest.approx(1.0, abs=0.03)


def test_bad_prints_are_refused_with_a_remedy() -> None:
    prints = drawn("walk_overstep")
    with pytest.raises(InputError, match="prints_from_tape"):
        gait_sequence(prints.drop(columns=["x_m", "y_m"]))
    with pytest.raises(InputError, match="row 3: 'paw' is no foot"):
        gait_sequence(prints.assign(foot=prints["foot"].where(prints.index != 2, "paw")))
    with pytest.raises(InputError, match="Are they in centimetres"):
        gait_sequence(prints.assign(x_m=prints["x_m"] * 100, y_m=prints["y_m"] * 100))
    with pytest.raises(InputError, match="no print is left"):
        gait_sequence(prints.assign(x_m=np.nan))
    with pytest.raises(InputError, match="at least three prints"):
        require_measured(gait_sequence(prints.head(2)), "stride_m")


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 12), st.integers(0, 10_000))
def test_any_few_prints_are_measured_without_complaint(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    xy = np.cumsum(rng.uniform(0.1, 1.0, (count, 2)), axis=0)
    told = gait_sequence(pd.DataFrame(xy, columns=["x_m", "y_m"]))
    assert len(told.prints) + len(told.set_aside) == count
    assert told.prints[P_FEET].sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert (told.summary["count"] > 0).all()


def tape(**columns: object) -> pd.DataFrame:
    base = {"step": [None, *["45 cm"] * 7], "stride": [None, None, *["80 cm"] * 6]}
    return pd.DataFrame({**base, **columns})


def test_a_tape_gives_the_exact_angle() -> None:
    told = gait_sequence(prints_from_tape(tape()))
    # Exact: 125.468 degrees, and 20.616 cm off the line.
    assert told.middle("pace_angulation_deg").item() == pytest.approx(125.468, abs=5e-4)
    assert told.middle("straddle_m").item() == pytest.approx(0.20616, abs=5e-6)
    assert told.middle("stride_m").item() == pytest.approx(0.80)
    assert told.prints["step_m"].dropna().to_numpy() == pytest.approx(0.45)


def test_a_tape_without_strides_says_nothing_of_the_angle() -> None:
    told = gait_sequence(prints_from_tape(tape().drop(columns="stride")))
    assert told.middle("step_m").item() == pytest.approx(0.45)
    assert np.isnan(told.middle("pace_angulation_deg").item())
    assert np.isnan(told.middle("straddle_m").item())


def test_sides_of_a_tape_are_kept() -> None:
    prints = prints_from_tape(tape(side=["right", "left", *[None] * 6]))
    assert (np.sign(prints["y_m"]) == [-1, 1] * 4).all()
    assert (
        gait_sequence(prints).prints["foot"].str.startswith("right").tolist() == [True, False] * 4
    )


def test_units_of_a_tape() -> None:
    inches = tape(step=[None, *["17.717 in"] * 7], stride=[None, None, *["31.496 in"] * 6])
    told = gait_sequence(prints_from_tape(inches))
    assert told.middle("step_m").item() == pytest.approx(0.45, abs=1e-4)
    bare = tape(step=[None, *[45] * 7], stride=[None, None, *[80] * 6])
    same = gait_sequence(prints_from_tape(bare, default_unit="cm"))
    assert same.middle("stride_m").item() == pytest.approx(0.80)
    with pytest.raises(InputError, match=r"row 2: the step '45.0': no unit"):
        prints_from_tape(bare)


def test_a_tape_table_of_the_records_is_in_metres() -> None:
    rows = {"sequence": "A", "print_no": range(8), "step_m": [np.nan, *[0.45] * 7]}
    told = gait_sequence(prints_from_tape(conform(pd.DataFrame(rows), TAPE)))
    assert told.middle("step_m").item() == pytest.approx(0.45)


def test_bad_tapes_are_refused_with_the_row() -> None:
    with pytest.raises(InputError, match=r"row 4: the step of 4.5 m is far from the others"):
        prints_from_tape(tape(step=[None, "45 cm", "45 cm", "4.5 m", *["45 cm"] * 4]))
    with pytest.raises(InputError, match="row 3: a step of no length"):
        prints_from_tape(tape(step=[None, "45 cm", "0 cm", *["45 cm"] * 5]))
    with pytest.raises(InputError, match="row 5: a step is missing"):
        prints_from_tape(tape(step=[None, *["45 cm"] * 3, None, *["45 cm"] * 3]))
    with pytest.raises(
        InputError, match=r"row 3: the stride of 0.95 m is longer than its two steps"
    ):
        prints_from_tape(tape(stride=[None, None, "95 cm", *["80 cm"] * 5]))
    with pytest.raises(InputError, match="'up' is no side"):
        prints_from_tape(tape(side="up"))
    with pytest.raises(InputError, match="no column 'step'"):
        prints_from_tape(tape().drop(columns="step"))


def test_what_is_measured_keeps_to_the_table_of_records() -> None:
    told = gait_sequence(pd.concat([drawn(gait, sequence=gait) for gait in PHASES]))
    assert set(told.prints) == set(GAIT.names)
    assert len(conform(told.prints, GAIT)) == len(told.prints)
