"""Models: which parts each model has, and how it is put together from histories.

The mathematics stand in one file a model; here the named columns become matrices, and the
parameters get the names, links and units under which a result shows them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, Protocol

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from carnivore_sign.errors import InputError
from carnivore_sign.presence.abundance import FIRST_MOST, Abundance
from carnivore_sign.presence.alike import count_alike, cut_and_count
from carnivore_sign.presence.arrange import (
    along_lines,
    line_steps,
    month_steps,
    neighbour_steps,
    over_months,
)
from carnivore_sign.presence.chaining import AlongLine, Chain, Chaining, OverMonths, name_of
from carnivore_sign.presence.covariates import Covariates, learn_covariates
from carnivore_sign.presence.fitting import Evaluate
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, Layout, each_by_itself, lay_out
from carnivore_sign.presence.markov_line import FirstSegment, MarkovLine
from carnivore_sign.presence.months import Months
from carnivore_sign.presence.repeat_visits import CountedFinds, RepeatVisits
from carnivore_sign.presence.scored_signs import ScoredSigns
from carnivore_sign.presence.stretches import Stretches
from carnivore_sign.presence.sure_unsure import SureUnsure
from carnivore_sign.presence.two_states import Evaluation, GivenState, TwoStates
from carnivore_sign.presence.weak_prior import with_weak_prior

Link = Literal["logit", "log"]
Option = Literal["presence", "colonisation", "extinction", "detection", "lookalikes", "constant"]

EFFORTS: Final = {"effort_km": "per km", "effort_km_days": "per km-day"}

#: The options that name columns of the units; the others name columns of the visits.
OF_UNITS: Final = ("presence", "colonisation", "extinction")

#: The models that need a column of effort.
USES_EFFORT: Final = ("scored_signs",)


@dataclass(frozen=True)
class PartKind:
    """One quantity of a model: its name, its link, and the option that gives it covariates."""

    name: str
    link: Link
    option: Option
    meaning: str


_PSI: Final = PartKind("psi", "logit", "presence", "probability that a unit is used")

_ABUNDANCE: Final = PartKind("abundance", "log", "presence", "mean number of animals on a unit")

#: The parts of each model of the records, in the order of its parameters.
RECORD_PARTS: Final[dict[str, tuple[PartKind, ...]]] = {
    "repeat_visits": (
        PartKind("p", "logit", "detection", "probability of finding it on a visit to a used unit"),
    ),
    "sure_unsure": (
        PartKind("p", "logit", "detection", "probability of a find on a visit to a used unit"),
        PartKind("false_ratio", "logit", "constant", "that on an unused unit, as a share of p"),
        PartKind("sure_share", "logit", "constant", "probability that a true find is sure"),
    ),
    "abundance": (
        PartKind("r", "logit", "detection", "probability of finding one animal on a visit"),
    ),
    "scored_signs": (
        PartKind("sign_rate", "log", "detection", "trails of the taxon on a used unit"),
        PartKind("lookalike_rate", "log", "lookalikes", "trails of anything else on any unit"),
    ),
}

#: The parts that a chain adds, between presence and the records.
CHAIN_PARTS: Final[dict[str, tuple[PartKind, ...]]] = {
    "line": (
        PartKind("after_unused", "logit", "constant", "that a segment is used after an unused one"),
        PartKind("after_used", "logit", "constant", "that a segment is used after a used one"),
    ),
    "months": (
        PartKind("colonisation", "logit", "colonisation", "that an unused unit is used next month"),
        PartKind("extinction", "logit", "extinction", "that a used unit is not used next month"),
    ),
    "neighbours": (
        PartKind("likeness", "logit", "constant", "correlation of use of neighbouring segments"),
    ),
}


def from_link(link: Link) -> np.ufunc:
    """Return the function that leads from the link scale back."""
    return expit if link == "logit" else np.exp


def to_link(link: Link) -> np.ufunc:
    """Return the function that leads to the link scale."""
    return logit if link == "logit" else np.log


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


class States(Protocol):
    """What fitting and results ask of a likelihood."""

    def evaluate(self, parameters: FloatArray) -> Evaluation:
        """Return the log-likelihood with gradient and Hessian."""
        ...

    def log_odds(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the logit of each site's presence given its record, and its slope."""
        ...

    def starts(self) -> list[FloatArray]:
        """Return points to begin the search at."""
        ...


