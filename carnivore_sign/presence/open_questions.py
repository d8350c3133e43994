"""Open questions: what the data do not settle, found at the maximum and said in words."""

from __future__ import annotations

from typing import Final

import numpy as np

from carnivore_sign.errors import EstimateError
from carnivore_sign.presence.fitting import EDGE, BoolArray, Maximum, maximise, profile_limit
from carnivore_sign.presence.models import Likelihood, Model
from carnivore_sign.presence.notes import Note, not_estimable
from carnivore_sign.presence.result import Edge

#: A gain in log-likelihood below this is none.
_NO_GAIN: Final = 1e-6


def require_gain(model: Model, likelihood: Likelihood, maximum: Maximum) -> None:
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


def find_edges(
    model: Model, likelihood: Likelihood, maximum: Maximum, flat: BoolArray
) -> list[Edge]:
    """Find the parts at the edge of their range, and how far the data let them come in."""
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
        limit = profile_limit(model.criterion(likelihood.states), maximum, position, side=-side)
        found.append(Edge(position, side, limit))
    return found


def open_questions(model: Model, edges: list[Edge], flat: BoolArray) -> list[Note]:
    """Say which parts sit at an edge, and which the data leave open."""
    told = []
    at_edge = {edge.position: edge.side for edge in edges}
    for part in model.parts:
        here = range(part.positions.start, part.positions.stop)
        name, edge = part.kind.name, at_edge.get(part.positions.start)
        if edge is not None:
            value = "1" if edge > 0 else "0"
            told.append(
                not_estimable(
                    f"{name} ({part.kind.meaning}) sits at {value}: it has no standard error, and "
                    "only the other limit means something."
                )
            )
        elif flat[list(here)].any():
            terms = [part.covariates.terms[k - here.start] for k in here if flat[k]]
            which = part.kind.meaning if part.is_constant else ", ".join(terms)
            told.append(
                not_estimable(
                    f"{name} ({which}) is left open by the data: other values explain them as well."
                )
            )
    return told
