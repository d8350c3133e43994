"""Occupancy: fit a model to histories, and say plainly what the data cannot tell.

This is the face of the room's models: a list of steps, each in a file of its own.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from carnivore_sign.presence.abundance import Abundance
from carnivore_sign.presence.chaining import Chain, Chaining, OverMonths, chaining_of, name_of
from carnivore_sign.presence.fitting import Maximum, best_maximum, sharpness
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.models import (
    USES_EFFORT,
    Likelihood,
    Model,
    arranged,
    learn_model,
)
from carnivore_sign.presence.notes import Note, not_estimable
from carnivore_sign.presence.open_questions import find_edges, open_questions, require_gain
from carnivore_sign.presence.preparing import (
    choose_effort,
    require_complete_units,
    require_substance,
    set_aside_without_covariates,
    set_aside_without_effort,
)
from carnivore_sign.presence.result import OccupancyFit

#: Share of a likelihood that a sum over animals may leave out, and the longest sum tried.
_TAIL: Final = 1e-9
_MOST_ANIMALS: Final = 200


def fit_occupancy(
    histories: Histories,
    *,
    model: str = "repeat_visits",
    effort: str | None = None,
    presence: Sequence[str] = (),
    detection: Sequence[str] = (),
    lookalikes: Sequence[str] = (),
    chain: Chain | Chaining | None = None,
    weak_prior: bool = False,
) -> OccupancyFit:
    """Estimate how much of the country is used, corrected for what visits miss.

    Parameters
    ----------
    histories : Histories
        From `make_histories`.
    model : str
        ``repeat_visits``: found (surely) or not, by visit; ``sure_unsure``: sure, unsure
        or nothing; ``scored_signs``: every sign with its likelihood ratio, and effort;
        ``abundance``: found or not, where units with more animals are easier.
    effort : {"effort_km_days", "effort_km"}, optional
        Column of effort of the scored model. Rates per km-day are learned from trails with
        tracks: scat may lie for weeks. By default km-days if every visit has them,
        else km. Visits that lack a chosen column are left out with a `DataWarning`.
    presence : sequence of str
        Columns of ``histories.units`` that presence depends on.
    detection : sequence of str
        Columns of ``histories.visits`` that detection (or the rate of the taxon's sign)
        depends on.
    lookalikes : sequence of str
        Columns of ``histories.visits`` that the rate of other sign depends on.
    chain : {"line", "months", "neighbours"}, AlongLine or OverMonths, optional
        How units hang together: segments along their transect, each walk a look at the
        line (then a unit is a transect); months one after another; or segments that are
        used in stretches along their transect, each in one state a period. By default
        every unit in every period stands alone. ``AlongLine(first_segment=...)`` and
        ``OverMonths(colonisation=[...], extinction=[...])`` say more than the names.
    weak_prior : bool
        Hold every probability of the model off the edge of its range with a flat prior
        (``weak_prior.py``), for surveys too small to do without. By default the estimates
        are those of maximum likelihood.

    Returns
    -------
    OccupancyFit
        The estimates, how sharp they are, and what the data leave open.

    Raises
    ------
    EstimateError
        If nothing was found, if no unit was visited twice (``repeat_visits``), or if the
        signs give no hold on presence.
    NotConverged
        If no maximum was found.
    InputError
        If a column or a model is not there.

    Warns
    -----
    BoundaryWarning
        If an estimate sits at the edge of its range, or the data leave it open.
    DataWarning
        If visits were left out.

    Examples
    --------
    >>> import pandas as pd
    >>> from carnivore_sign.presence import histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1], [0, 0, 0], [0, 1, 0], [0, 0, None]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> fit.summary()["estimate"].round(3).to_dict()
    {'psi': 0.751, 'p': 0.355}
    """
    fit = fit_quietly(
        histories,
        model=model,
        effort=effort,
        presence=presence,
        detection=detection,
        lookalikes=lookalikes,
        chain=chain,
        weak_prior=weak_prior,
    )
    for note in fit.notes:
        if note.warning is not None:
            warnings.warn(note.text, note.warning, stacklevel=2)
    return fit


def fit_quietly(
    histories: Histories,
    *,
    model: str = "repeat_visits",
    effort: str | None = None,
    presence: Sequence[str] = (),
    detection: Sequence[str] = (),
    lookalikes: Sequence[str] = (),
    chain: Chain | Chaining | None = None,
    weak_prior: bool = False,
) -> OccupancyFit:
    """Do what `fit_occupancy` does, with notes in the result and no warnings."""
    notes: list[Note] = []
    if model in USES_EFFORT:
        effort = choose_effort(histories.visits, effort, notes)
        histories = set_aside_without_effort(histories, effort, notes)
        histories = histories.made_in_time() if effort == "effort_km_days" else histories
    histories = set_aside_without_covariates(histories, [*detection, *lookalikes], notes)
    chaining = chaining_of(chain)
    histories = arranged(histories, name_of(chaining))
    require_complete_units(histories, [*presence, *_of_changes(chaining)])
    learned = learn_model(
        model,
        histories,
        effort=effort,
        covariates={"presence": presence, "detection": detection, "lookalikes": lookalikes},
        chaining=chaining,
        weak_prior=weak_prior,
    )
    learned, likelihood, maximum = _search(learned, histories, notes)
    if model == "scored_signs" and not weak_prior:
        require_gain(learned, likelihood, maximum)
    sharp = sharpness(maximum.evaluation.hessian)
    edges = find_edges(learned, likelihood, maximum, sharp.flat)
    notes += open_questions(learned, edges, sharp.flat)
    return OccupancyFit(
        model=learned,
        histories=histories,
        parameters=maximum.parameters,
        covariance=sharp.covariance,
        flat=sharp.flat,
        edges=tuple(edges),
        loglik=likelihood.states.evaluate(maximum.parameters).loglik
        if weak_prior
        else maximum.evaluation.loglik,
        n_units=likelihood.n_units,
        n_visits=len(histories.visits),
        notes=tuple(notes),
    )


def _of_changes(chaining: Chaining | None) -> list[str]:
    if not isinstance(chaining, OverMonths):
        return []
    return [*chaining.colonisation, *chaining.extinction]


def _search(
    model: Model, histories: Histories, notes: list[Note]
) -> tuple[Model, Likelihood, Maximum]:
    """Find the maximum; for sums over animals, with a sum long enough to leave nothing out."""
    while True:
        likelihood = model.on(histories)
        most_visits = int(likelihood.layout.visits_per_site.max(initial=0))
        require_substance(histories, model.name, most_visits)
        maximum = best_maximum(model.criterion(likelihood.states), likelihood.states.starts())
        if not isinstance(likelihood.states, Abundance):
            return model, likelihood, maximum
        tail = likelihood.states.tail(maximum.parameters)
        if tail < _TAIL or model.most_animals >= _MOST_ANIMALS:
            break
        model = replace(model, most_animals=2 * model.most_animals)
    if tail >= _TAIL:
        told = f"abundance runs off: more than {model.most_animals} animals a unit fit as well."
        notes.append(not_estimable(told))
    return model, likelihood, maximum
