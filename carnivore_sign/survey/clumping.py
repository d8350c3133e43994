"""Clumping: whether trails come in clusters, and limits that allow for it.

Poisson limits suppose that trails are independent. Trails of one animal that crosses back and
forth, of a family, or of a kill come together, and counts are then more uneven among walks than
Poisson counts are. `clumping_test` asks the walks; `bootstrap_rates` draws the walks again, so
that the limits are as wide as the walks are unlike.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError, NothingSurveyed, SmallSampleWarning
from carnivore_sign.survey.doubt import LearnedShare
from carnivore_sign.survey.rates import (
    detection_rates,
    effort_column,
    made_in_time,
    trails_of,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Fewer walks than this tell little about how unlike walks are (common practice, no source).
FEWEST_WALKS: Final = 10

#: Trails allotted at a time.
_BLOCK: Final = 2_000_000


@dataclass(frozen=True)
class Clumping:
    """How uneven the counts of trails are among walks.

    Attributes
    ----------
    walks : int
        Walks with effort.
    trails_expected : float
        Sum of the trails' probabilities.
    dispersion : float
        Variance over what independent trails would give: 1 if independent, more if clumped.
    p_value : float
        Share of random allotments of the same trails to the walks, by effort, that are at least
        as uneven.
    """

    walks: int
    trails_expected: float
    dispersion: float
    p_value: float

    @property
    def clustered(self) -> bool:
        """Whether trails came in clusters, at the level of 0.05."""
        return self.p_value < 0.05

    @property
    def sentence(self) -> str:
        """What the test says, in words."""
        if self.clustered:
            return (
                f"Trails came in clusters (dispersion {self.dispersion:.1f}, p = "
                f"{self.p_value:.3f}): Poisson limits are too narrow, and limits from walks "
                "drawn again are called for."
            )
        return (
            f"No clustering was seen among {self.walks} walks (dispersion "
            f"{self.dispersion:.1f}, p = {self.p_value:.2f}); few walks see little."
        )


def clumping_test(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    rng: np.random.Generator,
    taxon: str = "puma",
    draws: int = 2000,
) -> Clumping:
    r"""Test whether trails are more unevenly spread over walks than effort explains.

    Parameters
    ----------
    visits, detections : DataFrame
        From `make_visits` and `make_detections`.
    rng : numpy.random.Generator
        Source of randomness.
    taxon : str
        A taxon of the vocabulary.
    draws : int
        Random allotments.

    Returns
    -------
    Clumping
        The dispersion, and how often chance alone gives as much.

    Raises
    ------
    NothingSurveyed
        If there are fewer than two walks with effort.
    InputError
        If no trail has a chance of being the taxon's.

    Notes
    -----
    Each trail counts once, on the walk that found it first, with its probability p. Independent
    trails with marks p make a compound Poisson process: a walk with the share s of the effort
    has the mean :math:`s \sum p` and the variance :math:`s \sum p^2`. The dispersion is
    :math:`\sum (y - \mu)^2 / \mu` over (walks - 1) times :math:`\sum p^2 / \sum p`; its
    distribution under independence is found by allotting the trails to walks at random in
    proportion to effort, which is exact given the trails.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> told = clumping_test(
    ...     analysis.visits, analysis.detections, rng=np.random.default_rng(1), draws=200
    ... )
    >>> told.walks, 0.0 < told.p_value < 1.0
    (40, True)
    """
    effort, walk, chance = _by_walk(visits, detections, taxon)
    if len(effort) < 2:
        raise NothingSurveyed("clumping is seen among walks, and there are fewer than two")
    if not chance.sum() > 0:
        raise InputError(
            f"no trail has a chance of being {taxon}", remedy="Without trails nothing clumps."
        )
    share = effort / effort.sum()
    seen = _unevenness(np.bincount(walk, weights=chance, minlength=len(effort))[None], share)[0]
    drawn = [_allotted(chance, share, rng, rows) for rows in _in_blocks(draws, len(chance))]
    at_least = np.concatenate(drawn) >= seen * (1 - 1e-12)
    marks = (chance**2).sum() / chance.sum()
    return Clumping(
        walks=len(effort),
        trails_expected=float(chance.sum()),
        dispersion=float(seen / (len(effort) - 1) / marks),
        p_value=float((at_least.sum() + 1) / (draws + 1)),
    )


def _in_blocks(draws: int, trails: int) -> list[int]:
    """Part draws into blocks that stay small in memory, however many trails there are."""
    most = max(1, _BLOCK // max(trails, 1))
    return [min(most, draws - at) for at in range(0, draws, most)]


def _allotted(
    chance: FloatArray, share: FloatArray, rng: np.random.Generator, draws: int
) -> FloatArray:
    """Allot the trails to walks at random, some times, and say how uneven each time comes out."""
    walks = len(share)
    allotted = rng.choice(walks, size=(draws, len(chance)), p=share)
    flat = (allotted + np.arange(draws)[:, None] * walks).ravel()
    counts = np.bincount(flat, weights=np.tile(chance, draws), minlength=draws * walks)
    return _unevenness(counts.reshape(draws, walks), share)


def _unevenness(counts: npt.NDArray[Any], share: FloatArray) -> FloatArray:
    """Pearson's sum over walks, for each row of counts."""
    mean = counts.sum(axis=1, keepdims=True) * share
    squares: FloatArray = (counts - mean) ** 2 / mean
    return squares.sum(axis=1)


