"""Drawing: surveys with the same visits, drawn from a fitted model.

They show what a model expects of a survey: the fit checks hold the data against them. First
the states are drawn, by the model's way of chaining; then what each visit finds, by its model
of the records. The evidence of a drawn trail is one of the survey's own, taken as often as that
trail is likely to be the taxon's (or something else's): the densities of the evidence themselves
are not known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, cast

import numpy as np
import pandas as pd
from scipy.special import expit

from carnivore_sign.errors import NotConverged
from carnivore_sign.presence.fitting import BoolArray, maximise
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, IntArray, Layout
from carnivore_sign.presence.markov_line import MarkovLine
from carnivore_sign.presence.models import Likelihood, Model, States, arranged, effort_of
from carnivore_sign.presence.months import Months
from carnivore_sign.presence.result import OccupancyFit
from carnivore_sign.presence.smoothing import ChainsAt
from carnivore_sign.presence.stretches import Stretches
from carnivore_sign.presence.two_states import TwoStates

_LEAST: Final = 1e-12


@dataclass(frozen=True)
class Survey:
    """A survey, and a model of it at given parameters.

    Attributes
    ----------
    model : Model
    histories : Histories
        In the order that the model looks at them.
    likelihood : Likelihood
        Of `histories`, or of others with the same visits.
    parameters : array
    """

    model: Model
    histories: Histories
    likelihood: Likelihood
    parameters: FloatArray

    @property
    def layout(self) -> Layout:
        """Which site each visit belongs to."""
        return self.likelihood.layout

    @property
    def states(self) -> States:
        """The likelihood of the states."""
        return self.likelihood.states

    def head(self) -> FloatArray:
        """Return psi of each site, or the mean number of animals; in the first month of a chain."""
        part = self.model.parts[0]
        linear = part.covariates.matrix(self.histories.units) @ self.parameters[part.positions]
        return expit(linear) if part.kind.link == "logit" else np.exp(linear)

    def by_visit(self, name: str) -> FloatArray:
        """Return one quantity of the records at each visit."""
        part = self.model.part(name)
        matrix = part.covariates.matrix(self.histories.visits)
        linear = matrix @ self.parameters[part.positions]
        return expit(linear) if part.kind.link == "logit" else np.exp(linear)

    def value(self, name: str) -> float:
        """Return a quantity that is one for all."""
        return float(expit(self.parameters[self.model.part(name).positions.start]))

    @property
    def effort(self) -> FloatArray:
        """Effort of each visit."""
        return effort_of(self.histories.visits, self.model.effort)

    @cached_property
    def sign_visit(self) -> IntArray:
        """Row of the visit of each sign."""
        visits = pd.Index(self.histories.visits["visit"])
        return visits.get_indexer(self.histories.signs["visit"]).astype(np.int64)

    @property
    def line(self) -> MarkovLine:
        """The walks of the lines, of a model that chains segments along them."""
        return cast(MarkovLine, cast(TwoStates, self.states).given)

    def line_chains(self) -> ChainsAt:
        """Return the chains of the walks, given that their lines are used."""
        return self.line.chains_at(self.parameters[cast(TwoStates, self.states).n_psi :])

    def expected_presence(self) -> FloatArray:
        """Return P(used) of each site before anybody looks."""
        if isinstance(self.states, Months | Stretches):
            return self.states.chains_at(self.parameters).before()
        return -np.expm1(-self.head()) if self.model.name == "abundance" else self.head()

    def presence_at_visits(self) -> FloatArray:
        """Return P(what the visit looks at is used) before anybody looks."""
        of_site = self.expected_presence()[self.layout.site]
        return of_site * self.line_chains().before() if self.model.chain == "line" else of_site

    def expected_finds(self) -> FloatArray:
        """Return the finds (trails, of ``scored_signs``) expected of each visit, not abundance."""
        used = self.presence_at_visits()
        if self.model.name == "scored_signs":
            own, other = self.by_visit("sign_rate"), self.by_visit("lookalike_rate")
            return (other + used * own) * self.effort
        p = self.by_visit("p")
        if self.model.name == "repeat_visits":
            return used * p
        return p * (used + (1.0 - used) * self.value("false_ratio"))

    def finds(self) -> FloatArray:
        """Return the finds (trails, of ``scored_signs``) of each visit."""
        visits = self.histories.visits
        if self.model.name == "scored_signs":
            return np.bincount(self.sign_visit, minlength=len(visits)).astype(float)
        grade = visits["grade" if self.model.name == "sure_unsure" else "found"]
        return (grade.to_numpy() > 0).astype(float)

    @cached_property
    def _of_taxon(self) -> FloatArray:
        """P(each sign is the taxon's), given all that was found."""
        at, ratio = self.sign_visit, self.histories.signs["log_ratio"].to_numpy(dtype=float)
        used = expit(self.states.log_odds(self.parameters)[0])[self.layout.site]
        if self.model.chain == "line":
            used = used * expit(self.line_chains().log_odds())
        odds = np.log(self.by_visit("sign_rate")[at] / self.by_visit("lookalike_rate")[at]) + ratio
        return used[at] * expit(odds)

    def draw(self, rng: np.random.Generator) -> Histories:
        """Draw a survey with the same visits."""
        if self.model.name == "abundance":
            animals = rng.poisson(self.head())[self.layout.site]
            missed = (1.0 - self.by_visit("r")) ** animals
            return self._with_grades(2 * (rng.random(len(animals)) >= missed))
        used = self._draw_used(rng)
        if self.model.name == "scored_signs":
            return self._draw_signs(used, rng)
        p, chance = self.by_visit("p"), rng.random(len(used))
        if self.model.name == "repeat_visits":
            return self._with_grades(2 * ((chance < p) & used))
        find = chance < np.where(used, p, p * self.value("false_ratio"))
        sure = find & used & (rng.random(len(used)) < self.value("sure_share"))
        return self._with_grades(find.astype(np.int64) + sure)

    def again(self, rng: np.random.Generator) -> Survey:
        """Draw a survey and fit the model to it, or raise `NotConverged`."""
        histories = self.draw(rng)
        states = self.model.on(histories, like=self.likelihood).states
        end = maximise(self.model.criterion(states), self.parameters)
        if not end.converged:
            raise NotConverged("no maximum of the likelihood of a survey that was drawn")
        return replace(self, histories=histories, parameters=end.parameters)

    def drawn(self, rng: np.random.Generator) -> Survey:
        """Draw a survey, and keep the parameters."""
        return replace(self, histories=self.draw(rng))

    def _draw_used(self, rng: np.random.Generator) -> BoolArray:
        """Draw whether what each visit looks at is used."""
        site = self.layout.site
        if isinstance(self.states, Months | Stretches):
            return _unseen(self.states.chains_at(self.parameters)).draw(1, rng)[0][site]
        used = np.asarray(rng.random(self.layout.n_sites) < self.head())[site]
        if self.model.chain == "line":
            used = used & _unseen(self.line_chains()).draw(1, rng)[0]
        return used

    def _draw_signs(self, used: BoolArray, rng: np.random.Generator) -> Histories:
        own = rng.poisson(self.by_visit("sign_rate") * self.effort * used)
        other = rng.poisson(self.by_visit("lookalike_rate") * self.effort)
        visit, ratio = self.histories.visits["visit"].to_numpy(), self.histories.signs["log_ratio"]
        evidence = [
            rng.choice(ratio.to_numpy(dtype=float), count.sum(), p=weight / weight.sum())
            for count, weight in ((own, self._of_taxon), (other, 1.0 - self._of_taxon))
        ]
        at = np.concatenate([np.repeat(visit, own), np.repeat(visit, other)])
        signs = pd.DataFrame({"visit": at, "log_ratio": np.concatenate(evidence)})
        return replace(self.histories, signs=signs)

    def _with_grades(self, grade: IntArray) -> Histories:
        visits = self.histories.visits.assign(grade=grade, found=(grade == 2).astype(np.int64))
        return replace(self.histories, visits=visits)


def survey_of(fit: OccupancyFit, histories: Histories | None = None) -> Survey:
    """Return the survey of a fit, or another, at the fit's estimates."""
    model = fit.model
    histories = arranged(fit.histories if histories is None else histories, model.chain)
    return Survey(model, histories, model.on(histories), fit.parameters)


def draw_survey(fit: OccupancyFit, *, rng: np.random.Generator) -> Histories:
    """Draw a survey with the same visits as that of a fit, from the fitted model.

    Parameters
    ----------
    fit : OccupancyFit
        Of any model, with or without a chain.
    rng : Generator
        Where it comes from.

    Returns
    -------
    Histories
        Those of the fit, with other finds: ``grade`` and ``found`` of the visits, or
        ``visit`` and ``log_ratio`` of the signs for ``scored_signs``.

    Examples
    --------
    >>> from carnivore_sign.presence import fit_occupancy, histories_from_matrix
    >>> matrix = pd.DataFrame([[1, 0, 1, 0], [0, 0, 0, 0], [0, 1, 0, 0], [1, 1, 0, 1]] * 10)
    >>> fit = fit_occupancy(histories_from_matrix(matrix))
    >>> again = draw_survey(fit, rng=np.random.default_rng(1))
    >>> len(again.visits), bool(10 < again.visits["found"].sum() < 110)
    (160, True)
    """
    return survey_of(fit).draw(rng)


def _unseen(chains: ChainsAt) -> ChainsAt:
    """Return the chains before anybody looks, and none that can never change."""
    gain, stay = (np.clip(chance, _LEAST, 1.0 - _LEAST) for chance in (chains.gain, chains.stay))
    return replace(chains, gain=gain, stay=stay, contrast=np.zeros_like(chains.contrast))
