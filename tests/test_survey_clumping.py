"""Clumping: seen where it is drawn, not seen where it is not; limits from walks drawn again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.errors import InputError, NothingSurveyed, SmallSampleWarning
from carnivore_sign.survey.clumping import bootstrap_rates, clumping_test, rates_with_limits
from carnivore_sign.survey.rates import detection_rates


def season(counts, *, km=None, p=1.0):
    """One visit per walk, with so many trails on each."""
    km = np.full(len(counts), 5.0) if km is None else np.asarray(km, dtype=float)
    visits = pd.DataFrame(
        {
            "visit": [f"W{n}@S" for n in range(len(counts))],
            "walk": [f"W{n}" for n in range(len(counts))],
            "period": "2024-05",
            "effort_km": km,
            "effort_km_days": km,
        }
    )
    owner = np.repeat(visits["visit"].to_numpy(), counts)
    trail = [f"T{n}" for n in range(len(owner))]
    return visits, pd.DataFrame({"visit": owner, "trail": trail, "p_puma": p})


def rng():
    return np.random.default_rng(4)


def test_the_dispersion_of_sure_trails_is_the_index_of_dispersion() -> None:
    # Fisher's index: variance over mean of the counts, where effort is the same.
    counts = [0, 3, 1, 0, 8, 2, 0, 1]
    found = clumping_test(*season(counts), rng=rng())
    assert found.dispersion == pytest.approx(np.var(counts, ddof=1) / np.mean(counts))
    assert found.walks == 8
    assert found.trails_expected == 15
    assert found.p_value < 0.01
    assert "clusters" in found.sentence


def test_even_counts_are_not_called_clumped() -> None:
    found = clumping_test(*season([2, 3, 1, 2, 4, 2, 1, 3]), rng=rng())
    assert found.p_value > 0.5
    assert "No clustering" in found.sentence


def test_effort_explains_unlike_counts() -> None:
    km = [1, 2, 20, 1, 30, 2]
    found = clumping_test(*season([0, 1, 9, 0, 16, 1], km=km), rng=rng())
    assert found.p_value > 0.3
    assert clumping_test(*season([0, 1, 9, 0, 16, 1]), rng=rng()).p_value < 0.01


def test_independent_trails_are_called_clumped_as_often_as_stated() -> None:
    draw = np.random.default_rng(8)
    called = [
        clumping_test(
            *season(counts, p=draw.choice([0.3, 0.9, 1.0], counts.sum())), rng=draw, draws=200
        ).p_value
        <= 0.1
        for counts in draw.poisson(2.0, (250, 20))
    ]
    assert 0.04 < np.mean(called) < 0.16


def test_a_trail_on_two_walks_counts_on_the_first() -> None:
    visits, found = season([1, 0, 0])
    again = pd.concat([found, found.assign(visit="W2@S")], ignore_index=True)
    assert clumping_test(visits, again, rng=rng()).trails_expected == 1


def test_what_cannot_be_tested_is_told() -> None:
    with pytest.raises(NothingSurveyed, match="fewer than two"):
        clumping_test(*season([3]), rng=rng())
    with pytest.raises(InputError, match="nothing clumps"):
        clumping_test(*season([0, 0, 0]), rng=rng())
    with pytest.raises(NothingSurveyed):
        bootstrap_rates(season([1])[0].iloc[:0], season([1])[1], rng=rng())


def test_clumped_trails_need_wider_limits_and_get_them() -> None:
    counts = [0, 0, 0, 12, 0, 0, 9, 0, 0, 0, 0, 11, 0, 0, 0]
    visits, found = season(counts)
    exact = detection_rates(visits, found).iloc[0]
    drawn = bootstrap_rates(visits, found, rng=rng()).iloc[0]
    assert drawn["trails_per_km"] == pytest.approx(exact["trails_per_km"])
    width = [row["trails_per_km_high"] - row["trails_per_km_low"] for row in (drawn, exact)]
    assert width[0] > 1.5 * width[1]


def test_drawn_limits_cover_a_clumped_rate_where_poisson_limits_do_not() -> None:
    draw = np.random.default_rng(12)
    true, tries, drawn_covered, exact_covered = 0.4, 150, 0, 0
    for _ in range(tries):
        counts = draw.poisson(draw.gamma(0.7, true * 5 / 0.7, 60))
        visits, found = season(counts)
        drawn = bootstrap_rates(visits, found, rng=draw, draws=300).iloc[0]
        exact = detection_rates(visits, found).iloc[0]
        drawn_covered += drawn["trails_per_km_low"] <= true <= drawn["trails_per_km_high"]
        exact_covered += exact["trails_per_km_low"] <= true <= exact["trails_per_km_high"]
    assert drawn_covered / tries > 0.88
    assert exact_covered / tries < 0.85


def test_trails_are_drawn_with_their_probabilities() -> None:
    counts = [2, 0, 1, 3] * 5
    sure = bootstrap_rates(*season(counts), rng=rng()).iloc[0]
    doubt = bootstrap_rates(*season(counts, p=0.5), rng=rng()).iloc[0]
    for name in ("trails_per_km", "trails_per_km_low", "trails_per_km_high"):
        assert doubt[name] == pytest.approx(sure[name] / 2)
    assert doubt["trails_expected"] == 15


def test_blank_walks_drawn_again_say_nothing() -> None:
    drawn = bootstrap_rates(*season([0] * 15), rng=rng()).iloc[0]
    assert drawn["trails_per_km"] == 0
    assert np.isnan(drawn["trails_per_km_high"])


def test_few_walks_are_warned_of() -> None:
    with pytest.warns(SmallSampleWarning, match="1 of 1 groups have fewer than 10 walks"):
        bootstrap_rates(*season([1, 2, 0]), rng=rng(), by=())


def test_rates_get_the_limits_that_the_test_asks_for() -> None:
    even, clumped = [2, 3, 1, 2, 4, 2, 1, 3, 2, 2], [0, 0, 0, 12, 0, 0, 9, 0, 0, 11]
    rates, told = rates_with_limits(*season(even), rng=rng())
    assert not told.clustered
    assert rates["limits"].tolist() == ["poisson"]
    pd.testing.assert_frame_equal(rates.drop(columns="limits"), detection_rates(*season(even)))
    visits, found = season(clumped)
    rates, told = rates_with_limits(visits, found, rng=rng())
    assert told.clustered
    assert rates["limits"].tolist() == ["walks drawn again"]
    exact, drawn = detection_rates(visits, found), bootstrap_rates(visits, found, rng=rng())
    for name in ("trails_per_km", "trails_per_km_day"):
        assert rates[f"{name}_low"][0] < 0.8 * exact[f"{name}_low"][0]
        assert rates[f"{name}_high"][0] > 1.2 * exact[f"{name}_high"][0]
    assert rates["trails_per_km_high"][0] == pytest.approx(drawn["trails_per_km_high"][0], rel=0.1)


def test_limits_are_never_narrower_than_poisson_and_blank_months_keep_theirs() -> None:
    visits, found = season([0, 0, 0, 12, 0, 0, 9, 0, 0, 11, 0, 0, 1])
    visits["period"] = ["2024-05"] * 10 + ["2024-06"] * 2 + ["2024-07"]
    rates, told = rates_with_limits(visits, found, rng=rng())
    exact = detection_rates(visits, found)
    assert told.clustered
    assert (rates["trails_per_km_low"] <= exact["trails_per_km_low"]).all()
    assert (rates["trails_per_km_high"] >= exact["trails_per_km_high"]).all()
    assert rates["limits"].tolist() == ["walks drawn again", "poisson", "walks drawn again"]


def test_without_trails_or_with_one_walk_there_is_nothing_to_test() -> None:
    for counts in ([0, 0, 0], [4]):
        rates, told = rates_with_limits(*season(counts), rng=rng())
        assert told is None
        assert rates["limits"].tolist() == ["poisson"]
