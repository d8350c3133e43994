"""Comparing: ratios and differences of the rates of two groups of visits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.survey.comparing import compare_rates


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
