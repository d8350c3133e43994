"""Trails, sign and prints of known taxa, whose characters stray together by stated amounts.

Within a taxon every character of every print rests on a hidden normal score, and the score is
the sum of three parts: one of the animal (shared by all prints of its trail), one of the place
(shared by the prints of one sign) and one of the print alone. The scores of characters of one
group correlate as the evidence table says, and those of different groups by `ACROSS_GROUPS`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import norm

from carnivore_sign.identify import Evidence
from carnivore_sign.records.vocabularies import CHARACTERS, NOT_VISIBLE, TAXA

ACROSS_GROUPS = 0.1
THIRD = 1 / 3


class World(NamedTuple):
    """Prints as noted, the trail of each sign, and the taxon of each trail."""

    prints: pd.DataFrame
    trail_of: pd.Series
    taxon: np.ndarray


class _Makers(NamedTuple):
    """Which sign and trail each print is of, and the share of each part of its score."""

    sign: np.ndarray
    trail: np.ndarray
    animal: float
    place: float


def draw_world(
    evidence: Evidence,
    prior: pd.Series,
    rng: np.random.Generator,
    *,
    trails: int,
    animal: float = THIRD,
    place: float = THIRD,
    seen: float = 0.5,
) -> World:
    """Draw trails of 1 to 4 sign of 2 to 5 prints each."""
    number = rng.choice(len(TAXA), size=trails, p=prior.to_numpy())
    trail_of = np.repeat(
        np.arange(trails), rng.choice([1, 2, 3, 4], trails, p=[0.5, 0.3, 0.1, 0.1])
    )
    sign = np.repeat(np.arange(len(trail_of)), rng.integers(2, 6, len(trail_of)))
    makers = _Makers(sign, trail_of[sign], animal, place)
    front = rng.random(len(sign)) < 0.5
    columns: dict[str, np.ndarray] = {
        "sign": sign, "foot": np.where(front, "left_front", "left_hind"),
    }  # fmt: skip
    wide = _score(makers, rng)
    for group in evidence.groups.itertuples():
        shared = _score(makers, rng)
        for name in group.characters.split(";"):
            within = max(group.rho - ACROSS_GROUPS, 0.0)
            score = np.sqrt(ACROSS_GROUPS) * wide + np.sqrt(within) * shared
            score += np.sqrt(1 - ACROSS_GROUPS - within) * _score(makers, rng)
            taxa = number[makers.trail]
            if name in CHARACTERS:
                states = _states(name, score, taxa, evidence)
                columns[name] = np.where(rng.random(len(sign)) < seen, states, NOT_VISIBLE)
            else:
                columns[name] = _sizes(name, score, taxa, front, evidence)
    names = pd.Series(trail_of, index=pd.RangeIndex(len(trail_of), name="sign"), name="trail")
    return World(pd.DataFrame(columns), names, np.array(list(TAXA))[number])


def _score(makers: _Makers, rng: np.random.Generator) -> np.ndarray:
    of_animal = rng.standard_normal(makers.trail[-1] + 1)[makers.trail]
    of_place = rng.standard_normal(makers.sign[-1] + 1)[makers.sign]
    rest = np.sqrt(1 - makers.animal - makers.place) * rng.standard_normal(len(makers.sign))
    return np.sqrt(makers.animal) * of_animal + np.sqrt(makers.place) * of_place + rest


def _states(name: str, score: np.ndarray, taxa: np.ndarray, evidence: Evidence) -> np.ndarray:
    states = np.array(CHARACTERS[name], dtype=object)
    shares = evidence.characters.loc[name].loc[list(states), list(TAXA)].to_numpy(float)
    bounds = np.cumsum(shares, axis=0)[:-1].T
    return states[(norm.cdf(score)[:, None] >= bounds[taxa]).sum(axis=1)]


def _sizes(
    name: str, score: np.ndarray, taxa: np.ndarray, front: np.ndarray, evidence: Evidence
) -> np.ndarray:
    table = evidence.sizes.xs(name, level="measure")
    feet = [table.xs(foot, level="foot").loc[list(TAXA)] for foot in ("hind", "front")]
    mean = np.array([one["mean_mm"] for one in feet])[front.astype(int), taxa]
    sd = np.array([one["sd_mm"] for one in feet])[front.astype(int), taxa]
    return np.maximum(mean + sd * score, 1.0)
