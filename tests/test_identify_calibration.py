"""Outside checks of the weighing, and its calibration on prints whose characters stray together."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest
from identify_worlds import World, draw_world
from scipy.optimize import brentq
from scipy.stats import multivariate_normal, norm

from carnivore_sign.identify import (
    Evidence,
    brier_score,
    calibration_line,
    check_prior,
    estimate_shares,
    load_evidence,
    normal_log_likelihood,
    pool_evidence,
    reliability,
    to_probabilities,
    weigh_characters,
    weigh_sign,
)
from carnivore_sign.records.vocabularies import CHARACTERS
from carnivore_sign.simulate import SimulatedSeason, demo_settings, simulate_season

EVIDENCE = load_evidence()
PRIOR = {"puma": 0.5, "dog": 0.5}
PRINTS = 6000


def test_two_normals_cut_where_published_means_say() -> None:
    # Heel-pad width, puma 5.06 (SD 0.79) cm, jaguar 7.14 (1.05) cm, n = 46 each: De Angelo,
    # Paviolo & Di Bitetti 2010, J Wildl Manage 74:1141-1153. The cut and the errors follow.
    puma, jaguar = (5.06, 0.79), (7.14, 1.05)

    def difference(width_cm: float) -> float:
        return float(
            normal_log_likelihood(width_cm, *puma) - normal_log_likelihood(width_cm, *jaguar)
        )

    cut = brentq(difference, puma[0], jaguar[0])
    assert cut == pytest.approx(6.0648, abs=5e-5)
    assert norm.sf(cut, *puma) == pytest.approx(0.1017, abs=5e-5)
    assert norm.cdf(cut, *jaguar) == pytest.approx(0.1529, abs=5e-5)


def test_size_likelihood_is_the_normal_density_of_scipy() -> None:
    values = np.linspace(20, 120, 11)
    ours = normal_log_likelihood(values, 70.0, 16.0)
    assert np.allclose(ours - ours[0], norm.logpdf(values, 70, 16) - norm.logpdf(20, 70, 16))


def naive(evidence: Evidence) -> Evidence:
    """Return the same tables without any tempering: the plain product."""
    constants = evidence.constants.copy()
    constants.loc["groups_exponent", "value"] = 1.0
    return dataclasses.replace(
        evidence, groups=evidence.groups.assign(rho=0.0), constants=constants
    )


def correlated_prints(rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Draw prints of pumas and dogs; characters of a group share one hidden deviation.

    Each character has the shares of the evidence table. Within a taxon the hidden normal
    scores correlate 0.5 inside a group and 0.1 between groups.
    """
    puma = rng.random(PRINTS) < 0.5
    print_wide = rng.normal(size=PRINTS)
    columns = {}
    for members in EVIDENCE.groups["characters"].str.split(";"):
        shared = rng.normal(size=PRINTS)
        for name in members:
            if name not in CHARACTERS:
                continue
            own = rng.normal(size=PRINTS)
            score = np.sqrt(0.1) * print_wide + np.sqrt(0.4) * shared + np.sqrt(0.5) * own
            states = np.array(CHARACTERS[name])
            level = norm.cdf(score)
            table = EVIDENCE.characters.loc[name].loc[states, ["puma", "dog"]]
            picks = [
                np.searchsorted(np.cumsum(shares)[:-1], level) for shares in table.to_numpy(float).T
            ]
            columns[name] = states[np.where(puma, picks[0], picks[1])]
    return pd.DataFrame(columns), puma


@pytest.fixture(scope="module")
def drawn() -> tuple[pd.DataFrame, np.ndarray]:
    return correlated_prints(np.random.default_rng(20))


def puma_probability(prints: pd.DataFrame, evidence: Evidence) -> np.ndarray:
    return to_probabilities(weigh_characters(prints, evidence), PRIOR)["p_puma"].to_numpy()


def log_loss(p: np.ndarray, truth: np.ndarray) -> float:
    return float(-np.log(np.where(truth, p, 1 - p)).mean())


def overconfidence(p: np.ndarray, truth: np.ndarray) -> float:
    """Mean stated probability of the better taxon, less the share of right calls."""
    right = (p > 0.5) == truth
    return float(np.maximum(p, 1 - p).mean() - right.mean())


def test_the_plain_product_is_over_confident_and_ours_is_not(drawn) -> None:
    prints, truth = drawn
    ours = puma_probability(prints, EVIDENCE)
    plain = puma_probability(prints, naive(EVIDENCE))
    error = 3 * np.sqrt(0.25 / PRINTS)
    assert overconfidence(plain, truth) > error
    assert overconfidence(ours, truth) < error
    assert log_loss(ours, truth) < log_loss(plain, truth)


def test_a_call_of_95_percent_or_more_is_right_that_often(drawn) -> None:
    prints, truth = drawn

    def shortfall(p: np.ndarray) -> float:
        stated = np.maximum(p, 1 - p)
        called = stated >= 0.95
        assert called.sum() > 500
        return float(stated[called].mean() - ((p > 0.5) == truth)[called].mean())

    assert shortfall(puma_probability(prints, EVIDENCE)) < 0.01
    assert shortfall(puma_probability(prints, naive(EVIDENCE))) > 0.01


