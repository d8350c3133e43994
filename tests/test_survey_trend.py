"""Trend: the closed form by hand, statsmodels itself, simulated seasons, and what is refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from carnivore_sign.errors import EstimateError, InputError, LibraryMissing, SmallSampleWarning
from carnivore_sign.survey import rate_trend

YEAR = pd.Timedelta(days=365.25)
FIRST = pd.Timestamp("2019-01-01 15:00", tz="UTC")


def survey(years, km, counts, p=1.0):
    """One visit per walk, so many trails on each."""
    visits = pd.DataFrame(
        {
            "visit": [f"V{n}" for n in range(len(km))],
            "walk": [f"W{n}" for n in range(len(km))],
            "start": [FIRST + year * YEAR for year in years],
            "effort_km": np.asarray(km, dtype=float),
        }
    )
    visits["effort_km_days"] = 3 * visits["effort_km"]
    owner = np.repeat(visits["visit"].to_numpy(), counts)
    trails = [f"T{n}" for n in range(len(owner))]
    return visits, pd.DataFrame({"visit": owner, "trail": trails, "p_puma": p})


def test_two_times_give_the_ratio_of_their_rates_by_hand() -> None:
    # A Poisson model of two groups has a closed form: log ratio of the rates, and
    # 1/y1 + 1/y2 for its variance (textbook algebra).
    trend = rate_trend(*survey([0, 0, 2, 2], [10, 30, 20, 20], [4, 12, 5, 5]), method="poisson")
    slope = np.log((10 / 40) / (16 / 40)) / 2
    error = np.sqrt(1 / 16 + 1 / 10) / 2
    assert trend.change == pytest.approx(np.exp(slope), rel=1e-6)
    assert trend.low == pytest.approx(np.exp(slope - 1.959964 * error), rel=1e-5)
    assert trend.high == pytest.approx(np.exp(slope + 1.959964 * error), rel=1e-5)


@pytest.mark.parametrize("annual_cycle", [False, True])
def test_the_models_are_those_of_statsmodels_set_up_by_hand(annual_cycle) -> None:
    rng = np.random.default_rng(7)
    years, km = np.sort(rng.uniform(0, 4, 60)), rng.uniform(3, 20, 60)
    years[0] = 0
    counts = rng.negative_binomial(2, 2 / (2 + 0.3 * km * np.exp(-0.2 * years)))
    visits, found = survey(years, km, counts)
    design = np.column_stack([np.ones(60), years])
    if annual_cycle:
        turn = 2 * np.pi * visits["start"].dt.day_of_year / 365.25
        design = np.column_stack([design, np.cos(turn), np.sin(turn)])
    family = sm.families.Poisson()
    quasi = sm.GLM(counts, design, family=family, exposure=km).fit(scale="X2")
    ours = rate_trend(visits, found, annual_cycle=annual_cycle)
    assert ours.method == "quasi_poisson"
    assert ours.dispersion == pytest.approx(quasi.scale)
    np.testing.assert_allclose(np.log([ours.low, ours.high]), quasi.conf_int()[1], rtol=1e-5)
    assert ours.p_value == pytest.approx(quasi.pvalues[1], rel=1e-5)
    binomial = sm.NegativeBinomial(counts, design, exposure=km).fit(disp=0, maxiter=500)
    named = rate_trend(visits, found, annual_cycle=annual_cycle, method="negative_binomial")
    assert np.log(named.change) == pytest.approx(binomial.params[1], rel=1e-3)
    np.testing.assert_allclose(np.log([named.low, named.high]), binomial.conf_int()[1], rtol=1e-2)


def test_effort_is_no_trend_and_a_trend_is_not_effort() -> None:
    years, km = np.arange(40) / 10, np.linspace(5, 40, 40)
    counts = (km / 5).astype(int)
    assert rate_trend(*survey(years, km, counts)).change == pytest.approx(1, abs=0.1)
    assert rate_trend(*survey(years, np.full(40, 10.0), counts)).low > 1.2


def test_doubt_and_days_and_scat_are_carried() -> None:
    years, km = np.arange(30) / 10, np.full(30, 10.0)
    visits, found = survey(years, km, np.full(30, 2))
    found["p_puma"] = np.tile([0.9, 0.3], 30)
    trend = rate_trend(visits, found)
    assert trend.trails_expected == pytest.approx(36)
    assert trend.change == pytest.approx(1)
    found["with_tracks"] = np.tile([1, 0], 30)
    per_day = rate_trend(visits, found, unit="km_day")
    assert per_day.trails_expected == pytest.approx(27)
    with pytest.raises(InputError, match="takes probabilities"):
        rate_trend(visits, found, method="negative_binomial")


@pytest.mark.parametrize("shape", [None, 1.0])
def test_limits_cover_the_true_trend(shape) -> None:
    rng = np.random.default_rng(31)
    covered = []
    for _ in range(150):
        years = np.repeat(np.arange(5), 12) + rng.uniform(0, 0.9, 60)
        years[0] = 0
        mean = 10 * 0.25 * 0.85**years
        gamma = 1.0 if shape is None else rng.gamma(shape, 1 / shape, 60)
        trend = rate_trend(*survey(years, np.full(60, 10.0), rng.poisson(mean * gamma)))
        covered.append(trend.low <= 0.85 <= trend.high)
    # 0.95 of 150 with an error of 0.018; the whole run is the benchmark of limits.
    assert 0.89 < np.mean(covered) < 0.995


def test_the_sentence_says_no_more_than_the_limits() -> None:
    years, km = np.arange(40) / 10, np.full(40, 10.0)
    falling = rate_trend(*survey(years, km, np.repeat([8, 4, 2, 1], 10)))
    assert "Trails of puma per km changed by -" in falling.sentence
    flat = rate_trend(*survey(years / 4, km, np.tile([1, 3], 20)))
    assert flat.sentence.startswith("The data do not tell")
    assert "cannot be told from the time of the year" in flat.sentence
    for trend in (falling, flat):
        assert "not a density, nor a number of animals" in trend.sentence
    assert falling.summary()["change"][0] == falling.change


def test_what_carries_no_trend_is_told(monkeypatch) -> None:
    with pytest.raises(EstimateError, match="four walks"):
        rate_trend(*survey([0, 1, 2], [5, 5, 5], [1, 1, 1]))
    with pytest.raises(EstimateError, match="four walks"):
        rate_trend(*survey([0, 0, 0, 0], [5, 5, 5, 5], [1, 1, 1, 1]))
    visits, found = survey([0, 1, 2, 3], [5, 5, 5, 5], [1, 1, 1, 1])
    with pytest.raises(EstimateError, match="no trails were found"):
        rate_trend(visits, found.iloc[:0])
    with pytest.warns(SmallSampleWarning, match=r"4\.0 trails"):
        rate_trend(visits, found)
    for wrong, words in [({"method": "magic"}, "method is"), ({"unit": "mile"}, "unit is")]:
        with pytest.raises(InputError, match=words):
            rate_trend(visits, found, **wrong)
    with pytest.raises(InputError, match="needs two"):
        rate_trend(*survey([0, 0.5, 1, 1.5], [5] * 4, [9] * 4), annual_cycle=True)
    monkeypatch.setitem(__import__("sys").modules, "statsmodels.api", None)
    with pytest.raises(LibraryMissing, match="pip install 'carnivore_sign\\[trend\\]'"):
        rate_trend(*survey([0, 1, 2, 3], [5] * 4, [9] * 4))
