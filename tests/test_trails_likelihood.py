"""What speaks for a pair of sign: every ratio against its definition and outside references."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm, vonmises

from carnivore_sign.errors import InputError
from carnivore_sign.trails import LinkModel, mean_direction_deg
from carnivore_sign.trails.likelihood import (
    axis_ratio,
    direction_ratio,
    distance_ratio,
    gap_log_density,
    size_ratio,
    taxon_ratio,
    windows_overlap,
)

MODEL = LinkModel()


def one(value: float) -> np.ndarray:
    return np.array([value])


def test_a_stated_direction_follows_the_von_mises_distribution() -> None:
    # Reference: scipy.stats.vonmises, against the uniform density on the circle.
    for degrees in (0.0, 20.0, 90.0, 180.0):
        agree = vonmises.pdf(np.radians(degrees), MODEL.direction_concentration) * 2 * np.pi
        expected = np.log((1 - MODEL.mistaken) * agree + MODEL.mistaken)
        assert direction_ratio(one(350.0), one(350.0 + degrees), MODEL) == pytest.approx(expected)


def test_an_axis_reads_the_same_both_ways_along_it() -> None:
    assert axis_ratio(one(80.0), one(260.0), MODEL) == pytest.approx(
        axis_ratio(one(80.0), one(80.0), MODEL)
    )
    assert axis_ratio(one(80.0), one(170.0), MODEL) < 0 < axis_ratio(one(80.0), one(90.0), MODEL)


def test_each_ratio_has_mean_one_over_unrelated_sign() -> None:
    # A likelihood ratio p/q has mean 1 under q, whatever p is. Arithmetic.
    around, _ = quad(lambda d: np.exp(direction_ratio(one(0.0), one(d), MODEL))[0] / 360, 0, 360)
    across, _ = quad(lambda d: np.exp(axis_ratio(one(0.0), one(d), MODEL))[0] / 360, 0, 360)
    sizes, _ = quad(
        lambda x: np.exp(size_ratio(one(x), MODEL))[0] * norm.pdf(x, 0, MODEL.size_sd_different),
        -2, 2, points=[0.0],
    )  # fmt: skip
    assert [around, across, sizes] == pytest.approx([1, 1, 1], abs=1e-6)


def test_the_distance_part_is_the_density_of_the_next_sign_over_that_of_a_new_trail() -> None:
    def density_per_m(distance: float) -> float:
        return float(np.exp(distance_ratio(one(distance), MODEL, trails_per_km=0.4))[0]) * 0.0004

    total, _ = quad(density_per_m, 0, 20 * MODEL.gap_m)
    mean, _ = quad(lambda d: d * density_per_m(d), 0, 40 * MODEL.gap_m)
    assert total == pytest.approx(1, abs=1e-6)
    assert mean == pytest.approx(MODEL.gap_m, rel=1e-6)


def test_on_bare_ground_the_next_sign_lies_farther_by_the_factor() -> None:
    def moment(power: int, bare: float) -> float:
        def density(distance: float) -> float:
            log_density = gap_log_density(one(distance), MODEL, bare=bare)
            return distance**power * float(np.exp(log_density)[0])

        return quad(density, 0, 60 * MODEL.gap_m)[0]

    assert [moment(0, bare) for bare in (0.0, 0.5, 1.0)] == pytest.approx([1, 1, 1], abs=1e-6)
    assert moment(1, 1.0) == pytest.approx(MODEL.bare_factor * MODEL.gap_m, rel=1e-5)
    # A long gap speaks less against a passage where little shows, a short one less for it.
    far, near = one(400.0), one(10.0)
    assert gap_log_density(far, MODEL, bare=1.0) > gap_log_density(far, MODEL)
    assert gap_log_density(near, MODEL, bare=1.0) < gap_log_density(near, MODEL)


def test_what_was_not_recorded_says_nothing() -> None:
    nothing = one(np.nan)
    assert direction_ratio(nothing, one(10.0), MODEL) == 0
    assert axis_ratio(one(10.0), nothing, MODEL) == 0
    assert size_ratio(nothing, MODEL) == 0


@given(st.floats(0, 360), st.floats(0, 360), st.floats(-6, 6))
def test_no_single_direction_or_size_is_worse_than_a_mistake(
    first: float, second: float, size: float
) -> None:
    floor = np.log(MODEL.mistaken) - 1e-9
    assert direction_ratio(one(first), one(second), MODEL)[0] >= floor
    assert size_ratio(one(size), MODEL)[0] >= floor


def test_taxa_are_compared_by_how_likely_both_are_under_one_taxon() -> None:
    # By Bayes: sum over t of prior(t) L1(t) L2(t), over the product of both sums. Arithmetic.
    rng = np.random.default_rng(3)
    prior = np.array([0.2, 0.5, 0.3])
    first, second = rng.uniform(0.1, 1.0, (2, 3))
    expected = (prior * first * second).sum() / ((prior * first).sum() * (prior * second).sum())
    shares = [(prior * said / (prior * said).sum())[None, :] for said in (first, second)]
    assert np.exp(taxon_ratio(*shares, prior, MODEL)) == pytest.approx(expected)


def test_taxa_that_say_nothing_leave_the_link_alone_and_a_rare_one_is_capped() -> None:
    prior = np.array([0.01, 0.99])
    flat, rare = prior[None, :], np.array([[1.0, 0.0]])
    assert taxon_ratio(flat, rare, prior, MODEL) == pytest.approx(0)
    assert taxon_ratio(rare, rare, prior, MODEL) == pytest.approx(np.log(MODEL.taxon_odds_cap))


def test_windows_overlap_or_miss_each_other_by_the_slack() -> None:
    start, end = np.array([0.0, 10.0, -np.inf]), np.array([5.0, 20.0, 4.0])
    first, second = np.array([0, 0, 1]), np.array([1, 2, 2])
    assert windows_overlap(start, end, first, second, slack_h=1).tolist() == [False, True, False]
    assert windows_overlap(start, end, first, second, slack_h=5).tolist() == [True, True, False]


@pytest.mark.parametrize(
    "wrong",
    [
        {"gap_m": 0},
        {"mistaken": 0},
        {"taxon_odds_cap": 0.5},
        {"age_slack_h": -1},
        {"bare_factor": 0},
        {"course_m": 0},
        {"gps_error_m": -1},
    ],
)
def test_a_model_that_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError, match=next(iter(wrong))):
        LinkModel(**wrong)


def test_directions_are_averaged_as_directions() -> None:
    stated = np.array([350.0, 10.0, 0.0, 180.0, np.nan, 90.0, 100.0, 280.0])
    group = np.array([0, 0, 1, 1, 2, 3, 3, 3])
    mean = mean_direction_deg(stated, group, 5)
    assert mean[0] == pytest.approx(0, abs=1e-9) or mean[0] == pytest.approx(360)
    assert np.isnan(mean[[1, 2, 3, 4]]).all()