def test_single_rules_are_right_about_four_times_in_five_and_all_together_nine_in_ten(
    drawn,
) -> None:
    # Most traditional single rules err 20 % or more, multivariate models under 10 %, and a
    # figure under 1 % would be suspect: De Angelo, Paviolo & Di Bitetti 2010 (abstract).
    prints, truth = drawn
    single = [
        ((puma_probability(prints[[name]], EVIDENCE) > 0.5) == truth).mean() for name in CHARACTERS
    ]
    together = ((puma_probability(prints, EVIDENCE) > 0.5) == truth).mean()
    assert 0.70 < np.mean(single) < 0.82
    assert max(single) < 0.83
    assert 0.90 < together < 0.99


# The pooling over the prints of a trail: hidden scores of which animal, place and print make a
# third each, and how far that may be wrong before the probabilities are too bold.


SHARES = check_prior({"puma": 0.35, "dog": 0.4, "coyote": 0.15, "bobcat": 0.1})


def error_correlation(score_correlation: float, share: float) -> float:
    """Correlation of two yes-or-no readings whose normal scores correlate (orthant of scipy)."""
    cut = norm.ppf(share)
    both = multivariate_normal.cdf([cut, cut], cov=[[1, score_correlation], [score_correlation, 1]])
    return (both - share**2) / (share * (1 - share))


def test_the_correlations_of_the_pooling_follow_from_equal_thirds() -> None:
    # Animal, place and print make a third each of the score; a rule is right four times in five.
    same_sign, same_animal = (error_correlation(r, 0.8) for r in (2 / 3, 1 / 3))
    assert EVIDENCE.constant("rho_sign") == pytest.approx(same_sign, abs=0.03)
    of_sign = [same_animal / (same_sign + (1 - same_sign) / prints) for prints in (2, 3)]
    assert of_sign[0] < EVIDENCE.constant("rho_trail") <= of_sign[1] + 0.01


def trail_probabilities(world: World, evidence: Evidence) -> np.ndarray:
    said = weigh_sign(pd.DataFrame({"sign": world.trail_of.index}), world.prints, evidence)
    rho = evidence.constant("rho_trail")
    pooled = pool_evidence(said, world.trail_of, rho=rho).sort_index()
    return to_probabilities(pooled, SHARES)["p_puma"].to_numpy()


def unpooled(evidence: Evidence) -> Evidence:
    """Return tables in which prints and sign count as independent, and characters too."""
    plain = naive(evidence)
    constants = plain.constants.copy()
    constants.loc[["rho_sign", "rho_trail"], "value"] = 0.0
    return dataclasses.replace(plain, constants=constants)


def too_bold(p: np.ndarray, truth: np.ndarray, *, once_in: float = 1000.0) -> pd.DataFrame:
    """Return the bins in which what was stated is farther from 1/2 than chance lets the truth be.

    If every stated probability of a bin is right, the number of pumas in it is a sum of
    independent draws; its limits come of 4000 seasons drawn with just those probabilities.
    """
    rng = np.random.default_rng(99)
    table = reliability(p, truth)
    faults = []
    for row in table.to_dict("records"):
        mine = p[(p >= row["from_stated"]) & (p < row["to_stated"] + (row["to_stated"] == 1))]
        drawn = (rng.random((4000, len(mine))) < mine).mean(axis=1)
        low, high = np.quantile(drawn, [1 / once_in, 1 - 1 / once_in])
        bold = row["share_true"] > high if row["mean_stated"] < 0.5 else row["share_true"] < low
        faults.append({**row, "limit_low": low, "limit_high": high, "bold": bool(bold)})
    return pd.DataFrame(faults)


@pytest.fixture(scope="module")
def trails() -> World:
    return draw_world(EVIDENCE, SHARES, np.random.default_rng(21), trails=4000)


def test_no_bin_of_trails_is_bolder_than_chance_lets_it_be(trails: World) -> None:
    truth = trails.taxon == "puma"
    ours = too_bold(trail_probabilities(trails, EVIDENCE), truth)
    assert ours["count"].min() > 25
    assert not ours["bold"].any()
    plain = too_bold(trail_probabilities(trails, unpooled(EVIDENCE)), truth)
    assert plain["bold"].iloc[[0, -1]].all()


def test_the_calibration_slope_of_trails_is_near_one_and_of_the_plain_product_half(
    trails: World,
) -> None:
    truth = trails.taxon == "puma"
    ours = calibration_line(trail_probabilities(trails, EVIDENCE), truth)
    plain = calibration_line(trail_probabilities(trails, unpooled(EVIDENCE)), truth)
    assert 1.0 < ours.slope < 1.4
    assert abs(ours.intercept) < 0.4
    assert plain.slope < 0.65


