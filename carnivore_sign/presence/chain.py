r"""Chain: a state that may change from step to step, and records that depend on it.

At step 1 the state is *used* with probability :math:`q_1`; from step t to t + 1 an unused
place becomes used with probability :math:`c_t` and a used one stays so with probability
:math:`s_t`. The record of step t has log density :math:`a_t` if used and :math:`b_t` if not.
The likelihood is the product of the records' probabilities, each given those before it:

.. math::

    \ell_t = \log [q_t e^{a_t} + (1 - q_t) e^{b_t}], \quad
    f_t = q_t e^{a_t - \ell_t}, \quad
    q_{t+1} = f_t s_t + (1 - f_t) c_t.

This is the forward pass of a two-state hidden Markov chain. A step without a record has
a = b = 0: the chain runs on through it. The loop goes over steps, not over chains.

*Derivatives.* With :math:`r = e^{a - \ell}`, :math:`u = e^{b - \ell}` and
:math:`x = a - b`, a step has

.. math::

    \ell_q &= r - u, & \ell_x &= f, & f_q &= r u, & f_x &= f (1 - f), \\
    \ell_{qq} &= -(r - u)^2, & \ell_{qx} &= r u, & \ell_{xx} &= f (1 - f), \\
    f_{qq} &= -2 r u (r - u), & f_{qx} &= r u (1 - 2 f), & f_{xx} &= f (1 - f) (1 - 2 f).

Going forward, the slope of q in the parameters is carried along. Going backward,
:math:`\lambda_t = \ell_q + \lambda_{t+1} (s_t - c_t) f_q` says what a change of
:math:`q_t` does to all that follows. The Hessian is then a sum over steps of products of
slopes, weighted with the second derivatives above, those of f by
:math:`\lambda_{t+1} (s_t - c_t)`: exact, and no second derivative is carried along. The
weight of :math:`a_t''` in it, :math:`f + \lambda_{t+1} (s_t - c_t) f_x`, is the smoothed
probability of the step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Final

import numpy as np
from scipy.special import expit

from carnivore_sign.presence.fitting import BoolArray
from carnivore_sign.presence.jets import Jet
from carnivore_sign.presence.layout import FloatArray, IntArray
from carnivore_sign.presence.two_states import Conditional, Evaluation

#: Chains that are passed over together: few enough for their numbers to stay at hand.
_BLOCK: Final = 2048


@dataclass(frozen=True)
class Chance:
    """A probability, with its derivatives in the parameters of the chain.

    Attributes
    ----------
    value : array, shape (n_rows,)
        A row for each chain (`first` of `run_chains`), or for each step and chain in order
        of steps (`gain`, `stay`); or one row for all.
    slope : array, shape (n_head, n_rows)
    curvature : callable
        Takes weights, shape (n_rows,), and gives the weighted sum of second derivatives.
    """

    value: FloatArray
    slope: FloatArray
    curvature: Callable[[FloatArray], FloatArray]


def same_for_all(jet: Jet) -> Chance:
    """Return a chance that is one number for all chains and steps."""
    return Chance(jet.value, jet.slope, lambda weight: weight.sum() * jet.bend[:, :, 0])


def either(first: Chance, second: Chance, where: BoolArray) -> Chance:
    """Return `second` for the rows of `where`, and `first` for the others; each one for all."""

    def curvature(weight: FloatArray) -> FloatArray:
        return first.curvature(weight[~where]) + second.curvature(weight[where])

    return Chance(
        np.where(where, second.value, first.value),
        np.where(where, second.slope, first.slope),
        curvature,
    )


def by_covariates(
    matrix: FloatArray, coefficients: FloatArray, *, begin: int, size: int, turned: bool = False
) -> Chance:
    """Return the inverse logit of ``matrix @ coefficients``, or one minus it if `turned`.

    Parameters
    ----------
    matrix : array, shape (n_rows, n_coefficients)
        A row for each row of the chance, or one for all.
    coefficients : array
    begin, size : int
        Where the coefficients stand among the parameters of the chain, and how many those are.
    turned : bool
        Give the probability of the other outcome.
    """
    sign = -1.0 if turned else 1.0
    value = expit(sign * (matrix @ coefficients))
    spread = value * (1.0 - value)
    here = slice(begin, begin + len(coefficients))
    slope = np.zeros((size, len(matrix)))
    slope[here] = sign * spread * matrix.T

    def curvature(weight: FloatArray) -> FloatArray:
        if len(matrix) == 1:
            weight = weight.sum(keepdims=True)
        bend = np.zeros((size, size))
        bend[here, here] = (matrix.T * (weight * spread * (1.0 - 2.0 * value))) @ matrix
        return bend

    return Chance(value, slope, curvature)


@dataclass(frozen=True)
class ChainsRun:
    """Log densities of whole chains.

    Attributes
    ----------
    value : array, shape (n_chains,)
    slope : array, shape (n_parameters, n_chains)
        In the parameters of the chain, then those of the records.
    curvature : callable
        Takes a weight for each chain and gives the weighted sum of second derivatives.
    """

    value: FloatArray
    slope: FloatArray
    curvature: Callable[[FloatArray], FloatArray]

    def total(self, times: FloatArray | None = None) -> Evaluation:
        """Return the log-likelihood of all chains, each taken so many times."""
        if times is not None:
            return Evaluation(float(self.value @ times), self.slope @ times, self.curvature(times))
        return Evaluation(
            float(self.value.sum()),
            self.slope.sum(axis=1),
            self.curvature(np.ones(len(self.value))),
        )


def run_chains(
    first: Chance, gain: Chance, stay: Chance, *, record: Conditional, steps: IntArray
) -> ChainsRun:
    """Return the log density of each chain's whole record, with its derivatives.

    Parameters
    ----------
    first, gain, stay : Chance
        q, c and s.
    record : Conditional
        a and b of each site.
    steps : array of int, shape (n_chains, n_steps)
        Which site belongs to each step; -1 for none.
    """
    at = np.ascontiguousarray(steps.T)
    n_steps, n_chains = at.shape
    ways, records = _ways_of(first, gain, stay, n_steps), _Records(record)
    blocks = [slice(k, k + _BLOCK) for k in range(0, n_chains, _BLOCK)]
    passes = [_pass(ways.of(rows), records.lay(at[:, rows])) for rows in blocks]

    def curvature(weight: FloatArray) -> FloatArray:
        n_head, size = len(first.slope), len(passes[0].slope_of_all)
        bend, smoothed, later = np.zeros((size, size)), np.empty(at.shape), np.empty(at.shape)
        to_stay = np.empty((n_steps - 1, n_chains))
        for rows, run in zip(blocks, passes, strict=True):
            bend += _bend(run, weight[rows])
            smoothed[:, rows], later[:, rows] = (
                weight[rows] * run.smoothed,
                weight[rows] * run.later,
            )
            np.multiply(later[1:, rows], run.used[:-1], out=to_stay[:, rows])
        head = bend[:n_head, :n_head]
        head += first.curvature(later[0])
        if n_steps > 1:
            head += stay.curvature(to_stay.ravel())
            head += gain.curvature((later[1:] - to_stay).ravel())
        bend[n_head:, n_head:] += record.curvature(*_by_site(smoothed, weight, at, record))
        return bend

    return ChainsRun(
        np.concatenate([run.value for run in passes]),
        np.concatenate([run.slope_of_all for run in passes], axis=1),
        curvature,
    )


@dataclass(frozen=True)
class _Ways:
    """How chains start and move: probabilities and slopes by step and chain, or one for all."""

    first: FloatArray  #: (n_chains,)
    first_slope: FloatArray  #: (n_head, n_chains)
    gain: FloatArray  #: c, (n_steps - 1, n_chains)
    gain_slope: FloatArray  #: (n_head, n_steps - 1, n_chains)
    rise: FloatArray  #: s - c
    rise_slope: FloatArray

    def of(self, rows: slice) -> _Ways:
        """Return those of some of the chains."""

        def some(part: FloatArray) -> FloatArray:
            return part if part.shape[-1] == 1 else part[..., rows]

        return _Ways(*(some(getattr(self, one.name)) for one in fields(self)))


def _ways_of(first: Chance, gain: Chance, stay: Chance, n_steps: int) -> _Ways:
    shape = (n_steps - 1, -1)

    def by_step(chance: Chance) -> tuple[FloatArray, FloatArray]:
        if len(chance.value) == 1:
            slope = np.repeat(chance.slope[:, None], n_steps - 1, axis=1)
            return np.repeat(chance.value, n_steps - 1)[:, None], slope
        return chance.value.reshape(shape), chance.slope.reshape(len(chance.slope), *shape)

    if n_steps == 1:
        nothing = np.empty((0, 1)), np.empty((len(first.slope), 0, 1))
        return _Ways(first.value, first.slope, *nothing, *nothing)
    (gains, gain_slope), (stays, stay_slope) = by_step(gain), by_step(stay)
    rise = stays - gains, stay_slope - gain_slope
    return _Ways(first.value, first.slope, gains, gain_slope, *rise)


@dataclass(frozen=True)
class _Seen:
    """Densities of the records by step, in terms of the larger of the two, and their slopes."""

    present: FloatArray
    absent: FloatArray
    top: FloatArray
    slope_absent: FloatArray  #: summed over the steps, (n_record, n_chains)
    slope_contrast: FloatArray  #: of a - b, (n_record, n_steps, n_chains)


class _Records:
    """The records of all sites, to be laid out by step; no record has densities of 1."""

    def __init__(self, record: Conditional) -> None:
        top = np.maximum(record.present, record.absent)
        contrast = record.slope_present - record.slope_absent
        self._present = np.append(np.exp(record.present - top), 1.0)
        self._absent = np.append(np.exp(record.absent - top), 1.0)
        self._top = np.append(top, 0.0)
        self._contrast = [np.append(column, 0.0) for column in contrast.T]
        self._slope_absent = [np.append(column, 0.0) for column in record.slope_absent.T]

    def lay(self, at: IntArray) -> _Seen:
        """Return the records of the sites `at`, (n_steps, n_chains); -1 for none."""
        return _Seen(
            self._present[at],
            self._absent[at],
            self._top[at],
            np.stack([column[at].sum(axis=0) for column in self._slope_absent]),
            np.stack([column[at] for column in self._contrast]),
        )


@dataclass(frozen=True)
class _Passed:
    """What the passes over a block of chains leave; by step and chain."""

    ways: _Ways
    seen: _Seen
    value: FloatArray  #: log density of each chain
    used: FloatArray  #: f
    pull: FloatArray  #: r - u
    both: FloatArray  #: r u
    spread: FloatArray  #: f (1 - f)
    slope: FloatArray  #: of q, (n_parameters, n_steps, n_chains)
    later: FloatArray  #: lambda

    @cached_property
    def smoothed(self) -> FloatArray:
        """P(used at each step | the whole record)."""
        smoothed = self.used.copy()
        smoothed[:-1] += self.later[1:] * self.ways.rise * self.spread[:-1]
        return smoothed

    @cached_property
    def slope_of_all(self) -> FloatArray:
        """Slope of each chain's log density, (n_parameters, n_chains)."""
        head = self.later[0] * self.ways.first_slope
        head = head + _over_steps(self.later[1:], self.ways.gain_slope)
        head = head + _over_steps(self.later[1:] * self.used[:-1], self.ways.rise_slope)
        record = np.einsum("tn,ktn->kn", self.smoothed, self.seen.slope_contrast)
        return np.concatenate([head, self.seen.slope_absent + record])


