"""When a trail was made: the limits hold what they say they hold, though observers err."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.simulate import SimulatedSeason, demo_settings, simulate_season
from carnivore_sign.trails import AGE_ERROR_SHARE, make_trails
from carnivore_sign.trails.making import HELD, stated_ages

MINUTE = pd.Timedelta(minutes=1)


def limits(*windows: tuple[float, float, float]) -> tuple[float, float]:
    """Limits of one trail from (found, youngest, oldest) of each of its sign."""
    found, low, high = (np.array(part, dtype=float) for part in zip(*windows, strict=True))
    young, old = stated_ages(found, low, high, np.zeros(len(found), dtype=int))
    return float(young[0]), float(old[0])


def test_one_window_is_widened_at_both_ends() -> None:
    young, old = limits((0, 10, 20))
    assert 7.5 < young < 10
    assert 20 < old < 35


def test_a_second_observer_narrows_it_and_a_third_outvotes_one() -> None:
    young, old = limits((0, 10, 20), (0, 12, 22))
    one = limits((0, 10, 20))
    assert young > one[0]
    assert old < one[1]
    torn = limits((0, 10, 20), (0, 10, 20), (0, 40, 60))
    assert torn[1] < 35  # two say 10 to 20, one says 40 to 60
    even = limits((0, 10, 20), (0, 40, 60))
    assert even[0] < 20
    assert even[1] > 40


def test_ages_count_from_when_each_was_found() -> None:
    # Found two hours later and two hours older: the same moment.
    assert limits((0, 10, 20), (2, 12, 22)) == pytest.approx(
        limits((0, 10, 20), (0, 10, 20)), rel=0.1
    )


def test_what_was_not_stated_stays_open() -> None:
    assert limits((0, np.nan, np.nan))[0] == 0.0
    assert np.isnan(limits((0, np.nan, np.nan))[1])
    young, old = limits((0, 10, np.nan))
    assert 7.5 < young < 10
    assert np.isnan(old)
    young, old = limits((0, np.nan, 10))
    assert young == 0.0
    assert 10 < old < 18


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 8), st.floats(0, 100), st.floats(0, 100)), min_size=1, max_size=6
    )
)
def test_limits_are_in_order_for_whatever_was_stated(rows: list[tuple[float, ...]]) -> None:
    young, old = limits(*rows)
    assert 0 <= young < old < np.inf


def test_many_trails_at_once_are_as_one_by_one() -> None:
    rng = np.random.default_rng(3)
    group = np.sort(rng.integers(0, 40, 150))
    group = np.unique(group, return_inverse=True)[1]
    found, low = rng.uniform(0, 5, 150), rng.uniform(0, 30, 150)
    low = np.where(rng.random(150) < 0.3, np.nan, low)
    high = np.where(rng.random(150) < 0.3, np.nan, np.nan_to_num(low) + rng.uniform(1, 20, 150))
    together = stated_ages(found, low, high, group)
    for trail in range(group[-1] + 1):
        rows = group == trail
        alone = stated_ages(found[rows], low[rows], high[rows], np.zeros(rows.sum(), dtype=int))
        for one, all_ in zip(alone, together, strict=True):
            np.testing.assert_allclose(one[0], all_[trail])


@pytest.fixture(scope="module")
def seasons() -> list[SimulatedSeason]:
    """Draw seasons whose observers err as often as is held, and twice as often."""
    drawn = []
    for seed, error in ((51, AGE_ERROR_SHARE), (52, AGE_ERROR_SHARE), (53, 2 * AGE_ERROR_SHARE)):
        base = demo_settings()
        observing = replace(base.observing, age_error=error)
        drawn.append(
            simulate_season(replace(base, observing=observing), np.random.default_rng(seed))
        )
    return drawn


def inside(season: SimulatedSeason) -> tuple[float, float]:
    """Share of trails made within their limits, and within the stated windows cut together."""
    truth = season.truth.sign
    passage = truth["trail"].astype("str") + " " + truth["log"].astype("str")
    members = pd.DataFrame({"sign": season.sign["sign"]})
    members["trail"] = passage.loc[members["sign"]].to_numpy()
    members["order"] = members.groupby("trail").cumcount()
    names = members["trail"].unique()
    even = pd.DataFrame(1 / len(TAXA), index=names, columns=[taxon_column(t) for t in TAXA])
    trails = make_trails(season.sign, members, even).set_index("trail")
    made = pd.to_datetime(truth["made_s"], unit="s", utc=True).loc[members["sign"]]
    made = made.set_axis(members["trail"]).groupby(level=0).first().reindex(trails.index)
    known = trails["made_after"].notna()
    held = (made >= trails["made_after"] - MINUTE) & (made <= trails["made_before"] + MINUTE)
    sign = season.sign.assign(trail=members["trail"].to_numpy())
    hour = pd.Timedelta(hours=1)
    after = (
        (sign["time"] - sign["age_max_h"] * hour).groupby(sign["trail"]).max().reindex(trails.index)
    )
    before = (sign["time"] - sign["age_min_h"].fillna(0.0) * hour).groupby(sign["trail"]).min()
    before = before.reindex(trails.index)
    stated = (made >= after - MINUTE) & (made <= before + MINUTE)
    return float(held[known].mean()), float(stated[known].mean())


def test_trails_were_made_within_their_limits_as_often_as_is_held(seasons) -> None:
    told = [inside(season) for season in seasons]
    for held, stated in told[:2]:
        assert held >= 0.93
        assert held > stated + 0.04  # the stated windows by themselves held fewer
    assert np.mean([held for held, _ in told[:2]]) >= HELD - 0.01
    # Where observers err twice as often as is held, the limits hold fewer, and not few.
    assert 0.85 < told[2][0] < np.mean([held for held, _ in told[:2]])
