"""Seasons drawn for the tests of linking: sign, what is handed to the linking, and the truth."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.identify import load_evidence, to_probabilities, weigh_sign
from carnivore_sign.simulate import demo_settings, simulate_season
from carnivore_sign.space import distances_m


class Drawn(NamedTuple):
    """A season as `link_trails` takes it; ``passage`` is the truth, by sign."""

    sign: gpd.GeoDataFrame
    probabilities: pd.DataFrame
    walks: pd.Series
    prints: pd.DataFrame
    prior: pd.Series
    passage: pd.Series


@lru_cache
def draw_season(seed: int, density: float = 1.0) -> Drawn:
    """Draw a season with the demo's settings and `density` times as many passages."""
    settings = demo_settings()
    animals = tuple(
        replace(group, rate_per_km_day=group.rate_per_km_day * density)
        for group in settings.animals
    )
    season = simulate_season(replace(settings, animals=animals), np.random.default_rng(seed))
    evidence = load_evidence("dry_range")
    likelihoods = weigh_sign(season.sign, season.prints, evidence)
    truth = season.truth.sign
    walks = truth["log"].astype("str")
    return Drawn(
        season.sign, to_probabilities(likelihoods, evidence.prior), walks, season.prints,
        evidence.prior, truth["trail"].astype("str") + " " + walks,
    )  # fmt: skip


def judge_links(members: pd.DataFrame, sign: gpd.GeoDataFrame, passage: pd.Series) -> pd.DataFrame:
    """Return each link with its length, the stated probability, and whether it is right."""
    before = members.groupby("trail")["sign"].shift()
    links = members[before.notna()].assign(before=before.dropna())
    places = sign.set_index("sign").geometry
    passages = (passage.loc[links[end]].to_numpy() for end in ("sign", "before"))
    one, two = places.loc[links["before"]], places.loc[links["sign"]]
    return pd.DataFrame(
        {
            "metres": distances_m(*(side.to_numpy() for side in (one.x, one.y, two.x, two.y))),
            "stated": links["link_probability"].to_numpy(),
            "right": np.equal(*passages),
        }
    )  # fmt: skip
