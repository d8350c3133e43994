r"""Bayes: scored signs over months with priors and a smooth effect of place, by sampling.

This is the one file of the room that samples a posterior; it needs the optional extra
``bayes`` (NumPyro). Everything else is maximum likelihood, and that stays the default.

The model is that of ``scored_signs.py`` within a month and of ``months.py`` from month to
month. With places in km, each unit u has an effect :math:`s_u`, smooth over the country: a
Gaussian process with standard deviation :math:`\sigma` and correlation
:math:`(1 + \sqrt 3 d / \rho) e^{-\sqrt 3 d / \rho}` at distance d (Matern 3/2), of which the
smoothest patterns are kept (the leading eigenvectors). The reach :math:`\rho` is given and not
estimated: a season's walks do not tell it. Then

.. math::

    \text{logit } \psi_u = \alpha + s_u, \quad \text{logit } \gamma_u = g + s_u, \quad
    \text{logit } \epsilon_u = h - s_u.

*Priors.* The probabilities at :math:`s = 0` may lie anywhere from 0 to 1 (flat). The rates of
sign are log-normal around `Priors.rate_median`; :math:`\sigma` is half-normal. States are
summed out, so that the sampler sees only what is continuous.

Source of the sampler: Hoffman & Gelman 2014, J Mach Learn Res 15:1593-1623.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from functools import lru_cache, partial
from types import ModuleType
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import expit

from carnivore_sign.errors import EstimateError, InputError, LibraryMissing
from carnivore_sign.presence.arrange import month_steps, over_months
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, IntArray, Layout, lay_out
from carnivore_sign.presence.models import effort_of
from carnivore_sign.presence.notes import Note
from carnivore_sign.presence.preparing import choose_effort, set_aside_without_effort
from carnivore_sign.presence.smoothing import ChainsAt

#: Units beyond which the smooth effect would take too long: its cost grows with their cube.
MOST_PLACES: Final = 3000

#: Patterns of the smooth effect that are kept, and the share of its variance that is enough.
MOST_PATTERNS: Final = 20
ENOUGH: Final = 0.95

#: A split R-hat above this, or any divergence, says that the draws are not to be trusted.
#: Source: Vehtari et al. 2021, Bayesian Analysis 16:667-718 (from memory).
TRUSTED_R_HAT: Final = 1.01


@dataclass(frozen=True)
class Priors:
    """What is believed before the data.

    Attributes
    ----------
    rate_median, rate_spread : float
        Median of both rates of sign, per unit of effort, and the standard deviation of
        their logarithms.
    effect_spread : float
        Scale of the half-normal of the smooth effect's standard deviation.
    reach_km : float
        Distance over which places are alike; given, not estimated.
    """

    rate_median: float = 0.1
    rate_spread: float = 2.0
    effect_spread: float = 1.0
    reach_km: float = 2.0

    def in_words(self, *, effort: str, smooth: bool) -> tuple[str, ...]:
        """Return each prior as a line of text."""
        told = [
            "psi, colonisation, extinction: flat from 0 to 1",
            f"sign_rate, lookalike_rate ({effort}): log-normal, median {self.rate_median:g}, "
            f"standard deviation of the logarithm {self.rate_spread:g}",
        ]
        if smooth:
            told += [
                f"spread of the smooth effect: half-normal, scale {self.effect_spread:g} (logit)",
                f"its reach: {self.reach_km:g} km, given",
            ]
        return tuple(told)


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


@dataclass(frozen=True)
class _Data:
    """The histories as arrays: units by months; signs filled up with some of no weight."""

    layout: Layout
    steps: IntArray  #: (n_units, n_months)
    site: IntArray  #: of each visit, unit by unit
    effort: FloatArray
    sign_site: IntArray
    log_ratio: FloatArray
    counts: FloatArray  #: 1 for a sign, 0 for a filling
    patterns: FloatArray | None  #: (n_units, n_patterns), of unit variance in the mean

    @property
    def kind(self) -> tuple[bool, bool]:
        """Whether there are several months, and an effect of place."""
        return self.steps.shape[1] > 1, self.patterns is not None

    def arguments(self) -> dict[str, Any]:
        """Return what the model is called with."""
        return {
            "shape": self.steps,
            "site": self.site,
            "effort": self.effort,
            "sign_site": self.sign_site,
            "log_ratio": self.log_ratio,
            "counts": self.counts,
            "patterns": self.patterns,
        }


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
    diagnostics = _library("numpyro.diagnostics")
    priors = priors or Priors()
    notes: list[Note] = []
    effort = choose_effort(histories.visits, effort, notes)
    histories = set_aside_without_effort(histories, effort, notes)
    data = _arrays(histories, effort, places_km, priors.reach_km)
    sampler = _sampler(priors, warmup, draws, chains, data.kind)
    with _double():
        sampler.run(_library("jax").random.PRNGKey(seed), **data.arguments())
        sampled = {
            name: np.asarray(values)
            for name, values in sampler.get_samples(group_by_chain=True).items()
        }
        diverging = int(np.asarray(sampler.get_extra_fields()["diverging"]).sum())
        r_hat = {
            name: float(diagnostics.split_gelman_rubin(values))
            for name, values in sampled.items()
            if values.ndim == 2
        }
    flat = {name: values.reshape(-1, *values.shape[2:]) for name, values in sampled.items()}
    table, shares = _judge(data, flat, np.random.default_rng(seed))
    named = pd.DataFrame(_in_named_units(flat))
    words = priors.in_words(effort=effort, smooth=places_km is not None)
    return BayesianPresence(named, table, shares, words, pd.Series(r_hat), diverging)


def log_likelihood(
    histories: Histories, parameters: FloatArray, *, effort: str = "effort_km_days"
) -> float:
    """Return the log-likelihood that the sampler uses, without an effect of place.

    Parameters
    ----------
    parameters : array
        logit psi, logit colonisation, logit extinction, log sign_rate, log lookalike_rate;
        without the two in the middle if there is one period.
    """
    data = _arrays(histories, effort, None, 1.0)
    head, rates = np.split(np.asarray(parameters, dtype=float), [len(parameters) - 2])
    with _double():
        return float(_loglik(head, *rates, effect=0.0, **_without_places(data.arguments())))


def _without_places(arguments: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in arguments.items() if name != "patterns"}


def _arrays(
    histories: Histories, effort: str, places_km: pd.DataFrame | None, reach_km: float
) -> _Data:
    if histories.visits.empty or histories.signs.empty:
        raise EstimateError("There are no visits, or no sign of any animal, to sample from.")
    histories = over_months(histories)
    layout = lay_out(histories)
    steps = month_steps(layout)
    place = np.empty(steps.size, dtype=np.int64)
    place[steps.ravel()] = np.arange(steps.size)
    visits = histories.visits
    at = pd.Index(visits["visit"]).get_indexer(histories.signs["visit"])
    n_signs = len(at)
    filled = 1 << max(n_signs - 1, 1).bit_length()
    sign_site, log_ratio, counts = np.zeros(filled, dtype=np.int64), *np.zeros((2, filled))
    site = place[layout.site]
    sign_site[:n_signs], counts[:n_signs] = site[at], 1.0
    log_ratio[:n_signs] = histories.signs["log_ratio"].to_numpy(dtype=float)
    patterns = None
    if places_km is not None:
        patterns = _patterns(histories.units.iloc[steps[:, 0]]["unit"], places_km, reach_km)
    return _Data(
        layout, steps, site, effort_of(visits, effort), sign_site, log_ratio, counts, patterns
    )


def _patterns(units: pd.Series, places_km: pd.DataFrame, reach_km: float) -> FloatArray:
    """Return the smoothest patterns over the units, scaled by how much of the effect they are."""
    if len(units) > MOST_PLACES:
        raise InputError(
            f"{len(units)} units are more than a smooth effect can take ({MOST_PLACES})",
            remedy="Sample without places, or part of the country.",
        )
    lost = ~units.isin(places_km.index)
    if lost.any():
        raise InputError(f"unit {units[lost].iloc[0]!r} has no place")
    xy = places_km.loc[units, ["east_km", "north_km"]].to_numpy(dtype=float)
    apart = np.sqrt(3.0) * np.linalg.norm(xy[:, None] - xy[None], axis=2) / reach_km
    size, pattern = np.linalg.eigh((1.0 + apart) * np.exp(-apart))
    size, pattern = size[::-1].clip(min=0.0), pattern[:, ::-1]
    enough = int(np.searchsorted(np.cumsum(size) / size.sum(), ENOUGH)) + 1
    kept = slice(0, min(enough, MOST_PATTERNS))
    return np.asarray(pattern[:, kept] * np.sqrt(size[kept]))


@lru_cache(maxsize=8)
def _sampler(priors: Priors, warmup: int, draws: int, chains: int, kind: tuple[bool, bool]) -> Any:
    """Return a sampler; one that has been compiled for data of this kind and size serves again."""
    del kind
    infer = _library("numpyro.infer")

    def model(**data: Any) -> None:
        _model(priors, **data)

    return infer.MCMC(
        infer.NUTS(model, target_accept_prob=0.9),
        num_warmup=warmup,
        num_samples=draws,
        num_chains=chains,
        chain_method="vectorized",
        progress_bar=False,
        jit_model_args=True,
    )


def _model(priors: Priors, *, patterns: Any, **data: Any) -> None:
    """Say what is drawn from which prior, and add the likelihood."""
    numpyro, jnp, dist = (_library(name) for name in ("numpyro", "jax.numpy", _DISTRIBUTIONS))
    names = ["psi", "colonisation", "extinction"] if data["shape"].shape[1] > 1 else ["psi"]
    head = jnp.array([numpyro.sample(f"logit_{name}", dist.Logistic(0.0, 1.0)) for name in names])
    rate = dist.Normal(np.log(priors.rate_median), priors.rate_spread)
    log_rate = numpyro.sample("log_sign_rate", rate)
    log_lookalike = numpyro.sample("log_lookalike_rate", rate)
    effect: Any = 0.0
    if patterns is not None:
        spread = numpyro.sample("effect_spread", dist.HalfNormal(priors.effect_spread))
        white = numpyro.sample("white", dist.Normal(0.0, 1.0).expand([patterns.shape[1]]))
        effect = numpyro.deterministic("effect", spread * (patterns @ white))
    numpyro.factor("data", _loglik(head, log_rate, log_lookalike, effect=effect, **data))


_DISTRIBUTIONS: Final = "numpyro.distributions"


def _loglik(head: Any, log_rate: Any, log_lookalike: Any, *, effect: Any, **data: Any) -> Any:
    """Return the log-likelihood, states summed out by the forward recursion."""
    jnp, nn = _library("jax.numpy"), _library("jax.nn")
    n_units, n_months = data["shape"].shape
    present, absent = (
        part.reshape(n_units, n_months)
        for part in _records(jnp, log_rate, log_lookalike, n_units * n_months, **data)
    )
    odds = head[0] + effect + jnp.zeros(n_units)
    total = 0.0
    for month in range(n_months):
        a, b = present[:, month], absent[:, month]
        total += jnp.sum(jnp.logaddexp(nn.log_sigmoid(odds) + a, nn.log_sigmoid(-odds) + b))
        if month + 1 < n_months:
            used = nn.sigmoid(odds + a - b)
            gain, loss = nn.sigmoid(head[1] + effect), nn.sigmoid(head[2] - effect)
            chance = used * (1.0 - loss) + (1.0 - used) * gain
            odds = jnp.log(chance) - jnp.log1p(-chance)
    return total


def _records(
    jnp: ModuleType,
    log_rate: Any,
    log_lookalike: Any,
    n_sites: int,
    *,
    site: Any,
    effort: Any,
    sign_site: Any,
    log_ratio: Any,
    counts: Any,
    **_: Any,
) -> tuple[Any, Any]:
    """Return the log densities of the sites' records, used and unused (``scored_signs.py``).

    The factor effort of each sign, the same in both and without a parameter, is left out.
    """
    total = partial(_library("jax.ops").segment_sum, num_segments=n_sites)
    walked = total(effort, site)
    either = counts * jnp.logaddexp(log_rate + log_ratio, log_lookalike)
    used = total(either, sign_site)
    unused = total(counts * log_lookalike, sign_site)
    other = jnp.exp(log_lookalike) * walked
    return used - jnp.exp(log_rate) * walked - other, unused - other


def _judge(
    data: _Data, draws: dict[str, FloatArray], rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return presence per unit and month, and the shares of units used, over the draws."""
    n_draws, steps = len(draws["log_sign_rate"]), data.steps
    arguments = _without_places(data.arguments())
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


def _double() -> Any:
    """Return a context in which JAX counts in double precision, and only in it."""
    jax = _library("jax")
    if hasattr(jax, "enable_x64"):
        return jax.enable_x64(True)
    return _library("jax.experimental").enable_x64()


def _library(name: str) -> ModuleType:
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise LibraryMissing(
            f"{name.partition('.')[0]} is needed to sample a posterior. Install it with: "
            'pip install "carnivore-sign[bayes]"'
        ) from error
