"""The Bayesian form: the same likelihood, the same answer, and calibrated by simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from presence_countries import PRIOR, draw_countries
from scipy.special import expit, logit
from scipy.stats import kstest

from carnivore_sign.errors import InputError
from carnivore_sign.presence import Histories, make_histories
from carnivore_sign.presence.bayes import Priors, sample_presence
from carnivore_sign.presence.bayes_model import (
    log_likelihood,
    smooth_patterns,
)
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.progress import with_progress

numpyro = pytest.importorskip("numpyro")
jax = pytest.importorskip("jax")

UNITS, MONTHS, VISITS, EFFORT = 24, 3, 2, 3.0
PRIORS = Priors(rate_median=0.3, rate_spread=0.6)


@pytest.fixture(scope="module")
def histories() -> Histories:
    walked = draw_countries(np.random.default_rng(2), 1)[0]
    return make_histories(walked.visits, walked.detections, prior=PRIOR, segments=walked.segments)


def test_log_densities_at_fixed_parameters_are_ours(histories: Histories) -> None:
    # NumPyro's sampler is given this density; the constant of the signs' efforts is left out.
    fit = fit_quietly(histories, model="scored_signs", chain="months")
    ours = fit.model.on(fit.histories).states
    one = histories.in_period("2026-02")
    single = fit_quietly(one, model="scored_signs").model.on(one).states
    rng = np.random.default_rng(1)
    for survey, states, size in ((histories, ours, 5), (one, single, 3)):
        points = rng.normal(-0.5, 0.8, size=(4, size))
        told = np.array([log_likelihood(survey, at) for at in points])
        true = np.array([states.evaluate(at).loglik for at in points])
        assert np.diff(told) == pytest.approx(np.diff(true), rel=1e-10, abs=1e-9)
        effort = survey.visits.set_index("visit")["effort_km_days"]
        left_out = np.log(effort.loc[survey.signs["visit"]]).sum()
        assert told + left_out == pytest.approx(true, rel=1e-10)


def draw_from_prior(
    rng: np.random.Generator, patterns: np.ndarray | None = None
) -> tuple[Histories, dict[str, float]]:
    """Draw parameters from the prior, and a survey of always the same visits from them.

    With `patterns` (a row for each unit) there is a smooth effect of place, drawn too.
    """
    logits = logit(rng.random(3))
    rate, other = np.exp(rng.normal(np.log(PRIORS.rate_median), PRIORS.rate_spread, 2))
    truth = dict(zip(["psi", "colonisation", "extinction"], expit(logits), strict=True))
    truth |= {"sign_rate": rate, "lookalike_rate": other}
    effect = np.zeros(UNITS)
    if patterns is not None:
        truth["effect_spread"] = abs(rng.normal(0.0, PRIORS.effect_spread))
        effect = truth["effect_spread"] * patterns @ rng.normal(size=patterns.shape[1])
    psi, gain, loss = expit(logits[:, None] + np.array([[1.0], [1.0], [-1.0]]) * effect)
    used = np.zeros((UNITS, MONTHS), dtype=bool)
    used[:, 0] = rng.random(UNITS) < psi
    for month in range(1, MONTHS):
        used[:, month] = rng.random(UNITS) < np.where(used[:, month - 1], 1 - loss, gain)
    periods = pd.period_range("2031-01", periods=MONTHS, freq="M").astype(str)
    units = pd.DataFrame(
        {"unit": np.repeat(np.arange(UNITS).astype(str), MONTHS), "period": np.tile(periods, UNITS)}
    )
    visits = units.loc[units.index.repeat(VISITS)].reset_index(drop=True)
    visits = visits.assign(visit=visits.index.astype(str), effort_km_days=EFFORT)
    own = rng.poisson(rate * EFFORT * np.repeat(used.ravel(), VISITS))
    look = rng.poisson(other * EFFORT, len(visits))
    at = np.repeat(np.tile(visits["visit"], 2), np.concatenate([own, look]))
    log_ratio = rng.normal(np.repeat([4.5, -4.5], [own.sum(), look.sum()]), 3.0)
    signs = pd.DataFrame({"visit": at, "log_ratio": log_ratio})
    return Histories(units, visits, signs, "puma"), truth


def patterns_of_line() -> tuple[pd.DataFrame, np.ndarray]:
    """Return the units' places, half a km apart on a line, and the patterns of their effect."""
    names = np.arange(UNITS).astype(str)
    places = pd.DataFrame({"east_km": 0.0, "north_km": np.arange(UNITS) * 0.5}, index=names)
    return places, smooth_patterns(pd.Series(names), places, PRIORS.reach_km)