def bootstrap_rates(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    rng: np.random.Generator,
    taxon: str = "puma",
    by: str | Sequence[str] = ("period",),
    level: float = 0.95,
    draws: int = 2000,
    unit: str = "km",
) -> pd.DataFrame:
    """Limits of the rates from walks drawn again.

    In each draw as many walks as there were are drawn with replacement; each brings its trails
    with their probabilities, whose sum is what is known of a walk (`doubtful_poisson_limits`
    says why the doubt is not drawn once more). A party's walk counts once.

    Parameters
    ----------
    visits, detections : DataFrame
        From `make_visits` and `make_detections`.
    rng : numpy.random.Generator
        Source of randomness.
    taxon, by, level
        As in `detection_rates`.
    draws : int
        Number of draws.
    unit : {'km', 'km_day'}
        Effort; per km-day only visits whose accumulation time is known and trails with tracks.

    Returns
    -------
    DataFrame
        The columns of `by`, ``walks``, ``effort_km``, ``trails_expected``, ``trails_per_km``,
        ``trails_per_km_low``, ``trails_per_km_high`` (percentiles); for km-days
        ``effort_km_days``, ``trails_per_km_day`` and its limits. The limits are missing
        where no trail was found: drawing blank walks again says nothing; `detection_rates` has
        the exact upper limit.

    Raises
    ------
    NothingSurveyed
        If there is no effort.

    Warns
    -----
    SmallSampleWarning
        If a group has fewer than 10 walks.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> rates = bootstrap_rates(
    ...     analysis.visits, analysis.detections, rng=np.random.default_rng(1), draws=200
    ... )
    >>> rates["period"].tolist()
    ['2026-02', '2026-03', '2026-04']
    """
    column = effort_column(unit)
    visits = visits[visits[column].gt(0)]
    if visits.empty:
        raise NothingSurveyed("there is no effort among these visits")
    detections = detections if unit == "km" else made_in_time(detections)
    keys = [by] if isinstance(by, str) else list(by)
    groups = visits.groupby(keys, observed=True, dropna=False) if keys else [((), visits)]
    told = [
        (*(key if isinstance(key, tuple) else (key,)),
         *_bootstrap(group, detections, taxon, column, rng=rng, level=level, draws=draws))
        for key, group in groups
    ]  # fmt: skip
    rate = f"trails_per_{unit}"
    names = [*keys, "walks", column, "trails_expected", rate, f"{rate}_low", f"{rate}_high"]
    table = pd.DataFrame(told, columns=names)
    few = int((table["walks"] < FEWEST_WALKS).sum())
    if few:
        warnings.warn(
            f"{few} of {len(table)} groups have fewer than {FEWEST_WALKS} walks: limits drawn "
            "from so few are too narrow",
            SmallSampleWarning,
            stacklevel=2,
        )
    return table


