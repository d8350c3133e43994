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
from carnivore_sign.survey.rates import trails_of

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Fewer walks than this tell little about how unlike walks are (common practice, no source).
FEWEST_WALKS: Final = 10


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
    def sentence(self) -> str:
        """What the test says, in words."""
        if self.p_value < 0.05:
            return (
                f"Trails came in clusters (dispersion {self.dispersion:.1f}, p = "
                f"{self.p_value:.3f}): Poisson limits are too narrow, take those drawn from "
                "walks again."
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
    allotted = rng.choice(len(effort), size=(draws, len(chance)), p=share)
    flat = allotted + np.arange(draws)[:, None] * len(effort)
    counts = np.bincount(
        flat.ravel(), weights=np.tile(chance, draws), minlength=draws * len(effort)
    ).reshape(draws, len(effort))
    at_least = _unevenness(counts, share) >= seen * (1 - 1e-12)
    marks = (chance**2).sum() / chance.sum()
    return Clumping(
        walks=len(effort),
        trails_expected=float(chance.sum()),
        dispersion=float(seen / (len(effort) - 1) / marks),
        p_value=float((at_least.sum() + 1) / (draws + 1)),
    )


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
) -> pd.DataFrame:
    """Limits of the rates per km from walks drawn again, with the doubt drawn as well.

    In each draw as many walks as there were are drawn with replacement, and each trail is or is
    not the taxon's by its probability. A party's walk counts once.

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

    Returns
    -------
    DataFrame
        The columns of `by`, ``walks``, ``effort_km``, ``trails_expected``, ``trails_per_km``,
        ``trails_per_km_low``, ``trails_per_km_high`` (percentiles). The limits are missing
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
    """
    if visits.empty or not visits["effort_km"].sum() > 0:
        raise NothingSurveyed("there is no effort among these visits")
    keys = [by] if isinstance(by, str) else list(by)
    groups = visits.groupby(keys, observed=True, dropna=False) if keys else [((), visits)]
    told = [
        (*(key if isinstance(key, tuple) else (key,)),
         *_bootstrap(group, detections, taxon, rng=rng, level=level, draws=draws))
        for key, group in groups
    ]  # fmt: skip
    rates = ["trails_per_km", "trails_per_km_low", "trails_per_km_high"]
    table = pd.DataFrame(told, columns=[*keys, "walks", "effort_km", "trails_expected", *rates])
    few = int((table["walks"] < FEWEST_WALKS).sum())
    if few:
        warnings.warn(
            f"{few} of {len(table)} groups have fewer than {FEWEST_WALKS} walks: limits drawn "
            "from so few are too narrow",
            SmallSampleWarning,
            stacklevel=2,
        )
    return table


def _bootstrap(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    taxon: str,
    *,
    rng: np.random.Generator,
    level: float,
    draws: int,
) -> tuple[int, float, float, float, float, float]:
    effort, walk, chance = _by_walk(visits, detections, taxon)
    total = float(effort.sum())
    expected = float(chance.sum())
    if not expected > 0:
        return len(effort), total, expected, expected / total, np.nan, np.nan
    times = rng.multinomial(len(effort), np.full(len(effort), 1 / len(effort)), size=draws)
    belongs = rng.random((draws, len(chance))) < chance
    rate = (belongs * times[:, walk]).sum(axis=1) / (times @ effort)
    tail = (1 - level) / 2
    low, high = np.quantile(rate, [tail, 1 - tail])
    return len(effort), total, expected, expected / total, float(low), float(high)


def _by_walk(
    visits: pd.DataFrame, detections: pd.DataFrame, taxon: str
) -> tuple[FloatArray, IntArray, FloatArray]:
    """Effort of each walk in km, and the walk (a number) and probability of each trail."""
    effort = visits.groupby("walk", sort=False, observed=True)["effort_km"].sum()
    effort = effort[effort > 0]
    found = trails_of(visits, detections, taxon)
    walk = effort.index.get_indexer(found["walk"])
    return effort.to_numpy(), walk, found["chance"].to_numpy()