def ranks(
    surveys: int,
    *,
    seed: int = 5,
    warmup: int = 150,
    draws: int = 150,
    thin: int = 3,
    smooth: bool = False,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Return where the truth lies among the draws, 0 to 1, for each survey and parameter.

    Of `thin` draws one is kept: ranks are even only among draws that are independent. Source:
    simulation-based calibration, Talts, Betancourt, Simpson, Vehtari & Gelman 2018,
    arXiv:1804.06788. Ranks are even if sampler, model and simulation agree.
    """
    rng = np.random.default_rng(seed)
    places, patterns = patterns_of_line()
    rows = []
    for survey in with_progress(range(surveys), "surveys", show=show_progress):
        histories, truth = draw_from_prior(rng, patterns if smooth else None)
        got = sample_presence(
            histories,
            places_km=places if smooth else None,
            priors=PRIORS,
            warmup=warmup,
            draws=draws,
            chains=1,
            seed=survey,
        )
        kept = got.draws.iloc[::thin]
        below = {name: int((kept[name] < value).sum()) for name, value in truth.items()}
        rows.append({name: (n + rng.random()) / (len(kept) + 1) for name, n in below.items()})
    return pd.DataFrame(rows)


def test_posterior_means_are_those_of_our_likelihood_and_the_priors() -> None:
    """Weigh draws from our normal approximation by our likelihood times the priors."""
    rng = np.random.default_rng(8)
    histories, truth = draw_from_prior(rng)
    while not 256 < len(histories.signs) <= 512 or not 0.2 < truth["psi"] < 0.8:
        histories, truth = draw_from_prior(rng)
    got = sample_presence(histories, priors=PRIORS, warmup=150, draws=150, chains=1)
    fit = fit_quietly(histories, model="scored_signs", chain="months", weak_prior=True)
    criterion = fit.model.criterion(fit.model.on(fit.histories).states)
    root = np.linalg.cholesky(1.5 * fit.covariance)
    white = rng.standard_t(6, size=(3000, 5))
    at = fit.parameters + white @ root.T
    log_prior = -0.5 * (((at[:, 3:] - np.log(0.3)) / 0.6) ** 2).sum(axis=1)
    log_weight = np.array([criterion(row).loglik for row in at]) + log_prior
    log_weight += 3.5 * np.log1p(white**2 / 6).sum(axis=1)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    values = np.hstack([expit(at[:, :3]), np.exp(at[:, 3:])])
    names = ["psi", "colonisation", "extinction", "sign_rate", "lookalike_rate"]
    for name, value in zip(names, values.T, strict=True):
        mean = weight @ value
        sd = np.sqrt(weight @ (value - mean) ** 2)
        ours = sd * np.sqrt((weight**2).sum())
        theirs = got.draws[name].std() / np.sqrt(50)  # a third of the draws' worth
        assert abs(got.draws[name].mean() - mean) < 4 * np.hypot(ours, theirs), name
    assert "flat from 0 to 1" in str(got)
    assert str(got).startswith("Bayesian estimate of presence from 150 draws, with these priors:")


def test_ranks_of_the_truth_are_even() -> None:
    table = ranks(12)
    for name, rank in table.items():
        assert kstest(rank, "uniform").pvalue > 1e-3, name
    assert abs(table.to_numpy().mean() - 0.5) < 3.5 * 0.289 / np.sqrt(60)
    assert 0.05 < ((table < 0.1) | (table > 0.9)).to_numpy().mean() < 0.4


def test_an_effect_of_place_lets_neighbours_speak(histories: Histories) -> None:
    units = histories.units.drop_duplicates("unit").set_index("unit")
    line = pd.factorize(units["transect"])[0]
    places = pd.DataFrame(
        {"east_km": 30.0 * line, "north_km": units["from_m"] / 1000.0}, index=units.index
    )
    few = {"warmup": 40, "draws": 40, "chains": 1}
    smooth = sample_presence(histories, places_km=places, **few)
    assert "reach: 2 km, given" in str(smooth)
    assert {"effect_spread", "psi"} <= set(smooth.draws)
    assert smooth.table["p_presence"].between(0, 1).all()
    assert len(smooth.table) == len(histories.units)
    assert smooth.shares["low"].lt(smooth.shares["share"]).all()
    with pytest.raises(InputError, match="has no place"):
        sample_presence(histories, places_km=places.iloc[1:])