def rates_with_limits(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    rng: np.random.Generator,
    taxon: str = "puma",
    by: str | Sequence[str] = ("period",),
    level: float = 0.95,
    learned: LearnedShare | None = None,
) -> tuple[pd.DataFrame, Clumping | None]:
    """Detection rates, with limits that allow for clusters where trails came in clusters.

    Parameters
    ----------
    visits, detections
        As for `detection_rates`.
    rng : numpy.random.Generator
        Source of randomness.
    taxon, by, level, learned
        As for `detection_rates`.

    Returns
    -------
    rates : DataFrame
        As `detection_rates`, with ``limits``: *poisson*, or *walks drawn again* where
        `clumping_test` over all these visits finds clusters (p below 0.05). Those limits are
        never narrower than the Poisson ones, which few walks drawn again can be.
    clumping : Clumping or None
        What the test says; None where there are no trails or fewer than two walks.

    Raises
    ------
    NothingSurveyed, InputError
        As `detection_rates`.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> rates, clumping = rates_with_limits(
    ...     analysis.visits, analysis.detections, rng=np.random.default_rng(1)
    ... )
    >>> bool((rates["trails_per_km_low"] < rates["trails_per_km_high"]).all())
    True
    """
    rates = detection_rates(visits, detections, taxon=taxon, by=by, level=level, learned=learned)
    rates["limits"] = "poisson"
    if visits["walk"].nunique() < 2 or not rates["trails_expected"].gt(0).any():
        return rates, None
    clumping = clumping_test(visits, detections, rng=rng, taxon=taxon)
    if not clumping.clustered:
        return rates, clumping
    keys = [by] if isinstance(by, str) else list(by)
    for unit in ("km", "km_day"):
        if not visits[effort_column(unit)].gt(0).any():
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", SmallSampleWarning)
            drawn = bootstrap_rates(
                visits, detections, rng=rng, taxon=taxon, by=keys, level=level, unit=unit
            )
        rates = _widened(rates, drawn, keys, f"trails_per_{unit}")
    return rates, clumping


def _widened(rates: pd.DataFrame, drawn: pd.DataFrame, keys: list[str], rate: str) -> pd.DataFrame:
    """Take the limits drawn from walks where they are wider."""
    low, high = f"{rate}_low", f"{rate}_high"
    if keys:
        drawn = rates[keys].merge(drawn, on=keys, how="left")
    wider = rates.assign(
        **{
            low: np.fmin(rates[low].to_numpy(), drawn[low].to_numpy()),
            high: np.fmax(rates[high].to_numpy(), drawn[high].to_numpy()),
        }
    )
    wider.loc[drawn[low].notna().to_numpy(), "limits"] = "walks drawn again"
    return wider


def _bootstrap(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    taxon: str,
    column: str,
    *,
    rng: np.random.Generator,
    level: float,
    draws: int,
) -> tuple[int, float, float, float, float, float]:
    effort, walk, chance = _by_walk(visits, detections, taxon, column)
    total = float(effort.sum())
    expected = float(chance.sum())
    if not expected > 0:
        return len(effort), total, expected, expected / total, np.nan, np.nan
    times = rng.multinomial(len(effort), np.full(len(effort), 1 / len(effort)), size=draws)
    found = np.bincount(walk, weights=chance, minlength=len(effort))
    rate = (times @ found) / (times @ effort)
    tail = (1 - level) / 2
    low, high = np.quantile(rate, [tail, 1 - tail])
    return len(effort), total, expected, expected / total, float(low), float(high)


def _by_walk(
    visits: pd.DataFrame, detections: pd.DataFrame, taxon: str, column: str = "effort_km"
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Effort of each walk, and the walk (a number) and probability of each trail."""
    effort = visits.groupby("walk", sort=False, observed=True)[column].sum()
    effort = effort[effort > 0]
    found = trails_of(visits, detections, taxon)
    walk = effort.index.get_indexer(found["walk"])
    return effort.to_numpy(), walk, found["chance"].to_numpy()
