"""Bayes: scored signs over months with priors and a smooth effect of place, by sampling.

This is the one file of the room that samples a posterior; it needs the optional extra
``bayes`` (NumPyro). The density, with its priors, stands in ``bayes_model.py``. Everything else
is maximum likelihood, and that stays the default.

Source of the sampler: Hoffman & Gelman 2014, J Mach Learn Res 15:1593-1623.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import expit

from carnivore_sign.presence.bayes_model import (
    Data,
    Priors,
    arrays_of,
    in_double,
    library,
    presence_model,
    without_places,
)
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.notes import Note
from carnivore_sign.presence.preparing import choose_effort, set_aside_without_effort
from carnivore_sign.presence.smoothing import ChainsAt

__all__ = ["BayesianPresence", "Priors", "sample_presence"]

#: A split R-hat above this, or any divergence, says that the draws are not to be trusted.
#: Source: Vehtari et al. 2021, Bayesian Analysis 16:667-718 (from memory).
TRUSTED_R_HAT: Final = 1.01


@dataclass(frozen=True)
class BayesianPresence:
    """A posterior sample.

    Attributes
    ----------
    draws : DataFrame
        A row a draw; a column for each parameter.
    table : DataFrame
        ``unit``, ``period``, ``visits``, ``p_presence`` (the posterior probability),
        ``p_presence_low``, ``p_presence_high`` (central 95 % of it over the parameters).
    shares : DataFrame
        ``period``, ``share``, ``low``, ``high``: of all units, with 95 % of the posterior.
    priors : tuple of str
        In words.
    r_hat : Series
        Of each parameter, over split chains.
    divergences : int
    """

    draws: pd.DataFrame
    table: pd.DataFrame
    shares: pd.DataFrame
    priors: tuple[str, ...]
    r_hat: pd.Series
    divergences: int

    @property
    def is_trusted(self) -> bool:
        """Whether the sampler found nothing wrong with itself."""
        return self.divergences == 0 and bool((self.r_hat < TRUSTED_R_HAT).all())

    def summary(self) -> pd.DataFrame:
        """Return ``mean``, ``sd``, ``low`` and ``high`` (central 95 %) of each parameter."""
        low, high = self.draws.quantile(0.025), self.draws.quantile(0.975)
        return pd.DataFrame(
            {"mean": self.draws.mean(), "sd": self.draws.std(), "low": low, "high": high}
        )

    def __str__(self) -> str:
        trust = (
            ""
            if self.is_trusted
            else (
                f"\nNot to be trusted: {self.divergences} divergences, largest R-hat "
                f"{self.r_hat.max():.3f}. Sample longer."
            )
        )
        priors = "\n".join(f"  {line}" for line in self.priors)
        return (
            f"Bayesian estimate of presence from {len(self.draws)} draws, with these priors:\n"
            f"{priors}\n{self.summary().round(3).to_string()}{trust}"
        )


def sample_presence(
    histories: Histories,
    *,
    places_km: pd.DataFrame | None = None,
    effort: str | None = None,
    priors: Priors | None = None,
    warmup: int = 500,
    draws: int = 500,
    chains: int = 2,
    seed: int = 0,
) -> BayesianPresence:
    """Sample the posterior of presence per unit and month.

    Parameters
    ----------
    histories : Histories
        From `make_histories`; their periods are taken in order.
    places_km : DataFrame, optional
        Index the units; ``east_km``, ``north_km`` of each, in a projected CRS. With it the
        units have a smooth effect of place.
    effort : {"effort_km_days", "effort_km"}, optional
        As for `fit_occupancy`.
    priors : Priors, optional
    warmup, draws, chains : int
        Steps of each chain before and after it has settled; number of chains.
    seed : int
        Of the sampler: the same seed gives the same draws.

    Returns
    -------
    BayesianPresence

    Raises
    ------
    LibraryMissing
        Without NumPyro, with the command that installs it.
    EstimateError
        If there are no visits, or no sign of any animal.
    InputError
        If a unit has no place, or there are too many units for a smooth effect.
    """
    diagnostics = library("numpyro.diagnostics")
    priors = priors or Priors()
    notes: list[Note] = []
    effort = choose_effort(histories.visits, effort, notes)
    histories = set_aside_without_effort(histories, effort, notes)
    data = arrays_of(histories, effort, places_km, priors.reach_km)
    run = _sampler(priors, warmup, draws, data.kind)
    with in_double():
        keys = library("jax").random.split(library("jax").random.PRNGKey(seed), chains)
        values, divergent = run(keys, data.arguments())
    sampled = {name: np.asarray(value) for name, value in values.items()}
    diverging = int(np.asarray(divergent).sum())
    r_hat = {
        name: float(diagnostics.split_gelman_rubin(value))
        for name, value in sampled.items()
        if value.ndim == 2
    }
    flat = {name: values.reshape(-1, *values.shape[2:]) for name, values in sampled.items()}
    table, shares = _judge(data, flat, np.random.default_rng(seed))
    named = pd.DataFrame(_in_named_units(flat))
    words = priors.in_words(effort=effort, smooth=places_km is not None)
    return BayesianPresence(named, table, shares, words, pd.Series(r_hat), diverging)


@lru_cache(maxsize=8)
def _sampler(
    priors: Priors, warmup: int, draws: int, kind: tuple[bool, bool]
) -> Callable[[Any, dict[str, Any]], tuple[dict[str, Any], Any]]:
    """Return what samples: from keys, one a chain, and data to values, and which were divergent.

    It is compiled for data of one size, and serves again for others of that kind and size.
    """
    del kind
    jax, infer = library("jax"), library("numpyro.infer")

    def model(**data: Any) -> None:
        presence_model(priors, **data)

    kernel = infer.NUTS(model, target_accept_prob=0.9)

    def walk(state: Any, data: dict[str, Any]) -> tuple[Any, Any]:
        def step(state: Any, _: None) -> tuple[Any, tuple[Any, Any]]:
            state = jax.vmap(lambda chain: kernel.sample(chain, (), data))(state)
            return state, (state.z, state.diverging)

        _, (path, divergent) = jax.lax.scan(step, state, None, length=warmup + draws)
        settled = {name: value[warmup:] for name, value in path.items()}
        named = jax.vmap(jax.vmap(kernel.postprocess_fn((), data)))(settled)
        by_chain = {name: jax.numpy.swapaxes(value, 0, 1) for name, value in named.items()}
        return by_chain, divergent[warmup:]

    compiled = jax.jit(walk)

    def run(keys: Any, data: dict[str, Any]) -> tuple[dict[str, Any], Any]:
        begun = [kernel.init(key, warmup, None, (), data) for key in keys]
        return compiled(jax.tree.map(lambda *chains: jax.numpy.array(chains), *begun), data)

    return run


def _judge(
    data: Data, draws: dict[str, FloatArray], rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return presence per unit and month, and the shares of units used, over the draws."""
    n_draws, steps = len(draws["log_sign_rate"]), data.steps
    arguments = without_places(data.arguments())
    told, used = np.empty((2, n_draws, steps.size))
    for k in range(n_draws):
        chains = _chains(steps, {name: values[k] for name, values in draws.items()}, arguments)
        told[k] = expit(chains.log_odds())
        used[k] = chains.draw(1, rng)[0]
    low, high = np.quantile(told, [0.025, 0.975], axis=0)
    table = data.layout.units.assign(
        visits=data.layout.visits_per_site,
        p_presence=told.mean(axis=0),
        p_presence_low=low,
        p_presence_high=high,
    ).reset_index(drop=True)
    period, names = pd.factorize(table["period"], sort=True)
    shares = np.stack([used[:, period == k].mean(axis=1) for k in range(len(names))])
    ends = np.quantile(shares, [0.025, 0.975], axis=1)
    return table, pd.DataFrame(
        {"period": names, "share": shares.mean(axis=1), "low": ends[0], "high": ends[1]}
    )


