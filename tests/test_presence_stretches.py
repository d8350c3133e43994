"""Stretches: the chain of neighbours by enumeration, recovered, and better than none."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from presence_examples import blank_survey, frames_of, segments_of
from scipy.special import expit

from carnivore_sign.errors import InputError
from carnivore_sign.presence import Histories, make_histories, monthly_presence, season_presence
from carnivore_sign.presence.arrange import neighbour_steps
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.presence.smoothing import ChainsAt

LINE = 12


def draw_stretches(
    rng: np.random.Generator, *, psi: float, likeness: float, rate: float, lines: int
) -> tuple[Histories, np.ndarray]:
    """Draw one visit to each segment of lines used in stretches; sign of the taxon is sure."""
    used = np.zeros((lines, LINE), dtype=bool)
    used[:, 0] = rng.random(lines) < psi
    for k in range(1, LINE):
        kept = rng.random(lines) < likeness
        used[:, k] = np.where(kept, used[:, k - 1], rng.random(lines) < psi)
    survey = blank_survey(lines * LINE, 1, rng.uniform(0.5, 2.0, lines * LINE))
    visits, flat = survey.visits, used.ravel()
    own, other = rng.poisson(rate * visits["effort_km"] * flat), rng.poisson(0.3, len(visits))
    at = np.repeat(np.tile(np.arange(len(visits)), 2), np.concatenate([own, other]))
    log_ratio = np.repeat([14.0, -14.0], [own.sum(), other.sum()])
    signs = pd.DataFrame({"visit": visits["visit"].to_numpy()[at], "log_ratio": log_ratio})
    place = {
        "transect": np.repeat([f"line_{k:03d}" for k in range(lines)], LINE),
        "from_m": np.tile(1000.0 * np.arange(LINE), lines),
    }
    units = survey.units.assign(**place)
    found = pd.Series(own > 0).astype(int)
    return Histories(units, visits.assign(found=found, grade=2 * found), signs, "puma"), flat


@pytest.fixture(scope="module")
def drawn() -> tuple[Histories, np.ndarray]:
    return draw_stretches(np.random.default_rng(4), psi=0.45, likeness=0.75, rate=0.8, lines=30)


def test_likelihood_and_posterior_are_the_sums_over_all_states() -> None:
    histories, _ = draw_stretches(
        np.random.default_rng(3), psi=0.5, likeness=0.6, rate=0.7, lines=3
    )
    fit = fit_quietly(histories, model="scored_signs", chain="neighbours", effort="effort_km")
    psi, likeness = 0.35, 0.55
    rate, lookalike = 0.9, 0.4
    at = np.array(
        [-np.log(1 / psi - 1), -np.log(1 / likeness - 1), np.log(rate), np.log(lookalike)]
    )
    states = fit.model.on(histories).states
    effort = histories.visits["effort_km"].to_numpy()
    sure = histories.signs["log_ratio"].gt(0)
    own, other = (
        histories.visits["visit"].map(histories.signs.loc[which, "visit"].value_counts())
        for which in (sure, ~sure)
    )
    a = _log_density(own, other, effort, rate, lookalike, used=True)
    b = _log_density(own, other, effort, rate, lookalike, used=False)
    total, told = 0.0, []
    for line in range(3):
        here = slice(line * LINE, (line + 1) * LINE)
        whole, used = 0.0, np.zeros(LINE)
        for state in product([False, True], repeat=LINE):
            z = np.array(state)
            step = np.where(z[1:] == z[:-1], likeness, 0) + (1 - likeness) * np.where(
                z[1:], psi, 1 - psi
            )
            chance = (psi if z[0] else 1 - psi) * step.prod()
            chance *= np.exp(np.where(z, a[here], b[here]).sum())
            whole, used = whole + chance, used + chance * z
        total, told = total + np.log(whole), [*told, *(used / whole)]
    assert states.evaluate(at).loglik == pytest.approx(total, rel=1e-10)
    assert expit(states.log_odds(at)[0]) == pytest.approx(np.array(told), rel=1e-8)


def _log_density(
    own: pd.Series,
    other: pd.Series,
    effort: np.ndarray,
    rate: float,
    lookalike: float,
    *,
    used: bool,
) -> np.ndarray:
    """Return the scored-signs density of each visit, without what no parameter is in."""
    n, m = own.fillna(0).to_numpy(), other.fillna(0).to_numpy()
    high, low = (lookalike + used * rate * np.exp(s) for s in (14.0, -14.0))
    rates = n * np.log(high) + m * np.log(low)
    return rates + (n + m) * np.log(effort) - (lookalike + used * rate) * effort


def test_states_are_drawn_together_as_the_record_has_them() -> None:
    first, contrast = np.array([0.3]), np.array([[0.8, -0.5, 0.0, -0.7]])
    gain, stay = np.full((1, 3), 0.15), np.full((1, 3), 0.85)
    rng, copies = np.random.default_rng(9), 40_000
    steps = np.array([[0, 1, 2, 3]])
    drawn = ChainsAt(first, gain, stay, contrast, steps).draw(copies, rng)
    share: dict[tuple[bool, ...], float] = {}
    for state in product([False, True], repeat=4):
        z = np.array(state)
        to_used = np.where(z[:-1], stay[0], gain[0])
        step = np.where(z[1:], to_used, 1 - to_used).prod()
        start = expit(first[0]) if z[0] else 1 - expit(first[0])
        share[state] = start * step * np.exp((contrast[0] * z).sum())
    whole = sum(share.values())
    for state, weight in share.items():
        chance = weight / whole
        came = (drawn == np.array(state)).all(axis=1).mean()
        assert abs(came - chance) < 4.5 * np.sqrt(chance * (1 - chance) / copies), state


def test_the_share_counts_that_neighbours_go_together(
    drawn: tuple[Histories, np.ndarray],
) -> None:
    fit = fit_quietly(drawn[0], model="scored_signs", chain="neighbours")
    share = fit.share_used()
    p = fit.posterior()["p_presence"].to_numpy()
    assert share.share == pytest.approx(p.mean())
    assert share == fit.share_used()
    known = replace(fit, covariance=np.zeros_like(fit.covariance)).share_used()
    apart = 2 * 1.96 * np.sqrt((p * (1 - p)).sum()) / len(p)
    assert apart * 1.1 < known.high - known.low < share.high - share.low


def test_derivatives_are_those_of_the_likelihood(drawn: tuple[Histories, np.ndarray]) -> None:
    fit = fit_quietly(drawn[0], model="scored_signs", chain="neighbours")
    states, at = fit.model.on(drawn[0]).states, np.array([-0.3, 0.8, -0.4, -1.0])
    here = states.evaluate(at)
    for k, step in enumerate(1e-5 * np.eye(4)):
        ahead, behind = states.evaluate(at + step), states.evaluate(at - step)
        assert (ahead.loglik - behind.loglik) / 2e-5 == pytest.approx(here.gradient[k], rel=1e-6)
        assert (ahead.gradient - behind.gradient) / 2e-5 == pytest.approx(
            here.hessian[k], rel=1e-5, abs=1e-5
        )


def test_stretches_are_recovered() -> None:
    truth = {"psi": 0.45, "likeness": 0.75, "sign_rate": 0.8}
    rng, tables = np.random.default_rng(11), []
    for _ in range(25):
        histories, _ = draw_stretches(rng, psi=0.45, likeness=0.75, rate=0.8, lines=40)
        fit = fit_quietly(histories, model="scored_signs", chain="neighbours")
        tables.append(fit.summary())
    for name, value in truth.items():
        rows = pd.DataFrame([table.loc[name] for table in tables])
        assert (rows["low"].le(value) & rows["high"].ge(value)).sum() >= 20, name
        estimate = rows["estimate"].astype(float)
        assert abs(estimate.mean() - value) < 4 * estimate.std() / 5, name


def test_without_likeness_it_is_the_plain_model() -> None:
    histories, _ = draw_stretches(
        np.random.default_rng(7), psi=0.5, likeness=0.0, rate=0.8, lines=30
    )
    chained = fit_quietly(histories, model="scored_signs", chain="neighbours")
    plain = fit_quietly(histories, model="scored_signs")
    parameters = np.insert(plain.parameters, 1, -40.0)
    states = chained.model.on(histories).states
    assert states.evaluate(parameters).loglik == pytest.approx(plain.loglik, rel=1e-12)
    assert chained.loglik - plain.loglik < 4


def test_blank_between_blanks_is_said_too_high_by_the_plain_model_alone() -> None:
    """Pin how far off the default is where use runs in stretches, and which way."""
    rng, rows = np.random.default_rng(21), []
    for _ in range(12):
        histories, used = draw_stretches(rng, psi=0.45, likeness=0.8, rate=0.8, lines=20)
        blank = ~histories.visits["found"].to_numpy(dtype=bool).reshape(-1, LINE)
        around = np.zeros_like(blank)
        around[:, 1:-1] = blank[:, :-2] & blank[:, 2:]
        for chain in (None, "neighbours"):
            fit = fit_quietly(histories, model="scored_signs", chain=chain)
            p = fit.posterior()["p_presence"].to_numpy()
            for where, there in (("between", blank & around), ("other", blank & ~around)):
                which = there.ravel()
                told = {"p": p[which], "used": used[which].astype(float)}
                rows.append(pd.DataFrame(told).assign(chain=str(chain), where=where))
    table = pd.concat(rows).groupby(["chain", "where"])[["p", "used"]].mean()
    off = table["p"] - table["used"]
    assert 0.08 < off["None", "between"] < 0.25
    assert -0.25 < off["None", "other"] < 0.0
    assert abs(off["neighbours", "between"]) < 0.05
    assert abs(off["neighbours", "other"]) < 0.06


def test_places_follow_the_transect_and_not_the_rows() -> None:
    units = pd.DataFrame(
        {
            "unit": ["b2", "a1", "b1", "b2", "b1"],
            "period": ["m1", "m1", "m1", "m2", "m2"],
            "transect": ["b", "a", "b", "b", "b"],
            "from_m": [500.0, 0.0, 0.0, 500.0, 0.0],
        }
    )
    assert neighbour_steps(units).tolist() == [[1, -1], [2, 0], [4, 3]]
    with pytest.raises(InputError, match="segments=segments"):
        neighbour_steps(units.drop(columns="transect"))


def test_a_season_and_a_month_are_judged_with_neighbours(
    drawn: tuple[Histories, np.ndarray],
) -> None:
    histories, _ = drawn
    names = histories.units["unit"].to_list()
    segments = segments_of(names).assign(
        transect=histories.units["transect"], from_m=histories.units["from_m"]
    )
    visits, detections = frames_of(histories)
    visits["transect"] = visits["segment"].map(histories.units.set_index("unit")["transect"])
    season = season_presence(segments, visits, detections, prior=0.4)
    assert season.fit.model.chain == "neighbours"
    assert season.table["p_presence"].between(0, 1).all()
    month = monthly_presence(
        segments, visits, detections, period="2031-05", prior=0.4, fit=season.fit
    )
    assert month.table["p_presence"].to_numpy() == pytest.approx(
        season.table["p_presence"].to_numpy()
    )
    plain = season_presence(segments, visits, detections, prior=0.4, way="alone")
    assert "between blank ones are less likely used" in plain.message
    assert season.fit.aicc < plain.fit.aicc
    whole = make_histories(visits, detections, prior=0.4, segments=segments)
    with pytest.raises(InputError, match="no covariates of presence"):
        fit_quietly(whole, model="scored_signs", chain="neighbours", presence=["from_m"])
