"""Fit checks: does a survey look as the model says it should.

Pearson's chi-squared (``pearson.py``), against its distribution under the fitted model itself,
by parametric bootstrap (``drawing.py``). Their ratio is an overdispersion factor: above 1 the
units differ, or hang together, more than the model knows, and its limits are too narrow.

Source: MacKenzie & Bailey 2004, J Agric Biol Environ Stat 9:300-318.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Final, TypeVar

import numpy as np
import pandas as pd

from carnivore_sign.errors import NotConverged
from carnivore_sign.presence.drawing import Survey, survey_of
from carnivore_sign.presence.notes import Note
from carnivore_sign.presence.pearson import chi_square
from carnivore_sign.presence.result import OccupancyFit
from carnivore_sign.progress import with_progress
from carnivore_sign.spreading import Place, spread

#: Fewer looks a unit, finds where anything was found, or trails a unit than this and the check
#: sees little.
_FEW_VISITS: Final = 4.0
_FEW_FINDS: Final = 1.5
_FEW_TRAILS: Final = 1.0

#: Surveys that look for overdispersion takes, and the share of them above which it is chance.
_QUICK: Final = 99
_BY_CHANCE: Final = 0.05

#: Surveys that are drawn from one stream of chance, and fitted in one place.
_BLOCK: Final = 20

_T = TypeVar("_T")


@dataclass(frozen=True)
class FitCheck:
    """How far a survey is from what the model expects.

    Attributes
    ----------
    chi_square : float
        Of the data.
    p_value : float
        Share of surveys drawn from the model that lie as far off, or farther.
    overdispersion : float
        Chi-squared over its mean under the model. Give it to `widened`,
        `OccupancyFit.summary` and `compare_fits`.
    replicates : int
        Surveys drawn, and fitted again.
    message : str
        What to know about the power of the check; may be empty.
    """

    chi_square: float
    p_value: float
    overdispersion: float
    replicates: int
    message: str


def check_fit(
    fit: OccupancyFit,
    *,
    replicates: int = 1000,
    rng: np.random.Generator | None = None,
    on: Place = None,
    show_progress: bool = False,
) -> FitCheck:
    """Check a fit against its own survey.

    Parameters
    ----------
    fit : OccupancyFit
        Of any model, with or without covariates and a chain. Found or not, and graded finds,
        are checked by their histories (along a line, by pieces of four segments; over months,
        each month by itself), scored signs by the number of trails on each unit.
    replicates : int
        Surveys to draw from the fit and fit again.
    rng : Generator, optional
        Where they come from; ``numpy.random.default_rng(0)`` by default.
    on : place, optional
        Where surveys are fitted; see `carnivore_sign.spreading.spread`. The numbers are the same.
    show_progress : bool
        Draw a bar.

    Returns
    -------
    FitCheck
        The statistic beside its distribution under the model, and the overdispersion.

    Examples
    --------
    >>> import pandas as pd
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> check = check_fit(fit, replicates=50)
    >>> check.p_value < 0.05, check.replicates
    (True, 50)
    """
    survey = survey_of(fit)
    return _held_against(
        survey, _bootstrap(survey, chi_square, replicates, rng, on=on, show=show_progress)
    )


def quick_overdispersion(fit: OccupancyFit) -> FitCheck:
    """Do what `check_fit` does with few surveys, none of them fitted again.

    To take the estimates for the truth leaves the surveys a little farther off than the data,
    to which the estimates were fitted: the factor comes out too low, by about the share of
    parameters among the units. Drawing ends as soon as enough surveys lie as far off as the
    data for them not to be called overdispersed.

    Source: sequential Monte Carlo tests, Besag & Clifford 1991, Biometrika 78:301-304 (from
    memory).
    """
    survey, rng = survey_of(fit), np.random.default_rng(0)
    observed = chi_square(survey)
    drawn: list[float] = []
    while len(drawn) < _QUICK and sum(one >= observed for one in drawn) < _BY_CHANCE * _QUICK:
        drawn.append(chi_square(survey.drawn(rng)))
    return _held_against(survey, drawn)


def used_factor(check: FitCheck) -> float:
    """Return the overdispersion to reckon with: 1 if it is not above what chance would give."""
    return max(1.0, check.overdispersion) if check.p_value <= _BY_CHANCE else 1.0


def widened(fit: OccupancyFit, check: FitCheck) -> OccupancyFit:
    """Return a fit whose limits know that the survey is overdispersed, if it is.

    Parameters
    ----------
    fit : OccupancyFit
        Of any model.
    check : FitCheck
        Of that fit, or of the richest model of the same survey.

    Returns
    -------
    OccupancyFit
        With a covariance larger by the factor, and a note that says so; `fit` itself where
        the factor is not above 1, or not above what chance would give.

    Examples
    --------
    >>> from carnivore_sign.presence import check_fit, fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> wider = widened(fit, check_fit(fit, replicates=50))
    >>> bool(wider.covariance[0, 0] >= fit.covariance[0, 0])
    True
    """
    factor = used_factor(check)
    if factor == 1.0:
        return fit
    told = Note(
        f"The survey varies {factor:.2f} times as much as the model expects (p "
        f"{check.p_value:.2f}): limits are wider for it."
    )
    return replace(fit, covariance=factor * fit.covariance, notes=(*fit.notes, told))


def bootstrap_limits(
    fit: OccupancyFit,
    *,
    replicates: int = 1000,
    level: float = 0.95,
    rng: np.random.Generator | None = None,
    on: Place = None,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Return percentile limits from surveys drawn from the fit and fitted again.

    Parameters
    ----------
    fit, replicates
        As for `check_fit`.
    level : float
        Probability that the limits are to cover.
    rng, on, show_progress
        As for `check_fit`.

    Returns
    -------
    DataFrame
        Index and scales as `OccupancyFit.summary`; ``estimate``, ``low``, ``high``.

    Examples
    --------
    >>> import pandas as pd
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> list(bootstrap_limits(fit, replicates=20).columns)
    ['estimate', 'low', 'high']
    """
    of = partial(_estimates, fit)
    ends = _bootstrap(survey_of(fit), of, replicates, rng, on=on, show=show_progress)
    tail = 0.5 * (1.0 - level)
    low, high = np.quantile(np.array(ends), [tail, 1.0 - tail], axis=0)
    return fit.summary()[["estimate"]].assign(low=low, high=high)


