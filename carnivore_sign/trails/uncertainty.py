"""Trails room: how sure the count of trails is.

The best set of trails is one of many that are nearly as good. The gains are shaken as much as
they are unsure and the best set is sought again, many times over: a link that stands alone is
then made just as often as its probability says, and links that compete do so in every draw.
The price of starting a trail is shaken too: it is known only within a factor of about 1.5.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.progress import with_progress
from carnivore_sign.trails.linking import Linking
from carnivore_sign.trails.solving import Chosen

_PRICE_SD: Final = 0.4  # of the log of the price; a working value
_FACTORS: Final = (0.25, 0.5, 1.0, 2.0, 4.0)


@dataclass(frozen=True)
class CountRange:
    """How many trails there are.

    Attributes
    ----------
    best : int
        In the best set of trails.
    low, high : int
        Limits between which the count of nearly as good sets lies, with share `level`.
    level : float
        The share.
    draws : int
        Sets that were drawn.
    """

    best: int
    low: int
    high: int
    level: float
    draws: int


def count_range(
    linking: Linking,
    rng: np.random.Generator,
    *,
    draws: int = 100,
    level: float = 0.95,
    among: Sequence[str] | None = None,
) -> CountRange:
    """Count the trails in many sets that are nearly as good as the best.

    Parameters
    ----------
    linking : Linking
        From `link_sign`.
    rng : numpy.random.Generator
        Source of randomness.
    draws : int
        Sets to draw.
    level : float
        Share of them that lies between the limits.
    among : sequence of str, optional
        Count the trails that these sign are of, as those of one month; of all sign if not given.

    Returns
    -------
    CountRange
        The range holds what linking is unsure of, not sign that nobody found. It is as wide
        as the counts of the drawn sets and lies about the best set: shaking by itself breaks
        more links than it makes.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> counted = count_range(analysis.linking, np.random.default_rng(1), draws=10)
    >>> counted.low <= counted.high, counted.draws
    (True, 10)
    """
    if draws < 1 or not 0 < level < 1:
        raise InputError("draws must be 1 or more and level between 0 and 1")
    rows = np.ones(len(linking.names), dtype=bool)
    if among is not None:
        rows = linking.names.isin(list(among)).to_numpy(dtype=bool)
    counts = [len(np.unique(drawn.trail[rows])) for drawn in _drawn(linking, rng, draws)]
    tail = 50.0 * (1.0 - level)
    low, middle, high = np.percentile(counts, [tail, 50.0, 100.0 - tail])
    best = len(np.unique(linking.chosen.trail[rows]))
    low = max(np.floor(best + low - middle), min(best, 1))
    high = min(np.ceil(best + high - middle), np.count_nonzero(rows))
    return CountRange(best, int(low), int(high), level, draws)


def _drawn(linking: Linking, rng: np.random.Generator, draws: int) -> Iterator[Chosen]:
    found = linking.candidates
    for _ in with_progress(range(draws), "sets of trails"):
        price = _PRICE_SD * rng.standard_normal()
        yield found.solve(
            found.tracks.gain - price + rng.logistic(size=len(found.tracks.gain)),
            found.mixed.gain - price + rng.logistic(size=len(found.mixed.gain)),
        )


def link_alternatives(
    linking: Linking, rng: np.random.Generator, *, draws: int = 100, unsure: float = 0.1
) -> pd.DataFrame:
    """List the links that could as well be otherwise.

    Parameters
    ----------
    linking : Linking
        From `link_sign`.
    rng : numpy.random.Generator
        Source of randomness.
    draws : int
        Sets to draw.
    unsure : float
        Links made in at least this share of the sets, and at most in one minus it, are told.

    Returns
    -------
    DataFrame
        ``first`` and ``second``, the sign; ``made``, whether the best set has the link;
        ``share`` of the sets that have it. The least decided first.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> told = link_alternatives(analysis.linking, np.random.default_rng(1), draws=10)
    >>> told.columns.tolist()
    ['first', 'second', 'made', 'share']
    """
    count = len(linking.names)
    keys = [_keys(drawn, count) for drawn in _drawn(linking, rng, draws)]
    share = pd.Series(np.concatenate([*keys, _keys(linking.chosen, count)])).value_counts()
    made = share.index.isin(_keys(linking.chosen, count))
    table = pd.DataFrame(
        {
            "first": linking.names.to_numpy()[share.index // count],
            "second": linking.names.to_numpy()[share.index % count],
            "made": made,
            "share": (share.to_numpy() - made) / draws,
        }
    )
    table = table[table["share"].between(unsure, 1.0 - unsure)]
    order = np.lexsort([table["second"], table["first"], (table["share"] - 0.5).abs()])
    return table.iloc[order].reset_index(drop=True)


def _keys(drawn: Chosen, count: int) -> np.ndarray:
    first = np.concatenate([drawn.links.first, drawn.joins.first])
    second = np.concatenate([drawn.links.second, drawn.joins.second])
    return np.minimum(first, second) * count + np.maximum(first, second)


def price_sensitivity(linking: Linking, factors: Sequence[float] = _FACTORS) -> pd.DataFrame:
    """Count the trails under other prices of starting one.

    Parameters
    ----------
    linking : Linking
        From `link_sign`.
    factors : sequence of float
        Prices to try, as parts of the one that was used.

    Returns
    -------
    DataFrame
        One row per price: ``factor``, ``trails_per_km``, ``trails``, ``links``, and
        ``mean_link_probability`` of its links taken alone.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> told = price_sensitivity(analysis.linking, factors=(0.25, 1.0, 4.0))
    >>> told["trails"].is_monotonic_increasing
    True
    """
    if not all(factor > 0 for factor in factors):
        raise InputError("every factor of the price must be above 0")
    found = linking.candidates
    rows = []
    for factor in factors:
        drawn = found.solve(found.tracks.gain - np.log(factor), found.mixed.gain - np.log(factor))
        sure = 1.0 / (1.0 + np.exp(-drawn.links.gain))
        rows.append(
            {
                "factor": factor,
                "trails_per_km": linking.fit.trails_per_km * factor,
                "trails": len(np.unique(drawn.trail)),
                "links": len(drawn.links.first),
                "mean_link_probability": float(sure.mean()) if len(sure) else np.nan,
            }
        )
    return pd.DataFrame(rows)