def _chains(steps: IntArray, draw: dict[str, Any], arguments: dict[str, Any]) -> ChainsAt:
    """Return the chains at one draw."""
    n_units, n_months = steps.shape
    rates = float(draw["log_sign_rate"]), float(draw["log_lookalike_rate"])
    contrast = _contrast(rates, n_units * n_months, arguments).reshape(steps.shape)
    effect = np.asarray(draw.get("effect", np.zeros(n_units)))
    ways = np.ones((1, n_months - 1))
    gain = expit(draw.get("logit_colonisation", 0.0) + effect)[:, None] * ways
    stay = 1.0 - expit(draw.get("logit_extinction", 0.0) - effect)[:, None] * ways
    return ChainsAt(draw["logit_psi"] + effect, gain, stay, contrast, steps)


def _contrast(rates: tuple[float, float], n_sites: int, arguments: dict[str, Any]) -> FloatArray:
    """Return a - b of each site."""
    more = arguments["counts"] * np.logaddexp(0.0, rates[0] - rates[1] + arguments["log_ratio"])
    walked = np.bincount(arguments["site"], arguments["effort"], minlength=n_sites)
    return np.bincount(arguments["sign_site"], more, minlength=n_sites) - np.exp(rates[0]) * walked


def _in_named_units(draws: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """Return the parameters as probabilities and rates, under their own names."""
    named = {}
    for name, values in draws.items():
        if values.ndim > 1:
            continue
        kind, _, rest = name.partition("_")
        if kind == "logit":
            named[rest] = expit(values)
        else:
            named[rest if kind == "log" else name] = np.exp(values) if kind == "log" else values
    return named