@dataclass(frozen=True)
class Likelihood:
    """A model on histories: the layout of the sites, and the likelihood of their records."""

    layout: Layout
    states: States
    n_units: int


@dataclass(frozen=True)
class Model:
    """A model with its covariates learnt, ready to be put on histories.

    Attributes
    ----------
    name : str
        A key of `RECORD_PARTS`.
    parts : tuple of Part
        Presence, then those of the chain (if any), then those of the records.
    effort : str or None
        Column of effort, for the models that use one.
    chain : {"line", "months", "neighbours"} or None
        How sites hang together.
    first_segment : {"steady", "after_unused"}
        What is assumed before the first segment of a line.
    most_animals : int
        Where the model ``abundance`` stops its sum.
    weak_prior : bool
        Whether the estimates are those of the likelihood with a weak prior
        (``weak_prior.py``), and not of the likelihood alone.
    """

    name: str
    parts: tuple[Part, ...]
    effort: str | None = None
    chain: Chain | None = None
    first_segment: FirstSegment = "steady"
    most_animals: int = FIRST_MOST
    weak_prior: bool = False

    @property
    def n_parameters(self) -> int:
        """Number of parameters."""
        return self.parts[-1].positions.stop

    def part(self, name: str) -> Part:
        """Return one part by name."""
        for part in self.parts:
            if part.kind.name == name:
                return part
        names = ", ".join(part.kind.name for part in self.parts)
        raise InputError(f"the model has no part {name!r}", remedy=f"It has {names}.")

    def criterion(self, states: States) -> Evaluate:
        """Return what is to be maximised: the likelihood, or that with the weak prior."""
        if not self.weak_prior:
            return states.evaluate
        logits = [part.positions.start for part in self.parts if part.kind.link == "logit"]
        return with_weak_prior(states.evaluate, np.array(logits, dtype=np.int64))

    def on(self, histories: Histories, *, like: Likelihood | None = None) -> Likelihood:
        """Return the likelihood of `histories` under this model.

        Parameters
        ----------
        histories : Histories
        like : Likelihood, optional
            Of histories with the same visits, so that they need not be laid out again.
        """
        histories = arranged(histories, self.chain)
        layout = lay_out(histories) if like is None else like.layout
        if self.chain == "line":
            return self._on_lines(histories, layout, None if like is None else like.states)
        if self.chain == "months":
            return self._on_months(histories, layout)
        if self.chain == "neighbours":
            states = Stretches(self._record(layout, histories), neighbour_steps(histories.units))
            return Likelihood(layout, states, layout.n_visited)
        if self.name == "abundance":
            return Likelihood(layout, self._abundance(layout, histories), layout.n_visited)
        record = self._record(layout, histories)
        if isinstance(record, CountedFinds) and self.parts[0].is_constant:
            return Likelihood(layout, count_alike(record), layout.n_visited)
        mixture = TwoStates(self._psi_matrix(histories.units), record)
        return Likelihood(layout, mixture, layout.n_visited)

    def _on_lines(self, histories: Histories, layout: Layout, like: States | None) -> Likelihood:
        record = self._record(each_by_itself(histories.visits), histories)
        if isinstance(like, TwoStates) and isinstance(like.given, MarkovLine):
            given = replace(like.given, record=record)
        else:
            steps, walks = line_steps(histories)
            line = layout.rows_of(walks)
            given = MarkovLine(record, steps, line, layout.n_sites, self.first_segment)
        mixture = TwoStates(self._psi_matrix(histories.units), given)
        return Likelihood(layout, mixture, layout.n_visited)

    def _on_months(self, histories: Histories, layout: Layout) -> Likelihood:
        steps = month_steps(layout)
        psi_matrix = self._psi_matrix(histories.units.iloc[steps[:, 0]])
        visited = int((layout.visits_per_site[steps].sum(axis=1) > 0).sum())
        gain, loss = (
            np.ones((1, 1))
            if part.is_constant
            else part.covariates.matrix(histories.units.iloc[steps[:, 1:].T.ravel()])
            for part in self.parts[1:3]
        )
        record = self._record(layout, histories)
        same = all(part.is_constant for part in self.parts[:3])
        pieces = cut_and_count(steps, record) if same and isinstance(record, CountedFinds) else None
        months = Months(psi_matrix, record, steps, gain, loss, pieces)
        return Likelihood(layout, months, visited)

    def _abundance(self, layout: Layout, histories: Histories) -> Abundance:
        return Abundance(
            layout,
            histories.visits["found"].to_numpy(dtype=float),
            self._psi_matrix(histories.units),
            self.parts[1].covariates.matrix(histories.visits),
            self.most_animals,
        )

    def _psi_matrix(self, units: pd.DataFrame) -> FloatArray:
        return self.parts[0].covariates.matrix(units)

    def _record(self, layout: Layout, histories: Histories) -> GivenState:
        first = 1 + len(CHAIN_PARTS.get(str(self.chain), ()))
        return _RECORDS[self.name](self, layout, histories, self.parts[first:])


