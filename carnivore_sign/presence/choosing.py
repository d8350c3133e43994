"""Choosing: which model a season or a month is told with, and why.

Segments may stand alone, be used in stretches along the transect, or keep their use from month
to month. All are fitted to the same records by maximum likelihood and ranked by AIC corrected
for small samples, a visited segment in a month being one of the sample. The best is fitted
again with a weak prior on its probabilities (``weak_prior.py``): three months do not show that
a segment never changes, even where none was seen to.

Where the trails vary more than the richest of the ways expects (``fit_checks.py``), and not by
chance, the ways are ranked by QAIC instead, and the limits are wider for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from carnivore_sign.errors import EstimateError, InputError
from carnivore_sign.presence.chaining import Chain
from carnivore_sign.presence.fit_checks import quick_overdispersion, used_factor, widened
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.occupancy import fit_quietly
from carnivore_sign.presence.result import OccupancyFit

Way = Literal["alone", "neighbours", "months"]

#: What each way takes segments to be.
WAYS: Final[dict[Way, str]] = {
    "alone": "each segment in each month stands alone",
    "neighbours": "use runs in stretches along the transect",
    "months": "segments keep their use from month to month",
}

#: Fewer months than this do not show what changes from one to the next.
LEAST_MONTHS: Final = 3


class Choice(NamedTuple):
    """The fit that was chosen, and what it was compared with.

    ``table``: index the ways, best first; ``meaning``, ``parameters``, ``loglik``, ``aicc``,
    ``difference`` from the best, ``weight``.

    Attributes
    ----------
    fit : OccupancyFit
        The chosen way, fitted with a weak prior.
    table : DataFrame
        Index the ways, best first; ``meaning``, ``parameters``, ``loglik``, ``aicc``,
        ``difference`` from the best, ``weight``.
    message : str
        What was chosen and what it was compared with, in words.
    """

    fit: OccupancyFit
    table: pd.DataFrame
    message: str


def choose_way(histories: Histories, alone: OccupancyFit, *, effort: str | None = None) -> Choice:
    """Choose how segments hang together, and fit that with a weak prior.

    Parameters
    ----------
    histories : Histories
        From `make_histories` with ``segments=``.
    alone : OccupancyFit
        Maximum likelihood of ``scored_signs`` without a chain on the same histories.
    effort : str, optional
        As for `fit_occupancy`.

    Returns
    -------
    Choice
        The way, its fit with a weak prior, and what was compared.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign.presence import fit_occupancy, make_histories
    >>> histories = make_histories(
    ...     analysis.visits, analysis.detections, prior=analysis.prior, segments=analysis.segments
    ... )
    >>> alone = fit_occupancy(histories, model="scored_signs")
    >>> sorted(choose_way(histories, alone).table.index)
    ['alone', 'months', 'neighbours']
    """
    fits: dict[Way, OccupancyFit] = {"alone": alone}
    for way in _possible(histories):
        try:
            fits[way] = fit_quietly(
                histories, model="scored_signs", effort=effort, chain=chain_of(way)
            )
        except (EstimateError, InputError):
            continue
    check = quick_overdispersion(max(fits.values(), key=lambda fit: fit.model.n_parameters))
    factor = used_factor(check)
    table = compare_ways(fits, alone.n_units, overdispersion=factor)
    best: Way = table.index[0]
    fit = fit_quietly(
        histories, model="scored_signs", effort=effort, chain=chain_of(best), weak_prior=True
    )
    return Choice(widened(fit, check), table, _explain(table, factor))


def compare_ways(
    fits: Mapping[Way, OccupancyFit], sample: int, *, overdispersion: float = 1.0
) -> pd.DataFrame:
    """Rank fits of the same records by AICc, or QAICc, with one sample size for all.

    Parameters
    ----------
    fits : mapping
        Maximum likelihood fits, by way.
    sample : int
        Visited segments, counted once a month.
    overdispersion : float
        Of the richest way. Above 1 it divides the log-likelihoods, and counts as a parameter.
    """
    k = pd.Series({way: fit.model.n_parameters for way, fit in fits.items()})
    k += int(overdispersion > 1.0)
    loglik = pd.Series({way: fit.loglik for way, fit in fits.items()})
    with np.errstate(divide="ignore"):
        small = np.where(sample > k + 1, 2.0 * k * (k + 1) / (sample - k - 1.0), np.inf)
    table = pd.DataFrame(
        {
            "meaning": pd.Series({way: WAYS[way] for way in fits}),
            "parameters": k,
            "loglik": loglik,
            "aicc": -2.0 * loglik / overdispersion + 2.0 * k + small,
        }
    )
    table["difference"] = table["aicc"] - table["aicc"].min()
    share = np.exp(-0.5 * table["difference"])
    table["weight"] = share / share.sum()
    return table.sort_values("aicc").rename_axis("way")


def chain_of(way: Way) -> Chain | None:
    """Return the chain that `fit_occupancy` knows a way by."""
    return None if way == "alone" else way


def _possible(histories: Histories) -> list[Way]:
    """Return the ways beside the plain one that the survey could show."""
    ways: list[Way] = []
    visited = histories.visits[["unit", "period"]].drop_duplicates()
    if {"transect", "from_m"} <= set(histories.units):
        with_place = visited.merge(histories.units, on=["unit", "period"])
        if with_place.groupby(["period", "transect"]).size().ge(2).any():
            ways.append("neighbours")
    if visited["period"].nunique() >= LEAST_MONTHS and visited["unit"].duplicated().any():
        ways.append("months")
    return ways


def _explain(table: pd.DataFrame, factor: float) -> str:
    """Say which way was chosen, against what, and by how much."""
    best = table.iloc[0]
    if len(table) == 1:
        return f"Presence takes it that {best['meaning']}: the walks could show nothing else."
    criterion = "QAICc" if factor > 1.0 else "AICc"
    others = " and ".join(
        f"{row.meaning} ({row.difference:.1f} higher)" for row in table.iloc[1:].itertuples()
    )
    return (
        f"Presence takes it that {best['meaning']}, which these walks favour (lowest {criterion}) "
        f"over: {others}."
    )
