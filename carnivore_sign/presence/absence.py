"""Absence: what blank visits are worth, and how many visits and units a survey needs.

*Not found* is weighed here: how likely a unit is used although n visits were blank, how many
blank visits it takes to be sure, and how to share a season's work between units and visits.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from carnivore_sign.errors import InputError
from carnivore_sign.presence.layout import FloatArray
from carnivore_sign.presence.result import OccupancyFit

#: More visits than this are not looked at in the search for the best number.
_MOST_VISITS: Final = 200


class Probability(NamedTuple):
    """A probability with its limits."""

    estimate: float
    low: float
    high: float


def presence_after_blanks(
    psi: npt.ArrayLike, p: npt.ArrayLike, visits: npt.ArrayLike
) -> FloatArray:
    """Return P(a unit is used | every one of its visits was blank).

    ``psi (1 - p)^n / (1 - psi + psi (1 - p)^n)``, by Bayes' theorem.

    Parameters
    ----------
    psi : array_like
        Probability that a unit is used, before anyone looked.
    p : array_like
        Probability of finding it on one visit to a used unit.
    visits : array_like
        Number of blank visits.

    Returns
    -------
    array
        Of the common shape of the arguments.

    Examples
    --------
    >>> presence_after_blanks(0.6, 0.25, [0, 1, 5]).round(3)
    array([0.6  , 0.529, 0.263])
    """
    chance, found = _probability(psi, "psi"), _probability(p, "p")
    missed = (1.0 - found) ** np.asarray(visits, dtype=float)
    still = chance * missed
    with np.errstate(invalid="ignore"):
        return np.asarray(still / (1.0 - chance + still))


def presence_after_blanks_of(
    fit: OccupancyFit,
    visits: int,
    *,
    level: float = 0.95,
    draws: int = 20_000,
    rng: np.random.Generator | None = None,
) -> Probability:
    """Return P(a unit is used | n blank visits), with the uncertainty of psi and p.

    Parameters
    ----------
    fit : OccupancyFit
        Of the model ``repeat_visits`` without covariates.
    visits : int
        Number of blank visits.
    level : float
        Probability that the limits are to cover.
    draws : int
        Draws of logit psi and logit p from their joint normal distribution.
    rng : Generator, optional
        Where the draws come from; ``numpy.random.default_rng(0)`` by default.

    Returns
    -------
    Probability
        At the estimates, with the limits of the draws.

    Raises
    ------
    InputError
        If the fit is of another model, or a parameter of it could not be estimated.
    """
    constant = all(part.is_constant for part in fit.model.parts)
    if fit.model.name != "repeat_visits" or not constant or fit.flat.any():
        raise InputError(
            "blanks are weighed with one psi and one p, both estimated",
            remedy="Fit model='repeat_visits' without covariates on enough visits.",
        )
    rng = np.random.default_rng(0) if rng is None else rng
    drawn = expit(rng.multivariate_normal(fit.parameters, fit.covariance, size=draws))
    psi, p = expit(fit.parameters)
    tail = 0.5 * (1.0 - level)
    low, high = np.quantile(
        presence_after_blanks(drawn[:, 0], drawn[:, 1], visits), [tail, 1.0 - tail]
    )
    return Probability(float(presence_after_blanks(psi, p, visits)), float(low), float(high))


def blank_visits_needed(p: npt.ArrayLike, *, certainty: float = 0.95) -> npt.NDArray[np.int64]:
    """Return how many visits find a used unit at least once with the wanted certainty.

    The smallest n with ``1 - (1 - p)^n >= certainty``: that many blanks in a row would be
    that unlikely on a used unit. It is not the probability of absence, which needs psi as
    well (see `presence_after_blanks`).

    Parameters
    ----------
    p : array_like
        Probability of finding it on one visit to a used unit, above 0.
    certainty : float
        Between 0 and 1.

    Examples
    --------
    >>> blank_visits_needed([0.05, 0.3, 0.5])
    array([59,  9,  5])
    """
    found = _probability(p, "p")
    if (found <= 0).any() or not 0.0 < certainty < 1.0:
        raise InputError(
            "no number of visits will do with p = 0, or for a certainty of 0 or 1",
            remedy="Give p above 0 and a certainty such as 0.95.",
        )
    with np.errstate(divide="ignore"):
        needed = np.log1p(-certainty) / np.log1p(-found)
    return np.maximum(1, np.ceil(needed - 1e-9)).astype(np.int64)


def psi_variance(psi: npt.ArrayLike, p: npt.ArrayLike, visits: npt.ArrayLike) -> FloatArray:
    """Return the large-sample variance of psi, times the number of units.

    Standard design: every unit is visited `visits` times.
    ``psi [(1 - psi) + (1 - q) / (q - K p (1 - p)^(K - 1))]`` with ``q = 1 - (1 - p)^K``.

    Source: MacKenzie & Royle 2005, J Appl Ecol 42:1105-1114.
    """
    chance, found = _probability(psi, "psi"), _probability(p, "p")
    k = np.asarray(visits, dtype=float)
    ever = 1.0 - (1.0 - found) ** k
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = (1.0 - ever) / (ever - k * found * (1.0 - found) ** (k - 1.0))
    return np.asarray(chance * ((1.0 - chance) + np.where(k < 2, np.inf, lost)))


def best_number_of_visits(psi: npt.ArrayLike, p: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Return the number of visits to each unit that makes psi most precise for its cost.

    With a fixed number of visits in all, more visits a unit leave fewer units; the best
    number does not depend on how many there are in all.

    Parameters
    ----------
    psi, p : array_like
        What is expected of presence and of detection on one visit.

    Source: MacKenzie & Royle 2005, J Appl Ecol 42:1105-1114, standard design.

    Examples
    --------
    >>> best_number_of_visits([0.2, 0.8], 0.3)
    array([5, 8])
    """
    chance, found = np.broadcast_arrays(_probability(psi, "psi"), _probability(p, "p"))
    k = np.arange(2, _MOST_VISITS + 1)
    cost = k * psi_variance(chance[..., None], found[..., None], k)
    return np.asarray(k[np.argmin(cost, axis=-1)])


def units_needed(
    psi: npt.ArrayLike, p: npt.ArrayLike, visits: npt.ArrayLike, *, se: float
) -> npt.NDArray[np.int64]:
    """Return how many units, each visited `visits` times, give psi a standard error of `se`.

    Source: MacKenzie & Royle 2005, J Appl Ecol 42:1105-1114, standard design.

    Examples
    --------
    >>> int(units_needed(0.2, 0.5, 3, se=0.05))
    84
    """
    if se <= 0:
        raise InputError(f"a standard error of {se:g} is not above 0", remedy="Give 0.05, say.")
    needed = psi_variance(psi, p, visits) / se**2
    if not np.isfinite(needed).all():
        raise InputError("one visit a unit cannot tell psi from p", remedy="Plan two or more.")
    return np.ceil(needed - 1e-9).astype(np.int64)


def _probability(values: npt.ArrayLike, name: str) -> FloatArray:
    array = np.asarray(values, dtype=float)
    if not ((array >= 0) & (array <= 1)).all():
        raise InputError(f"{name} is not between 0 and 1", remedy="Give probabilities.")
    return array
