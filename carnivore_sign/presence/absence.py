"""Absence: what blank visits are worth.

*Not found* is weighed here: how likely a unit is used although n visits were blank, how many
blank visits it takes to be sure, and how much presence a survey without a find leaves room for.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import expit

from carnivore_sign.errors import InputError
from carnivore_sign.presence.layout import FloatArray
from carnivore_sign.presence.result import OccupancyFit

#: A number of visits beyond this is no answer to anyone who has to make them.
MOST_VISITS: Final = 1e9


class Probability(NamedTuple):
    """A probability with its limits.

    Attributes
    ----------
    estimate : float
        The probability.
    low, high : float
        Its limits.
    """

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
        Number of blank visits, 0 or more.

    Returns
    -------
    array
        Of the common shape of the arguments.

    Raises
    ------
    InputError
        If an argument is out of its range, or there is a blank visit where psi and p are 1:
        sure presence and sure detection leave no room for it.

    Examples
    --------
    >>> presence_after_blanks(0.6, 0.25, [0, 1, 5]).round(3)
    array([0.6  , 0.529, 0.263])
    """
    chance, found = require_probability(psi, "psi"), require_probability(p, "p")
    still = chance * (1.0 - found) ** require_count(visits)
    whole = 1.0 - chance + still
    if (whole <= 0.0).any():
        raise InputError(
            "with psi = 1 and p = 1 no visit can be blank", remedy="Give psi or p below 1."
        )
    return np.asarray(still / whole)


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

    Examples
    --------
    >>> import pandas as pd
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> [round(value, 2) for value in presence_after_blanks_of(fit, 4)]
    [0.29, 0.08, 0.64]
    """
    constant = all(part.is_constant for part in fit.model.parts)
    if fit.model.name != "repeat_visits" or not constant or fit.flat.any():
        raise InputError(
            "blanks are weighed with one psi and one p, both estimated",
            remedy="Fit model='repeat_visits' without covariates on enough visits.",
        )
    rng = np.random.default_rng(0) if rng is None else rng
    drawn = expit(rng.multivariate_normal(fit.parameters, fit.covariance, size=draws))
    drawn = drawn.clip(max=1.0 - 1e-15)
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

    Returns
    -------
    array of int
        Number of visits.

    Examples
    --------
    >>> blank_visits_needed([0.05, 0.3, 0.5])
    array([59,  9,  5])
    """
    found = require_probability(p, "p")
    if (found <= 0).any() or not 0.0 < certainty < 1.0:
        raise InputError(
            "no number of visits will do with p = 0, or for a certainty of 0 or 1",
            remedy="Give p above 0 and a certainty such as 0.95.",
        )
    with np.errstate(divide="ignore"):
        needed = np.log1p(-certainty) / np.log1p(-found)
    if (needed > MOST_VISITS).any():
        raise InputError(
            f"p = {found.min():g} asks for more than {MOST_VISITS:.0g} visits",
            remedy="Give a p that a survey can have, such as 0.05.",
        )
    return np.maximum(1, np.ceil(needed - 1e-9)).astype(np.int64)


def blank_visits_needed_of(
    fit: OccupancyFit, *, certainty: float = 0.95, level: float = 0.95
) -> tuple[int, int, int]:
    """Return how many visits are needed at the estimate of p, and at its two limits.

    Parameters
    ----------
    fit : OccupancyFit
        Of a model with a constant ``p``.
    certainty : float
        As for `blank_visits_needed`.
    level : float
        Of the limits of p.

    Returns
    -------
    tuple of int
        At the estimate, at the upper limit of p (fewest), at its lower limit (most).

    Raises
    ------
    InputError
        If the model has no constant p, or it could not be estimated.

    Examples
    --------
    >>> import pandas as pd
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> blank_visits_needed_of(fit)
    (5, 4, 7)
    """
    table = fit.summary(level=level)
    if "p" not in table.index or table.loc["p", ["low", "high"]].isna().any():
        raise InputError(
            "the fit has no constant p with limits",
            remedy="Fit model='repeat_visits' without detection= on enough visits.",
        )
    estimate, low, high = table.loc["p", ["estimate", "low", "high"]].astype(float)
    needed = blank_visits_needed([estimate, high, low], certainty=certainty)
    return int(needed[0]), int(needed[1]), int(needed[2])


def presence_limit_if_all_blank(
    p: npt.ArrayLike, visits: npt.ArrayLike, *, level: float = 0.95
) -> float:
    """Return the upper limit of psi where no unit of a survey had a find.

    Blanks everywhere estimate nothing, but they limit presence if detection is known from
    elsewhere: at a psi above the limit, so many blanks had a chance of less than
    ``1 - level``. The limit is exact, one-sided, and solves
    ``prod_i (1 - psi [1 - (1 - p)^n_i]) = 1 - level``; it is 1 where even full presence
    would leave so many blanks.

    Parameters
    ----------
    p : array_like
        Probability of finding it on one visit to a used unit; one for all, or by unit.
    visits : array_like
        Blank visits to each unit.
    level : float
        Certainty of the limit.

    Returns
    -------
    float
        The limit.

    Examples
    --------
    >>> round(presence_limit_if_all_blank(0.3, [4] * 20), 3)
    0.183
    >>> presence_limit_if_all_blank(0.1, [1, 1])
    1.0
    """
    found, n = np.broadcast_arrays(require_probability(p, "p"), require_count(visits))
    if not 0.0 < level < 1.0:
        raise InputError(f"a level of {level:g} is not between 0 and 1", remedy="Give 0.95.")
    ever = 1.0 - (1.0 - found) ** n

    def excess(psi: float) -> float:
        with np.errstate(divide="ignore"):
            return float(np.log1p(-psi * ever).sum() - np.log1p(-level))

    if excess(1.0) >= 0:
        return 1.0
    return float(brentq(excess, 0.0, 1.0 - 1e-15 if np.isinf(excess(1.0)) else 1.0, xtol=1e-12))


def require_probability(values: npt.ArrayLike, name: str) -> FloatArray:
    """Return `values` as an array of probabilities, or raise `InputError`."""
    array = np.asarray(values, dtype=float)
    if not ((array >= 0) & (array <= 1)).all():
        raise InputError(f"{name} is not between 0 and 1", remedy="Give probabilities.")
    return array


def require_count(visits: npt.ArrayLike) -> FloatArray:
    """Return `visits` as an array of numbers of visits, or raise `InputError`."""
    array = np.asarray(visits, dtype=float)
    if not (np.isfinite(array) & (array >= 0)).all():
        raise InputError("a number of visits is below 0 or missing", remedy="Give 0 or more.")
    return array
