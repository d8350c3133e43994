"""Fits against values from outside, and what a fit says when the data cannot say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from presence_examples import draw_visits

from carnivore_sign.errors import (
    BoundaryWarning,
    DataWarning,
    EstimateError,
    InputError,
    NotConverged,
)
from carnivore_sign.presence import Histories, fit_occupancy, histories_from_matrix
from carnivore_sign.presence.covariates import learn_covariates
from carnivore_sign.presence.fitting import best_maximum, maximise
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.presence.two_states import Evaluation

# 27 sites with up to 6 visits, 76 visits in all; a blank cell is a visit that was not made.
# Source: the detections of a beetle in Kery & Schaub 2012,
# chapter 13, from a public copy in the examples of a general modelling language.
UNEQUAL = Path(__file__).parent / "data" / "presence_unequal_visits.csv"


def with_finds(counts: list[int], sites: int, visits: int) -> pd.DataFrame:
    """Return a matrix whose first sites have the given numbers of finds."""
    matrix = np.zeros((sites, visits))
    for site, finds in enumerate(counts):
        matrix[site, :finds] = 1
    return pd.DataFrame(matrix)


def thirty_nine_sites() -> Histories:
    # 39 sites, 5 visits, 18 sites with detections, 30 detections in 195 visits. For the
    # constant model these counts are all that matters.
    finds = [1] * 10 + [2] * 5 + [3] * 2 + [4]
    assert (len(finds), sum(finds)) == (18, 30)
    return histories_from_matrix(with_finds(finds, 39, 5))


def test_thirty_nine_sites() -> None:
    # Values follow from the counts by arithmetic; the example is (from memory) that of the
    # salamanders in MacKenzie et al. 2006, Occupancy Estimation and Modeling.
    fit = fit_occupancy(thirty_nine_sites())
    table = fit.summary()
    assert table.loc["psi", "estimate"] == pytest.approx(0.594623, abs=1e-5)
    assert table.loc["psi", "se"] == pytest.approx(0.122599, abs=1e-5)
    assert table.loc["p", "estimate"] == pytest.approx(0.258729, abs=1e-5)
    assert table.loc["p", "se"] == pytest.approx(0.057702, abs=1e-5)
    assert -2 * fit.loglik == pytest.approx(161.758589, abs=1e-5)
    psi, p = table["estimate"]
    assert psi * (1 - (1 - p) ** 5) == pytest.approx(18 / 39, abs=1e-7)
    assert (fit.n_units, fit.n_visits) == (39, 195)
    posterior = fit.posterior()
    assert posterior["p_presence"].iloc[:18].eq(1).all()
    assert posterior["p_presence"].iloc[18:].to_numpy() == pytest.approx(0.247156, abs=1e-5)
    assert fit.aic == pytest.approx(161.758589 + 4, abs=1e-5)
    assert fit.aicc == pytest.approx(161.758589 + 4 + 12 / 36, abs=1e-5)
    assert fit.messages == ()


def test_a_visit_that_was_not_made_is_not_a_blank() -> None:
    matrix = pd.read_csv(UNEQUAL, index_col="site")
    fit = fit_occupancy(histories_from_matrix(matrix))
    assert (fit.n_units, fit.n_visits) == (27, 76)
    assert fit.summary()["estimate"].to_list() == pytest.approx([0.522198, 0.502297], abs=1e-5)
    assert -2 * fit.loglik == pytest.approx(83.707505, abs=1e-5)
    # The classic error, and how far it leads.
    wrong = fit_occupancy(histories_from_matrix(matrix.fillna(0)))
    assert wrong.summary().loc["psi", "estimate"] == pytest.approx(0.398826, abs=1e-5)


def test_units_where_it_was_found_are_fewer_than_those_it_uses() -> None:
    # American toad: psi 0.49, 44 % above the share of units where it was found (MacKenzie et al.
    # 2002, Ecology 83:2248-2255, abstract). The visits are invented to give that share.
    p = 1 - (1 - 1 / 1.44) ** (1 / 8)
    survey, _ = draw_visits(np.random.default_rng(31), psi=0.49, p=p, units=6000, visits=8)
    found = survey.visits.groupby("unit")["found"].max().mean()
    fit = fit_occupancy(survey)
    assert fit.summary().loc["psi", "estimate"] == pytest.approx(0.49, abs=0.03)
    assert fit.summary().loc["psi", "estimate"] / found == pytest.approx(1.44, abs=0.06)


def test_units_without_visits_change_no_estimate_and_take_psi() -> None:
    seen = thirty_nine_sites()
    more = pd.DataFrame({"unit": ["far_1", "far_2"], "period": "all"})
    units = pd.concat([seen.units, more], ignore_index=True)
    fit = fit_occupancy(Histories(units, seen.visits, seen.signs, seen.taxon))
    assert (fit.n_units, fit.n_visits) == (39, 195)
    assert -2 * fit.loglik == pytest.approx(161.758589, abs=1e-5)
    psi = fit.summary().loc["psi"]
    unseen = fit.posterior().set_index("unit").loc[["far_1", "far_2"]]
    assert unseen["visits"].eq(0).all()
    assert unseen["p_presence"].to_numpy() == pytest.approx(psi["estimate"])
    assert unseen["p_presence_low"].to_numpy() == pytest.approx(psi["low"])
    assert unseen["p_presence_high"].to_numpy() == pytest.approx(psi["high"])


def test_the_limits_of_a_blank_site_are_those_of_many_draws() -> None:
    fit = fit_occupancy(thirty_nine_sites())
    drawn = np.random.default_rng(5).multivariate_normal(fit.parameters, fit.covariance, 200_000)
    odds = drawn[:, 0] - 5 * np.log1p(np.exp(drawn[:, 1]))
    low, high = np.quantile(1 / (1 + np.exp(-odds)), [0.025, 0.975])
    blank = fit.posterior().iloc[-1]
    # To first order against the whole: they differ by the curvature of one site's log odds.
    assert blank["p_presence_low"] == pytest.approx(low, abs=0.03)
    assert blank["p_presence_high"] == pytest.approx(high, abs=0.03)


def test_the_share_used_never_falls_below_what_was_seen() -> None:
    fit = fit_occupancy(thirty_nine_sites())
    share = fit.share_used()
    assert share.share == pytest.approx((18 + 21 * 0.247156) / 39, abs=1e-5)
    assert 18 / 39 <= share.low < share.share < share.high <= 1
    assert (share.units, share.units_visited) == (39, 39)
    assert share == fit.share_used(rng=np.random.default_rng(0))
    wide = fit.share_used(level=0.99)
    assert wide.low <= share.low
    assert wide.high >= share.high


def test_nothing_found_is_told_not_estimated() -> None:
    blank = histories_from_matrix(pd.DataFrame(np.zeros((12, 4))))
    with pytest.raises(EstimateError, match="not used, and used but missed, look the same"):
        fit_occupancy(blank)


def test_one_visit_a_unit_is_told_not_estimated() -> None:
    once = histories_from_matrix(pd.DataFrame([[1.0], [0.0], [1.0]]))
    with pytest.raises(EstimateError, match="No unit was visited twice"):
        fit_occupancy(once)


def test_all_found_puts_presence_at_its_edge_with_a_lower_limit() -> None:
    everywhere = histories_from_matrix(with_finds([2] * 15, 15, 3))
    with pytest.warns(BoundaryWarning, match="psi .* sits at 1"):
        fit = fit_occupancy(everywhere)
    psi = fit.summary().loc["psi"]
    assert psi["estimate"] == pytest.approx(1, abs=1e-6)
    assert np.isnan(psi["se"])
    assert psi["high"] == 1
    # At psi = 1 all 15 are used: the profile falls by 1.92 at about psi^15 = exp(-1.92).
    p_star = 1 - (1 / 3) ** 3
    assert psi["low"] == pytest.approx(np.exp(-1.920729 / 15), abs=0.02 / p_star)
    assert any("psi" in message for message in fit.messages)
    told = fit.predict(pd.DataFrame(index=["anywhere"]))
    assert told[["low", "high"]].isna().all(axis=None)


def test_always_found_where_found_puts_detection_at_its_edge() -> None:
    sharp = histories_from_matrix(with_finds([3] * 8, 20, 3))
    with pytest.warns(BoundaryWarning, match=r"p \(.*\) sits at 1"):
        fit = fit_occupancy(sharp)
    table = fit.summary()
    assert table.loc["psi", "estimate"] == pytest.approx(8 / 20, abs=1e-6)
    assert table.loc["psi", "se"] == pytest.approx(np.sqrt(0.4 * 0.6 / 20), abs=1e-5)
    # 24 of 24 visits found: the likelihood-ratio limit of p is exp(-1.92/24).
    assert table.loc["p", "low"] == pytest.approx(np.exp(-1.920729 / 24), abs=1e-3)
    assert fit.posterior()["p_presence"].iloc[-1] == pytest.approx(0, abs=1e-6)
    assert fit.posterior()["p_presence_high"].iloc[-1] > 1e-5


def test_a_search_that_finds_no_maximum_says_so() -> None:
    def slope_without_end(at: np.ndarray) -> Evaluation:
        return Evaluation(float(at.sum()), np.ones(2), np.zeros((2, 2)))

    assert not maximise(slope_without_end, np.zeros(2), max_steps=30).converged
    with pytest.raises(NotConverged, match="no maximum of the likelihood after 200 steps from 2"):
        best_maximum(slope_without_end, [np.zeros(2), np.ones(2)])

    def two_hills(at: np.ndarray) -> Evaluation:
        x = float(at[0])  # tops at -1 and, higher, near 1
        return Evaluation(
            -((x * x - 1.0) ** 2) + 0.1 * x,
            np.array([-4.0 * x * (x * x - 1.0) + 0.1]),
            np.array([[4.0 - 12.0 * x * x]]),
        )

    best = best_maximum(two_hills, [np.array([-0.9]), np.array([0.9])])
    assert best.converged
    assert best.parameters[0] == pytest.approx(1.0123, abs=1e-3)


def test_complete_separation_is_told() -> None:
    matrix = with_finds([1, 2, 1, 2, 1, 2, 1, 2, 1, 1], 20, 3)
    histories = histories_from_matrix(matrix)
    units = histories.units.assign(side=[1.0] * 10 + [0.0] * 10)
    separated = Histories(units, histories.visits, histories.signs, "puma")
    with pytest.warns(BoundaryWarning, match=r"psi \(.*side.*\) is left open"):
        fit = fit_occupancy(separated, presence=["side"])
    assert np.isnan(fit.summary().loc["psi: side", "se"])


def test_covariates_are_reported_in_the_callers_units() -> None:
    rng = np.random.default_rng(8)
    n, visits = 400, 4
    metres = rng.normal(1500, 300, n)
    surface = rng.choice(["dust", "sand"], n)
    used = rng.random(n) < 1 / (1 + np.exp(-(-6 + 0.004 * metres + 1.0 * (surface == "sand"))))
    found = (rng.random((n, visits)) < 0.4) & used[:, None]
    plain = histories_from_matrix(pd.DataFrame(found.astype(float)))
    units = plain.units.assign(elevation_m=metres, surface=surface, elevation_km=metres / 1000)
    histories = Histories(units, plain.visits, plain.signs, "puma")
    fit = fit_occupancy(histories, presence=["elevation_m", "surface"])
    table = fit.summary()
    assert list(table.index) == ["psi: intercept", "psi: elevation_m", "psi: surface: sand", "p"]
    assert table.loc["psi: elevation_m", "estimate"] == pytest.approx(0.004, abs=0.002)
    in_km = fit_occupancy(histories, presence=["elevation_km", "surface"])
    assert in_km.loglik == pytest.approx(fit.loglik, abs=1e-9)
    for column in ("estimate", "se", "low", "high"):
        assert in_km.summary().loc["psi: elevation_km", column] == pytest.approx(
            1000 * table.loc["psi: elevation_m", column], rel=1e-5
        )
    frame = pd.DataFrame({"elevation_m": [1500.0, 1800.0], "surface": "dust"}, index=["a", "b"])
    told = fit.predict(frame)
    inner = table["estimate"]
    by_hand = inner["psi: intercept"] + inner["psi: elevation_m"] * frame["elevation_m"]
    assert told["estimate"].to_numpy() == pytest.approx(1 / (1 + np.exp(-by_hand.to_numpy())))
    assert (told["low"] < told["estimate"]).all()
    assert (told["estimate"] < told["high"]).all()


def test_visits_without_a_covariate_are_left_out_and_told() -> None:
    histories = thirty_nine_sites()
    hours = pd.Series(np.arange(195) % 7, dtype=float)
    hours[3] = np.nan
    visits = histories.visits.assign(hours_since_cleared=hours)
    lacking = Histories(histories.units, visits, histories.signs, "puma")
    with pytest.warns(DataWarning, match="1 of 195 visits"):
        fit = fit_occupancy(lacking, detection=["hours_since_cleared"])
    assert fit.n_visits == 194


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"model": "nonsense"}, "there is no model 'nonsense'"),
        ({"presence": ["height"]}, "the units have no column 'height'"),
        ({"detection": ["rain"]}, "the visits have no column 'rain'"),
        ({"lookalikes": ["found"]}, "no part for lookalikes="),
        ({"presence": ["period"]}, "has one value over all units"),
        ({"model": "scored_signs", "effort": "days"}, "there is no effort 'days'"),
    ],
)
def test_a_wrong_option_is_told(options: dict[str, object], told: str) -> None:
    with pytest.raises(InputError, match=told):
        fit_occupancy(thirty_nine_sites(), **options)


def test_a_unit_without_its_covariate_is_told() -> None:
    histories = thirty_nine_sites()
    units = histories.units.assign(elevation_m=[np.nan] + [1.0] * 38)
    with pytest.raises(InputError, match="the first is '0'"):
        fit_occupancy(
            Histories(units, histories.visits, histories.signs, "puma"), presence=["elevation_m"]
        )


def test_a_word_the_model_never_saw_is_told() -> None:
    learned = learn_covariates(pd.DataFrame({"surface": ["dust", "sand"]}), ["surface"], "units")
    with pytest.raises(InputError, match="'snow', which the model never saw"):
        learned.matrix(pd.DataFrame({"surface": ["snow"]}))


def test_a_part_the_model_lacks_is_told() -> None:
    with pytest.raises(InputError, match="It has psi, p"):
        fit_quietly(thirty_nine_sites()).predict(pd.DataFrame(index=[0]), part="gamma")


@pytest.mark.parametrize("seed", range(12))
def test_any_small_survey_is_fitted_or_refused_in_words(seed: int) -> None:
    rng = np.random.default_rng(seed)
    refused = []
    for _ in range(6):
        units, visits = int(rng.integers(2, 20)), int(rng.integers(1, 5))
        survey, _ = draw_visits(
            rng,
            psi=rng.choice([0, 0.3, 1]),
            p=rng.choice([0.1, 0.6, 1]),
            units=units,
            visits=visits,
        )
        histories = Histories(
            survey.units.assign(x=rng.normal(size=units)),
            survey.visits.assign(w=rng.normal(size=units * visits)),
            survey.signs,
            "puma",
        )
        for options in (
            {},
            {"presence": ["x"], "detection": ["w"]},
            {"model": "sure_unsure"},
            {"model": "abundance"},
        ):
            try:
                fit = fit_quietly(histories, **options)
            except EstimateError as error:
                refused.append(str(error))
                continue
            told = fit.posterior()
            assert told[["p_presence", "p_presence_low", "p_presence_high"]].notna().all(axis=None)
            assert (told["p_presence_low"] <= told["p_presence"] + 1e-12).all()
            assert (told["p_presence"] <= told["p_presence_high"] + 1e-12).all()
            assert fit.messages or fit.summary()["se"].notna().all()
    assert all(len(message) > 40 for message in refused)
