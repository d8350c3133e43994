"""Result: what a fit found, as a frozen object whose methods give tables.

Limits are set on the logit or log scale and turned back, so they never leave the range of
what they bound. A parameter at the edge of its range has no standard error; the limit on
its open side comes from the profile of the likelihood (see ``fitting.py``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import norm

from carnivore_sign.errors import InputError
from carnivore_sign.presence.fitting import BoolArray
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray
from carnivore_sign.presence.models import EFFORTS, Link, Model, Part, from_link
from carnivore_sign.presence.months import Months
from carnivore_sign.presence.notes import Note
from carnivore_sign.presence.stretches import Stretches

#: Draws of the states of chains at each draw of the parameters.
_COPIES: Final = 10


@dataclass(frozen=True)
class Edge:
    """A parameter at the edge of its range.

    Attributes
    ----------
    position : int
        Which parameter.
    side : {-1, 1}
        At its lower, or at its upper edge.
    limit : array or None
        All parameters where the profile likelihood reaches its 95 % limit; None if it
        never falls that far.
    """

    position: int
    side: int
    limit: FloatArray | None


class Share(NamedTuple):
    """The share of the units that are used, with its limits.

    Attributes
    ----------
    share, low, high : float
        The share with its 95 % limits.
    units : int
        Units that it speaks of.
    units_visited : int
        Those of them that were walked.
    """

    share: float
    low: float
    high: float
    units: int
    units_visited: int


@dataclass(frozen=True)
class OccupancyFit:
    """A fitted occupancy model.

    Attributes
    ----------
    model : Model
        The model, with the covariates it learnt.
    histories : Histories
        What it was fitted on.
    parameters : array
        Coefficients on the logit and log scales, for standardised covariates.
    covariance : array
        Of `parameters`, from the observed information.
    flat : array of bool
        Parameters that the data leave open: no standard error.
    edges : tuple of Edge
        Parameters at the edge of their range.
    loglik : float
        Maximised log-likelihood.
    n_units, n_visits : int
        Units (in a period) with at least one visit, and visits.
    notes : tuple of Note
        What was assumed, left out, or cannot be said.
    """

    model: Model
    histories: Histories
    parameters: FloatArray
    covariance: FloatArray
    flat: BoolArray
    edges: tuple[Edge, ...]
    loglik: float
    n_units: int
    n_visits: int
    notes: tuple[Note, ...]

    @property
    def messages(self) -> tuple[str, ...]:
        """What was assumed, left out, or cannot be said, in words."""
        return tuple(note.text for note in self.notes)

    @property
    def aic(self) -> float:
        """Akaike's information criterion, -2 log L + 2 K."""
        return 2.0 * (self.model.n_parameters - self.loglik)

    @property
    def aicc(self) -> float:
        """AIC with its small-sample correction; the sample is the number of units.

        Infinite where there are not more units than parameters and one.
        """
        k, n = self.model.n_parameters, self.n_units
        return self.aic + 2.0 * k * (k + 1) / (n - k - 1) if n > k + 1 else np.inf

    def summary(self, *, level: float = 0.95, overdispersion: float = 1.0) -> pd.DataFrame:
        """Return the estimates with standard errors and limits.

        Parameters
        ----------
        level : float
            Probability that the limits are to cover.
        overdispersion : float
            From `check_fit`; standard errors grow by its root. Taken as 1 if below.

        Returns
        -------
        DataFrame
            Index ``psi``, ``p``, ... for a part without covariates, with ``scale``
            *probability*, *per km-day*, *per km* or *per unit*; ``psi: elevation_m``, ...
            for the coefficients of a part with covariates, with ``scale`` *logit* or *log*,
            in the units of the caller's columns. Columns ``estimate``, ``se``, ``low``,
            ``high``, ``scale``.
        """
        z, wider = _z(level), np.sqrt(max(1.0, overdispersion))
        tables = [
            self._constant(part, z, wider)
            if part.is_constant
            else self._coefficients(part, z, wider)
            for part in self.model.parts
        ]
        return pd.concat(tables)

    def posterior(self, histories: Histories | None = None, *, level: float = 0.95) -> pd.DataFrame:
        """Return, for each unit, P(it is used | what its own visits found).

        Parameters
        ----------
        histories : Histories, optional
            Other histories to judge with the fitted parameters; those of the fit by default.
        level : float
            Probability that the limits are to cover.

        Returns
        -------
        DataFrame
            ``unit``, ``period``, ``visits``, ``p_presence``, ``p_presence_low``,
            ``p_presence_high``; a row for each unit and period, visited or not. The limits
            carry the uncertainty of all parameters: normal on the logit scale, and widened
            to what the profile limit of a parameter at its edge would say. ``p_presence``
            itself takes the estimates for the truth: in a small survey it lies nearer to 0
            or 1 than an average over what the parameters may be.
        """
        likelihood = self.model.on(self.histories if histories is None else histories)
        odds, slope = likelihood.states.log_odds(self.parameters)
        reach = _z(level) * self._se_of(slope)
        low, high = odds - reach, odds + reach
        for edge in self.edges:
            if edge.limit is not None:
                there, _ = likelihood.states.log_odds(edge.limit)
                low, high = np.minimum(low, there), np.maximum(high, there)
        return likelihood.layout.units.assign(
            visits=likelihood.layout.visits_per_site,
            p_presence=expit(odds),
            p_presence_low=expit(low),
            p_presence_high=expit(high),
        ).reset_index(drop=True)

    def share_used(
        self,
        histories: Histories | None = None,
        *,
        visited_only: bool = False,
        level: float = 0.95,
        draws: int = 4000,
        rng: np.random.Generator | None = None,
    ) -> Share:
        """Estimate the share of these very units that are used.

        Each draw takes parameters from their normal distribution on the logit and log
        scales, works each unit's probability out to first order in them, and decides for
        each unit whether it is used: so both doubts count, that of the parameters and that
        of the units given them. The share is the mean of the units' posteriors; a unit in
        several periods counts once in each.

        Parameters
        ----------
        histories : Histories, optional
            Other histories to judge with the fitted parameters.
        visited_only : bool
            Speak of the units with visits alone: units nobody visits may be unlike them.
        level : float
            Probability that the limits are to cover.
        draws : int
            Number of draws.
        rng : Generator, optional
            Where the draws come from; ``numpy.random.default_rng(0)`` by default, so that
            the same data give the same limits.

        Returns
        -------
        Share
        """
        table = self._shares(histories, visited_only, level, draws, rng, by_period=False)
        share, low, high, units, visited = table.iloc[0][list(Share._fields)]
        return Share(float(share), float(low), float(high), int(units), int(visited))

    def shares_by_period(
        self,
        histories: Histories | None = None,
        *,
        visited_only: bool = False,
        level: float = 0.95,
        draws: int = 4000,
        rng: np.random.Generator | None = None,
    ) -> pd.DataFrame:
        """Estimate the share of the units used in each period.

        Parameters
        ----------
        histories, visited_only, level, draws, rng
            As for `share_used`.

        Returns
        -------
        DataFrame
            A row a period: ``period``, ``share``, ``low``, ``high``, ``units``,
            ``units_visited``.
        """
        return self._shares(histories, visited_only, level, draws, rng, by_period=True)

    def predict(
        self, frame: pd.DataFrame, *, part: str = "psi", level: float = 0.95
    ) -> pd.DataFrame:
        """Return one quantity of the model at the covariates of `frame`.

        Parameters
        ----------
        frame : DataFrame
            One row per place or visit, with the covariates of that part.
        part : str
            ``psi``, ``p``, ``sign_rate`` or ``lookalike_rate``, as the model has it.
        level : float
            Probability that the limits are to cover.

        Returns
        -------
        DataFrame
            ``estimate``, ``low``, ``high``, with the index of `frame`. Without limits where
            the data leave that part open.
        """
        chosen = self.model.part(part)
        matrix = chosen.covariates.matrix(frame)
        middle = matrix @ self.parameters[chosen.positions]
        square = self.covariance[chosen.positions, chosen.positions]
        reach = _z(level) * np.sqrt(np.einsum("ij,jk,ik->i", matrix, square, matrix))
        if self.flat[chosen.positions].any():
            reach = np.full(len(matrix), np.nan)
        back = from_link(chosen.kind.link)
        table = {
            "estimate": back(middle),
            "low": back(middle - reach),
            "high": back(middle + reach),
        }
        return pd.DataFrame(table, index=frame.index)

    def _shares(
        self,
        histories: Histories | None,
        visited_only: bool,
        level: float,
        draws: int,
        rng: np.random.Generator | None,
        *,
        by_period: bool,
    ) -> pd.DataFrame:
        """Draw the shares of units used, of all units together or period by period."""
        rng = np.random.default_rng(0) if rng is None else rng
        likelihood = self.model.on(self.histories if histories is None else histories)
        layout, edges = likelihood.layout, [edge.limit for edge in self.edges]
        kept = layout.visits_per_site > 0 if visited_only else np.ones(layout.n_sites, dtype=bool)
        odds, slope = (part[kept] for part in likelihood.states.log_odds(self.parameters))
        periods = layout.units["period"].to_numpy(dtype=object)[kept]
        group, names = pd.factorize(periods if by_period else np.full(len(odds), "all"), sort=True)
        units = np.bincount(group, minlength=len(names))

        def share(used: FloatArray) -> FloatArray:
            return np.bincount(group, used, minlength=len(names)) / units

        root = _root(self.covariance)
        if isinstance(likelihood.states, Months | Stretches):
            uses = self._draw_chains(likelihood.states, root, draws, rng)
            drawn = np.array([share(used[kept].astype(float)) for used in uses])
        else:
            drawn = np.empty((draws, len(names)))
            for draw in range(draws):
                moved = odds + slope @ (root @ rng.standard_normal(len(root)))
                drawn[draw] = share(rng.random(len(odds)) < expit(moved))
        middle, tail = share(expit(odds)), 0.5 * (1.0 - level)
        ends = [middle, *np.quantile(drawn, [tail, 1.0 - tail], axis=0)]
        ends += [
            share(expit(likelihood.states.log_odds(limit)[0][kept]))
            for limit in edges
            if limit is not None
        ]
        table = {"period": names, "share": middle, "low": np.min(ends, axis=0)}
        visited = np.bincount(group, layout.visits_per_site[kept] > 0, minlength=len(names))
        return pd.DataFrame(
            {**table, "high": np.max(ends, axis=0), "units": units, "units_visited": visited}
        ).astype({"units_visited": int})

    def _draw_chains(
        self, states: Months | Stretches, root: FloatArray, draws: int, rng: np.random.Generator
    ) -> Iterator[BoolArray]:
        """Draw parameters, and at each of them the sites of every chain together, some times."""
        for _ in range(-(-draws // _COPIES)):
            moved = self.parameters + root @ rng.standard_normal(len(root))
            yield from states.chains_at(moved).draw(_COPIES, rng)

    def _constant(self, part: Part, z: float, wider: float) -> pd.DataFrame:
        position = part.positions.start
        inner = self.parameters[position]
        back = from_link(part.kind.link)
        value = float(back(inner))
        se = wider * float(np.sqrt(self.covariance[position, position]))
        slope = value * (1.0 - value) if part.kind.link == "logit" else value
        low, high = float(back(inner - z * se)), float(back(inner + z * se))
        se *= slope
        if self.flat[position]:
            se, low, high = np.nan, np.nan, np.nan
        for edge in self.edges:
            if edge.position == position:
                low, high = _one_sided(edge, part.kind.link)
        scale = "probability"
        if part.kind.link == "log":
            scale = EFFORTS.get(str(self.model.effort), "per unit")
        row = {"estimate": value, "se": se, "low": low, "high": high, "scale": scale}
        return _rows([part.kind.name], row)

    def _coefficients(self, part: Part, z: float, wider: float) -> pd.DataFrame:
        turn = part.covariates.to_reported()
        estimate = turn @ self.parameters[part.positions]
        square = turn @ self.covariance[part.positions, part.positions] @ turn.T
        se = wider * np.sqrt(np.diag(square))
        se[self.flat[part.positions]] = np.nan
        names = [f"{part.kind.name}: {term}" for term in part.covariates.terms]
        table = {"estimate": estimate, "se": se, "low": estimate - z * se}
        return _rows(names, {**table, "high": estimate + z * se, "scale": part.kind.link})

    def _se_of(self, slope: FloatArray) -> FloatArray:
        return np.sqrt(np.einsum("ij,jk,ik->i", slope, self.covariance, slope).clip(min=0.0))


def _z(level: float) -> float:
    if not 0.0 < level < 1.0:
        raise InputError(f"a level of {level:g} is not between 0 and 1", remedy="Give 0.95.")
    return float(norm.ppf(0.5 + level / 2.0))


def _root(covariance: FloatArray) -> FloatArray:
    """Return a matrix whose product with its transpose is `covariance`, which may be singular."""
    size, direction = np.linalg.eigh(covariance)
    return direction * np.sqrt(size.clip(min=0.0))


def _one_sided(edge: Edge, link: Link) -> tuple[float, float]:
    back = from_link(link)
    inside = np.nan if edge.limit is None else float(back(edge.limit[edge.position]))
    if edge.side > 0:
        return inside, 1.0 if link == "logit" else np.inf
    return 0.0, inside


def _rows(names: list[str], table: dict[str, object]) -> pd.DataFrame:
    return pd.DataFrame(table, index=pd.Index(names, name="parameter"))