def _pass(ways: _Ways, seen: _Seen) -> _Passed:
    """Go over the chains, forward and backward."""
    (n_steps, n_chains), n_head = seen.top.shape, len(ways.first_slope)
    used, pull, both, spread = np.empty((4, n_steps, n_chains))
    slope = np.empty((n_head + len(seen.slope_contrast), n_steps, n_chains))
    slope[:n_head, 0], slope[n_head:, 0] = ways.first_slope, 0.0
    chance, value = ways.first, seen.top.sum(axis=0)
    for t in range(n_steps):
        present, absent = seen.present[t], seen.absent[t]
        whole = absent + chance * (present - absent)
        value += np.log(whole)
        r, u = present / whole, absent / whole
        used[t] = f = chance * r
        np.subtract(r, u, out=pull[t])
        np.multiply(r, u, out=both[t])
        np.multiply(f, 1.0 - f, out=spread[t])
        if t + 1 < n_steps:
            chance, after = ways.gain[t] + ways.rise[t] * f, slope[:, t + 1]
            np.multiply(both[t] * ways.rise[t], slope[:, t], out=after)
            after[n_head:] += (spread[t] * ways.rise[t]) * seen.slope_contrast[:, t]
            after[:n_head] += ways.gain_slope[:, t] + f * ways.rise_slope[:, t]
    later = pull.copy()
    for t in range(n_steps - 2, -1, -1):
        later[t] += later[t + 1] * (ways.rise[t] * both[t])
    return _Passed(ways, seen, value, used, pull, both, spread, slope, later)


