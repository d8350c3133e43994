"""Doubt: counts, rates and ratios of trails in doubt; published limits where nothing is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import expit, logit

from carnivore_sign.errors import InputError
from carnivore_sign.survey.doubt import (
    doubtful_poisson_limits,
    doubtful_ratio_limits,
    learned_share,
    poisson_binomial_limits,
    poisson_binomial_pmf,
)
from carnivore_sign.survey.intervals import poisson_limits


def test_poisson_binomial_distribution() -> None:
    # Input of Hong 2013, Comput Stat Data Anal 59:41-51; the output is arithmetic.
    found = poisson_binomial_pmf([0.1, 0.2, 0.3, 0.4, 0.5])
    np.testing.assert_allclose(found, [0.1512, 0.3714, 0.3274, 0.1274, 0.0214, 0.0012], atol=1e-12)


def test_poisson_binomial_of_equal_trials_is_binomial() -> None:
    np.testing.assert_allclose(
        poisson_binomial_pmf(np.full(30, 0.3)), stats.binom.pmf(np.arange(31), 30, 0.3), rtol=1e-10
    )
    assert poisson_binomial_pmf([]).tolist() == [1.0]
    assert poisson_binomial_pmf([1, 0, 1]).tolist() == [0, 0, 1, 0]


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 1), max_size=40))
def test_poisson_binomial_has_its_mean_and_variance(probability) -> None:
    p = np.array(probability)
    pmf = poisson_binomial_pmf(p)
    count = np.arange(len(pmf))
    assert pmf.sum() == pytest.approx(1, abs=1e-12)
    assert pmf @ count == pytest.approx(p.sum(), abs=1e-9)
    assert pmf @ count**2 - (pmf @ count) ** 2 == pytest.approx((p * (1 - p)).sum(), abs=1e-8)


@pytest.mark.parametrize("count", [0, 1, 2, 5, 17])
def test_without_doubt_the_limits_are_garwoods(count) -> None:
    sure = np.r_[np.ones(count), np.zeros(4)]
    low, high = poisson_limits(count)
    assert doubtful_poisson_limits(sure) == pytest.approx((float(low), float(high)), abs=1e-8)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 1), max_size=40), st.sampled_from([0.5, 0.9, 0.95]))
def test_no_more_than_the_tails_lie_outside_the_limits_of_a_count(probability, level) -> None:
    pmf = poisson_binomial_pmf(probability)
    low, high = poisson_binomial_limits(probability, level=level)
    tail = (1 - level) / 2
    assert pmf[:low].sum() <= tail + 1e-12
    assert pmf[high + 1 :].sum() <= tail + 1e-12
    assert pmf[: low + 1].sum() > tail - 1e-12, "one more would be too many"


def test_limits_of_a_count_of_equal_trials_are_quantiles_of_the_binomial() -> None:
    assert poisson_binomial_limits(np.full(30, 0.3)) == tuple(
        stats.binom.ppf([0.025, 0.975], 30, 0.3)
    )
    assert poisson_binomial_limits([]) == (0, 0)
    assert poisson_binomial_limits([1, 1, 0]) == (2, 2)


def test_limits_in_doubt_are_quantiles_of_gamma_distributions() -> None:
    # Fay & Feuer 1997, Stat Med 16:791-801, in their chi-square form (from memory): for a
    # weighted sum y of Poisson counts, variance v and largest weight w,
    # v / 2y chi2(2 y^2 / v) and (v + w^2) / 2(y + w) chi2(2 (y + w)^2 / (v + w^2)).
    p = np.array([0.99, 0.95, 0.9, 0.9, 0.8, 0.6, 0.3, 0.1])
    y, v = p.sum(), (p**2).sum()
    low = v / (2 * y) * stats.chi2.ppf(0.05, 2 * y**2 / v)
    high = (v + 1) / (2 * (y + 1)) * stats.chi2.isf(0.05, 2 * (y + 1) ** 2 / (v + 1))
    assert doubtful_poisson_limits(p, level=0.9) == pytest.approx((low, high), rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0, 1), max_size=40))
def test_the_limits_lie_around_the_expected_number(probability) -> None:
    low, high = doubtful_poisson_limits(probability)
    assert 0 <= low <= sum(probability) <= high


def test_where_perhaps_nothing_was_found_the_lower_limit_is_zero() -> None:
    assert doubtful_poisson_limits([0.6, 0.9])[0] == 0.0  # none belongs: 0.04
    assert doubtful_poisson_limits([0.6, 0.95])[0] > 0.0  # 0.02
    assert doubtful_ratio_limits([1], [0.6, 0.9], 1, 1)[0] == 0.0
    assert doubtful_ratio_limits([0.6, 0.9], [1], 1, 1)[1] == np.inf


def draw_trails(rng, mean, *, others=1.0, reach=1.5):
    """Log likelihood ratios of trails of the taxon and of `others` times as many look-alikes."""
    evidence = [
        sign * reach**2 / 2 + reach * rng.standard_normal(rng.poisson(mean * times))
        for sign, times in ((1, 1.0), (-1, others))
    ]
    return np.concatenate(evidence)


@pytest.mark.parametrize("mean", [1.0, 3.0, 10.0, 20.0, 60.0])
@pytest.mark.parametrize(("others", "reach"), [(0.3, 2.5), (1.0, 1.5), (3.0, 2.5)])
def test_limits_in_doubt_hold_the_truth_as_often_as_they_say(mean, others, reach) -> None:
    rng = np.random.default_rng(round(1000 * (mean + others)))
    tries = 500
    covered = 0
    for _ in range(tries):
        p = expit(draw_trails(rng, mean, others=others, reach=reach) - np.log(others))
        low, high = doubtful_poisson_limits(p)
        covered += low <= mean <= high
    # Exact limits of small counts are conservative: a count of 3 has 0.98 without any doubt.
    error = 3 * np.sqrt(0.95 * 0.05 / tries)
    assert 0.95 - error <= covered / tries <= (0.97 + error if mean >= 10 else 1.0)


def learn(evidence, prior, prior_trails):
    """Share of highest posterior probability, by repeated expectation."""
    share = prior
    for _ in range(60):
        p = expit(evidence + logit(share))
        share = (p.sum() + prior_trails * prior) / (len(p) + prior_trails)
    return share


@pytest.mark.parametrize("months", [1, 4])
def test_a_share_that_was_learned_from_the_trails_is_doubted_as_well(months) -> None:
    rng = np.random.default_rng(months)
    mean, tries, prior_trails = 12.0, 400, 2.0
    plain = covered = 0
    for _ in range(tries):
        drawn = [draw_trails(rng, mean, others=2.0, reach=1.8) for _ in range(months)]
        together = np.concatenate(drawn)
        share = learn(together, 1 / 3, prior_trails)
        of_season = learned_share(expit(together + logit(share)), share, prior_trails=prior_trails)
        p = expit(drawn[0] + logit(share))
        for learned in (None, of_season):
            low, high = doubtful_poisson_limits(p, learned=learned)
            plain += learned is None and low <= mean <= high
            covered += learned is not None and low <= mean <= high
    assert 0.93 <= covered / tries <= 0.985
    assert plain < covered
    if months == 1:
        assert plain / tries < 0.92, "the doubt about the share could be left out"


def test_the_more_trails_a_share_was_learned_from_the_less_it_is_doubted() -> None:
    p = [0.97, 0.9, 0.8, 0.6, 0.4, 0.2, 0.05]
    own = doubtful_poisson_limits(p)
    few, many = (doubtful_poisson_limits(p, learned=learned_share(p * n, 0.5)) for n in (2, 200))
    assert few[1] > many[1] > own[1] * (1 - 1e-9)
    assert many == pytest.approx(own, rel=0.03)
    sure = doubtful_poisson_limits([1, 1, 0], learned=learned_share([1, 1, 0], 0.5))
    assert sure == pytest.approx([float(limit) for limit in poisson_limits(2)])
    alike = learned_share([0.5] * 4, 0.5)
    assert alike.information == 0


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


def test_limits_of_the_ratio_hold_it_as_often_as_they_say() -> None:
    rng = np.random.default_rng(14)
    mean, ratio, tries, covered = 15.0, 1.6, 500, 0
    for _ in range(tries):
        p, q = (expit(draw_trails(rng, m, others=1.0)) for m in (mean, mean * ratio))
        low, high = doubtful_ratio_limits(p, q, 10, 10)
        covered += low <= ratio <= high
    assert 0.92 <= covered / tries <= 0.985


def test_thousands_of_trails_in_doubt_are_compared() -> None:
    # By the law of large numbers the limits come to those of the normal law of the log ratio:
    # variance sum p^2 / (sum p)^2 = 1 / n on each side.
    count = 6_000
    low, high = doubtful_ratio_limits(np.full(count, 0.9), np.full(count, 0.9), 1, 1)
    spread = np.sqrt(2 / count)
    assert np.log([low, high]) == pytest.approx([-1.96 * spread, 1.96 * spread], rel=0.02)


@pytest.mark.parametrize(
    "call",
    [
        lambda: poisson_binomial_pmf([0.5, 1.1]),
        lambda: poisson_binomial_pmf([np.nan]),
        lambda: doubtful_poisson_limits([-0.1]),
        lambda: doubtful_poisson_limits([0.5], level=95),
        lambda: doubtful_ratio_limits([1], [2], 1, 1),
        lambda: doubtful_ratio_limits([1], [1], 0, 4),
    ],
)
def test_what_is_no_probability_and_no_effort_is_refused(call) -> None:
    with pytest.raises(InputError):
        call()