@pytest.mark.parametrize(("animal", "place", "low", "high"), [(0.1, 0.0, 1.4, 4.0),
                                                              (0.5, 0.2, 0.9, 1.3),
                                                              (0.7, 0.2, 0.8, 1.2)])  # fmt: skip
def test_where_prints_are_more_alike_or_less_than_thirds_the_slope_says_by_how_much(
    animal: float, place: float, low: float, high: float
) -> None:
    # Nobody has published these correlations. Where one animal's prints have almost nothing in
    # common the answer is too timid; where they are almost one print it is slightly too bold.
    world = draw_world(
        EVIDENCE, SHARES, np.random.default_rng(22), trails=2000, animal=animal, place=place
    )
    line = calibration_line(trail_probabilities(world, EVIDENCE), world.taxon == "puma")
    assert low < line.slope < high


def test_single_prints_are_calibrated_by_slope_and_the_plain_product_is_not(drawn) -> None:
    prints, truth = drawn
    ours = calibration_line(puma_probability(prints, EVIDENCE), truth)
    plain = calibration_line(puma_probability(prints, naive(EVIDENCE)), truth)
    assert 0.9 < ours.slope < 1.3
    assert plain.slope < 0.8


@pytest.fixture(scope="module")
def seasons() -> list[SimulatedSeason]:
    """Draw three seasons, whose animals the evidence table knows nothing of."""
    settings = demo_settings()
    return [simulate_season(settings, np.random.default_rng(5000 + seed)) for seed in range(3)]


@pytest.fixture(scope="module")
def season_trails(seasons: list[SimulatedSeason]) -> pd.DataFrame:
    """Weigh the sign of those seasons, and pool them over their true trails."""
    told = []
    for season in seasons:
        said = weigh_sign(season.sign, season.prints, EVIDENCE)
        of = season.truth.sign
        pooled = pool_evidence(said, of["trail"])
        shares = estimate_shares(pooled, load_evidence("dry_range").prior)
        taxon = of.groupby("trail")["taxon"].first().reindex(pooled.index)
        shown = of["trail"][of.index.isin(season.prints["sign"])].unique()
        p = to_probabilities(pooled, shares)["p_puma"]
        told.append(pd.DataFrame({"p": p, "puma": taxon.eq("puma"), "shown": p.index.isin(shown)}))
    return pd.concat(told)


def test_no_bin_of_a_drawn_seasons_trails_is_too_bold_and_none_far_too_timid(
    season_trails: pd.DataFrame,
) -> None:
    # The animals of that country are more alike from print to print than thirds (0.1 of the
    # hidden score), so that their trails are called too timidly, and never too boldly.
    shown = season_trails[season_trails["shown"]]
    assert len(shown) > 450
    assert not too_bold(shown["p"].to_numpy(), shown["puma"].to_numpy())["bold"].any()
    assert calibration_line(shown["p"], shown["puma"]).slope > 1.0
    # Timid, and no more than that: the square error is near what the stated doubt itself expects.
    expected = (shown["p"] * (1 - shown["p"])).mean()
    assert brier_score(shown["p"], shown["puma"]) < expected < 0.05


def test_the_sum_of_a_drawn_seasons_probabilities_is_the_number_of_its_puma_trails(
    season_trails: pd.DataFrame,
) -> None:
    expected, there = season_trails["p"].sum(), season_trails["puma"].sum()
    assert abs(expected - there) < 3 * np.sqrt(
        (season_trails["p"] * (1 - season_trails["p"])).sum()
    )


def balanced(p: np.ndarray, truth: np.ndarray) -> float:
    """Mean of the shares of pumas and of dogs that were called right."""
    right = (p > 0.5) == truth
    return float((right[truth].mean() + right[~truth].mean()) / 2)


def test_on_a_drawn_season_single_rules_err_one_time_in_five_and_whole_trails_under_one_in_ten(
    seasons: list[SimulatedSeason],
    season_trails: pd.DataFrame,
) -> None:
    # Most traditional single rules err 20 % or more and multivariate models under 10 %: De Angelo,
    # Paviolo & Di Bitetti 2010, J Wildl Manage 74:1141-1153 (abstract). In that season half of the
    # characters of a print are hidden, and 8 % of those seen are misread.
    season = seasons[0]
    taxon = season.truth.prints["taxon"]
    mine = taxon.isin(["puma", "dog"]).to_numpy()
    prints, truth = season.prints[mine], taxon[mine].eq("puma").to_numpy()
    single = []
    for name in CHARACTERS:
        seen = prints[name].isin(CHARACTERS[name]).to_numpy()
        if seen.sum() > 50:
            single.append(balanced(puma_probability(prints[seen][[name]], EVIDENCE), truth[seen]))
    assert 0.74 < np.mean(single) < 0.84
    together = balanced(puma_probability(prints, EVIDENCE), truth)
    assert np.mean(single) + 0.05 < together < 0.97
    shown = season_trails[season_trails["shown"]]
    assert 0.90 < balanced(shown["p"].to_numpy(), shown["puma"].to_numpy()) < 0.999