def _bend(run: _Passed, weight: FloatArray) -> FloatArray:
    """Return the weighted sum of products of slopes that is most of the Hessian."""
    ways, n_head = run.ways, len(run.ways.first_slope)
    before, contrast = run.slope, run.seen.slope_contrast
    carried = np.zeros_like(run.later)
    np.multiply(run.later[1:], ways.rise, out=carried[:-1])
    lean = weight * (1.0 + carried * (1.0 - 2.0 * run.used))
    twice = run.pull * (run.pull + 2.0 * carried * run.both)
    bend = _products(before, before, -weight * twice)
    across = _products(before, contrast, run.both * lean)
    bend[:, n_head:] += across
    bend[n_head:] += across.T
    bend[n_head:, n_head:] += _products(contrast, contrast, run.spread * lean)
    moved = run.both[:-1] * before[:, :-1]
    moved[n_head:] += run.spread[:-1] * contrast[:, :-1]
    turned = _products(moved, ways.rise_slope, weight * run.later[1:])
    bend[:, :n_head] += turned
    bend[:n_head] += turned.T
    return bend


def _over_steps(weight: FloatArray, slopes: FloatArray) -> FloatArray:
    """Return the weighted sums of slopes over the steps of each chain, (n_slopes, n_chains)."""
    if slopes.shape[2] == 1:
        return np.asarray(slopes[:, :, 0] @ weight)
    return np.einsum("tn,ktn->kn", weight, slopes)


def _products(left: FloatArray, right: FloatArray, weight: FloatArray) -> FloatArray:
    """Return the weighted sums of products over steps and chains, (n_left, n_right)."""
    if right.shape[2] == 1:
        return np.asarray(np.einsum("tn,ktn->kt", weight, left) @ right[:, :, 0].T)
    weighted = (left * weight).reshape(len(left), -1)
    return np.asarray(weighted @ right.reshape(len(right), -1).T)


def _by_site(
    smoothed: FloatArray, weight: FloatArray, at: IntArray, record: Conditional
) -> tuple[FloatArray, FloatArray]:
    """Return the weights of each site's records, used and unused."""
    size, every = len(record.present) + 1, np.broadcast_to(weight, at.shape)
    used, whole = (
        np.bincount(at.ravel() + 1, part.ravel(), minlength=size)[1:].astype(float)
        for part in (smoothed, every)
    )
    return used, whole - used
