"""Pooling trails: independence in the middle, bounds for any dependence around it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from carnivore_sign.incidents import passing_by_taxon, probability_of_passing

shares = st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=8)


@settings(derandomize=True)
@given(shares)
def test_the_number_lies_within_its_bounds(pairs: list[tuple[float, float]]) -> None:
    taxon, window = np.array(pairs).T
    found = probability_of_passing(taxon, window)
    assert found.low - 1e-12 <= found.probability <= found.high + 1e-12


def test_it_equals_the_chance_of_at_least_one_by_simulation() -> None:
    p = np.array([0.3, 0.05, 0.6])
    drawn = (np.random.default_rng(3).random((200_000, 3)) < p).any(axis=1).mean()
    assert probability_of_passing(p, np.ones(3)).probability == pytest.approx(drawn, abs=0.005)


def test_trails_of_equal_probability_agree_with_the_binomial() -> None:
    """Check against scipy's binomial distribution: P(at least one of 5)."""
    expected = stats.binom.sf(0, 5, 0.2)
    assert probability_of_passing(np.full(5, 0.4), np.full(5, 0.5)).probability == pytest.approx(
        expected
    )


@pytest.mark.parametrize("shared", [True, False])
def test_the_bounds_are_reached_by_the_dependences_they_stand_for(shared: bool) -> None:
    """Nested events reach max p; disjoint events reach sum p (Frechet 1935)."""
    draw = np.random.default_rng(5).random(100_000)
    p = np.array([0.2, 0.3, 0.1])
    starts = np.zeros(3) if shared else np.array([0.0, 0.2, 0.5])
    happened = ((draw[:, None] >= starts) & (draw[:, None] < starts + p)).any(axis=1).mean()
    found = probability_of_passing(p, np.ones(3))
    assert happened == pytest.approx(found.low if shared else found.high, abs=0.006)


def test_trails_that_cannot_be_told_widen_the_range_and_not_the_number() -> None:
    known = probability_of_passing([0.5], [0.4])
    wider = probability_of_passing([0.5, 0.7], [0.4, np.nan])
    assert wider.probability == known.probability == pytest.approx(0.2)
    assert (wider.low, wider.high) == pytest.approx((0.2, 0.9))
    assert wider.trails_not_told == 1


def test_no_trail_gives_no_number() -> None:
    found = probability_of_passing([], [])
    assert np.isnan([found.probability, found.low, found.high]).all()
    nothing_told = probability_of_passing([np.nan, 0.3], [0.5, np.nan])
    assert np.isnan(nothing_told.probability)
    assert (nothing_told.low, nothing_told.high) == pytest.approx((0.0, 0.8))


def test_a_surely_impossible_trail_is_told_even_if_the_rest_is_unknown() -> None:
    assert probability_of_passing([np.nan, 0.4], [0.0, 0.5]).trails_not_told == 0


def test_each_taxon_has_the_number_of_its_own_column_and_the_most_probable_comes_first() -> None:
    trails = pd.DataFrame(
        {"p_puma": [0.2, 0.1], "p_dog": [0.7, 0.2], "p_coyote": [0.1, 0.7], "p_wolf": [0.0, 0.0],
         "p_in_window": [1.0, 0.5]}
    )  # fmt: skip
    ranked = passing_by_taxon(trails)
    assert ranked["taxon"].tolist() == ["dog", "coyote", "puma"]
    for row in ranked.itertuples():
        alone = probability_of_passing(trails[f"p_{row.taxon}"], trails["p_in_window"])
        assert (row.probability, row.low, row.high) == (alone.probability, alone.low, alone.high)
        assert (row.trails, row.trails_not_told) == (2, 0)


def test_a_taxon_without_a_number_comes_last_and_no_trail_gives_no_number() -> None:
    trails = pd.DataFrame(
        {"p_bobcat": [0.5, np.nan], "p_dog": [0.3, 0.1], "p_lynx": [np.nan, np.nan],
         "p_in_window": [np.nan, 0.5]}
    )  # fmt: skip
    ranked = passing_by_taxon(trails)
    assert ranked["taxon"].tolist() == ["dog", "bobcat"]  # a lynx was not weighed
    assert ranked["probability"].isna().tolist() == [False, True]
    assert ranked["trails_not_told"].tolist() == [1, 2]
    assert ranked["high"].tolist() == pytest.approx([0.3 + 0.05, 0.5 + 0.5])
    assert passing_by_taxon(trails.iloc[:0]).empty
