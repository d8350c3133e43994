"""Smoothing: what the whole record of a chain says of each of its steps.

Forward and backward over the two-state chain of ``chain.py``: the probability of each step's
state given all records, states drawn together given all records, and the slope of the first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit

from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.two_states import Conditional

_STEP = 1e-5


def _forward(
    first: FloatArray, gain: FloatArray, stay: FloatArray, contrast: FloatArray
) -> FloatArray:
    """Return the logit of P(used at each step | the records up to it)."""
    odds = np.empty_like(contrast)
    used = first
    for t in range(contrast.shape[1]):
        odds[:, t] = used + contrast[:, t]
        if t + 1 < contrast.shape[1]:
            f = expit(odds[:, t])
            used = logit(f * stay[:, t] + (1.0 - f) * gain[:, t])
    return odds


def smooth(
    first: FloatArray, gain: FloatArray, stay: FloatArray, contrast: FloatArray
) -> FloatArray:
    """Return the logit of P(used at each step | the whole record of the chain).

    Parameters
    ----------
    first : array, shape (n_chains,)
        Logit of q at the first step.
    gain, stay : array, shape (n_chains, n_steps - 1)
        Probabilities c and s of the way from each step to the next.
    contrast : array, shape (n_chains, n_steps)
        a - b of each step, 0 where there is no record.

    Returns
    -------
    array, shape (n_chains, n_steps)
        By the forward-backward recursion: the forward log odds plus the logarithm of the
        ratio of what comes after, given used and given not.
    """
    odds = _forward(first, gain, stay, contrast)
    later = np.zeros(len(first))
    for t in range(contrast.shape[1] - 2, -1, -1):
        # P(rest | state): for used, stay e^x + (1 - stay); for unused, gain e^x + (1 - gain).
        up, s, c = expit(contrast[:, t + 1] + later), stay[:, t], gain[:, t]
        later = np.log(s * up + (1.0 - s) * (1.0 - up)) - np.log(c * up + (1.0 - c) * (1.0 - up))
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
    odds = _forward(first, gain, stay, contrast)
    if_used, if_unused = np.log(stay / gain), np.log((1.0 - stay) / (1.0 - gain))
    chance = rng.random(contrast.shape)
    states = np.empty(contrast.shape, dtype=bool)
    states[:, -1] = chance[:, -1] < expit(odds[:, -1])
    for t in range(contrast.shape[1] - 2, -1, -1):
        later = np.where(states[:, t + 1], if_used[:, t], if_unused[:, t])
        states[:, t] = chance[:, t] < expit(odds[:, t] + later)
    return states


@dataclass(frozen=True)
class ChainsAt:
    """Chains at given parameters, ready to be judged: the arguments of `smooth`, and the sites.

    Attributes
    ----------
    first : array, shape (n_chains,)
    gain, stay : array, shape (n_chains, n_steps - 1)
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

    def before(self) -> FloatArray:
        """Return P(used) of each site before anybody looks."""
        n_chains, n_steps = self.steps.shape
        used = np.empty((n_chains, n_steps))
        used[:, 0] = expit(self.first)
        for t in range(n_steps - 1):
            stay, gain = self.stay[:, t], self.gain[:, t]
            used[:, t + 1] = used[:, t] * stay + (1.0 - used[:, t]) * gain
        there = self.steps >= 0
        by_site = np.zeros(there.sum())
        by_site[self.steps[there]] = used[there]
        return by_site

    def draw(self, copies: int, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
        """Draw which sites are used, all of a chain together, shape (copies, n_sites)."""
        n_chains, n_steps = self.contrast.shape
        first = np.tile(self.first, copies)
        gain, stay, contrast = (
            np.tile(part, (copies, 1)) for part in (self.gain, self.stay, self.contrast)
        )
        states = draw_states(first, gain, stay, contrast, rng)
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
