"""Fit checks: do the histories look as the model says they should.

Pearson's chi-squared over detection histories, against its distribution under the fitted
model itself, by parametric bootstrap. Their ratio is an overdispersion factor: above 1 the
units differ, or hang together, more than the model knows, and its limits are too narrow.

Source: MacKenzie & Bailey 2004, J Agric Biol Environ Stat 9:300-318.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Final, cast

import numpy as np
import pandas as pd
from scipy.special import expit

from carnivore_sign.errors import InputError
from carnivore_sign.presence.fitting import maximise
from carnivore_sign.presence.layout import FloatArray, Layout
from carnivore_sign.presence.repeat_visits import RepeatVisits
from carnivore_sign.presence.result import OccupancyFit
from carnivore_sign.presence.two_states import TwoStates
from carnivore_sign.progress import with_progress

#: Fewer visits a unit, or finds a used unit, than this and the check sees little.
_FEW_VISITS: Final = 4.0
_FEW_FINDS: Final = 1.5


@dataclass(frozen=True)
class FitCheck:
    """How far the histories are from what the model expects.

    Attributes
    ----------
    chi_square : float
        Of the data.
    p_value : float
        Share of surveys drawn from the model that lie as far off, or farther.
    overdispersion : float
        Chi-squared over its mean under the model.
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
    show_progress: bool = False,
) -> FitCheck:
    """Check a fit of the model ``repeat_visits`` against its own detection histories.

    Parameters
    ----------
    fit : OccupancyFit
        Of ``repeat_visits``, with or without covariates, without a chain.
    replicates : int
        Surveys to draw from the fit and fit again.
    rng : Generator, optional
        Where they come from; ``numpy.random.default_rng(0)`` by default.
    show_progress : bool
        Draw a bar.

    Returns
    -------
    FitCheck

    Raises
    ------
    InputError
        If the fit is of another model.

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
    states = _states_of(fit)
    return bootstrap_check(
        states,
        fit.parameters,
        statistic=chi_square,
        draw=draw_again,
        steps=with_progress(range(replicates), "bootstrap", show=show_progress),
        rng=np.random.default_rng(0) if rng is None else rng,
        message=_weakness(states),
    )


def bootstrap_check(
    states: TwoStates,
    parameters: FloatArray,
    *,
    statistic: Callable[[TwoStates, FloatArray], float],
    draw: Callable[[TwoStates, FloatArray, np.random.Generator], TwoStates],
    steps: Iterable[int],
    rng: np.random.Generator,
    message: str,
) -> FitCheck:
    """Hold a statistic of the data against surveys drawn from the model and fitted again."""
    observed = statistic(states, parameters)
    drawn = []
    for _ in steps:
        again = draw(states, parameters, rng)
        end = maximise(again.evaluate, parameters)
        if end.converged:
            drawn.append(statistic(again, end.parameters))
    under_model = np.array(drawn)
    return FitCheck(
        observed,
        float((np.sum(under_model >= observed) + 1) / (len(under_model) + 1)),
        float(observed / under_model.mean()),
        len(under_model),
        message,
    )


def bootstrap_limits(
    fit: OccupancyFit,
    *,
    replicates: int = 1000,
    level: float = 0.95,
    rng: np.random.Generator | None = None,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Return percentile limits from surveys drawn from the fit and fitted again.

    Parameters
    ----------
    fit, replicates, rng, show_progress
        As for `check_fit`.
    level : float
        Probability that the limits are to cover.

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
    states = _states_of(fit)
    rng = np.random.default_rng(0) if rng is None else rng
    ends = []
    for _ in with_progress(range(replicates), "bootstrap", show=show_progress):
        end = maximise(draw_again(states, fit.parameters, rng).evaluate, fit.parameters)
        if end.converged:
            ends.append(replace(fit, parameters=end.parameters).summary()["estimate"].to_numpy())
    tail = 0.5 * (1.0 - level)
    low, high = np.quantile(np.array(ends, dtype=float), [tail, 1.0 - tail], axis=0)
    table = fit.summary()[["estimate"]]
    return table.assign(low=low, high=high)


def draw_again(states: TwoStates, parameters: FloatArray, rng: np.random.Generator) -> TwoStates:
    """Draw a survey with the same visits from the model at `parameters`."""
    given = cast(RepeatVisits, states.given)
    psi, p = _chances(states, parameters)
    used = rng.random(len(psi)) < psi
    found = (rng.random(len(p)) < p) & used[given.layout.site]
    return replace(states, given=replace(given, found=found.astype(float)))


def chi_square(states: TwoStates, parameters: FloatArray) -> float:
    """Return Pearson's chi-squared over detection histories.

    Units with as many visits form a cohort. In it each history that was seen adds
    ``(observed - expected)^2 / expected``, and all those never seen add what was expected of
    them. A unit's visits stand in the order of the histories' rows.
    """
    given = cast(RepeatVisits, states.given)
    psi, p = _chances(states, parameters)
    order, size = _by_unit(given.layout)
    total = 0.0
    for visits in np.unique(size[size > 0]):
        units = np.flatnonzero(size == visits)
        rows = order[(np.cumsum(size) - size)[units][:, None] + np.arange(visits)]
        total += _cohort(given.found[rows], psi[units], p[rows])
    return total


def _cohort(found: FloatArray, psi: FloatArray, p: FloatArray) -> float:
    seen, count = np.unique(found, axis=0, return_counts=True)
    chance = np.clip(p, 1e-12, 1.0 - 1e-12)
    missed = np.log1p(-chance)
    log_record = missed.sum(axis=1)[:, None] + (np.log(chance) - missed) @ seen.T
    expected = psi @ np.exp(log_record)
    expected += np.where(seen.any(axis=1), 0.0, (1.0 - psi).sum())
    return float(((count - expected) ** 2 / expected).sum() + len(psi) - expected.sum())


def _by_unit(layout: Layout) -> tuple[np.ndarray, np.ndarray]:
    return np.argsort(layout.site, kind="stable"), layout.visits_per_site


def _chances(states: TwoStates, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    given = cast(RepeatVisits, states.given)
    beta, theta = np.split(parameters, [states.n_psi])
    return expit(states.psi_matrix @ beta), expit(given.p_matrix @ theta)


def _states_of(fit: OccupancyFit) -> TwoStates:
    if fit.model.name != "repeat_visits" or fit.model.chain is not None:
        raise InputError(
            f"this check is for model='repeat_visits' without a chain, not {fit.model.name!r}",
            remedy="Fit that model to the same histories and check it.",
        )
    layout = fit.model.on(fit.histories).layout
    visits, detection = fit.histories.visits, fit.model.parts[-1].covariates
    record = RepeatVisits(layout, visits["found"].to_numpy(dtype=float), detection.matrix(visits))
    return TwoStates(fit.model.parts[0].covariates.matrix(fit.histories.units), record)


def _weakness(states: TwoStates) -> str:
    given = cast(RepeatVisits, states.given)
    size = given.layout.visits_per_site
    visits = float(size[size > 0].mean())
    finds = given.layout.sum_visits @ given.found
    per_used = float(finds[finds > 0].mean()) if (finds > 0).any() else 0.0
    if visits >= _FEW_VISITS and per_used >= _FEW_FINDS:
        return ""
    return (
        f"With {visits:.1f} visits a unit and {per_used:.1f} finds where anything was found, this "
        "check sees little: that it finds no fault does not show that there is none."
    )
