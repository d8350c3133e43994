"""Trails room: how many passages some trails are, and the fewest animals that left them.

What a manager may be told of a count of trails: the range that doubt about links leaves, a
lower bound of animals with its reasons, and what is not known of them. Never who it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.records.tables import taxon_column
from carnivore_sign.trails.fewest import FewestAnimals, fewest_animals
from carnivore_sign.trails.linking import Linking
from carnivore_sign.trails.uncertainty import CountRange, count_range

#: Trails count from this probability of the taxon on.
AT_LEAST = 0.5


@dataclass(frozen=True, eq=False)
class PassageSummary:
    """What trails of one taxon add up to.

    Attributes
    ----------
    passages : CountRange
        How many passages they are, as far as their sign can be linked otherwise.
    fewest : FewestAnimals
        The fewest animals that can have left them, and why.
    followed : int
        Trails of them that were followed by hand.
    undated : int
        Trails of them of which nothing says after when they were made.
    """

    passages: CountRange
    fewest: FewestAnimals
    followed: int
    undated: int


def summarise_passages(
    linking: Linking,
    trails: gpd.GeoDataFrame,
    sign: pd.DataFrame,
    prints: pd.DataFrame,
    rng: np.random.Generator,
    *,
    taxon: str,
) -> PassageSummary:
    """Count the passages of a taxon, and the fewest animals that left them.

    Parameters
    ----------
    linking : Linking
        From `link_sign`.
    trails : GeoDataFrame
        Columns of TRAILS, those that are to be counted: of one month, or one place.
    sign, prints : DataFrame
        Columns of SIGN and PRINTS, to compare the sizes of feet.
    rng : numpy.random.Generator
        Source of randomness.
    taxon : str
        Trails count that are as likely as not its own, or likelier.

    Returns
    -------
    PassageSummary
        The passages with their limits, the fewest animals, and what is not known.

    Raises
    ------
    InputError
        If there are too many trails to compare all with all.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> told = summarise_passages(
    ...     analysis.linking, analysis.trails, analysis.sign, analysis.prints,
    ...     np.random.default_rng(1), taxon="puma",
    ... )
    >>> told.passages.low <= told.passages.high, told.fewest.count > 0
    (True, True)
    """
    own = trails[(trails[taxon_column(taxon)] >= AT_LEAST).to_numpy(dtype=bool)]
    members = linking.members
    members = members[members["trail"].isin(own["trail"])]
    followed = members["followed"].dropna() if "followed" in members else members["sign"].iloc[:0]
    return PassageSummary(
        passages=count_range(linking, rng, among=members["sign"].tolist()),
        fewest=fewest_animals(own, members, sign, prints),
        followed=len(followed.unique()),
        undated=int(own["made_after"].isna().sum()),
    )
