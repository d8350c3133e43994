"""Tracks: order, walks and speeds."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from survey_drawing import START, log

from carnivore_sign.survey.tracks import WALK_GAP_H, number_walks, order_track, speeds_m_s


def everything(fixes):
    return np.ones(len(fixes), dtype=bool)


def test_fixes_are_put_in_order_of_log_part_and_time() -> None:
    fixes = pd.concat(
        [
            log([(0, 0)] * 3, name="B", seconds=[20, 0, 10]),
            log([(0, 0)] * 2, name="A", seconds=[5, 1], part=1),
            log([(0, 0)] * 2, name="A", seconds=[9, 7], part=0),
        ],
        ignore_index=True,
    )
    track = order_track(fixes, everything(fixes))
    assert track.row.tolist() == [1, 2, 0, 6, 5, 4, 3]
    assert track.group.tolist() == [0, 0, 0, 1, 1, 2, 2]
    assert np.nan_to_num(track.step_s, nan=-1).tolist() == [-1, 10, 10, -1, 2, -1, 4]


def test_only_usable_fixes_are_in_the_track() -> None:
    fixes = log([(0, 0)] * 4)
    track = order_track(fixes, np.array([True, False, True, True]))
    assert track.row.tolist() == [0, 2, 3]
    assert track.step_s[1:].tolist() == [20, 10]


def test_a_pause_of_over_four_hours_begins_a_new_walk_within_each_log() -> None:
    hours = np.array([0, 1, 1 + WALK_GAP_H, 1.01 + 2 * WALK_GAP_H, 30])
    fixes = pd.concat(
        [log([(0, 0)] * 5, seconds=hours * 3600), log([(0, 0)] * 2, name="TUE")],
        ignore_index=True,
    )
    assert number_walks(order_track(fixes, everything(fixes))).tolist() == [1, 1, 1, 2, 3, 1, 1]


def test_parts_of_one_outing_are_one_walk_in_whatever_order_they_stand() -> None:
    fixes = pd.concat(
        [
            log([(0, 0)] * 2, part=0, seconds=[7200, 7300]),
            log([(0, 0)] * 2, part=1, seconds=[0, 100]),
            log([(0, 0)] * 1, part=2, seconds=[90000]),
        ],
        ignore_index=True,
    )
    assert number_walks(order_track(fixes, everything(fixes))).tolist() == [1, 1, 1, 1, 2]


def test_speed_is_net_displacement_over_the_window() -> None:
    x = np.arange(60) * 1.5
    fixes = log(np.column_stack([x, 0 * x]), every_s=1)
    speed = speeds_m_s(order_track(fixes, everything(fixes)), x, 0 * x)
    np.testing.assert_allclose(speed, 1.5)


def test_noise_of_fixes_a_second_apart_is_not_speed() -> None:
    rng = np.random.default_rng(4)
    xy = np.column_stack([np.arange(2000) * 1.2, np.zeros(2000)]) + rng.normal(0, 5, (2000, 2))
    fixes = log(xy, every_s=1)
    naive = np.hypot(*np.diff(xy, axis=0).T)
    speed = speeds_m_s(order_track(fixes, everything(fixes)), *xy.T)
    assert (naive > 4).mean() > 0.5
    assert (speed > 4).mean() == 0


def test_the_first_fix_on_foot_is_not_taken_for_the_car() -> None:
    car, foot = np.arange(0, 3000, 900.0), 2700 + np.arange(0, 200, 60.0)[1:]
    x = np.concatenate([car, foot])
    fixes = log(np.column_stack([x, 0 * x]), every_s=60)
    speed = speeds_m_s(order_track(fixes, everything(fixes)), x, 0 * x)
    np.testing.assert_allclose(speed, [15, 15, 15, 1, 1, 1, 1])


def test_fixes_of_other_logs_and_parts_make_no_speed() -> None:
    fixes = pd.concat([log([(0, 0)]), log([(9e5, 0)], start=START, name="TUE")], ignore_index=True)
    x = np.array([0.0, 9e5])
    speed = speeds_m_s(order_track(fixes, everything(fixes)), x, 0 * x)
    assert np.isnan(speed).all()


def test_a_log_of_nothing_is_a_track_of_nothing() -> None:
    fixes = log([(0, 0)]).iloc[:0]
    track = order_track(fixes, everything(fixes))
    assert len(track) == 0
    assert number_walks(track).tolist() == []
    assert speeds_m_s(track, np.empty(0), np.empty(0)).tolist() == []


@pytest.mark.parametrize("seed", range(3))
def test_speeds_do_not_depend_on_the_order_of_the_rows(seed) -> None:
    rng = np.random.default_rng(seed)
    fixes = log(rng.normal(0, 50, (40, 2)), seconds=np.sort(rng.uniform(0, 900, 40)))
    x, y = rng.normal(0, 50, (2, 40))
    track = order_track(fixes, everything(fixes))
    wanted = speeds_m_s(track, x[track.row], y[track.row])
    mixed = rng.permutation(40)
    again = order_track(fixes.iloc[mixed], everything(fixes))
    found = speeds_m_s(again, x[mixed][again.row], y[mixed][again.row])
    np.testing.assert_allclose(found, wanted)
