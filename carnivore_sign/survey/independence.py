"""Independence: whether several visits find what their number promises.

If visits were independent, the chance to find sign on one of n would follow from that on one
visit by multiplying the chances of blanks. They seldom are: an animal that is about leaves sign
for visit after visit, and one that is not leaves none. Then the product is no answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammaln

from carnivore_sign.errors import InputError, NothingSurveyed
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import SURE_FROM

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Independence:
    """What several visits found, beside what independent ones would have.

    Attributes
    ----------
    once : float
        Share of units found on one visit.
    visits : int
        Number of visits.
    found : float
        Share of units found on at least one of them.
    low, high : float
        Range of `found` that independent visits could show: within the rounding of published
        shares, or within the limits of a bootstrap.
    """

    once: float
    visits: int
    found: float
    low: float
    high: float

    @property
    def multiplied(self) -> float:
        """Share that independent visits would find: 1 - (1 - once)^visits."""
        return 1.0 - (1.0 - self.once) ** self.visits

    @property
    def independent(self) -> bool:
        """Whether what was found can be the work of independent visits."""
        return self.low <= self.found <= self.high

    @property
    def sentence(self) -> str:
        """What the comparison says, in words."""
        told = (
            f"{self.visits} visits found {self.found * 100:.0f} %, where independent visits, of "
            f"which each finds {self.once * 100:.0f} %, would find {self.multiplied * 100:.0f} % "
            f"({self.low * 100:.0f} to {self.high * 100:.0f} %)."
        )
        if self.independent:
            return f"{told} That they are independent is not contradicted."
        return (
            f"{told} The visits are not independent: chances of single visits must not be "
            "multiplied. Count what so many visits found, or fit a model of presence."
        )


def published_independence(
    once: float, found: float, *, visits: int, rounded_to: float = 0.01
) -> Independence:
    """Hold a published share of several visits against that of one visit.

    Parameters
    ----------
    once, found : float
        Share found on one visit, and on at least one of `visits`, as printed.
    visits : int
        Number of visits.
    rounded_to : float
        Last digit of the printed shares; rounding alone is no contradiction.

    Returns
    -------
    Independence
        What the shares would be, and whether they agree.

    Examples
    --------
    >>> published_independence(0.5, 0.88, visits=3).independent
    True
    >>> published_independence(0.78, 0.95, visits=3).independent
    False
    """
    if not (0 <= once <= 1 and 0 <= found <= 1) or visits < 1:
        raise InputError(
            "shares lie between 0 and 1, and there is one visit or more",
            remedy="Give once=0.23, found=0.58, visits=3.",
        )
    half = rounded_to / 2
    ends = 1 - (1 - np.clip([once - half, once + half], 0, 1)) ** visits
    return Independence(once, visits, found, float(ends[0] - half), float(ends[1] + half))


def visits_independence(
    visits: pd.DataFrame,
    detections: pd.DataFrame,
    *,
    of: int,
    rng: np.random.Generator,
    taxon: str = "puma",
    sure_at: float = SURE_FROM,
    draws: int = 2000,
    level: float = 0.95,
) -> Independence:
    """Hold the share of segments found in several visits against that of one visit.

    Parameters
    ----------
    visits, detections : DataFrame
        From `make_visits` and `make_detections`.
    of : int
        Number of visits, two or more.
    rng : numpy.random.Generator
        Source of randomness.
    taxon : str
        A taxon of the vocabulary.
    sure_at : float
        Probability from which a trail counts as found.
    draws : int
        Surveys of independent visits that are drawn.
    level : float
        Share of them that `low` and `high` hold.

    Returns
    -------
    Independence
        ``once`` and ``found`` are means over the segments with `of` visits or more, each with
        all its subsets of one and of `of` visits.

    Raises
    ------
    NothingSurveyed
        If fewer than two segments have so many visits.

    Notes
    -----
    A segment with k finds on m visits is found in n of them with probability
    1 - C(m - k, n) / C(m, n). Independent visits are drawn with one chance everywhere, and each
    drawn survey is held against the product of its own share.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> told = visits_independence(
    ...     analysis.visits, analysis.detections, of=3, rng=np.random.default_rng(1), draws=200
    ... )
    >>> told.once < told.found
    True
    """
    if of < 2:
        raise InputError(f"{of} visits cannot depend on each other", remedy="Ask of two or more.")
    chance = detections[taxon_column(taxon)]
    hit = visits["visit"].isin(detections.loc[chance >= sure_at, "visit"])
    by = hit.groupby(visits["segment"].astype("object"))
    looked, found = by.size().to_numpy(), by.sum().to_numpy()
    enough = looked >= of
    looked, found = looked[enough], found[enough]
    if len(looked) < 2:
        raise NothingSurveyed(f"fewer than two segments have {of} visits")
    once = float((found / looked).mean())
    drawn = rng.binomial(looked, once, size=(draws, len(looked)))
    told = _found_in(looked, drawn, of).mean(axis=1)
    product = 1 - (1 - (drawn / looked).mean(axis=1)) ** of
    tail = (1 - level) / 2
    apart = np.quantile(told - product, [tail, 1 - tail])
    low, high = 1 - (1 - once) ** of + apart
    return Independence(once, of, float(_found_in(looked, found, of).mean()), low, high)


def _found_in(looked: npt.NDArray[np.int64], found: npt.NDArray[np.int64], of: int) -> FloatArray:
    """Share of the subsets of `of` visits with at least one find."""
    blank = looked - found
    possible = blank >= of
    kept = np.where(possible, blank, of)
    log_share = gammaln(kept + 1) - gammaln(kept - of + 1) - gammaln(looked + 1)
    log_share = log_share + gammaln(looked - of + 1)
    share: FloatArray = 1.0 - np.where(possible, np.exp(log_share), 0.0)
    return share