def _estimates(fit: OccupancyFit, drawn: Survey) -> np.ndarray:
    return replace(fit, parameters=drawn.parameters).summary()["estimate"].to_numpy(dtype=float)


def _bootstrap(
    survey: Survey,
    of: Callable[[Survey], _T],
    replicates: int,
    rng: np.random.Generator | None,
    *,
    on: Place,
    show: bool,
) -> list[_T]:
    """Return something of surveys drawn and fitted again; those without a maximum are left out.

    They are drawn in blocks, each from a stream of its own, so that it does not matter where or in
    which order the blocks are worked on.
    """
    rng = np.random.default_rng(0) if rng is None else rng
    sizes = [min(_BLOCK, replicates - first) for first in range(0, replicates, _BLOCK)]
    blocks = list(zip(sizes, rng.spawn(len(sizes)), strict=True))
    work = partial(_fitted_again, survey, of)
    parts = spread(work, with_progress(blocks, "bootstrap", show=show), on=on)
    told = [one for part in parts for one in part]
    if not told:
        raise NotConverged("no survey drawn from the fit could be fitted again")
    return told


def _fitted_again(
    survey: Survey, of: Callable[[Survey], _T], block: tuple[int, np.random.Generator]
) -> list[_T]:
    replicates, rng = block
    told = []
    for _ in range(replicates):
        try:
            told.append(of(survey.again(rng)))
        except NotConverged:
            continue
    return told


def _held_against(survey: Survey, under_model: list[float]) -> FitCheck:
    observed, drawn = chi_square(survey), np.array(under_model)
    return FitCheck(
        observed,
        float((np.sum(drawn >= observed) + 1) / (len(drawn) + 1)),
        float(observed / drawn.mean()),
        len(drawn),
        _weakness(survey),
    )


def _weakness(survey: Survey) -> str:
    """Say where the check is known to be weak."""
    weak = "that it finds no fault does not show that there is none."
    layout = survey.layout
    if survey.model.name == "scored_signs":
        per_unit = len(survey.sign_visit) / max(layout.n_visited, 1)
        if per_unit >= _FEW_TRAILS:
            return ""
        return f"With {per_unit:.1f} trails a unit this check sees little: {weak}"
    size = layout.visits_per_site
    visits = float(size[size > 0].mean())
    finds = np.bincount(layout.site, survey.finds(), minlength=layout.n_sites)
    per_used = float(finds[finds > 0].mean()) if (finds > 0).any() else 0.0
    if visits >= _FEW_VISITS and per_used >= _FEW_FINDS:
        return ""
    return (
        f"With {visits:.1f} visits a unit and {per_used:.1f} finds where anything was found, this "
        f"check sees little: {weak}"
    )
