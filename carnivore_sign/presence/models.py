"""Models: which parts each model has, and how it is put together from histories.

The mathematics stand in one file a model; here the named columns become matrices, and the
parameters get the names, links and units under which a result shows them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.presence.covariates import Covariates, learn_covariates
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, Layout, lay_out
from carnivore_sign.presence.repeat_visits import RepeatVisits
from carnivore_sign.presence.scored_signs import ScoredSigns
from carnivore_sign.presence.two_states import GivenState, TwoStates

Link = Literal["logit", "log"]

EFFORTS: Final = {"effort_km": "per km", "effort_km_days": "per km-day"}


@dataclass(frozen=True)
class PartKind:
    """One quantity of a model: its name, its link, and which frame holds its covariates."""

    name: str
    link: Link
    option: Literal["presence", "detection", "lookalikes"]
    meaning: str


#: The parts of each model, in the order of its parameters.
PARTS: Final[dict[str, tuple[PartKind, ...]]] = {
    "repeat_visits": (
        PartKind("psi", "logit", "presence", "probability that a unit is used"),
        PartKind("p", "logit", "detection", "probability of finding it on a visit to a used unit"),
    ),
    "scored_signs": (
        PartKind("psi", "logit", "presence", "probability that a unit is used"),
        PartKind("sign_rate", "log", "detection", "trails of the taxon on a used unit"),
        PartKind("lookalike_rate", "log", "lookalikes", "trails of anything else on any unit"),
    ),
}


@dataclass(frozen=True)
class Part:
    """One quantity of a fitted model: its kind, its covariates and its place."""

    kind: PartKind
    covariates: Covariates
    positions: slice

    @property
    def is_constant(self) -> bool:
        """Whether it has no covariates."""
        return len(self.covariates.terms) == 1


@dataclass(frozen=True)
class Model:
    """A model with its covariates learnt, ready to be put on histories.

    Attributes
    ----------
    name : str
        A key of `PARTS`.
    parts : tuple of Part
    effort : str or None
        Column of effort, for the models that use one.
    """

    name: str
    parts: tuple[Part, ...]
    effort: str | None

    @property
    def n_parameters(self) -> int:
        """Number of parameters."""
        return self.parts[-1].positions.stop

    def on(self, histories: Histories) -> Likelihood:
        """Return the likelihood of `histories` under this model."""
        layout = lay_out(histories)
        psi, *rest = self.parts
        given = _GIVEN_STATE[self.name](self, layout, histories, rest)
        mixture = TwoStates(psi.covariates.matrix(histories.units), given)
        return Likelihood(layout, mixture)


@dataclass(frozen=True)
class Likelihood:
    """A model on histories: the layout of the sites, and the mixture over their states."""

    layout: Layout
    states: TwoStates


def learn_model(
    name: str,
    histories: Histories,
    *,
    effort: str | None = None,
    presence: Sequence[str] = (),
    detection: Sequence[str] = (),
    lookalikes: Sequence[str] = (),
) -> Model:
    """Choose a model by name and learn its covariates from `histories`."""
    if name not in PARTS:
        raise InputError(f"there is no model {name!r}", remedy=f"There are {', '.join(PARTS)}.")
    columns = {"presence": presence, "detection": detection, "lookalikes": lookalikes}
    options = {kind.option for kind in PARTS[name]}
    unused = [option for option, given in columns.items() if given and option not in options]
    if unused:
        raise InputError(f"the model {name!r} has no part for {unused[0]}=")
    parts, begin = [], 0
    for kind in PARTS[name]:
        over = "units" if kind.option == "presence" else "visits"
        frame = histories.units if over == "units" else histories.visits
        learned = learn_covariates(frame, columns[kind.option], over)
        end = begin + len(learned.terms)
        parts.append(Part(kind, learned, slice(begin, end)))
        begin = end
    return Model(name, tuple(parts), effort if name in USES_EFFORT else None)


def _repeat_visits(_: Model, layout: Layout, histories: Histories, parts: list[Part]) -> GivenState:
    visits = histories.visits
    found = visits["found"].to_numpy(dtype=float)
    return RepeatVisits(layout, found, parts[0].covariates.matrix(visits))


def _scored_signs(
    model: Model, layout: Layout, histories: Histories, parts: list[Part]
) -> GivenState:
    visits = histories.visits
    return ScoredSigns(
        layout,
        effort_of(visits, model.effort),
        pd.Index(visits["visit"]).get_indexer(histories.signs["visit"]).astype(np.int64),
        histories.signs["log_ratio"].to_numpy(dtype=float),
        parts[0].covariates.matrix(visits),
        parts[1].covariates.matrix(visits),
    )


def effort_of(visits: pd.DataFrame, effort: str | None) -> FloatArray:
    """Return the effort of each visit, or raise `InputError` if a row has none."""
    values = visits[effort].to_numpy(dtype=float, na_value=np.nan)
    if np.isnan(values).any():
        row = visits.loc[np.isnan(values), "visit"].iloc[0]
        raise InputError(
            f"visit {row!r} has no {effort}",
            remedy="Leave such visits out, or fit with effort='effort_km'.",
        )
    return values


_GIVEN_STATE: Final = {"repeat_visits": _repeat_visits, "scored_signs": _scored_signs}

#: The models that need a column of effort.
USES_EFFORT: Final = ("scored_signs",)
