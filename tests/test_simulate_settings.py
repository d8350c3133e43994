"""Settings of a simulated season: faults are told when the settings are made."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.simulate import (
    AnimalSettings,
    HistorySettings,
    ObserverSettings,
    ObservingSettings,
    RangeSettings,
    RouteSettings,
    SurfaceSettings,
    TransectSettings,
    WeatherSettings,
    demo_settings,
    simulate_season,
)

DEMO = demo_settings()


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: TransectSettings("A", "lava", ((0, 0), (1, 0)), 1), "transect 'A': surface"),
        (lambda: TransectSettings("A", "sand", ((0, 0),), 1), "points_km must be two or more"),
        (lambda: AnimalSettings("griffin", 0.1), "animals 'griffin': taxon"),
        (lambda: AnimalSettings("puma", -0.1), "rate_per_km_day must be 0 or more"),
        (lambda: RangeSettings((), (1, 1)), "middles_km"),
        (lambda: RangeSettings(((0, 0),), (0, 1)), "half_axes_km must be above 0"),
        (lambda: SurfaceSettings({"whiskers": 0.5}), "'whiskers'"),
        (lambda: SurfaceSettings({"claws": 1.5}), "a probability, 0 to 1, and 1.5"),
        (lambda: ObserverSettings("A", print_unit="cubit"), "'cubit'"),
        (lambda: ObservingSettings((ObserverSettings("A"),), notice=2.0), "observing: notice"),
        (lambda: ObservingSettings((ObserverSettings("A"),) * 2), "named once each"),
        (lambda: ObservingSettings(()), "observers must be at least one"),
        (lambda: RouteSettings(("A",), ((0, 0), (0, 0)), returns=-1), "route: returns"),
        (lambda: WeatherSettings(rain=-1), "weather: rain"),
        (lambda: replace(DEMO.walking, drag_days=(2, 9)), "shorter than the shortest"),
        (lambda: replace(DEMO.walking, interval_days=(9, 8)), "a smaller and a larger"),
        (lambda: replace(DEMO.walking, fix_interval_s=0), "fix_interval_s must be above 0"),
        (lambda: replace(DEMO.country, time_zone="Tolvane/Range"), "is not known"),
        (lambda: replace(DEMO.country, lon=180.0), "country: lon"),
        (lambda: replace(DEMO, first_month="Smarch"), "must be like '2026-02'"),
        (lambda: replace(DEMO, months=0), "months must be 1 or more"),
        (
            lambda: replace(
                DEMO, walking=replace(DEMO.walking, not_walked=(("Nowhere", "2026-02"),))
            ),
            "Nowhere",
        ),
        (lambda: HistorySettings(visits=40), "histories: visits"),
        (lambda: HistorySettings(separation=0.0), "histories: separation"),
        (lambda: HistorySettings(look_alike="puma"), "another taxon"),
        (lambda: HistorySettings(prior=1.0), "histories: prior"),
    ],
)
def test_a_setting_that_cannot_be_is_named(make, told: str) -> None:
    with pytest.raises(InputError) as error:
        make()
    assert told in str(error.value)


def test_a_transect_longer_than_its_points_is_told() -> None:
    long = replace(DEMO.country.transects[0], length_km=30)
    country = replace(DEMO.country, transects=(long, *DEMO.country.transects[1:]))
    with pytest.raises(InputError, match=r"its points reach \d+\.\d\d km, and length_km is 30"):
        simulate_season(replace(DEMO, country=country), np.random.default_rng(1))


def test_a_taxon_without_a_table_is_told() -> None:
    with pytest.raises(InputError, match=r"no table of prints of 'wolf'.*Simulate one of puma"):
        simulate_season(replace(DEMO, animals=(AnimalSettings("wolf", 0.1),)), _rng())


def test_a_season_without_a_walk_is_told() -> None:
    every = tuple((t.name, period) for t in DEMO.country.transects for period in DEMO.periods)
    with pytest.raises(InputError, match="no walk falls into the season"):
        simulate_season(replace(DEMO, walking=replace(DEMO.walking, not_walked=every)), _rng())


def test_months_run_across_the_new_year() -> None:
    assert replace(DEMO, first_month="2026-12", months=2).periods == ("2026-12", "2027-01")


def _rng() -> np.random.Generator:
    return np.random.default_rng(1)
