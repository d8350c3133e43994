"""Animals and their prints (simulate): the table that prints are drawn from, and the drawing.

The table is this room's own. It is not what the identification weighs prints with, so that
the identification is tested on something it was not copied from. Sizes and states are working
values for a simulation; where a figure has a source it is named beside it, and everything else
is common practice, no source.

A size of a print is ``mean * (1 + a + w)``: `a` belongs to the animal and is shared by all its
sizes, `w` is drawn anew for every size of every print. A character's state is drawn from the
animal's own probabilities, which are drawn once per animal from a Dirichlet distribution
around those of its taxon; so the prints of one animal resemble each other more than prints of
its taxon do, and forty of them are not forty witnesses.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import CHARACTERS, FEET, MEASURES
from carnivore_sign.simulate.settings import AnimalSettings

FloatArray = npt.NDArray[np.float64]

#: Sum of the Dirichlet parameters: states of one animal correlate by 1 / (1 + this).
CHARACTER_CONSTANCY: Final = 9.0

#: Order in which a walking animal's prints lie on the ground: hind beside front, then the other.
WALK: Final = ("left_front", "left_hind", "right_front", "right_hind")


@dataclass(frozen=True)
class TaxonTable:
    """What the prints of a taxon are like.

    Parameters
    ----------
    front_mm, hind_mm : tuple of float
        Mean length, width and pad width.
    between, within : float
        Standard deviation between animals and from print to print, as a share of the mean.
    stride_m, stride_between, stride_within : float
        Mean full stride at a walk; its deviation between animals and between trails (shares).
    states : mapping
        Chance of each state of each character, in the order of `CHARACTERS`.
    hind_outline : tuple of float
        Chances of the outline of a hind print (``states`` holds the front's).
    """

    front_mm: tuple[float, float, float]
    hind_mm: tuple[float, float, float]
    between: float
    within: float
    stride_m: float
    stride_between: float
    stride_within: float
    states: Mapping[str, tuple[float, ...]]
    hind_outline: tuple[float, ...]


#: Puma: a front print 80-100 mm long and a full stride of about 91.4 cm (female) and 101.6 cm
#: (male), Elbroch, Kresky & Evans 2012; front pad 40-50 mm wide (female), 50-60 mm (male), Florida
#: Fish and Wildlife Conservation Commission. Coyote: front 67 x 53 mm, hind 61 x 46 mm, Moskowitz
#: 2010. All other figures: common practice, no source.
TABLES: Final[dict[str, TaxonTable]] = {
    "puma": TaxonTable(
        (90.0, 87.0, 51.0), (83.0, 77.0, 45.0), 0.09, 0.05, 0.965, 0.06, 0.05,
        {
            "leading_toe": (0.85, 0.15),
            "toe_shape": (0.80, 0.20),
            "outer_toes": (0.90, 0.10),
            "pad_rear_edge": (0.85, 0.10, 0.05),
            "pad_front_edge": (0.85, 0.15),
            "toes_in_pad": (0.80, 0.20),
            "pad_texture": (0.85, 0.15),
            "claws": (0.93, 0.06, 0.01),
            "negative_space": (0.74, 0.15, 0.11),
            "outline": (0.80, 0.20),
        },
        (0.40, 0.60),
    ),
    "dog": TaxonTable(
        (86.0, 77.0, 42.0), (78.0, 67.0, 36.0), 0.12, 0.05, 0.86, 0.12, 0.07,
        {
            "leading_toe": (0.14, 0.86),
            "toe_shape": (0.18, 0.82),
            "outer_toes": (0.30, 0.70),
            "pad_rear_edge": (0.20, 0.35, 0.45),
            "pad_front_edge": (0.15, 0.85),
            "toes_in_pad": (0.17, 0.83),
            "pad_texture": (0.25, 0.75),
            "claws": (0.13, 0.09, 0.78),
            "negative_space": (0.10, 0.48, 0.42),
            "outline": (0.30, 0.70),
        },
        (0.22, 0.78),
    ),
    "coyote": TaxonTable(
        (67.0, 53.0, 27.0), (61.0, 46.0, 22.0), 0.06, 0.05, 0.80, 0.09, 0.08,
        {
            "leading_toe": (0.10, 0.90),
            "toe_shape": (0.25, 0.75),
            "outer_toes": (0.45, 0.55),
            "pad_rear_edge": (0.15, 0.45, 0.40),
            "pad_front_edge": (0.20, 0.80),
            "toes_in_pad": (0.10, 0.90),
            "pad_texture": (0.45, 0.55),
            "claws": (0.10, 0.42, 0.48),
            "negative_space": (0.07, 0.20, 0.73),
            "outline": (0.08, 0.92),
        },
        (0.05, 0.95),
    ),
    "bobcat": TaxonTable(
        (48.0, 49.0, 29.0), (46.0, 45.0, 26.0), 0.08, 0.05, 0.62, 0.07, 0.06,
        {
            "leading_toe": (0.80, 0.20),
            "toe_shape": (0.66, 0.34),
            "outer_toes": (0.92, 0.08),
            "pad_rear_edge": (0.80, 0.12, 0.08),
            "pad_front_edge": (0.84, 0.16),
            "toes_in_pad": (0.60, 0.40),
            "pad_texture": (0.85, 0.15),
            "claws": (0.94, 0.05, 0.01),
            "negative_space": (0.72, 0.16, 0.12),
            "outline": (0.78, 0.22),
        },
        (0.55, 0.45),
    ),
}  # fmt: skip

#: Animals that a taxon is taken for when it is misnamed, and how often each. Dogs are the
#: commonest confusion with puma (Texas Parks & Wildlife 2008); shares: common practice, no source.
TAKEN_FOR: Final[dict[str, dict[str, float]]] = {
    "puma": {"dog": 0.8, "bobcat": 0.2},
    "dog": {"puma": 0.5, "coyote": 0.5},
    "coyote": {"dog": 0.8, "bobcat": 0.2},
    "bobcat": {"coyote": 0.5, "puma": 0.5},
}


def table_of(taxon: str) -> TaxonTable:
    """Return the table of `taxon`, or raise `InputError` that lists those there are."""
    if taxon not in TABLES:
        raise InputError(
            f"there is no table of prints of '{taxon}'",
            remedy=f"Simulate one of {', '.join(TABLES)}.",
        )
    return TABLES[taxon]


def draw_animals(animals: tuple[AnimalSettings, ...], rng: np.random.Generator) -> pd.DataFrame:
    """Draw the animals of a season.

    Returns
    -------
    DataFrame
        One row per animal, indexed by its name (``puma-1``): ``taxon``, ``range_no`` (its
        place in the settings' ranges, -1 if it has none), ``size`` (its own `a`), ``stride_m``.
    """
    rows = []
    for group in animals:
        table = table_of(group.taxon)
        for number in range(group.animals):
            size, stride = rng.standard_normal(2)
            rows.append(
                {
                    "animal": f"{group.taxon}-{number + 1}",
                    "taxon": group.taxon,
                    "range_no": number if group.ranges else -1,
                    "size": table.between * size,
                    "stride_m": table.stride_m * (1 + table.stride_between * stride),
                }
            )
    return pd.DataFrame(rows).set_index("animal")


def draw_states(animals: pd.DataFrame, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Draw each animal's own chances of each state.

    Returns
    -------
    dict
        Character to an array (animals, states); ``hind_outline`` beside the characters.
    """
    chances: dict[str, FloatArray] = {}
    for name in (*CHARACTERS, "hind_outline"):
        centre = np.array([_chances(table_of(taxon), name) for taxon in animals["taxon"]])
        drawn = rng.standard_gamma(CHARACTER_CONSTANCY * centre)
        chances[name] = drawn / drawn.sum(axis=1, keepdims=True)
    return chances


def _chances(table: TaxonTable, name: str) -> tuple[float, ...]:
    return table.hind_outline if name == "hind_outline" else table.states[name]


def draw_prints(
    owner: npt.NDArray[np.int64],
    foot: npt.NDArray[np.object_],
    animals: pd.DataFrame,
    states: Mapping[str, FloatArray],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Draw the true prints: sizes and states before any surface or observer touched them.

    Parameters
    ----------
    owner : array of int
        Row in `animals` of the animal that made each print.
    foot : array of str
        Foot that made it, of `records.vocabularies.FEET`.
    animals, states
        As `draw_animals` and `draw_states` gave them.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    DataFrame
        One row per print: the `MEASURES` in mm and the state of each of `CHARACTERS`.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> animals = draw_animals((AnimalSettings("puma", 0.1, count=2),), rng)
    >>> states = draw_states(animals, rng)
    >>> prints = draw_prints(np.array([0, 1]), np.array(["left_front"] * 2), animals, states, rng)
    >>> bool(prints["length_mm"].between(60, 120).all())
    True
    """
    strange = [name for name in pd.unique(pd.Series(foot)) if name not in FEET]
    if strange:
        raise InputError(f"'{strange[0]}' is not one of the feet {', '.join(FEET)}")
    hind = pd.Series(foot).str.endswith("hind").to_numpy(dtype=bool)
    tables = [table_of(taxon) for taxon in animals["taxon"]]
    means = np.where(
        hind[:, None],
        np.array([t.hind_mm for t in tables])[owner],
        np.array([t.front_mm for t in tables])[owner],
    )
    within = np.array([t.within for t in tables])[owner]
    own = animals["size"].to_numpy(dtype=float)[owner]
    sizes = means * (1 + own[:, None] + within[:, None] * rng.standard_normal(means.shape))
    prints = pd.DataFrame(sizes, columns=list(MEASURES))
    for name, words in CHARACTERS.items():
        chances = states[name][owner]
        if name == "outline":
            chances = np.where(hind[:, None], states["hind_outline"][owner], chances)
        prints[name] = np.asarray(words, dtype=object)[draw_rows(chances, rng)]
    return prints


def draw_rows(chances: FloatArray, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Draw one column per row of `chances`, whose rows sum to 1."""
    passed = rng.random(len(chances))[:, None] >= np.cumsum(chances, axis=1)[:, :-1]
    return passed.sum(axis=1).astype(np.int64)
