"""Simulated passages are Poisson over used units, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from carnivore_sign.simulate import RangeSettings, demo_settings
from carnivore_sign.simulate.animals import draw_animals
from carnivore_sign.simulate.country import build_country
from carnivore_sign.simulate.passages import (
    CROSSING_SHARE,
    as_times,
    draw_passages,
    inside_range,
    metres_to_parcels,
    month_bounds,
    seconds,
    use_of_units,
)

SETTINGS = demo_settings()
SEASONS = 8


@pytest.fixture(scope="module")
def country():
    return build_country(SETTINGS.country, np.random.default_rng(3))


@pytest.fixture(scope="module")
def seasons(country) -> list[pd.DataFrame]:
    rng = np.random.default_rng(4)
    return [
        draw_passages(country, SETTINGS, draw_animals(SETTINGS.animals, rng), rng)
        for _ in range(SEASONS)
    ]


def used_km_days(country) -> pd.Series:
    used = use_of_units(country, SETTINGS)
    days = used["period"].map({"2026-02": 28.0, "2026-03": 31.0 - 1 / 24, "2026-04": 30.0})
    return (used["length_m"] / 1000 * days * used["used"]).groupby(used["taxon"]).sum()


@pytest.mark.parametrize("taxon", ["puma", "dog", "coyote", "bobcat"])
def test_counts_agree_with_rate_times_km_times_days(country, seasons, taxon: str) -> None:
    rate = next(a.rate_per_km_day for a in SETTINGS.animals if a.taxon == taxon)
    expected = SEASONS * rate * used_km_days(country)[taxon]
    count = sum(passages["taxon"].eq(taxon).sum() for passages in seasons)
    assert expected > 400
    assert abs(count - expected) / np.sqrt(expected) < 3.5


def test_counts_of_units_scatter_as_a_poisson_process_does(country, seasons) -> None:
    counts = np.concatenate(
        [
            p[p["taxon"].eq("coyote")]
            .groupby(["transect", "number"])
            .size()
            .reindex(pd.MultiIndex.from_frame(country.units[["transect", "number"]]), fill_value=0)
            for p in seasons
        ]
    )
    dispersion = ((counts - counts.mean()) ** 2).sum() / counts.mean()
    low, high = stats.chi2.ppf([0.001, 0.999], len(counts) - 1)
    assert low < dispersion < high


def test_times_are_spread_evenly_over_the_season(seasons) -> None:
    starts, ends = month_bounds(SETTINGS)
    made = np.concatenate([p.loc[p["taxon"].eq("coyote"), "made_s"] for p in seasons])
    share = (made - starts[0]) / (ends[-1] - starts[0])
    assert stats.kstest(share, "uniform").pvalue > 0.001
    assert (np.concatenate([np.diff(p["made_s"]) for p in seasons]) >= 0).all()


def test_no_animal_passes_where_its_taxon_does_not_range(country, seasons) -> None:
    used = use_of_units(country, SETTINGS)
    allowed = set(
        used.loc[used["used"], ["taxon", "period", "transect", "number"]].itertuples(
            index=False, name=None
        )
    )
    columns = ["taxon", "period", "transect", "number"]
    for passages in seasons:
        assert set(passages[columns].itertuples(index=False, name=None)) <= allowed


def test_a_puma_passes_only_in_its_own_range(country, seasons) -> None:
    units = country.units.set_index(["transect", "number"])[["east_km", "north_km"]]
    ranges = SETTINGS.animals[0].ranges
    for number, home in enumerate(ranges):
        own = seasons[0][seasons[0]["animal"].eq(f"puma-{number + 1}")]
        for month, period in enumerate(SETTINGS.periods):
            here = own[own["period"].eq(period)]
            places = units.loc[list(zip(here["transect"], here["number"], strict=True))]
            assert inside_range(home, month, places.to_numpy()).all()
    assert set(seasons[0].loc[seasons[0]["taxon"].eq("puma"), "animal"]) == {
        "puma-1", "puma-2", "puma-3",
    }  # fmt: skip


def test_pumas_use_about_half_and_what_they_use_changes(country) -> None:
    used = use_of_units(country, SETTINGS)
    puma = used[used["taxon"].eq("puma")].pivot_table(
        index=["transect", "number"], columns="period", values="used"
    )
    assert puma.mean().between(0.4, 0.55).all()
    assert puma["2026-02"].ne(puma["2026-04"]).sum() >= 3


def test_dogs_keep_near_the_parcels(country) -> None:
    used = use_of_units(country, SETTINGS)
    dog = used[used["taxon"].eq("dog")]
    far = metres_to_parcels(country, dog)
    assert (dog["used"].to_numpy() == (far <= 1400.0)).all()
    bare = replace(country, parcels=country.parcels.iloc[:0])
    assert np.isinf(metres_to_parcels(bare, dog)).all()


def test_a_trail_stays_within_its_unit_and_holds_its_anchor(country, seasons) -> None:
    passages = seasons[0].merge(
        country.units, on=["transect", "number"], suffixes=("", "_unit"), how="left"
    )
    assert (passages["from_m"] >= passages["from_m_unit"]).all()
    assert (passages["to_m"] <= passages["to_m_unit"]).all()
    assert passages["anchor_m"].between(passages["from_m"], passages["to_m"]).all()
    assert (passages["to_m"] - passages["from_m"]).max() <= 400.0
    share = passages["crosses"].mean()
    assert share == pytest.approx(CROSSING_SHARE, abs=4 * np.sqrt(0.15 * 0.85 / len(passages)))


def test_trails_follow_the_transect_one_way_or_the_other(country, seasons) -> None:
    along = seasons[0][~seasons[0]["crosses"] & seasons[0]["transect"].eq("Ember Road")]
    bearing = country.paths["Ember Road"].bearing_at(along["anchor_m"].to_numpy())
    turn = np.mod(along["direction_deg"] - bearing, 360.0).round(6) % 360
    assert set(turn) == {0.0, 180.0}


def test_a_range_is_an_ellipse_that_moves() -> None:
    home = RangeSettings(((0.0, 0.0), (10.0, 0.0)), (2.0, 1.0))
    tips = np.array([[0.0, 1.99], [1.01, 0.0], [10.0, -1.99]])
    assert inside_range(home, 0, tips).tolist() == [True, False, False]
    assert inside_range(home, 1, tips).tolist() == [False, False, True]
    assert inside_range(home, 7, tips).tolist() == [False, False, True]


def test_months_begin_at_local_midnight() -> None:
    starts, ends = month_bounds(SETTINGS)
    # Los Angeles keeps UTC-8 in winter and UTC-7 from 8 March 2026 (IANA time zone database).
    assert [str(t) for t in as_times(starts)] == [
        "2026-02-01 08:00:00+00:00", "2026-03-01 08:00:00+00:00", "2026-04-01 07:00:00+00:00",
    ]  # fmt: skip
    assert ends[:-1].tolist() == starts[1:].tolist()
    assert seconds(as_times(starts)).tolist() == starts.tolist()
