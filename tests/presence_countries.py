"""Invented countries drawn at random, with known truth, for the tests of presence.

The transects are those of the demo; the ranges are drawn anew for each country: two to four
ellipses that drift from month to month. What the walks find is drawn from the stated rates, so
that a country takes milliseconds and not seconds.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.special import expit, logit

from carnivore_sign.simulate import demo_settings
from carnivore_sign.simulate.country import build_country
from carnivore_sign.simulate.passages import inside_range
from carnivore_sign.simulate.settings import RangeSettings
from carnivore_sign.survey import cut_segments

MONTHS = ("2026-02", "2026-03", "2026-04")
RATE, LOOKALIKE_RATE, SEPARATION, PRIOR = 0.12, 0.2, 3.0, 0.35


@dataclass(frozen=True)
class Walked:
    """A country that was walked: its segments, what the walks brought, and the truth.

    ``used`` has a row a segment and month: ``unit``, ``period``, ``used``.
    """

    segments: gpd.GeoDataFrame
    visits: pd.DataFrame
    detections: pd.DataFrame
    used: pd.DataFrame


def draw_countries(rng: np.random.Generator, how_many: int) -> list[Walked]:
    """Draw countries, each walked three times a month for three months."""
    country = build_country(demo_settings().country, np.random.default_rng(1))
    segments = cut_segments(country.transects, length_m=1000.0)
    places = country.units[["east_km", "north_km"]].to_numpy()
    order = pd.MultiIndex.from_frame(country.units[["transect", "from_m"]]).get_indexer(
        pd.MultiIndex.from_arrays([segments["transect"], segments["from_m"].round()])
    )
    return [_walk(segments, _used(places[order], rng), rng) for _ in range(how_many)]


def _used(places_km: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw which places are used, (months, places)."""
    used = np.zeros((len(MONTHS), len(places_km)), dtype=bool)
    for _ in range(rng.integers(2, 5)):
        start = rng.uniform([-8.0, -5.0], [8.0, 5.5])
        drift = np.vstack([[0.0, 0.0], rng.normal(0.0, 0.6, (2, 2)).cumsum(axis=0)])
        home = RangeSettings(
            tuple((float(east), float(north)) for east, north in start + drift),
            (float(rng.uniform(2.0, 4.5)), float(rng.uniform(1.4, 2.4))),
            turn_deg=float(rng.uniform(0.0, 180.0)),
        )
        for month in range(len(MONTHS)):
            used[month] |= inside_range(home, month, places_km)
    return used


def _walk(segments: gpd.GeoDataFrame, used: np.ndarray, rng: np.random.Generator) -> Walked:
    units = pd.concat(
        [segments[["segment", "transect"]].assign(period=month) for month in MONTHS],
        ignore_index=True,
    )
    units["used"] = used.ravel()
    walked = pd.concat([units.assign(walk=k) for k in range(3)], ignore_index=True)
    days = pd.Series(rng.uniform(1.0, 7.0, 500))
    outing = walked["transect"] + "/" + walked["period"] + "/" + walked["walk"].astype(str)
    effort = days[pd.factorize(outing)[0]].to_numpy()
    start = pd.to_datetime(walked["period"] + "-03T15:00Z") + pd.to_timedelta(
        9 * walked["walk"], "D"
    )
    visits = pd.DataFrame(
        {
            "visit": outing + "/" + walked["segment"],
            "walk": outing,
            "log": outing,
            "segment": walked["segment"],
            "transect": walked["transect"],
            "start": start,
            "end": start + pd.Timedelta("20min"),
            "period": walked["period"],
            "covered_m": 1000.0,
            "coverage": 1.0,
            "effort_km": 1.0,
            "effort_km_days": effort,
        }
    )
    own = rng.poisson(RATE * effort * walked["used"])
    other = rng.poisson(LOOKALIKE_RATE * effort)
    at = np.repeat(np.tile(np.arange(len(visits)), 2), np.concatenate([own, other]))
    middle = np.repeat([SEPARATION**2 / 2, -(SEPARATION**2) / 2], [own.sum(), other.sum()])
    found = visits.iloc[at]
    detections = pd.DataFrame(
        {
            "trail": [f"t{k}" for k in range(len(at))],
            "visit": found["visit"].to_numpy(),
            "segment": found["segment"].to_numpy(),
            "period": found["period"].to_numpy(),
            "offset_m": 1.0,
            "p_puma": expit(rng.normal(middle, SEPARATION) + logit(PRIOR)),
        }
    )
    return Walked(
        segments,
        visits,
        detections,
        units[["segment", "period", "used"]].rename(columns={"segment": "unit"}),
    )
