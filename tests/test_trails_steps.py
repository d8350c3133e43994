"""Geometry of step and stride, and speed, against published and exact values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.trails import (
    GAITS,
    full_stride,
    gait_sources,
    hip_height_m,
    pace_angulation_deg,
    relative_stride,
    speed_band,
    speed_m_s,
    straddle_from_steps,
    stride_from_steps,
)
from carnivore_sign.trails.speed import TROT_UP_TO, WALK_UP_TO, read_data

lengths = st.floats(0.05, 5.0)


def test_pace_angulation_by_the_law_of_cosines() -> None:
    # Exact: steps of 45 and 45 and a stride of 80 meet at 125.468 degrees, 20.616 off the line.
    assert pace_angulation_deg(45, 45, 80) == pytest.approx(125.468, abs=5e-4)
    assert straddle_from_steps(45, 45, 80) == pytest.approx(20.616, abs=5e-4)


@given(lengths, lengths, st.floats(0.0, 180.0))
def test_a_stride_is_no_longer_than_its_steps_and_equal_at_180_degrees(
    one: float, two: float, angle: float
) -> None:
    stride = float(stride_from_steps(one, two, angle))
    assert stride <= (one + two) * (1 + 1e-12)
    assert float(stride_from_steps(one, two, 180.0)) == pytest.approx(one + two)
    assert float(stride_from_steps(one, two, 0.0)) == pytest.approx(abs(one - two), abs=1e-7)


@given(lengths, lengths, st.floats(5.0, 175.0), st.floats(0.1, 100.0))
def test_angle_and_stride_undo_each_other_in_any_unit(
    one: float, two: float, angle: float, unit: float
) -> None:
    stride = stride_from_steps(one, two, angle)
    again = pace_angulation_deg(one * unit, two * unit, stride * unit)
    assert again == pytest.approx(angle, abs=1e-4)


def test_what_is_no_triangle_has_no_angle() -> None:
    told = pace_angulation_deg([45, 45, 0, np.nan, 45], [45, 45, 45, 45, 90], [95, 91, 45, 80, 20])
    assert np.isnan(told[[0, 2, 3, 4]]).all()
    assert told[1] == 180.0  # longer than both steps by 1 %: measuring error


def test_a_published_stride_read_under_both_definitions() -> None:
    # Full stride of a puma, left hind to left hind: female about 91.4 cm, male about 101.6 cm
    # (Elbroch, Kresky & Evans 2012; eNature guide), which is a step of 46 to 51 cm.
    full = np.array([91.4, 101.6])
    assert full_stride(full, means="full_stride") == pytest.approx(full)
    assert full_stride(full / 2, means="step") == pytest.approx(full)
    assert full / 2 == pytest.approx([46, 51], abs=0.5)
    # Taken for a step, a full stride would be that of a trotting wolf: the definition decides.
    assert full_stride(full, means="step").min() > 1.8 * full.min()
    walk = relative_stride(full / 100, hip_height_m("puma")[0])
    assert (walk < WALK_UP_TO).all()
    with pytest.raises(InputError, match="full_stride or step"):
        full_stride(full, means="stride")


def test_speed_by_alexander() -> None:
    # Alexander 1976, Nature 261:129-130; worked example of a popular text: a stride of 2.8 m and
    # a hip at 1.4 m give about 10.6 km/h.
    assert speed_m_s(2.8, 1.4) == pytest.approx(2.9482, abs=5e-5)
    assert speed_m_s(2.8, 1.4) * 3.6 == pytest.approx(10.6, abs=0.05)


def test_the_band_of_a_speed_holds_the_published_error() -> None:
    low, middle, high = speed_band(2.8, 1.4)
    # Errors of up to 35 to 55 % on real tracks (Marmol-Guijarro et al. 2020).
    assert low <= 0.65 * middle
    assert high >= 1.55 * middle * (1 - 1e-12)
    unsure = speed_band(2.8, 1.4, 0.3)
    assert unsure[0] < low
    assert unsure[2] > high


def test_limits_of_the_relative_stride() -> None:
    # Up to 2.0 a walk, 2.0 to 2.9 a trot, above it a run (Alexander 1976).
    assert (WALK_UP_TO, TROT_UP_TO) == (2.0, 2.9)
    means = read_data("gaits")["relative_stride_mean"]
    assert (means[["walk_understep", "walk_direct", "walk_overstep"]] < 2.0).all()
    assert means[["trot_direct", "trot_side"]].between(2.0, 2.9).all()
    assert (means[["lope", "gallop"]] > 2.9).all()


def test_data_cover_every_taxon_and_gait_with_a_source() -> None:
    habits = read_data("gait_habits")
    assert set(habits.index) == set(TAXA) == set(read_data("hip_heights").index)
    assert habits[list(GAITS)].sum(axis=1).to_numpy() == pytest.approx(1.0)
    assert list(read_data("gaits").index) == list(GAITS)
    assert gait_sources()["source"].str.len().min() > 10
    # Cats mostly walk, dogs and coyotes mostly trot (naturalist text).
    walk = habits.filter(like="walk").sum(axis=1)
    trot = habits.filter(like="trot").sum(axis=1)
    assert (walk > trot)[["puma", "bobcat", "lynx"]].all()
    assert (trot > 0.33)[["dog", "coyote", "wolf", "red_fox"]].all()
    assert trot["coyote"] > walk["coyote"]


def test_bad_heights_are_refused() -> None:
    with pytest.raises(InputError, match="'dragon' is no taxon"):
        hip_height_m("dragon")
    with pytest.raises(InputError, match="above 0"):
        speed_m_s(1.0, 0.0)
