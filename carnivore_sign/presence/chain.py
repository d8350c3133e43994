r"""Chain: a state that may change from step to step, and records that depend on it.

At step 1 the state is *used* with probability :math:`q_1`; from step t to t + 1 an unused
place becomes used with probability c and a used one stays so with probability s. The record
of step t has log density :math:`a_t` if used and :math:`b_t` if not. The likelihood is the
product of the records' probabilities, each given those before it:

.. math::

    \ell_t = \log [q_t e^{a_t} + (1 - q_t) e^{b_t}], \quad
    f_t = \text{expit}(\text{logit } q_t + a_t - b_t), \quad
    q_{t+1} = f_t s + (1 - f_t) c.

This is the forward pass of a two-state hidden Markov chain. A step without a record has
a = b = 0: the chain runs on through it. The loop goes over steps, not over chains.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from carnivore_sign.presence.jets import Jet
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.two_states import Conditional

_STEP = 1e-5


def run_chains(
    first: Jet, gain: Jet, stay: Jet, *, present: Jet, absent: Jet, steps: IntArray
) -> Jet:
    """Return the log density of each chain's whole record.

    Parameters
    ----------
    first : Jet
        Probability q of the first step, a row for each chain, or one for all.
    gain, stay : Jet
        Probabilities c and s, a row for each chain, or one for all.
    present, absent : Jet
        a and b, a row for each record, in the last of the parameters.
    steps : array of int, shape (n_chains, n_steps)
        Which record belongs to each step; -1 for none.
    """
    size = len(first.slope)
    n_chains, n_steps = steps.shape
    a, b = (jet.rows(steps.T.ravel()) for jet in (present, absent))
    top = np.maximum(a.value, b.value)
    there, elsewhere = _density(a, top), _density(b, top)
    rise, used = stay - gain, first
    total = _nothing(size, n_chains)
    for t in range(n_steps):
        here = slice(t * n_chains, (t + 1) * n_chains)
        own = used.times_last(there.part(here))
        whole = own + used.rest().times_last(elsewhere.part(here))
        total = total + whole.log()
        if t + 1 < n_steps:
            used = own / whole * rise + gain
    value = total.value + top.reshape(n_steps, n_chains).sum(axis=0)
    return Jet(value, total.slope, total.bend)


def _density(log_density: Jet, top: FloatArray) -> Jet:
    """Return a density in terms of the larger of the two, so that nothing underflows."""
    value = np.exp(log_density.value - top)
    return log_density.through(value, value, value)


def _nothing(size: int, n_chains: int) -> Jet:
    zeros = np.zeros((size, size, n_chains))
    return Jet(zeros[0, 0], zeros[0], zeros)


def smooth(
    first: FloatArray,
    gain: FloatArray,
    stay: FloatArray,
    contrast: FloatArray,
) -> FloatArray:
    """Return the logit of P(used at each step | the whole record of the chain).

    Parameters
    ----------
    first : array, shape (n_chains,)
        Logit of q at the first step.
    gain, stay : array, shape (n_chains,)
        Probabilities c and s.
    contrast : array, shape (n_chains, n_steps)
        a - b of each step, 0 where there is no record.

    Returns
    -------
    array, shape (n_chains, n_steps)
        By the forward-backward recursion: the forward log odds plus the logarithm of the
        ratio of what comes after, given used and given not.
    """
    n_steps = contrast.shape[1]
    odds = np.empty_like(contrast)
    used = first
    for t in range(n_steps):
        odds[:, t] = used + contrast[:, t]
        f = expit(odds[:, t])
        used = logit(f * stay + (1.0 - f) * gain)
    later = np.zeros(len(first))
    for t in range(n_steps - 2, -1, -1):
        # P(rest | state): for used, stay e^x + (1 - stay); for unused, gain e^x + (1 - gain).
        up = expit(contrast[:, t + 1] + later)
        later = np.log(stay * up + (1.0 - stay) * (1.0 - up)) - np.log(
            gain * up + (1.0 - gain) * (1.0 - up)
        )
        odds[:, t] += later
    return odds


def draw_states(
    first: FloatArray,
    gain: FloatArray,
    stay: FloatArray,
    contrast: FloatArray,
    rng: np.random.Generator,
) -> npt.NDArray[np.bool_]:
    """Draw the states of each chain, all steps together, given its whole record.

    Forward as in `smooth`; then backward, each state given the one drawn after it:
    logit P(used at t | used at t + 1) is the forward log odds plus log s / c, and
    given unused there plus log (1 - s) / (1 - c).

    Parameters
    ----------
    first, gain, stay, contrast
        As for `smooth`.
    rng : Generator
        Where the draws come from.

    Returns
    -------
    array of bool, shape (n_chains, n_steps)
    """
    n_chains, n_steps = contrast.shape
    odds = np.empty_like(contrast)
    used = first
    for t in range(n_steps):
        odds[:, t] = used + contrast[:, t]
        f = expit(odds[:, t])
        used = logit(f * stay + (1.0 - f) * gain)
    if_used, if_unused = np.log(stay / gain), np.log((1.0 - stay) / (1.0 - gain))
    chance = rng.random(contrast.shape)
    states = np.empty(contrast.shape, dtype=bool)
    later = np.zeros(n_chains)
    for t in range(n_steps - 1, -1, -1):
        states[:, t] = chance[:, t] < expit(odds[:, t] + later)
        later = np.where(states[:, t], if_used, if_unused)
    return states


@dataclass(frozen=True)
class ChainsAt:
    """Chains at given parameters, ready to be judged: the arguments of `smooth`, and the sites.

    Attributes
    ----------
    first, gain, stay : array, shape (n_chains,)
    contrast : array, shape (n_chains, n_steps)
    steps : array of int, shape (n_chains, n_steps)
        The site at each step; -1 for none.
    """

    first: FloatArray
    gain: FloatArray
    stay: FloatArray
    contrast: FloatArray
    steps: IntArray

    def log_odds(self) -> FloatArray:
        """Return the logit of P(used | the whole record) of each site."""
        odds = smooth(self.first, self.gain, self.stay, self.contrast)
        there = self.steps >= 0
        by_site = np.zeros(there.sum())
        by_site[self.steps[there]] = odds[there]
        return by_site

    def draw(self, copies: int, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
        """Draw which sites are used, all of a chain together, shape (copies, n_sites)."""
        n_chains, n_steps = self.contrast.shape
        first, gain, stay = (np.tile(part, copies) for part in (self.first, self.gain, self.stay))
        states = draw_states(first, gain, stay, np.tile(self.contrast, (copies, 1)), rng)
        there = self.steps >= 0
        by_site = np.zeros((copies, there.sum()), dtype=bool)
        by_site[:, self.steps[there]] = states.reshape(copies, n_chains, n_steps)[:, there]
        return by_site


def contrast_of(record: Conditional, steps: IntArray) -> FloatArray:
    """Return a - b of each step, 0 where there is no site."""
    return np.where(steps >= 0, (record.present - record.absent)[steps], 0.0)


def with_slope(
    odds_at: Callable[[FloatArray], FloatArray], parameters: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return smoothed log odds at `parameters`, and their slope, shape (n_sites, n_parameters).

    The slope is by central differences, which is exact to about nine digits.
    """
    odds = odds_at(parameters)
    slope = np.zeros((len(odds), len(parameters)))
    moving = np.isfinite(odds)
    for k in range(len(parameters)):
        step = np.zeros(len(parameters))
        step[k] = _STEP
        ahead, behind = odds_at(parameters + step), odds_at(parameters - step)
        slope[moving, k] = (ahead[moving] - behind[moving]) / (2.0 * _STEP)
    return odds, slope
