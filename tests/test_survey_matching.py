"""Matching: known walks on drawn networks, and an account of every fix."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from survey_drawing import START, log, transects, walk

from carnivore_sign.errors import CrsMissing, InputError
from carnivore_sign.records.vocabularies import FIX_FLAGS
from carnivore_sign.survey.matching import EXCLUDING_FLAGS, PERMITTED_FLAGS, STATES, match_logs
from carnivore_sign.survey.segments import cut_segments

ROAD = cut_segments(transects(MESA=[(0, 0), (3000, 0)]))


def test_a_walk_along_a_road_is_matched_metre_by_metre() -> None:
    xy = walk([(0, 4), (3000, 4)])
    matched = match_logs(log(xy), ROAD)
    assert set(matched["state"]) == {"matched"}
    np.testing.assert_allclose(matched["along_m"], xy[:, 0], atol=0.05)
    np.testing.assert_allclose(matched["offset_m"], 4, atol=0.02)
    np.testing.assert_allclose(matched["speed_m_s"], 1.2, atol=0.01)
    wanted = np.array(["MESA#001", "MESA#002", "MESA#003"])[
        np.minimum(xy[:, 0] // 1000, 2).astype(int)
    ]
    assert (matched["segment"].astype(str) == wanted).all()
    assert set(matched["walk"]) == {"MON#1"}
    assert matched["on_foot"].tolist() == [False] + [True] * (len(xy) - 1)


def test_every_fix_has_a_state_and_every_state_is_reached() -> None:
    on_foot = walk([(0, 0), (300, 0)])
    away = walk([(300, 100), (300, 300)])
    car = walk([(300, 400), (300, 4000)], speed_m_s=15)
    fixes = log(np.vstack([on_foot, away, car]), name="MON")
    fixes.loc[3, "flags"] = "low_accuracy"
    fixes.loc[5, "time"] = pd.NaT
    matched = match_logs(fixes, ROAD)
    assert matched["state"].notna().all()
    assert set(matched["state"]) == set(STATES)
    assert matched["state"].iloc[3] == "flagged"
    assert matched["state"].iloc[5] == "no time"
    assert matched["segment"].isna().iloc[[3, 5]].all()
    assert (matched.index == fixes.index).all()


def test_columns_and_index_are_those_of_the_fixes() -> None:
    fixes = log(walk([(0, 0), (300, 0)])).set_index(pd.Index(range(500, 526)))
    matched = match_logs(fixes, ROAD)
    assert list(matched.columns) == [
        "log", "part", "walk", "time", "longitude_deg", "latitude_deg", "segment", "transect",
        "along_m", "offset_m", "speed_m_s", "on_foot", "state",
    ]  # fmt: skip
    assert matched.index.tolist() == list(range(500, 526))
    assert str(matched["time"].dtype.tz) == "UTC"
    np.testing.assert_allclose(matched["longitude_deg"], fixes.geometry.x)


def test_each_quality_flag_is_decided_and_another_table_can_be_handed_in() -> None:
    assert set(EXCLUDING_FLAGS).isdisjoint(PERMITTED_FLAGS)
    decided = set(EXCLUDING_FLAGS) | set(PERMITTED_FLAGS)
    assert set(FIX_FLAGS) == decided, "a new flag: decide whether it makes effort"
    fixes = log(walk([(0, 0), (300, 0)]), flags="duplicate;low_accuracy")
    assert set(match_logs(fixes, ROAD)["state"]) == {"flagged"}
    assert set(match_logs(fixes, ROAD, excluding_flags={})["state"]) == {"matched"}
    only = match_logs(fixes, ROAD, excluding_flags={"backwards": "out of order"})
    assert set(only["state"]) == {"matched"}


def test_the_tolerance_is_kept() -> None:
    xy = np.column_stack([np.full(4, 500.0), [0, 29.5, 30.5, 400]])
    matched = match_logs(log(xy, every_s=600), ROAD)
    assert matched["state"].tolist() == ["matched", "matched", "off transect", "off transect"]
    assert match_logs(log(xy, every_s=600), ROAD, tolerance_m=31)["state"].tolist()[2] == "matched"


def test_a_ride_to_the_start_is_no_walk() -> None:
    ride = walk([(0, 0), (1500, 0)], speed_m_s=10)
    foot = walk([(1500, 0), (2400, 0)])[1:]
    matched = match_logs(log(np.vstack([ride, foot])), ROAD)
    n = len(ride)
    assert set(matched["state"].iloc[: n - 1]) == {"too fast"}
    assert set(matched["state"].iloc[n - 1 :]) == {"matched"}
    assert matched["segment"].iloc[0] == "MESA#001"
    assert match_logs(log(ride), ROAD, max_speed_m_s=12)["state"].eq("matched").all()


def test_out_and_back_is_matched_in_both_directions() -> None:
    rng = np.random.default_rng(11)
    route = [(0, 0), (2500, 0), (0, 0)]
    matched = match_logs(log(walk(route, noise_m=4, rng=rng)), ROAD)
    true = walk(route)[:, 0]
    assert set(matched["state"]) == {"matched"}
    assert np.abs(matched["along_m"] - true).max() < 20


def test_a_crossing_does_not_take_the_walk_off_its_line() -> None:
    rng = np.random.default_rng(5)
    network = cut_segments(transects(A=[(-800, 0), (800, 0)], B=[(0, -800), (0, 800)]))
    for seed_route, name in (([(-700, 0), (700, 0)], "A"), ([(0, -700), (0, 700)], "B")):
        xy = walk(seed_route, every_s=5, noise_m=5, rng=rng)
        matched = match_logs(log(xy, every_s=5), network)
        assert set(matched["transect"].dropna()) == {name}


def test_a_turn_at_a_crossing_changes_the_line_once() -> None:
    rng = np.random.default_rng(6)
    network = cut_segments(transects(A=[(-800, 0), (800, 0)], B=[(0, -800), (0, 800)]))
    xy = walk([(-600, 0), (0, 0), (0, 600)], every_s=5, noise_m=4, rng=rng)
    matched = match_logs(log(xy, every_s=5), network)
    on = matched["transect"].dropna().astype(str)
    assert (on != on.shift()).sum() == 2  # the first, and the one change
    assert (on.iloc[0], on.iloc[-1]) == ("A", "B")


@pytest.mark.parametrize(("every_s", "seed"), [(1, 1), (5, 2), (15, 3), (60, 4)])
def test_parallel_roads_nearer_than_the_error_are_told_apart(every_s, seed) -> None:
    # Roads 15 m apart, noise of 5 m: at least 98 % of the metres on the right one.
    rng = np.random.default_rng(seed)
    bends = [(x, 150 * np.sin(x / 700)) for x in np.arange(0, 6001, 40.0)]
    network = cut_segments(transects(A=bends, B=[(x, y + 15) for x, y in bends]))
    for side, name in ((0, "A"), (15, "B")):
        route = [(x, y + side) for x, y in bends]
        xy = walk(route, every_s=every_s, noise_m=5, rng=rng)
        matched = match_logs(log(xy, every_s=every_s), network)
        assert matched["state"].eq("matched").mean() > 0.99
        assert matched["transect"].eq(name).mean() >= 0.98
        nearer_b = xy[:, 1] - 150 * np.sin(xy[:, 0] / 700) > 7.5
        by_nearest_wrong = nearer_b if name == "A" else ~nearer_b
        assert by_nearest_wrong.mean() > 0.03, "nearest alone would do: the test is too easy"


def test_parallel_roads_walked_one_after_the_other() -> None:
    rng = np.random.default_rng(9)
    network = cut_segments(transects(A=[(0, 0), (2000, 0)], B=[(0, 15), (2000, 15)]))
    route = [(0, 0), (2000, 0), (2080, 7), (2000, 15), (0, 15)]
    xy = walk(route, every_s=5, noise_m=5, rng=rng)
    true = walk(route, every_s=5)
    matched = match_logs(log(xy, every_s=5), network)
    on = true[:, 0] < 1990
    wanted = np.where(true[:, 1] < 5, "A", "B")
    assert (matched["transect"].astype(str).to_numpy() == wanted)[on].mean() >= 0.98


def test_the_legs_of_a_hairpin_are_walked_in_order() -> None:
    rng = np.random.default_rng(10)
    route = [(0, 0), (900, 0), (900, 14), (0, 14)]
    network = cut_segments(transects(PASS=route), length_m=500)
    xy = walk(route, every_s=5, noise_m=5, rng=rng)
    matched = match_logs(log(xy, every_s=5), network)
    true = np.arange(len(xy)) * 6.0
    right = np.abs(matched["along_m"] - true) < 60
    assert right.mean() >= 0.98


def test_a_loop_that_crosses_itself_is_walked_in_order() -> None:
    rng = np.random.default_rng(12)
    route = [(-500, 0), (500, 0), (500, 400), (0, 400), (0, -500)]
    network = cut_segments(transects(LOOP=route), length_m=400)
    xy = walk(route, every_s=5, noise_m=4, rng=rng)
    matched = match_logs(log(xy, every_s=5), network)
    error = np.abs(matched["along_m"] - np.arange(len(xy)) * 6.0)
    assert (error < 40).all()


def test_logs_are_matched_each_for_itself() -> None:
    one, two = walk([(0, 0), (900, 0)]), walk([(2900, 0), (2000, 0)])
    first, second = log(one, name="MON"), log(two, name="TUE", start=START)
    both = pd.concat([first, second], ignore_index=True)
    mixed = both.sample(frac=1, random_state=2)
    alone = pd.concat([match_logs(first, ROAD), match_logs(second, ROAD)], ignore_index=True)
    together = match_logs(mixed, ROAD).sort_index()
    for column in ("along_m", "offset_m", "speed_m_s"):
        np.testing.assert_allclose(together[column], alone[column])
    assert together["walk"].astype(str).tolist() == alone["walk"].astype(str).tolist()


def test_fixes_on_the_other_side_of_the_earth_are_off_transect() -> None:
    fixes = log(walk([(0, 0), (100, 0)]))
    fixes["geometry"] = fixes.geometry.translate(180, -80)
    assert set(match_logs(fixes, ROAD)["state"]) <= {"off transect", "too fast"}


def test_no_fixes_give_no_rows() -> None:
    matched = match_logs(log(walk([(0, 0), (100, 0)])).iloc[:0], ROAD)
    assert len(matched) == 0
    assert "state" in matched


def test_logs_without_any_time_are_accounted_for() -> None:
    fixes = log(walk([(0, 0), (100, 0)]))
    fixes["time"] = pd.Series(pd.NaT, index=fixes.index, dtype="datetime64[ms, UTC]")
    assert set(match_logs(fixes, ROAD)["state"]) == {"no time"}


def test_what_cannot_be_matched_is_refused() -> None:
    fixes = log(walk([(0, 0), (100, 0)]))
    with pytest.raises(InputError, match="tolerance_m is -1"):
        match_logs(fixes, ROAD, tolerance_m=-1)
    with pytest.raises(InputError, match="max_speed_m_s is nan"):
        match_logs(fixes, ROAD, max_speed_m_s=np.nan)
    with pytest.raises(CrsMissing, match="the fixes"):
        match_logs(fixes.set_crs(None, allow_override=True), ROAD)
    with pytest.raises(InputError, match="cut them first"):
        match_logs(fixes, ROAD.iloc[:0])
    with pytest.raises(InputError, match="one name"):
        match_logs(fixes, pd.concat([ROAD, ROAD]))
