"""Simulate: seasons with known truth, for tests, teaching and planning.

Takes settings (frozen dataclasses) and a random generator. Gives a season as its observers
would have recorded it, in the schemas of `records` or as files like a user's, and beside it
the truth: who passed where and when, and with which rates and errors it was seen. Does not
import any room that analyses a season, so that nothing is tested on itself.
"""

from carnivore_sign.simulate.demo import DEMO_SEED, demo_settings
from carnivore_sign.simulate.histories import (
    HistorySettings,
    SimulatedHistories,
    simulate_histories,
)
from carnivore_sign.simulate.observing import share_with_tracks
from carnivore_sign.simulate.outlines import SCHEMES, PrintScheme, draw_prints, draw_scheme
from carnivore_sign.simulate.season import SimulatedSeason, Truth, simulate_season
from carnivore_sign.simulate.settings import (
    AnimalSettings,
    CountrySettings,
    ObserverSettings,
    ObservingSettings,
    ParcelSettings,
    RangeSettings,
    RouteSettings,
    SeasonSettings,
    SurfaceSettings,
    TransectSettings,
    WalkingSettings,
    WeatherSettings,
)
from carnivore_sign.simulate.writing import write_season

__all__ = [
    "DEMO_SEED",
    "AnimalSettings",
    "CountrySettings",
    "HistorySettings",
    "ObserverSettings",
    "ObservingSettings",
    "ParcelSettings",
    "PrintScheme",
    "RangeSettings",
    "RouteSettings",
    "SCHEMES",
    "SeasonSettings",
    "SimulatedHistories",
    "SimulatedSeason",
    "SurfaceSettings",
    "TransectSettings",
    "Truth",
    "WalkingSettings",
    "WeatherSettings",
    "demo_settings",
    "draw_prints",
    "draw_scheme",
    "share_with_tracks",
    "simulate_histories",
    "simulate_season",
    "write_season",
]
