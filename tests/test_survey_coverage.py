"""Coverage: known metres of drawn walks, each counted once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from survey_drawing import log, logs, transects, walk

from carnivore_sign.survey.coverage import (
    cover_segments,
    union_lengths,
    walk_lengths,
    walked_stretches,
)
from carnivore_sign.survey.matching import match_logs
from carnivore_sign.survey.segments import cut_segments
from carnivore_sign.survey.visits import make_visits

ROAD = cut_segments(transects(MESA=[(0, 0), (3000, 0)]))


def covered(fixes, segments=ROAD, **options):
    stretches = walked_stretches(match_logs(fixes, segments), **options)
    found = cover_segments(stretches, segments)
    names = segments["segment"].to_numpy()[found["segment"]]
    return {
        (walk, name): metres
        for walk, name, metres in zip(found["walk"], names, found["covered_m"], strict=True)
    }


def metres(fixes, segments=ROAD, **options):
    return sum(covered(fixes, segments, **options).values())


def test_a_walk_covers_the_metres_between_its_first_and_last_fix() -> None:
    found = covered(log(walk([(250, 3), (2250, 3)], speed_m_s=1.25)))
    assert set(found) == {("MON#1", f"MESA#00{n}") for n in (1, 2, 3)}
    np.testing.assert_allclose(list(found.values()), [750, 1000, 250], atol=0.1)


def test_a_step_across_a_border_counts_to_both_segments() -> None:
    found = covered(log([(960, 0), (1030, 0)], seconds=[0, 60]))
    np.testing.assert_allclose(list(found.values()), [40, 30], atol=0.05)


def test_a_step_over_a_short_segment_counts_to_all_three() -> None:
    segments = cut_segments(transects(MESA=[(0, 0), (900, 0)]), length_m=50)
    found = covered(log([(90, 0), (260, 0)], seconds=[0, 100]), segments)
    np.testing.assert_allclose(list(found.values()), [10, 50, 50, 50, 10], atol=0.05)


def test_out_and_back_is_one_length() -> None:
    once = metres(log(walk([(100, 0), (1900, 0)])))
    twice = metres(log(walk([(100, 0), (1900, 0), (100, 0)])))
    assert once == pytest.approx(1800, abs=13)
    assert twice == pytest.approx(once, abs=13)


@pytest.mark.parametrize("noise_m", [0.0, 5.0])
def test_there_and_back_is_one_length_of_effort_and_twice_the_way(noise_m) -> None:
    rng = np.random.default_rng(5)
    route = [(0, 0), (2000, 0), (0, 0)]
    fixes = log(walk(route, every_s=2, noise_m=noise_m, rng=rng), every_s=2)
    matched = match_logs(fixes, ROAD)
    ways = walk_lengths(matched, ROAD)
    assert ways["walked_m"].sum() == pytest.approx(4000, abs=120)
    visits = make_visits(matched, ROAD, None, logs("MON"), time_zone="UTC")
    assert visits["covered_m"].sum() == pytest.approx(2000, abs=30)
    assert visits["walked_m"].sum() == pytest.approx(4000, abs=150)
    np.testing.assert_allclose(visits["speed_m_s"], 1.2, atol=0.15)


def test_two_receivers_of_one_party_walk_one_way() -> None:
    pair = [log(walk([(0, 0), (2000, 0)]), name=name) for name in "AB"]
    ways = walk_lengths(match_logs(pd.concat(pair, ignore_index=True), ROAD), ROAD)
    assert ways["walked_m"].sum() == pytest.approx(2000, abs=20)


def test_pieces_walked_apart_are_joined_and_overlaps_counted_once() -> None:
    first, second = walk([(100, 0), (500, 0)]), walk([(800, 0), (300, 0)])
    apart = walk([(1200, 0), (1500, 0)])
    seconds = np.concatenate(
        [np.arange(len(p)) * 10 + hours * 3600 for hours, p in
         ((0, first), (1, second), (2, apart))]
    )  # fmt: skip
    found = covered(log(np.vstack([first, second, apart]), seconds=seconds))
    np.testing.assert_allclose(list(found.values()), [700, 300], atol=13)


def test_a_gap_longer_than_allowed_is_not_bridged() -> None:
    xy = np.vstack([walk([(0, 0), (396, 0)]), walk([(600, 0), (996, 0)])])
    gap_s = 170
    seconds = np.arange(len(xy)) * 10 + np.where(np.arange(len(xy)) >= 34, gap_s - 10, 0)
    assert metres(log(xy, seconds=seconds)) == pytest.approx(396 + 396, abs=0.1)
    assert metres(log(xy, seconds=seconds), max_gap_s=180) == pytest.approx(996, abs=0.1)


def test_a_new_part_of_the_log_is_not_bridged() -> None:
    xy = walk([(0, 0), (996, 0)])
    fixes = log(xy)
    fixes["part"] = (np.arange(len(xy)) >= 42).astype(int)
    assert metres(fixes) == pytest.approx(996 - 12, abs=0.1)


def test_a_flagged_fix_is_stepped_over_and_an_excursion_is_not() -> None:
    xy = walk([(0, 0), (996, 0)])
    flagged = log(xy)
    flagged.loc[40, "flags"] = "low_accuracy"
    assert metres(flagged) == pytest.approx(996, abs=0.1)
    away = xy.copy()
    away[40, 1] = 45
    assert metres(log(away)) == pytest.approx(996 - 24, abs=0.1)


def test_a_car_ride_is_no_effort() -> None:
    ride, foot = walk([(0, 0), (1500, 0)], speed_m_s=10), walk([(1500, 0), (2400, 0)])
    assert metres(log(np.vstack([ride, foot[1:]]))) == pytest.approx(900, abs=0.1)
    sparse = log([(0, 0), (12, 0), (1512, 0), (1524, 0)], seconds=[0, 10, 110, 120])
    assert metres(sparse) == pytest.approx(24, abs=0.1)


def test_a_short_cut_between_the_legs_of_a_hairpin_is_not_walked() -> None:
    route = [(0, 0), (700, 0), (700, 60), (0, 60)]
    segments = cut_segments(transects(PASS=route))
    cut_short = np.vstack([walk([(0, 0), (300, 0)]), walk([(300, 60), (0, 60)])])
    assert metres(log(cut_short), segments) == pytest.approx(600, abs=0.5)
    assert metres(log(walk(route)), segments) == pytest.approx(1460, abs=13)


def test_standing_still_and_crossing_over_cover_next_to_nothing() -> None:
    assert metres(log([(500, 0)] * 30)) == 0
    assert metres(log(walk([(500, -300), (500, 300)]))) < 0.1


def test_noise_changes_covered_metres_by_little() -> None:
    rng = np.random.default_rng(8)
    xy = walk([(0, 0), (2700, 0)], every_s=1, noise_m=5, rng=rng)
    assert metres(log(xy, every_s=1)) == pytest.approx(2700, abs=30)


def test_walks_and_transects_are_kept_apart() -> None:
    network = cut_segments(transects(A=[(0, 0), (900, 0)], B=[(0, 500), (900, 500)]))
    fixes = pd.concat(
        [
            log(walk([(0, 0), (600, 0)]), name="MON"),
            log(walk([(300, 500), (900, 500)]), name="MON", part=1,
                seconds=20000 + np.arange(51) * 10),
            log(walk([(0, 500), (480, 500)]), name="TUE"),
        ],
        ignore_index=True,
    )  # fmt: skip
    found = covered(fixes, network)
    wanted = {("MON#1", "A#001"): 600, ("MON#2", "B#001"): 600, ("TUE#1", "B#001"): 480}
    assert found == pytest.approx(wanted, abs=0.1)


def test_a_transect_that_nobody_walked_has_no_row() -> None:
    network = cut_segments(transects(A=[(0, 0), (900, 0)], B=[(0, 500), (900, 500)]))
    assert set(covered(log(walk([(0, 0), (600, 0)])), network)) == {("MON#1", "A#001")}
    assert covered(log([(0, 5000), (10, 5000)]), network) == {}


def test_coverage_agrees_with_substrings_of_the_lines() -> None:
    # The union of the walked pieces, cut out of the line and joined by shapely.
    rng = np.random.default_rng(21)
    route = [(x, 200 * np.sin(x / 500)) for x in np.arange(0, 4000, 30.0)]
    segments = cut_segments(transects(A=route), length_m=650)
    turns = np.cumsum(rng.choice([-1, 1], 400, p=[0.35, 0.65]) * 15.0).clip(0, 3900)
    line = shapely.LineString(route)
    xy = np.array([line.interpolate(at).coords[0] for at in turns])
    stretches = walked_stretches(match_logs(log(xy), segments))
    whole = segments.to_crs("EPSG:32611").geometry
    shapes = shapely.ops.linemerge(list(whole))
    scale = segments["length_m"].sum() / shapes.length
    pieces = [
        shapely.ops.substring(shapes, low / scale, high / scale)
        for low, high in zip(stretches["from_m"], stretches["to_m"], strict=True)
    ]
    wanted = shapely.union_all(pieces).length * scale
    found = cover_segments(stretches, segments)["covered_m"].sum()
    assert found == pytest.approx(wanted, rel=2e-4)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 4), st.floats(0, 1000), st.floats(0, 1000)), min_size=1,
        max_size=40,
    )
)  # fmt: skip
def test_the_union_agrees_with_shapely(intervals) -> None:
    group, a, b = (np.array(column) for column in zip(*intervals, strict=True))
    low, high = np.minimum(a, b), np.maximum(a, b)
    found = union_lengths(group, low, high, groups=5)
    for number in range(5):
        boxes = [
            shapely.box(x, 0, y, 1)
            for x, y in zip(low[group == number], high[group == number], strict=True)
            if y > x
        ]
        assert found[number] == pytest.approx(shapely.union_all(boxes).area, abs=1e-6)


def test_the_union_of_nothing_is_nothing() -> None:
    none = np.empty(0)
    assert union_lengths(none.astype(int), none, none, groups=3).tolist() == [0, 0, 0]
