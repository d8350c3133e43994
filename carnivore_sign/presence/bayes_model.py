r"""Bayes model: the density that is sampled, as NumPyro has it, and the histories as its arrays.

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
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from functools import partial
from types import ModuleType
from typing import Any, Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import EstimateError, InputError, LibraryMissing
from carnivore_sign.presence.arrange import month_steps, over_months
from carnivore_sign.presence.histories import Histories
from carnivore_sign.presence.layout import FloatArray, IntArray, Layout, lay_out
from carnivore_sign.presence.models import effort_of

#: Units beyond which the smooth effect would take too long: its cost grows with their cube.
MOST_PLACES: Final = 3000

#: Signs are filled up to this number, or the next power of two, with some of no weight, so that
#: surveys of like size are sampled by one compiled programme.
LEAST_FILLED: Final = 1024

#: Patterns of the smooth effect that are kept, and the share of its variance that is enough.
MOST_PATTERNS: Final = 20
ENOUGH: Final = 0.95

_DISTRIBUTIONS: Final = "numpyro.distributions"


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
class Data:
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
    data = arrays_of(histories, effort, None, 1.0)
    head, rates = np.split(np.asarray(parameters, dtype=float), [len(parameters) - 2])
    with in_double():
        return float(marginal_loglik(head, *rates, effect=0.0, **without_places(data.arguments())))


def without_places(arguments: dict[str, Any]) -> dict[str, Any]:
    """Return the arguments of the model that its likelihood takes."""
    return {name: value for name, value in arguments.items() if name != "patterns"}


def arrays_of(
    histories: Histories, effort: str, places_km: pd.DataFrame | None, reach_km: float
) -> Data:
    """Return histories as arrays, with the patterns of a smooth effect if places are given."""
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
    filled = max(LEAST_FILLED, 1 << max(n_signs - 1, 1).bit_length())
    sign_site, log_ratio, counts = np.zeros(filled, dtype=np.int64), *np.zeros((2, filled))
    site = place[layout.site]
    sign_site[:n_signs], counts[:n_signs] = site[at], 1.0
    log_ratio[:n_signs] = histories.signs["log_ratio"].to_numpy(dtype=float)
    patterns = None
    if places_km is not None:
        patterns = smooth_patterns(histories.units.iloc[steps[:, 0]]["unit"], places_km, reach_km)
    return Data(
        layout, steps, site, effort_of(visits, effort), sign_site, log_ratio, counts, patterns
    )


def smooth_patterns(units: pd.Series, places_km: pd.DataFrame, reach_km: float) -> FloatArray:
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


def presence_model(priors: Priors, *, patterns: Any, **data: Any) -> None:
    """Say what is drawn from which prior, and add the likelihood."""
    numpyro, jnp, dist = (library(name) for name in ("numpyro", "jax.numpy", _DISTRIBUTIONS))
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
    numpyro.factor("data", marginal_loglik(head, log_rate, log_lookalike, effect=effect, **data))


def marginal_loglik(
    head: Any, log_rate: Any, log_lookalike: Any, *, effect: Any, **data: Any
) -> Any:
    """Return the log-likelihood, states summed out by the forward recursion."""
    jnp, nn = library("jax.numpy"), library("jax.nn")
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
    total = partial(library("jax.ops").segment_sum, num_segments=n_sites)
    walked = total(effort, site)
    either = counts * jnp.logaddexp(log_rate + log_ratio, log_lookalike)
    used = total(either, sign_site)
    unused = total(counts * log_lookalike, sign_site)
    other = jnp.exp(log_lookalike) * walked
    return used - jnp.exp(log_rate) * walked - other, unused - other


def in_double() -> Any:
    """Return a context in which JAX counts in double precision, and only in it."""
    jax = library("jax")
    if hasattr(jax, "enable_x64"):
        return jax.enable_x64(True)
    return library("jax.experimental").enable_x64()


def library(name: str) -> ModuleType:
    """Return a library of the extra ``bayes``, or raise `LibraryMissing` with what installs it."""
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise LibraryMissing(
            f"{name.partition('.')[0]} is needed to sample a posterior. Install it with: "
            'pip install "carnivore-sign[bayes]"'
        ) from error
