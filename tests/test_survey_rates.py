"""Rates: published routes, doubt, groups, and coverage of the limits in simulated seasons."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.survey.doubt import (
    doubtful_poisson_limits,
    learned_share,
    poisson_binomial_limits,
)
from carnivore_sign.survey.intervals import poisson_limits
from carnivore_sign.survey.rates import check_printed_rates, detection_rates
from carnivore_sign.units import METRES

KM_PER_MILE = METRES["mi"] / METRES["km"]


def some_visits(km, *, days=None, period="2024-05", **columns):
    km = np.asarray(km, dtype=float)
    return pd.DataFrame(
        {
            "visit": [f"V{n}" for n in range(len(km))],
            "period": period,
            "effort_km": km,
            "effort_km_days": np.nan if days is None else km * days,
            **columns,
        }
    )


def found(visit, trail, p=1.0):
    return pd.DataFrame({"visit": visit, "trail": trail, "p_puma": p})


def test_rates_of_a_published_route() -> None:
    # Proceedings of the 5th Mountain Lion Workshop, p. 79, Arizona: 24 mi with 11 tracks,
    # printed as 0.46 per mile; six years, 122.6 mi, 34 tracks, printed as 0.28.
    first = detection_rates(some_visits([24 * KM_PER_MILE]), found("V0", range(11)))
    assert round(first["trails_per_km"][0] * KM_PER_MILE, 2) == 0.46
    assert first["trails_per_km"][0] == pytest.approx(0.2848, abs=5e-5)
    years = detection_rates(some_visits([122.6 * KM_PER_MILE]), found("V0", range(34)))
    assert round(years["trails_per_km"][0] * KM_PER_MILE, 2) == 0.28
    runs = detection_rates(some_visits([122.6 * KM_PER_MILE]), found("V0", range(49)))
    assert round(runs["trails_per_km"][0] * KM_PER_MILE, 2) == 0.40
    assert runs["trails_per_km"][0] == pytest.approx(0.2483, abs=5e-5)


#: Rows of the route in Arizona, Proceedings of the 5th Mountain Lion Workshop, p. 79, that are
#: quoted with their printed rates per mile: three years, and six years with and without runs.
ARIZONA = pd.DataFrame(
    {
        "row": ["a year", "a year", "a year", "six years", "six years, runs counted"],
        "effort": [24.0, 24.0, 15.3, 122.6, 122.6],
        "count": [11, 4, 5, 34, 49],
        "printed": [0.46, 0.16, 0.26, 0.28, 0.40],
    }
)


def test_the_route_in_arizona_has_two_misprints_and_they_are_found() -> None:
    faults = check_printed_rates(ARIZONA)
    assert faults[["effort", "count", "printed"]].to_numpy().tolist() == [
        [24.0, 4.0, 0.16], [15.3, 5.0, 0.26],
    ]  # fmt: skip
    assert faults["fault"].tolist() == ["the rate is 0.1667", "the rate is 0.3268"]
    visits = some_visits(ARIZONA["effort"] * KM_PER_MILE, row=ARIZONA["row"])
    tracks = np.repeat([f"V{n}" for n in range(5)], ARIZONA["count"])
    rates = detection_rates(visits, found(tracks, range(len(tracks))), by="visit")
    np.testing.assert_allclose(
        rates["trails_per_km"] * KM_PER_MILE, ARIZONA["count"] / ARIZONA["effort"]
    )


def test_totals_that_do_not_add_up_are_found() -> None:
    # The other three of the six years together, from the totals of the table by subtraction.
    rest = {"effort": 122.6 - 63.3, "count": 34 - 20, "printed": np.nan}
    years = pd.concat([ARIZONA[:3], pd.DataFrame([rest]), ARIZONA[3:4]], ignore_index=True)
    years["total"] = [False] * 4 + [True]
    assert check_printed_rates(years)["count"].tolist() == [4, 5], "the totals add up"
    years.loc[0, "count"] = 12
    assert check_printed_rates(years)["fault"].tolist()[-1] == "the count adds up to 35"


def test_without_doubt_the_limits_are_garwoods() -> None:
    # Garwood 1936: a count of 10 has the 95 % limits 4.7954 and 18.3904.
    rates = detection_rates(some_visits([12, 8], days=2), found("V0", range(10)))
    row = rates.iloc[0]
    assert row["trails_per_km_low"] * 20 == pytest.approx(4.7954, abs=5e-5)
    assert row["trails_per_km_high"] * 20 == pytest.approx(18.3904, abs=5e-5)
    assert row["trails_per_km_day_high"] * 40 == pytest.approx(18.3904, abs=5e-5)
    assert (row["trails_expected"], row["trails_sure"], row["visits"]) == (10, 10, 2)


def test_doubt_is_carried_into_count_and_limits() -> None:
    p = [0.99, 0.7, 0.4, 0.05]
    rates = detection_rates(some_visits([10]), found("V0", list("abcd"), p)).iloc[0]
    low, high = doubtful_poisson_limits(p)
    assert rates["trails_expected"] == pytest.approx(2.14)
    assert rates["trails_sure"] == 1
    assert rates["trails_per_km"] == pytest.approx(0.214)
    assert (rates["trails_per_km_low"], rates["trails_per_km_high"]) == pytest.approx(
        (low / 10, high / 10)
    )
    assert (rates["trails_low"], rates["trails_high"]) == poisson_binomial_limits(p)
    share = learned_share(p, 0.4)
    wider = detection_rates(some_visits([10]), found("V0", list("abcd"), p), learned=share).iloc[0]
    limits = doubtful_poisson_limits(p, learned=share)
    assert wider["trails_per_km_high"] == pytest.approx(limits[1] / 10)
    assert wider["trails_per_km_high"] > rates["trails_per_km_high"]


def test_a_trail_counts_once_in_each_group_however_many_segments_it_crosses() -> None:
    visits = some_visits([1, 1, 1], transect=["A", "A", "B"])
    crossing = found(["V0", "V1", "V2"], "T1", 0.9)
    assert detection_rates(visits, crossing)["trails_expected"].tolist() == [0.9]
    per_transect = detection_rates(visits, crossing, by="transect")
    assert per_transect["trails_expected"].tolist() == [0.9, 0.9]
    assert per_transect["effort_km"].tolist() == [2, 1]
    per_visit = detection_rates(visits, crossing, by=("transect", "visit"))
    assert per_visit["trails_expected"].tolist() == [0.9] * 3


def test_a_group_in_which_nothing_was_found_has_a_rate_of_zero_with_an_upper_limit() -> None:
    visits = some_visits([5, 5], period=["2024-05", "2024-06"])
    rates = detection_rates(visits, found(["V0"], ["T1"])).set_index("period")
    blank = rates.loc["2024-06"]
    assert (blank["trails_per_km"], blank["trails_per_km_low"]) == (0, 0)
    assert blank["trails_per_km_high"] * 5 == pytest.approx(3.6889, abs=5e-5)  # Garwood 1936
    none = detection_rates(visits, found([], []).astype({"p_puma": float}))
    assert none["trails_per_km"].tolist() == [0, 0]


def test_one_rate_over_all() -> None:
    visits = some_visits([5, 5], period=["2024-05", "2024-06"])
    rates = detection_rates(visits, found(["V0"], ["T1"]), by=())
    assert rates[["visits", "effort_km", "trails_per_km"]].to_numpy().tolist() == [[2, 10, 0.1]]


def test_rates_per_km_day_use_only_visits_whose_days_are_known() -> None:
    visits = some_visits([10, 10], days=np.array([2, np.nan]))
    rates = detection_rates(visits, found(["V0", "V1", "V1"], list("abc"))).iloc[0]
    assert rates["trails_per_km"] == pytest.approx(3 / 20)
    assert rates["effort_km_days"] == 20
    assert rates["trails_per_km_day"] == pytest.approx(1 / 20)
    unknown = detection_rates(some_visits([10]), found("V0", ["a"])).iloc[0]
    assert np.isnan(unknown["trails_per_km_day"])
    assert np.isnan(unknown["trails_per_km_day_high"])


def test_scat_counts_per_km_and_not_per_km_day() -> None:
    # Scat may lie for weeks, so that the days since the last wiping are no effort for it
    # (common practice, no source).
    visits = some_visits([10, 10], days=2)
    both = found(["V0", "V1", "V1"], list("abc")).assign(with_tracks=[1, 0, 1])
    rates = detection_rates(visits, both).iloc[0]
    assert rates["trails_expected"] == 3
    assert rates["trails_per_km"] == pytest.approx(3 / 20)
    assert rates["trails_per_km_day"] == pytest.approx(2 / 40)
    tracks = detection_rates(visits, both[both["with_tracks"].eq(1)]).iloc[0]
    for column in ("trails_per_km_day_low", "trails_per_km_day_high"):
        assert rates[column] == tracks[column]
    unsaid = both.assign(with_tracks=pd.array([1, pd.NA, 1], dtype="Int64"))
    assert detection_rates(visits, unsaid)["trails_per_km_day"][0] == pytest.approx(3 / 40)


def test_detections_on_other_visits_are_passed_over() -> None:
    visits = some_visits([10, 10])
    all_found = found(["V0", "V1"], ["a", "b"])
    assert detection_rates(visits.iloc[:1], all_found)["trails_expected"].tolist() == [1]


def test_visits_without_an_observer_are_a_group_of_their_own() -> None:
    visits = some_visits([10, 20], observer=["Ann", None])
    rates = detection_rates(visits, found(["V1"], ["a"]), by=("observer",))
    assert rates["effort_km"].sum() == 30
    assert rates.loc[rates["observer"].isna(), "trails_per_km"].tolist() == [0.05]


def test_no_effort_unknown_columns_and_missing_chances_are_told() -> None:
    visits = some_visits([10])
    with pytest.raises(NothingSurveyed, match="no effort"):
        detection_rates(visits.iloc[:0], found("V0", ["a"]))
    with pytest.raises(NothingSurveyed):
        detection_rates(some_visits([0.0]), found("V0", ["a"]))
    with pytest.raises(InputError, match="no column month"):
        detection_rates(visits, found("V0", ["a"]), by=("month",))
    with pytest.raises(InputError, match="by effort_km_days"):
        detection_rates(visits, found("V0", ["a"]), by=["effort_km_days"])
    with pytest.raises(InputError, match="p_wolf"):
        detection_rates(visits, found("V0", ["a"]), taxon="wolf")
    with pytest.raises(InputError, match="1 detections have no probability"):
        detection_rates(visits, found(["V0", "V0"], ["a", "b"], [0.5, np.nan]))


def seasons(rng, *, rate_per_km, others_per_km, km, count):
    """Trails of seasons whose probabilities are right: a Beta law for each truth."""
    for _ in range(count):
        mine = rng.poisson(rate_per_km * km)
        others = rng.poisson(others_per_km * km)
        # Densities of evidence x: 3x^2 for the taxon and 3(1-x)^2 for look-alikes; Bayes' rule
        # with the true ratio of rates gives a calibrated probability.
        x = np.r_[rng.beta(3, 1, mine), rng.beta(1, 3, others)]
        for_it, against = rate_per_km * x**2, others_per_km * (1 - x) ** 2
        yield for_it / (for_it + against)


def test_limits_cover_the_true_rate_without_doubt() -> None:
    rng = np.random.default_rng(17)
    km, rate, tries = 60.0, 0.5, 4000
    low, high = poisson_limits(rng.poisson(rate * km, tries))
    covered = ((low <= rate * km) & (rate * km <= high)).mean()
    assert 0.945 <= covered <= 0.975


def test_limits_cover_the_true_rate_with_doubt() -> None:
    rng = np.random.default_rng(23)
    km, rate, tries = 60.0, 0.5, 600
    drawn = list(seasons(rng, rate_per_km=rate, others_per_km=0.5, km=km, count=tries))
    visit = np.repeat([f"V{n}" for n in range(tries)], [len(p) for p in drawn])
    trails = found(visit, range(len(visit)), np.concatenate(drawn))
    rates = detection_rates(some_visits([km] * tries), trails, by="visit")
    covered = (rates["trails_per_km_low"] <= rate) & (rate <= rates["trails_per_km_high"])
    low, high = poisson_limits(rates["trails_sure"])
    naive = (low / km <= rate) & (rate <= high / km)
    assert 0.93 <= covered.mean() <= 0.98
    assert naive.mean() < 0.9, "counting the sure ones alone would have done as well"
