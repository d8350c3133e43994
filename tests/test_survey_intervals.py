"""Intervals: published limits of counts and shares, and what blank effort says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from carnivore_sign.errors import InputError
from carnivore_sign.survey.intervals import (
    clopper_pearson_limits,
    detection_curve,
    km_for_certainty,
    newcombe_difference_limits,
    poisson_limits,
    wilson_limits,
)


def pairs(limits):
    return np.column_stack(limits)


def test_exact_poisson_limits() -> None:
    # Garwood 1936, Biometrika 28:437-442: counts 0, 10 and 25 as tabulated; the others follow
    # from the definition.
    found = pairs(poisson_limits([0, 1, 2, 3, 5, 10, 20]))
    wanted = [
        (0, 3.6889), (0.0253, 5.5716), (0.2422, 7.2247), (0.6187, 8.7673), (1.6235, 11.6683),
        (4.7954, 18.3904), (12.2165, 30.8884),
    ]  # fmt: skip
    np.testing.assert_allclose(found, wanted, atol=5e-5)
    np.testing.assert_allclose(pairs(poisson_limits(25)), [(16.18, 36.90)], atol=5e-3)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.95, 0.999])
def test_poisson_limits_are_those_of_the_chi_square_distribution(level) -> None:
    count = np.arange(1, 60)
    low, high = poisson_limits(count, level=level)
    tail = (1 - level) / 2
    np.testing.assert_allclose(low, stats.chi2.ppf(tail, 2 * count) / 2, rtol=1e-9)
    np.testing.assert_allclose(high, stats.chi2.isf(tail, 2 * count + 2) / 2, rtol=1e-9)


def test_wilson_limits() -> None:
    # Newcombe 1998, Stat Med 17:857-872, Table I, method 3.
    found = pairs(wilson_limits([81, 15, 0, 1], [263, 148, 20, 29]))
    wanted = [(0.2553, 0.3662), (0.0624, 0.1605), (0, 0.1611), (0.0061, 0.1718)]
    np.testing.assert_allclose(found, wanted, atol=5e-5)


def test_wilson_limits_agree_with_scipy() -> None:
    for found, looked in [(0, 3), (3, 3), (7, 50), (499, 500)]:
        other = stats.binomtest(found, looked).proportion_ci(method="wilson")
        np.testing.assert_allclose(pairs(wilson_limits(found, looked)), [tuple(other)], atol=1e-12)


def test_clopper_pearson_limits() -> None:
    # The cases of Newcombe 1998, Table I, method 5, and 4 of 10: figures from memory, and
    # recomputed by scipy's exact method below.
    found = pairs(clopper_pearson_limits([81, 15, 0, 1, 4], [263, 148, 20, 29, 10]))
    wanted = [
        (0.2527, 0.3676), (0.0578, 0.1617), (0, 0.1684), (0.0009, 0.1776), (0.1216, 0.7376),
    ]  # fmt: skip
    np.testing.assert_allclose(found, wanted, atol=5e-5)
    other = [tuple(stats.binomtest(x, 12).proportion_ci(method="exact")) for x in range(13)]
    np.testing.assert_allclose(pairs(clopper_pearson_limits(np.arange(13), 12)), other, atol=1e-9)


def test_limits_of_a_difference() -> None:
    # Newcombe 1998, Stat Med 17:873-890, method 10.
    np.testing.assert_allclose(
        newcombe_difference_limits((56, 70), (48, 80)), (0.0524, 0.3339), atol=5e-5
    )
    np.testing.assert_allclose(
        newcombe_difference_limits((9, 10), (3, 10)), (0.1705, 0.8090), atol=5e-5
    )


def test_the_difference_turns_its_sign_with_the_order() -> None:
    low, high = newcombe_difference_limits((9, 30), (3, 40))
    assert newcombe_difference_limits((3, 40), (9, 30)) == pytest.approx((-high, -low))


def test_detection_curve() -> None:
    # 51.1 km per track set: Van Dyke, Brocke & Shaw 1986, J Wildl Manage 50:102-109; the
    # probabilities follow from 1 - exp(-km / 51.1).
    found = detection_curve([10, 33.8, 96], km_per_find=51.1)
    np.testing.assert_allclose(found, [0.1777, 0.4839, 0.8472], atol=5e-5)
    assert float(km_for_certainty(0.95, km_per_find=51.1)) == pytest.approx(153.08, abs=5e-3)


@given(st.floats(0, 0.999), st.floats(0.1, 1000))
def test_the_curve_and_its_inverse_agree(certainty, km_per_find) -> None:
    km = km_for_certainty(certainty, km_per_find=km_per_find)
    assert float(detection_curve(km, km_per_find=km_per_find)) == pytest.approx(certainty, abs=1e-9)


@pytest.mark.parametrize(
    "call",
    [
        lambda: poisson_limits(-1),
        lambda: poisson_limits(1.5),
        lambda: poisson_limits(np.nan),
        lambda: poisson_limits(np.inf),
        lambda: poisson_limits(3, level=95),
        lambda: wilson_limits(5, 4),
        lambda: wilson_limits(0, 0),
        lambda: clopper_pearson_limits(1, 0),
        lambda: newcombe_difference_limits((0, 0), (1, 2)),
        lambda: detection_curve(5, km_per_find=0),
        lambda: detection_curve(-5, km_per_find=50),
        lambda: detection_curve([5, np.nan], km_per_find=50),
        lambda: km_for_certainty(1, km_per_find=50),
    ],
)
def test_what_is_no_count_and_no_share_is_refused(call) -> None:
    with pytest.raises(InputError):
        call()
