"""Count checks: do the numbers of trails look as the scored-signs model says they should.

Pearson's chi-squared of the trails on each unit against what the model expects of any such
unit, and its distribution over surveys drawn from the fit and fitted again. The evidence of a
drawn trail is one of the survey's own, taken as often as that trail is likely to be the taxon's
(or something else's): the densities of the evidence themselves are not known.

Source: the parametric bootstrap of MacKenzie & Bailey 2004, J Agric Biol Environ Stat
9:300-318, on counts in place of histories.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, cast

import numpy as np
from scipy.special import expit

from carnivore_sign.errors import InputError
from carnivore_sign.presence.fit_checks import FitCheck, bootstrap_check
from carnivore_sign.presence.layout import FloatArray
from carnivore_sign.presence.result import OccupancyFit
from carnivore_sign.presence.scored_signs import ScoredSigns
from carnivore_sign.presence.two_states import TwoStates
from carnivore_sign.progress import with_progress

#: Fewer trails a unit than this, and the check sees little.
_FEW_TRAILS: Final = 1.0


def check_counts(
    fit: OccupancyFit,
    *,
    replicates: int = 500,
    rng: np.random.Generator | None = None,
    show_progress: bool = False,
) -> FitCheck:
    """Check a fit of ``scored_signs`` against its own numbers of trails.

    Parameters
    ----------
    fit : OccupancyFit
        Of ``scored_signs`` without a chain, by maximum likelihood.
    replicates : int
        Surveys to draw from the fit and fit again.
    rng : Generator, optional
        Where they come from; ``numpy.random.default_rng(0)`` by default.
    show_progress : bool
        Draw a bar.

    Returns
    -------
    FitCheck
        An overdispersion above 1 says that trails come in clumps, or that units differ, more
        than the model knows; give it to `OccupancyFit.summary` and `compare_fits`.

    Raises
    ------
    InputError
        If the fit is of another model.
    """
    if fit.model.name != "scored_signs" or fit.model.chain is not None or fit.model.weak_prior:
        raise InputError(
            "this check is for model='scored_signs' without a chain, by maximum likelihood",
            remedy="Fit that to the same histories and check it.",
        )
    rng = np.random.default_rng(0) if rng is None else rng
    states = cast(TwoStates, fit.model.on(fit.histories).states)
    return bootstrap_check(
        states,
        fit.parameters,
        statistic=count_chi_square,
        draw=draw_signs_again,
        steps=with_progress(range(replicates), "bootstrap", show=show_progress),
        rng=rng,
        message=_weakness(states),
    )


def count_chi_square(states: TwoStates, parameters: FloatArray) -> float:
    """Return the sum over visited units of ``(trails - expected)^2 / expected``."""
    given = cast(ScoredSigns, states.given)
    psi, rate, lookalike = _rates(states, parameters)
    site, size = given.layout.site, given.layout.n_sites
    expected = np.bincount(site, (lookalike + psi[site] * rate) * given.effort, minlength=size)
    trails = np.bincount(site[given.sign_visit], minlength=size)
    there = expected > 0
    return float(((trails - expected)[there] ** 2 / expected[there]).sum())


def draw_signs_again(
    states: TwoStates, parameters: FloatArray, rng: np.random.Generator
) -> TwoStates:
    """Draw a survey with the same visits, and evidence from that of the survey itself."""
    given = cast(ScoredSigns, states.given)
    psi, rate, lookalike = _rates(states, parameters)
    used = (rng.random(len(psi)) < psi)[given.layout.site]
    own = rng.poisson(rate * given.effort * used)
    other = rng.poisson(lookalike * given.effort)
    at = given.sign_visit
    share = expit(np.log(rate[at]) + given.log_ratio - np.log(lookalike[at]))
    w = expit(states.log_odds(parameters)[0])[given.layout.site[at]]
    of_taxon = w * share
    visits = np.arange(len(own))
    return replace(
        states,
        given=replace(
            given,
            sign_visit=np.concatenate([np.repeat(visits, own), np.repeat(visits, other)]),
            log_ratio=np.concatenate(
                [
                    _resample(given.log_ratio, of_taxon, own.sum(), rng),
                    _resample(given.log_ratio, 1.0 - of_taxon, other.sum(), rng),
                ]
            ),
        ),
    )


def _resample(
    values: FloatArray, weight: FloatArray, how_many: int, rng: np.random.Generator
) -> FloatArray:
    return rng.choice(values, size=how_many, p=weight / weight.sum())


def _rates(states: TwoStates, parameters: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return psi of each site, and the two rates of sign of each visit."""
    given = cast(ScoredSigns, states.given)
    beta, alpha, gamma = np.split(
        parameters, [states.n_psi, states.n_psi + given.rate_matrix.shape[1]]
    )
    psi = expit(states.psi_matrix @ beta)
    return psi, np.exp(given.rate_matrix @ alpha), np.exp(given.lookalike_matrix @ gamma)


def _weakness(states: TwoStates) -> str:
    given = cast(ScoredSigns, states.given)
    per_unit = len(given.sign_visit) / max(given.layout.n_visited, 1)
    if per_unit >= _FEW_TRAILS:
        return ""
    return (
        f"With {per_unit:.1f} trails a unit this check sees little: that it finds no fault does "
        "not show that there is none."
    )
