"""Simulated walks: their plan, what wipes the surfaces, the courses and the receiver."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.simulate import demo_settings
from carnivore_sign.simulate.country import build_country
from carnivore_sign.simulate.passages import as_times
from carnivore_sign.simulate.receiver import draw_fixes
from carnivore_sign.simulate.walks import (
    clearing_times,
    course_m_of,
    draw_clearings,
    draw_course,
    draw_pace,
    fading_noise,
    last_cleared,
    pieces_walked,
    plan_walks,
)
from carnivore_sign.space import distances_m

SETTINGS = demo_settings()
WALKING = SETTINGS.walking
SOUND = replace(WALKING, cut_short=0.0, gaps_per_hour=0.0, outliers_per_hour=0.0)


@pytest.fixture(scope="module")
def country():
    return build_country(SETTINGS.country, np.random.default_rng(3))


@pytest.fixture(scope="module")
def walks() -> pd.DataFrame:
    return plan_walks(SETTINGS, np.random.default_rng(8))


def local(values: pd.Series) -> pd.DatetimeIndex:
    return as_times(values).tz_convert("America/Los_Angeles")


def test_each_route_is_walked_every_eight_to_twelve_days(walks: pd.DataFrame) -> None:
    assert 30 <= len(walks) <= 45
    for route, own in walks.groupby("route"):
        gaps = np.diff(local(own["start_s"]).normalize().tz_localize(None)) / np.timedelta64(1, "D")
        whole = all(len(t) == len(WALKING.routes[route].transects) for t in own["transects"])
        # A party that finds no free observer, or the first days of a month, goes some days later.
        assert gaps.min() >= 8
        assert gaps.max() <= 15 or not whole or len(own) < 8


def test_transects_are_left_out_in_the_months_that_say_so(walks: pd.DataFrame) -> None:
    walked = walks.explode("transects").groupby(["transects", "period"]).size()
    for left_out in WALKING.not_walked:
        assert left_out not in walked.index
    everything = {(t.name, p) for t in SETTINGS.country.transects for p in SETTINGS.periods}
    assert everything - set(walked.index) == set(WALKING.not_walked)


def test_no_observer_is_in_two_places(walks: pd.DataFrame) -> None:
    each = walks.assign(day=local(walks["start_s"]).date).explode("observers")
    assert not each.duplicated(["day", "observers"]).any()
    assert walks.index.is_unique
    assert set(walks["observers"].map(len)) == {1, 2}
    assert (walks["leader"] == walks["observers"].str[0]).all()


def test_every_walk_is_preceded_by_a_drag_after_the_walk_before_it(walks: pd.DataFrame) -> None:
    assert (walks["dragged_s"] < walks["start_s"]).all()
    assert (local(walks["dragged_s"]).strftime("%Y-%m") == walks["period"]).all()
    for _, own in walks.groupby("route"):
        home_s = own["start_s"].to_numpy()[:-1] + 8 * 3600
        assert (own["dragged_s"].to_numpy()[1:] > home_s).all()


def test_surfaces_are_wiped_outside_walking_hours_and_to_the_minute(walks) -> None:
    clearings = draw_clearings(SETTINGS, walks, np.random.default_rng(2))
    assert local(clearings["time_s"]).hour.to_numpy().min() >= 14
    assert (clearings["time_s"] % 60 == 0).all()
    assert (np.diff(clearings["time_s"]) >= 0).all()
    assert (clearings["cause"].value_counts()["drag"]) == len(walks)
    weather = clearings[clearings["cause"].eq("rain")]
    assert (weather["transects"] == "all").all()
    wind = clearings.loc[clearings["cause"].eq("wind"), "transects"]
    assert wind.str.contains("Crow Wash").all()
    roads = [t.name for t in SETTINGS.country.transects if t.surface == "dust"]
    assert clearings.loc[clearings["cause"].eq("traffic"), "transects"].isin(roads).all()


def test_events_come_as_often_as_they_should(walks: pd.DataFrame) -> None:
    rng = np.random.default_rng(6)
    rains = [draw_clearings(SETTINGS, walks, rng)["cause"].eq("rain").sum() for _ in range(100)]
    expected = 100 * SETTINGS.weather.rain * 89 / 30
    assert abs(sum(rains) - expected) / np.sqrt(expected) < 3.5


def test_clearing_times_of_a_transect_by_hand() -> None:
    clearings = pd.DataFrame(
        {
            "cause": ["drag", "rain", "traffic", "drag"],
            "time_s": [10.0, 20.0, 30.0, 40.0],
            "transects": ["A;B", "all", "AB", "B"],
        }
    )
    assert clearing_times(clearings, "A").tolist() == [10.0, 20.0]
    assert clearing_times(clearings, "B").tolist() == [10.0, 20.0, 40.0]
    assert clearing_times(clearings, "AB").tolist() == [20.0, 30.0]


def test_last_cleared_by_hand() -> None:
    times = np.array([10.0, 20.0])
    assert last_cleared(times, [5.0, 10.0, 15.0, 25.0]).tolist() == [-np.inf, 10.0, 10.0, 20.0]


def test_a_course_follows_its_transects_end_to_end(country, walks: pd.DataFrame) -> None:
    walk = walks[walks["transects"].map(len).eq(2)].iloc[0]
    course = draw_course(country, SOUND, walk, np.random.default_rng(1))
    assert course.end_m == pytest.approx(course.path.length_m)
    for _, piece in course.pieces.iterrows():
        line = country.paths[piece["transect"]]
        along = np.linspace(0.0, line.length_m, 40)
        on_course = course.path.at(course_m_of(piece, along))
        assert distances_m(*on_course, *line.at(along)).max() < 1.0
        assert piece["end_m"] - piece["start_m"] == pytest.approx(line.length_m)


def test_every_approach_is_short_even_where_the_end_of_a_route_is_left_out(country, walks) -> None:
    for seed, (_, walk) in enumerate(walks.iterrows()):
        course = draw_course(country, SOUND, walk, np.random.default_rng(seed))
        assert 100 < course.approach_m < 1000
        left_out = set(WALKING.routes[int(walk["route"])].transects) - set(walk["transects"])
        for name in left_out:
            line = country.paths[name]
            near = [
                distances_m(x, y, line.lon, line.lat).min() < 30
                for x, y in zip(course.path.lon, course.path.lat, strict=True)
            ]
            assert sum(near) <= 1


def test_a_way_back_is_walked_but_not_searched(country, walks: pd.DataFrame) -> None:
    route = replace(WALKING.routes[1], returns=1.0)
    walking = replace(SOUND, routes=(WALKING.routes[0], route))
    walk = walks[walks["route"].eq(1)].iloc[0]
    course = draw_course(country, walking, walk, np.random.default_rng(1))
    assert course.pieces["observed"].tolist() == [True, False]
    assert course.path.length_m == pytest.approx(course.approach_m + 2 * 6000, abs=1.0)
    assert course.pieces["along_end_m"].iloc[1] == course.pieces["along_start_m"].iloc[0]
    assert len(pieces_walked(course)) == 1


def test_a_walk_cut_short_covers_less(country, walks: pd.DataFrame) -> None:
    walk = walks[walks["route"].eq(3)].iloc[0]
    walking = replace(WALKING, cut_short=1.0)
    course = draw_course(country, walking, walk, np.random.default_rng(5))
    share = (course.end_m - course.approach_m) / (course.path.length_m - course.approach_m)
    assert 0.35 <= share <= 0.85
    pieces = pieces_walked(course)
    walked = (pieces["high_m"] - pieces["low_m"]).sum()
    assert walked == pytest.approx(course.end_m - course.approach_m, abs=1.0)
    course_m, passed_s = draw_pace(course, walking, np.random.default_rng(5))
    assert course_m[-1] == course.end_m
    assert (np.diff(passed_s) > 0).all()


def test_the_pace_is_that_of_a_walk(country, walks: pd.DataFrame) -> None:
    course = draw_course(country, SOUND, walks.iloc[0], np.random.default_rng(1))
    course_m, passed_s = draw_pace(course, SOUND, np.random.default_rng(1))
    on_foot = course_m[1:] > course.approach_m
    speed = (np.diff(course_m) / np.diff(passed_s))[on_foot]
    assert speed.mean() == pytest.approx(WALKING.speed_m_s, rel=0.1)
    assert speed.min() >= 0.5 * WALKING.speed_m_s - 1e-9
    assert speed.max() <= 1.5 * WALKING.speed_m_s + 1e-9


def test_fading_noise_has_unit_variance_and_its_memory() -> None:
    noise = fading_noise(200_000, 0.9, np.random.default_rng(1))
    assert noise.std() == pytest.approx(1.0, abs=0.03)
    assert np.corrcoef(noise[:-1], noise[1:])[0, 1] == pytest.approx(0.9, abs=0.005)
    assert len(fading_noise(0, 0.9, np.random.default_rng(1))) == 0


def fixes_of(country, walks: pd.DataFrame, walking, seed: int):
    rng = np.random.default_rng(seed)
    course = draw_course(country, walking, walks.iloc[seed % len(walks)], rng)
    course_m, passed_s = draw_pace(course, walking, rng)
    fixes = draw_fixes(course, course_m, 1.77e9 + passed_s, country, walking, rng=rng)
    at = np.interp(fixes["time_s"] - 1.77e9, passed_s, course_m)
    lon, lat = course.path.at(at)
    return fixes, distances_m(lon, lat, fixes["lon"], fixes["lat"])


def test_fixes_err_by_the_stated_deviation(country, walks: pd.DataFrame) -> None:
    off = np.concatenate([fixes_of(country, walks, SOUND, seed)[1] for seed in range(40)])
    # East and north err by 4 m each, so the mean square distance is 2 * 4**2. Neighbouring errors
    # hang together over some 8 fixes, so there are about a sixteenth as many independent ones.
    spread = np.sqrt((off**2).mean() / 2)
    assert abs(spread - 4.0) < 4 * 4.0 / np.sqrt(2 * 2 * len(off) / 16)


def test_a_sound_log_has_one_part_and_a_fix_every_fifteen_seconds(country, walks) -> None:
    fixes, _ = fixes_of(country, walks, SOUND, 1)
    assert set(fixes["part"]) == {0}
    assert set(np.diff(fixes["time_s"])) == {15.0}
    assert not fixes["stray"].any()
    assert fixes["hdop"].between(0.7, 4.0).all()


def test_gaps_begin_new_parts_and_strays_lie_far_off(country, walks: pd.DataFrame) -> None:
    rough = replace(SOUND, gaps_per_hour=4.0, outliers_per_hour=10.0)
    parts = strays = hours = 0.0
    for seed in range(20):
        fixes, off = fixes_of(country, walks, rough, seed)
        step = fixes["time_s"].diff()
        new_part = fixes["part"].diff().eq(1)
        assert (step[new_part] > 15.0).all()
        assert (step[~new_part].dropna() == 15.0).all()
        assert fixes["part"].iloc[0] == 0
        assert off[fixes["stray"]].min() > 60 - 20
        assert off[~fixes["stray"]].max() < 25
        parts += fixes["part"].max()
        strays += fixes["stray"].sum()
        hours += (fixes["time_s"].iloc[-1] - fixes["time_s"].iloc[0]) / 3600
    assert 0.6 * 4 * hours < parts < 1.1 * 4 * hours
    assert 0.6 * 10 * hours < strays < 1.3 * 10 * hours
