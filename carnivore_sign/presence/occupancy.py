"""Occupancy: fit a model to histories, and say plainly what the data cannot tell.

This is the face of the room's models. It sets aside visits that a model cannot use, looks
for the maximum, and turns flat directions and edges into messages.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import BoundaryWarning, DataWarning, EstimateError, InputError
from carnivore_sign.presence.abundance import Abundance
from carnivore_sign.presence.covariates import missing_rows
from carnivore_sign.presence.fitting import (
    EDGE,
    BoolArray,
    Maximum,
    best_maximum,
    maximise,
    profile_limit,
    sharpness,
)
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import lay_out
from carnivore_sign.presence.markov_line import FirstSegment
from carnivore_sign.presence.models import (
    EFFORTS,
    USES_EFFORT,
    Chain,
    Likelihood,
    Model,
    arranged,
    learn_model,
)
from carnivore_sign.presence.result import Edge, OccupancyFit

#: A gain in log-likelihood below this is none.
_NO_GAIN: Final = 1e-6

#: Share of a likelihood that a sum over animals may leave out, and the longest sum tried.
_TAIL: Final = 1e-9
_MOST_ANIMALS: Final = 200

_LEFT_OUT: Final = "Left out: "
_AT_EDGE: Final = "Not estimable: "


def fit_occupancy(
    histories: Histories,
    *,
    model: str = "repeat_visits",
    effort: str | None = None,
    presence: Sequence[str] = (),
    detection: Sequence[str] = (),
    lookalikes: Sequence[str] = (),
    chain: Chain | None = None,
    first_segment: FirstSegment = "steady",
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
        Column of effort of the scored model. By default km-days if every visit has them,
        else km. Visits that lack a chosen column are left out with a `DataWarning`.
    presence : sequence of str
        Columns of ``histories.units`` that presence depends on.
    detection : sequence of str
        Columns of ``histories.visits`` that detection (or the rate of the taxon's sign)
        depends on.
    lookalikes : sequence of str
        Columns of ``histories.visits`` that the rate of other sign depends on.
    chain : {"line", "months"}, optional
        How units hang together: segments along their transect, each walk a look at the
        line (then a unit is a transect); or months one after another. By default every
        unit in every period stands alone.
    first_segment : {"steady", "after_unused"}
        With ``chain="line"``: take the first segment from the chain's steady state, or as
        if an unused one came before it.

    Returns
    -------
    OccupancyFit

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
        first_segment=first_segment,
    )
    for kind, message in _warnings_of(fit):
        warnings.warn(message, kind, stacklevel=2)
    return fit


def fit_quietly(
    histories: Histories,
    *,
    model: str = "repeat_visits",
    effort: str | None = None,
    presence: Sequence[str] = (),
    detection: Sequence[str] = (),
    lookalikes: Sequence[str] = (),
    chain: Chain | None = None,
    first_segment: FirstSegment = "steady",
) -> OccupancyFit:
    """Do what `fit_occupancy` does, with messages in the result and no warnings."""
    messages: list[str] = []
    if model in USES_EFFORT:
        effort = choose_effort(histories.visits, effort, messages)
        histories = set_aside_without_effort(histories, effort, messages)
    histories = _with_covariates(histories, [*detection, *lookalikes], messages)
    histories = arranged(histories, chain)
    _require_complete_units(histories, presence)
    learned = learn_model(
        model,
        histories,
        effort=effort,
        covariates={"presence": presence, "detection": detection, "lookalikes": lookalikes},
        chain=chain,
        first_segment=first_segment,
    )
    _require_substance(histories, model)
    learned, likelihood, maximum = _search(learned, histories, messages)
    if model == "scored_signs":
        _require_gain(learned, likelihood, maximum)
    sharp = sharpness(maximum.evaluation.hessian)
    edges = _edges(learned, likelihood, maximum, sharp.flat)
    messages += _open_questions(learned, edges, sharp.flat)
    return OccupancyFit(
        model=learned,
        histories=histories,
        parameters=maximum.parameters,
        covariance=sharp.covariance,
        flat=sharp.flat,
        edges=tuple(edges),
        loglik=maximum.evaluation.loglik,
        n_units=likelihood.n_units,
        n_visits=len(histories.visits),
        messages=tuple(messages),
    )


def _search(
    model: Model, histories: Histories, messages: list[str]
) -> tuple[Model, Likelihood, Maximum]:
    """Find the maximum; for sums over animals, with a sum long enough to leave nothing out."""
    while True:
        likelihood = model.on(histories)
        maximum = best_maximum(likelihood.states.evaluate, likelihood.states.starts())
        if not isinstance(likelihood.states, Abundance):
            return model, likelihood, maximum
        tail = likelihood.states.tail(maximum.parameters)
        if tail < _TAIL or model.most_animals >= _MOST_ANIMALS:
            break
        model = replace(model, most_animals=2 * model.most_animals)
    if tail >= _TAIL:
        messages.append(
            f"{_AT_EDGE}abundance runs off: more than {model.most_animals} animals a unit fit the "
            "data as well."
        )
    return model, likelihood, maximum


def choose_effort(visits: pd.DataFrame, effort: str | None, messages: list[str]) -> str:
    """Return the column of effort to use; say so in `messages` if it is the second best."""
    if effort is not None:
        if effort not in EFFORTS:
            raise InputError(
                f"there is no effort {effort!r}", remedy=f"There are {', '.join(EFFORTS)}."
            )
        return effort
    unknown = int(visits["effort_km_days"].isna().sum())
    if not unknown:
        return "effort_km_days"
    messages.append(
        f"Effort is counted in km, not km-days: it is not known how long the surface had been "
        f"collecting tracks on {unknown} of {len(visits)} visits."
    )
    return "effort_km"


def set_aside_without_effort(histories: Histories, effort: str, messages: list[str]) -> Histories:
    """Leave out the visits that lack effort, and those with sign on no effort at all."""
    visits = histories.visits
    if effort not in visits:
        raise InputError(f"the visits have no column {effort!r}")
    values = visits[effort].to_numpy(dtype=float, na_value=np.nan)
    missing = np.isnan(values)
    impossible = (values <= 0) & visits["visit"].isin(histories.signs["visit"]).to_numpy()
    if missing.any():
        messages.append(
            f"{_LEFT_OUT}{int(missing.sum())} of {len(visits)} visits, which have no {effort}."
        )
    if impossible.any():
        messages.append(
            f"{_LEFT_OUT}{int(impossible.sum())} visits with sign but with an {effort} of zero."
        )
    gone = pd.Series(missing | impossible, index=visits.index)
    return histories.without_visits(gone) if gone.any() else histories


def _with_covariates(
    histories: Histories, columns: Sequence[str], messages: list[str]
) -> Histories:
    if not columns:
        return histories
    gone = missing_rows(histories.visits, columns, "visits")
    if not gone.any():
        return histories
    messages.append(
        f"{_LEFT_OUT}{int(gone.sum())} of {len(gone)} visits, which lack a covariate "
        f"({', '.join(columns)})."
    )
    return histories.without_visits(gone)


def _require_complete_units(histories: Histories, presence: Sequence[str]) -> None:
    if not presence:
        return
    gone = missing_rows(histories.units, presence, "units")
    if gone.any():
        unit = histories.units.loc[gone, "unit"].iloc[0]
        raise InputError(
            f"{int(gone.sum())} unit(s) lack a covariate of presence, the first is {unit!r}",
            remedy="Fill it in, or leave the unit out.",
        )


def _require_substance(histories: Histories, model: str) -> None:
    visits = histories.visits
    if visits.empty:
        raise EstimateError("There are no visits to estimate presence from.")
    if model == "sure_unsure" and not visits["grade"].any():
        raise EstimateError(
            f"{histories.taxon} was not found, surely or likely, on any of {len(visits)} visits."
        )
    if model in ("repeat_visits", "abundance") and not visits["found"].any():
        raise EstimateError(
            f"{histories.taxon} was not found (surely) on any of {len(visits)} visits: not used, "
            "and used but missed, look the same. With detection known from elsewhere, "
            "presence_after_blanks(psi, p, n) says what so many blanks are worth."
        )
    if model != "scored_signs" and lay_out(histories).visits_per_site.max() < 2:
        raise EstimateError(
            "No unit was visited twice in a period: presence and detection cannot be told "
            "apart. Visit again, take a longer period, or fit model='scored_signs', which "
            "learns from effort and from the number of signs."
        )
    if model == "scored_signs" and histories.signs.empty:
        raise EstimateError(
            f"No sign of any animal was found on {len(visits)} visits: neither presence nor the "
            "rate of sign can be estimated."
        )


def _require_gain(model: Model, likelihood: Likelihood, maximum: Maximum) -> None:
    """Raise if the signs are as well explained with no sign of the taxon at all."""
    without = maximum.parameters.copy()
    rate = model.part("sign_rate").positions
    without[rate] = 0.0
    without[rate.start] = -60.0
    free = np.zeros(len(without), dtype=bool)
    free[model.part("lookalike_rate").positions] = True
    bare = maximise(likelihood.states.evaluate, without, free=free)
    if maximum.evaluation.loglik - bare.evaluation.loglik < _NO_GAIN:
        raise EstimateError(
            "The signs found are explained as well without any of the taxon's among them: "
            "presence cannot be estimated from them. That does not say that it was absent."
        )


def _edges(model: Model, likelihood: Likelihood, maximum: Maximum, flat: BoolArray) -> list[Edge]:
    found = []
    for part in model.parts:
        position = part.positions.start
        if not (part.is_constant and flat[position]):
            continue
        value = maximum.parameters[position]
        if abs(value) < EDGE:
            continue
        side = 1 if value > 0 else -1
        if part.kind.link == "log" and side > 0:
            continue
        limit = profile_limit(likelihood.states.evaluate, maximum, position, side=-side)
        found.append(Edge(position, side, limit))
    return found


def _open_questions(model: Model, edges: list[Edge], flat: BoolArray) -> list[str]:
    told = []
    at_edge = {edge.position: edge.side for edge in edges}
    for part in model.parts:
        here = range(part.positions.start, part.positions.stop)
        name, edge = part.kind.name, at_edge.get(part.positions.start)
        if edge is not None:
            value = "1" if edge > 0 else "0"
            told.append(
                f"{_AT_EDGE}{name} ({part.kind.meaning}) sits at {value}: it has no standard "
                "error, and only the other limit means something."
            )
        elif flat[list(here)].any():
            terms = [part.covariates.terms[k - here.start] for k in here if flat[k]]
            told.append(
                f"{_AT_EDGE}{name} ({', '.join(terms)}) is left open by the data: other values "
                "explain them as well."
            )
    return told


def _warnings_of(fit: OccupancyFit) -> list[tuple[type[Warning], str]]:
    told: list[tuple[type[Warning], str]] = []
    for message in fit.messages:
        if message.startswith(_LEFT_OUT):
            told.append((DataWarning, message))
        elif message.startswith(_AT_EDGE):
            told.append((BoundaryWarning, message))
    return told
