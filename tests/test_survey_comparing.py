"""Comparing: ratios and differences of rates, exact where nothing is in doubt."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.survey.comparing import compare_rates, doubtful_ratio_limits
from carnivore_sign.survey.intervals import poisson_binomial_pmf


def two_months(first, second, *, km=(100.0, 80.0), days=3.0):
    visits = pd.DataFrame(
        {
            "visit": ["a", "b"],
            "period": ["2024-05", "2024-06"],
            "effort_km": km,
            "effort_km_days": np.multiply(km, days),
        }
    )
    p = np.r_[first, second].astype(float)
    found = pd.DataFrame(
        {
            "visit": ["a"] * len(first) + ["b"] * len(second),
            "trail": np.arange(len(p)).astype(str),
            "p_puma": p,
        }
    )
    return visits, found


def compare(*months, **options):
    return compare_rates(*months, first="2024-05", second="2024-06", **options)


@pytest.mark.parametrize(("j", "k"), [(4, 16), (10, 10), (1, 3), (30, 2)])
def test_without_doubt_the_ratio_has_the_exact_conditional_limits(j, k) -> None:
    # scipy's exact binomial (Clopper-Pearson) limits of the share k / (j + k).
    share = stats.binomtest(k, j + k).proportion_ci(method="exact")
    wanted = [100 / 80 * theta / (1 - theta) for theta in (share.low, share.high)]
    found = doubtful_ratio_limits(np.ones(j), np.ones(k), 100, 80)
    assert found == pytest.approx(wanted, rel=1e-6)
    with_zeros = doubtful_ratio_limits(np.r_[np.ones(j), 0, 0], np.r_[0, np.ones(k)], 100, 80)
    assert with_zeros == pytest.approx(wanted, rel=1e-6)


def test_an_empty_side_leaves_its_limit_open() -> None:
    assert doubtful_ratio_limits([], [1] * 5, 10, 10)[1] == np.inf
    assert doubtful_ratio_limits([1] * 5, [], 10, 10)[0] == 0
    assert doubtful_ratio_limits([], [], 10, 10) == (0, np.inf)


def test_turning_the_sides_turns_the_ratio() -> None:
    p, q = [0.9, 0.8, 1.0, 0.3], [1.0, 0.7, 0.95, 0.99, 0.2, 1.0]
    low, high = doubtful_ratio_limits(p, q, 30, 50)
    turned = doubtful_ratio_limits(q, p, 50, 30)
    assert turned == pytest.approx((1 / high, 1 / low), rel=1e-6)


def test_limits_in_doubt_solve_their_equation() -> None:
    p, q = [0.9, 0.8, 1.0, 0.3, 1.0], [1.0, 0.7, 0.95, 0.99, 0.2, 1.0, 1.0, 0.9]
    low, _ = doubtful_ratio_limits(p, q, 30, 50, level=0.9)
    theta = low * 50 / (30 + low * 50)
    total = sum(
        a * b * stats.binom.sf(k - 1, j + k, theta)
        for j, a in enumerate(poisson_binomial_pmf(p))
        for k, b in enumerate(poisson_binomial_pmf(q))
    )
    assert total == pytest.approx(0.05, abs=1e-7)


def test_doubt_widens_the_ratio() -> None:
    sure = doubtful_ratio_limits(np.ones(10), np.ones(20), 50, 50)
    doubt = doubtful_ratio_limits(np.full(20, 0.5), np.full(40, 0.5), 50, 50)
    assert doubt[0] < sure[0]
    assert doubt[1] > sure[1]


def test_what_is_left_out_as_negligible_moves_no_limit(monkeypatch) -> None:
    rng = np.random.default_rng(8)
    first, second = rng.random(60), rng.random(90)
    told = doubtful_ratio_limits(first, second, 10, 20)
    monkeypatch.setattr("carnivore_sign.survey.comparing._NEGLIGIBLE", 0.0)
    assert told == pytest.approx(doubtful_ratio_limits(first, second, 10, 20), rel=1e-9)


def test_thousands_of_trails_in_doubt_are_compared() -> None:
    # A grid of all counts would need 4 x 6000 x 6000 numbers. By the law of large numbers the
    # limits come to those of the normal law of log(K2 / K1): variance (p + q p) / p^2 n, each side.
    count = 6_000
    low, high = doubtful_ratio_limits(np.full(count, 0.9), np.full(count, 0.9), 1, 1)
    spread = np.sqrt(2 * (0.9 + 0.1 * 0.9) / (0.9**2 * count))
    assert np.log([low, high]) == pytest.approx([-1.96 * spread, 1.96 * spread], rel=0.02)


def test_two_months_are_compared_with_effort() -> None:
    found = compare(*two_months(np.ones(10), np.ones(24)))
    assert (found.rate_first, found.rate_second) == pytest.approx((0.1, 0.3))
    assert found.ratio == pytest.approx(3)
    assert found.ratio_low < 3 < found.ratio_high
    assert found.difference == pytest.approx(0.2)
    assert found.difference_low < 0.2 < found.difference_high
    assert "oftener" in found.sentence
    assert "not a number of animals" in found.sentence
    per_day = compare(*two_months(np.ones(10), np.ones(24)), unit="km_day")
    assert per_day.rate_first == pytest.approx(0.1 / 3)
    assert per_day.ratio_low == pytest.approx(found.ratio_low)


def test_the_sentence_says_no_more_than_the_limits() -> None:
    assert "do not tell" in compare(*two_months(np.ones(5), np.ones(6))).sentence
    assert "less often" in compare(*two_months(np.ones(30), np.ones(5))).sentence
    blank = compare(*two_months([], []))
    assert np.isnan(blank.ratio)
    assert "do not tell" in blank.sentence


def test_no_effort_on_one_side_is_told() -> None:
    visits, found = two_months(np.ones(3), np.ones(3))
    with pytest.raises(NothingSurveyed, match=r"2024-07.*2024-05, 2024-06"):
        compare_rates(visits, found, first="2024-05", second="2024-07")
    with pytest.raises(NothingSurveyed):
        compare(visits.assign(effort_km_days=np.nan), found, unit="km_day")
    with pytest.raises(InputError, match="km_day"):
        compare(visits, found, unit="hours")
    with pytest.raises(InputError, match="no effort"):
        doubtful_ratio_limits([1], [1], 0, 4)


def test_limits_cover_the_true_ratio_and_difference() -> None:
    rng = np.random.default_rng(31)
    rate, ratio, km, tries = 0.3, 1.8, (60.0, 45.0), 400
    ratio_covered = difference_covered = 0
    for _ in range(tries):
        counts = rng.poisson(rate * km[0]), rng.poisson(rate * ratio * km[1])
        found = compare(*two_months(*(np.ones(n) for n in counts), km=km))
        ratio_covered += found.ratio_low <= ratio <= found.ratio_high
        true = rate * (ratio - 1)
        difference_covered += found.difference_low <= true <= found.difference_high
    assert 0.93 <= ratio_covered / tries <= 0.99
    assert 0.93 <= difference_covered / tries <= 0.99