def arranged(histories: Histories, chain: Chain | None) -> Histories:
    """Return the histories in the order that a chain looks at them."""
    if chain == "line":
        return along_lines(histories)
    return over_months(histories) if chain == "months" else histories


def learn_model(
    name: str,
    histories: Histories,
    *,
    effort: str | None = None,
    covariates: Mapping[str, Sequence[str]],
    chaining: Chaining | None = None,
    weak_prior: bool = False,
) -> Model:
    """Choose a model by name and learn its covariates from `histories`."""
    _require_choice("model", name, RECORD_PARTS)
    chain = name_of(chaining)
    if isinstance(chaining, OverMonths):
        covariates = {
            **covariates,
            "colonisation": chaining.colonisation,
            "extinction": chaining.extinction,
        }
    if name == "abundance" and chain is not None:
        raise InputError("the model 'abundance' takes no chain", remedy="Leave chain= out.")
    if chain == "neighbours" and covariates.get("presence"):
        raise InputError(
            "a chain of neighbours takes no covariates of presence", remedy="Leave presence= out."
        )
    head = _ABUNDANCE if name == "abundance" else _PSI
    kinds = (head, *CHAIN_PARTS.get(str(chain), ()), *RECORD_PARTS[name])
    options = {kind.option for kind in kinds}
    unused = [option for option, given in covariates.items() if given and option not in options]
    if unused:
        raise InputError(f"the model {name!r} has no part for {unused[0]}=")
    parts, begin = [], 0
    for kind in kinds:
        over = "units" if kind.option in OF_UNITS else "visits"
        frame = histories.units if over == "units" else histories.visits
        learned = learn_covariates(frame, covariates.get(kind.option, ()), over)
        end = begin + len(learned.terms)
        parts.append(Part(kind, learned, slice(begin, end)))
        begin = end
    effort = effort if name in USES_EFFORT else None
    first = chaining.first_segment if isinstance(chaining, AlongLine) else "steady"
    return Model(name, tuple(parts), effort, chain, first, weak_prior=weak_prior)


def _require_choice(what: str, came: object, choices: Iterable[object]) -> None:
    if came not in list(choices):
        there = ", ".join(map(repr, choices))
        raise InputError(f"there is no {what} {came!r}", remedy=f"There are {there}.")


def _repeat_visits(
    _: Model, layout: Layout, histories: Histories, parts: Sequence[Part]
) -> GivenState:
    found = histories.visits["found"].to_numpy(dtype=float)
    if parts[0].is_constant:
        finds = np.bincount(layout.site, found, minlength=layout.n_sites).astype(float)
        return CountedFinds(finds, layout.visits_per_site.astype(float))
    return RepeatVisits(layout, found, parts[0].covariates.matrix(histories.visits))


def _sure_unsure(
    _: Model, layout: Layout, histories: Histories, parts: Sequence[Part]
) -> GivenState:
    visits = histories.visits
    grade = visits["grade"].to_numpy(dtype=np.int64)
    return SureUnsure(layout, grade, parts[0].covariates.matrix(visits))


def _scored_signs(
    model: Model, layout: Layout, histories: Histories, parts: Sequence[Part]
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


_RECORDS: Final = {
    "repeat_visits": _repeat_visits,
    "sure_unsure": _sure_unsure,
    "scored_signs": _scored_signs,
}
