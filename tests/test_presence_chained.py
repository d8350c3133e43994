"""Graded finds, lines and months: recovered, told apart from plain models, and arranged."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from presence_examples import (
    blank_survey,
    draw_graded,
    draw_lines,
    draw_months,
    draw_signs,
    draw_visits,
    frames_of,
    segments_of,
    with_signs,
)
from scipy.special import expit
from scipy.stats import binom

from carnivore_sign.errors import BoundaryWarning, EstimateError, InputError
from carnivore_sign.presence import (
    AlongLine,
    Histories,
    OccupancyFit,
    fit_occupancy,
    histories_from_matrix,
    make_histories,
)
from carnivore_sign.presence.arrange import along_lines, line_steps, month_steps, over_months
from carnivore_sign.presence.layout import lay_out
from carnivore_sign.presence.occupancy import fit_quietly

SETS = 40


def require_recovered(fits: list[OccupancyFit], truth: dict[str, float]) -> None:
    """Hold limits that cover, and means, within what chance allows (99.9 %, 4 errors)."""
    tables = [fit.summary() for fit in fits]
    for name, value in truth.items():
        rows = pd.DataFrame([table.loc[name] for table in tables])
        inside = rows["low"].le(value) & rows["high"].ge(value)
        low = binom.ppf(0.0005, len(fits), 0.95)
        assert inside.sum() >= low, f"{name}: {inside.sum()} of {len(fits)} cover"
        estimates = rows["estimate"].astype(float)
        assert abs(estimates.mean() - value) < 4 * estimates.std() / np.sqrt(len(fits)), name


def test_covariates_are_recovered() -> None:
    rng = np.random.default_rng(1)
    fits = []
    for _ in range(SETS):
        x, w = rng.normal(5, 2, 250), rng.normal(0, 3, 1000)
        survey, _ = draw_visits(
            rng, psi=expit(-2 + 0.4 * x), p=expit(-0.5 + 0.2 * w), units=250, visits=4
        )
        histories = Histories(
            survey.units.assign(x=x), survey.visits.assign(w=w), survey.signs, "puma"
        )
        fits.append(fit_quietly(histories, presence=["x"], detection=["w"]))
    truth = {"psi: intercept": -2, "psi: x": 0.4, "p: intercept": -0.5, "p: w": 0.2}
    require_recovered(fits, truth)


def test_sure_and_unsure_finds_are_recovered() -> None:
    rng = np.random.default_rng(2)
    truth = {"psi": 0.4, "p": 0.5, "false_ratio": 0.2, "sure_share": 0.5}
    fits = [
        fit_quietly(draw_graded(rng, **truth, units=200, visits=5)[0], model="sure_unsure")
        for _ in range(SETS)
    ]
    require_recovered(fits, truth)


def test_unsure_finds_taken_as_sure_bias_presence_upward() -> None:
    rng = np.random.default_rng(3)
    truth = {"psi": 0.4, "p": 0.5, "false_ratio": 0.2, "sure_share": 0.5}
    naive = []
    for _ in range(15):
        histories, _ = draw_graded(rng, **truth, units=200, visits=5)
        taken = histories.visits.assign(found=(histories.visits["grade"] > 0).astype(int))
        plain = fit_quietly(Histories(histories.units, taken, histories.signs, "puma"))
        naive.append(plain.summary().loc["psi", "estimate"])
    assert np.mean(naive) > 0.5


def test_states_do_not_change_places() -> None:
    # Without sure finds the likelihood has two peaks, and in one of them the used and the
    # unused have changed places. The false rate is a share of the true one, so only the
    # right one is there. Royle & Link 2006 (from memory).
    rng = np.random.default_rng(4)
    for _ in range(5):
        histories, used = draw_graded(
            rng, psi=0.3, p=0.7, false_ratio=0.15, sure_share=0.0, units=300, visits=6
        )
        fit = fit_quietly(histories, model="sure_unsure")
        assert fit.summary().loc["psi", "estimate"] == pytest.approx(0.3, abs=0.12)
        told = fit.posterior()["p_presence"].to_numpy()
        assert told[used].mean() > 0.8
        assert told[~used].mean() < 0.2


def test_graded_finds_of_nothing_are_told() -> None:
    histories, _ = draw_graded(
        np.random.default_rng(5),
        psi=0.0,
        p=0.5,
        false_ratio=0.0,
        sure_share=0.5,
        units=20,
        visits=3,
    )
    with pytest.raises(EstimateError, match="surely or likely"):
        fit_occupancy(histories, model="sure_unsure")


LINE = {"psi": 0.6, "after_unused": 0.15, "after_used": 0.75, "p": 0.6}


def test_a_line_of_segments_is_recovered() -> None:
    rng = np.random.default_rng(6)
    fits = [
        fit_quietly(draw_lines(rng, **LINE, lines=120, segments=14)[0], chain="line")
        for _ in range(SETS)
    ]
    require_recovered(fits, LINE)
    assert fits[0].n_units == 120


def test_ignoring_that_segments_hang_together_biases_presence_downward() -> None:
    # Hines et al. 2010, Ecol Appl 20:1456-1466 (abstract): ignoring the correlation biases
    # presence strongly, the Markov form does not (see the test above).
    rng = np.random.default_rng(7)
    plain, chained = [], []
    for _ in range(20):
        histories, _ = draw_lines(rng, **LINE, lines=150, segments=10)
        plain.append(fit_quietly(along_lines(histories)).summary().loc["psi", "estimate"])
        fit = fit_quietly(histories, chain="line")
        chained.append(fit.summary().loc["psi", "estimate"])
    error = np.std(plain) / np.sqrt(20)
    assert np.mean(plain) < 0.6 - 5 * error
    assert abs(np.mean(chained) - 0.6) < abs(np.mean(plain) - 0.6) / 2


def test_the_first_segment_can_be_taken_either_way() -> None:
    histories, _ = draw_lines(np.random.default_rng(8), **LINE, lines=120, segments=12)
    steady = fit_occupancy(histories, chain="line")
    after = fit_occupancy(histories, chain=AlongLine("after_unused"))
    assert abs(steady.loglik - after.loglik) > 1e-3
    with pytest.raises(InputError, match="no first_segment 'coin'"):
        AlongLine("coin")


def test_a_line_takes_its_segments_in_order_and_keeps_its_gaps() -> None:
    rng = np.random.default_rng(9)
    survey, _ = draw_signs(rng, psi=0.5, rate=0.5, lookalike_rate=0.5, units=6, visits=2)
    visits, detections = frames_of(survey)
    visits["walk"] = np.where(visits.groupby("segment").cumcount() == 0, "first", "second")
    names = list(survey.units["unit"])
    segments = segments_of(names[::-1])
    gap = visits[~((visits["walk"] == "second") & (visits["segment"] == names[3]))]
    kept = detections[detections["visit"].isin(gap["visit"])]
    histories = make_histories(gap, kept, prior=0.4, segments=segments)
    lines = along_lines(histories)
    assert along_lines(lines) is lines
    assert lines.units[["unit", "period"]].to_numpy().tolist() == [["wash", "2031-05"]]
    steps, walks = line_steps(lines)
    assert len(walks) == 2
    by_place = lines.visits["segment"].to_numpy()[steps[0]]
    assert by_place.tolist() == names[::-1]
    assert (steps[1] < 0).tolist() == [False, False, True, False, False, False]
    assert sorted(steps[steps >= 0]) == list(range(len(gap)))


def test_a_line_needs_to_know_where_its_segments_lie() -> None:
    survey, _ = draw_visits(np.random.default_rng(1), psi=0.5, p=0.5, units=20, visits=3)
    with pytest.raises(InputError, match="from_m, transect, walk"):
        fit_occupancy(survey, chain="line")


def test_a_line_takes_scored_signs() -> None:
    rng = np.random.default_rng(10)
    survey, _ = draw_signs(rng, psi=1.0, rate=0.6, lookalike_rate=0.5, units=600, visits=1)
    used = np.repeat(rng.random(60) < 0.6, 10)
    at = survey.visits.set_index("visit").index.get_indexer(survey.signs["visit"])
    keep = used[at] | (survey.signs["log_ratio"] < 0)
    line = np.repeat([f"line_{k:03d}" for k in range(60)], 10)
    units = survey.units.assign(transect=line, from_m=np.tile(np.arange(10.0), 60))
    visits = survey.visits.assign(transect=line, walk=line)
    histories = Histories(units, visits, survey.signs[keep].reset_index(drop=True), "puma")
    fit = fit_quietly(histories, model="scored_signs", chain="line")
    single = fit_quietly(along_lines(histories), model="scored_signs")
    assert fit.loglik >= single.loglik - 1e-6
    assert fit.model.n_parameters == single.model.n_parameters + 2
    posterior = fit.posterior()
    assert len(posterior) == 60
    told = posterior["p_presence"].to_numpy()
    assert told[used[::10]].mean() > told[~used[::10]].mean() + 0.4


MONTHS = {"psi": 0.5, "colonisation": 0.2, "extinction": 0.3, "p": 0.5}


def test_months_are_recovered_and_their_presence_smoothed() -> None:
    rng = np.random.default_rng(11)
    fits, told, true = [], [], []
    for _ in range(SETS):
        histories, used = draw_months(rng, **MONTHS, units=100, months=5, visits=3)
        fit = fit_quietly(histories, chain="months")
        fits.append(fit)
        told.append(fit.posterior()["p_presence"].to_numpy())
        true.append(used.ravel())
    require_recovered(fits, MONTHS)
    assert fits[0].n_units == 100
    told, true = np.concatenate(told), np.concatenate(true)
    for low, high in ((0, 0.1), (0.1, 0.4), (0.4, 0.9)):
        here = (told >= low) & (told < high)
        assert here.sum() > 100
        assert true[here].mean() == pytest.approx(told[here].mean(), abs=0.06)


def test_a_month_without_walks_keeps_its_place_and_is_smoothed_over() -> None:
    histories, _ = draw_months(np.random.default_rng(12), **MONTHS, units=80, months=5, visits=3)
    march = histories.visits["period"] == "2031-03"
    units = histories.units[histories.units["period"] != "2031-03"].reset_index(drop=True)
    gone = histories.without_visits(march)
    fit = fit_quietly(Histories(units, gone.visits, gone.signs, "puma"), chain="months")
    posterior = fit.posterior()
    assert posterior["period"].nunique() == 5
    blind = posterior[posterior["period"] == "2031-03"]
    assert len(blind) == 80
    assert blind["visits"].eq(0).all()
    assert blind["p_presence"].between(0, 1).all()
    width = posterior["p_presence_high"] - posterior["p_presence_low"]
    assert blind["p_presence"].std() > 0.05
    assert width.loc[blind.index].mean() > width.drop(blind.index).mean()


def test_months_are_laid_on_a_grid() -> None:
    units = pd.DataFrame(
        {"unit": ["b", "a", "a"], "period": ["2031-01", "2031-01", "2031-04"], "surface": "dust"}
    )
    visits = pd.DataFrame({"unit": ["a"], "period": ["2031-04"], "visit": ["v"]})
    signs = pd.DataFrame({"visit": [], "log_ratio": []})
    grid = over_months(Histories(units, visits, signs, "puma")).units
    assert len(grid) == 8
    assert grid["surface"].eq("dust").all()
    steps = month_steps(lay_out(Histories(grid, visits, signs, "puma")))
    assert steps.shape == (2, 4)
    assert sorted(steps.ravel()) == list(range(8))
    assert grid["period"].to_numpy()[steps[0]].tolist() == [
        "2031-01", "2031-02", "2031-03", "2031-04",
    ]  # fmt: skip
    words = over_months(Histories(units.assign(period=["x", "x", "y"]), visits, signs, "puma"))
    assert words.units["period"].unique().tolist() == ["x", "y"]


def test_units_that_never_change_put_the_chain_at_its_edge() -> None:
    histories, _ = draw_months(
        np.random.default_rng(13),
        psi=0.5,
        colonisation=0.0,
        extinction=0.0,
        p=0.9,
        units=60,
        months=4,
        visits=4,
    )
    with pytest.warns(BoundaryWarning) as told:
        fit = fit_occupancy(histories, chain="months")
    table = fit.summary()
    for name, warning in zip(("colonisation", "extinction"), told, strict=True):
        assert str(warning.message).startswith(f"Not estimable: {name}")
        assert np.isnan(table.loc[name, "se"])
        assert table.loc[name, "low"] == 0
        assert 0.005 < table.loc[name, "high"] < 0.1


def test_months_take_scored_signs() -> None:
    rng = np.random.default_rng(14)
    parts = []
    for month in ("2031-01", "2031-02", "2031-03"):
        one, _ = draw_signs(rng, psi=0.5, rate=0.8, lookalike_rate=0.4, units=60, visits=3)
        visits = one.visits.assign(period=month, visit=month + one.visits["visit"])
        signs = one.signs.assign(visit=month + one.signs["visit"])
        parts.append((one.units.assign(period=month), visits, signs))
    units, visits, signs = (
        pd.concat(frames, ignore_index=True) for frames in zip(*parts, strict=True)
    )
    histories = Histories(units, visits, signs, "puma")
    fit = fit_quietly(histories, model="scored_signs", chain="months")
    single = fit_quietly(histories, model="scored_signs")
    # The months were drawn apart, so two more parameters gain little.
    assert 0 <= fit.loglik - single.loglik < 6
    both = fit.posterior().merge(single.posterior(), on=["unit", "period"])
    assert len(both) == 180
    assert (both["p_presence_x"] - both["p_presence_y"]).abs().mean() < 0.05


def test_scored_signs_over_months_and_along_lines_are_recovered() -> None:
    rng = np.random.default_rng(15)
    rates = {"sign_rate": 0.8, "lookalike_rate": 0.5}
    over_time, along = [], []
    for _ in range(SETS):
        survey, used = draw_months(rng, **MONTHS, units=120, months=4, visits=3)
        there = np.repeat(used.ravel(), 3)
        signs = with_signs(rng, survey, there, rate=0.8, lookalike_rate=0.5)
        over_time.append(fit_quietly(signs, model="scored_signs", chain="months"))
        survey, _ = draw_lines(rng, **{**LINE, "p": 1.0}, lines=250, segments=12)
        there = survey.visits["found"].to_numpy(dtype=bool)  # found wherever it is used
        signs = with_signs(rng, survey, there, rate=0.8, lookalike_rate=0.5)
        along.append(fit_quietly(signs, model="scored_signs", chain="line"))
    require_recovered(over_time, {name: MONTHS[name] for name in list(MONTHS)[:3]} | rates)
    require_recovered(along, {name: LINE[name] for name in list(LINE)[1:3]} | rates)


def test_abundance_is_recovered_and_its_sum_is_long_enough() -> None:
    # Where the number of animals makes units differ, one p for all takes presence too low.
    rng = np.random.default_rng(16)
    mean, r = 1.2, 0.25
    fits, plain = [], []
    for _ in range(SETS):
        animals = rng.poisson(mean, 250)
        p = np.repeat(1 - (1 - r) ** animals, 6)
        histories, _ = draw_visits(rng, psi=1.0, p=p, units=250, visits=6)
        fits.append(fit_quietly(histories, model="abundance"))
        plain.append(fit_quietly(histories).summary().loc["psi", "estimate"])
    require_recovered(fits, {"abundance": mean, "r": r})
    assert all(not fit.messages for fit in fits)
    psi = 1 - np.exp(-mean)
    assert np.mean(plain) < psi - 4 * np.std(plain) / np.sqrt(SETS)
    share = fits[0].share_used(draws=200)
    assert share.low <= psi <= share.high


def test_animals_past_counting_are_told() -> None:
    # Every unit found on two visits of four, more alike than chance: any great number fits.
    histories = histories_from_matrix(pd.DataFrame(np.tile([1.0, 1.0, 0.0, 0.0], (60, 1))))
    fit = fit_quietly(histories, model="abundance")
    assert any("abundance runs off" in message for message in fit.messages)
    with pytest.raises(InputError, match="takes no chain"):
        fit_quietly(histories, model="abundance", chain="months")


def scored_with_covariates(rng: np.random.Generator) -> Histories:
    units, visits, spread = 200, 4, 2.5
    survey = blank_survey(units, visits)
    x, hours = rng.normal(size=units), rng.uniform(-1, 2, units * visits)
    used = np.repeat(rng.random(units) < expit(0.8 * x), visits)
    own = rng.poisson(np.exp(-1.0 + 0.5 * hours) * used)
    other = rng.poisson(np.exp(-0.7 - 0.3 * hours))
    names = survey.visits["visit"].to_numpy()
    at = np.concatenate([np.repeat(names, own), np.repeat(names, other)])
    mean = np.repeat([spread / 2, -spread / 2], [own.sum(), other.sum()])
    signs = pd.DataFrame({"visit": at, "log_ratio": spread * rng.normal(mean)})
    return Histories(survey.units.assign(x=x), survey.visits.assign(hours=hours), signs, "puma")


def test_scored_signs_with_covariates_are_recovered() -> None:
    rng = np.random.default_rng(15)
    options = {"presence": ["x"], "detection": ["hours"], "lookalikes": ["hours"]}
    fits = [
        fit_quietly(scored_with_covariates(rng), model="scored_signs", **options)
        for _ in range(SETS)
    ]
    truth = {
        "psi: intercept": 0.0,
        "psi: x": 0.8,
        "sign_rate: intercept": -1.0,
        "sign_rate: hours": 0.5,
        "lookalike_rate: intercept": -0.7,
        "lookalike_rate: hours": -0.3,
    }
    require_recovered(fits, truth)
