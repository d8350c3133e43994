"""Jets: arrays that carry their first and second derivatives along.

A chain of states has no closed form for its derivatives, but a recursion. Written with jets
the recursion reads as it stands in the papers, and its gradient and Hessian come with it,
exact to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from carnivore_sign.presence.layout import FloatArray, adder


@dataclass(frozen=True)
class Jet:
    """A value for each of n rows, with derivatives in k parameters.

    Attributes
    ----------
    value : array, shape (n,)
    slope : array, shape (n, k)
    bend : array, shape (n, k, k)

    Examples
    --------
    >>> x = Jet(np.array([3.0]), np.ones((1, 1)), np.zeros((1, 1, 1)))
    >>> square = x * x
    >>> square.value, square.slope.ravel(), square.bend.ravel()
    (array([9.]), array([6.]), array([2.]))
    """

    value: FloatArray
    slope: FloatArray
    bend: FloatArray

    def __add__(self, other: Jet) -> Jet:
        """Return the sum."""
        return Jet(self.value + other.value, self.slope + other.slope, self.bend + other.bend)

    def __sub__(self, other: Jet) -> Jet:
        """Return the difference."""
        return Jet(self.value - other.value, self.slope - other.slope, self.bend - other.bend)

    def __mul__(self, other: Jet) -> Jet:
        """Return the product, row by row."""
        u, v = self.value[:, None], other.value[:, None]
        across = self.slope[:, :, None] * other.slope[:, None, :]
        return Jet(
            self.value * other.value,
            u * other.slope + v * self.slope,
            u[:, None] * other.bend + v[:, None] * self.bend + across + across.transpose(0, 2, 1),
        )

    def through(self, value: FloatArray, first: FloatArray, second: FloatArray) -> Jet:
        """Return f of the jet, given f and its derivatives at the jet's values."""
        square = self.slope[:, :, None] * self.slope[:, None, :]
        return Jet(
            value,
            first[:, None] * self.slope,
            first[:, None, None] * self.bend + second[:, None, None] * square,
        )

    def expit(self) -> Jet:
        """Return the inverse logit."""
        p = expit(self.value)
        spread = p * (1.0 - p)
        return self.through(p, spread, spread * (1.0 - 2.0 * p))

    def log_expit(self) -> Jet:
        """Return the logarithm of the inverse logit."""
        p = expit(self.value)
        return self.through(-np.logaddexp(0.0, -self.value), 1.0 - p, -p * (1.0 - p))

    def logit(self) -> Jet:
        """Return the logit; values lie strictly between 0 and 1."""
        p = self.value
        first = 1.0 / (p * (1.0 - p))
        return self.through(np.log(p) - np.log1p(-p), first, (2.0 * p - 1.0) * first**2)

    def negative(self) -> Jet:
        """Return minus the jet."""
        return Jet(-self.value, -self.slope, -self.bend)

    def rows(self, index: npt.NDArray[np.int64]) -> Jet:
        """Return some rows; -1 gives a row of zeros."""
        gone = index < 0
        value, slope, bend = self.value[index], self.slope[index], self.bend[index]
        value[gone], slope[gone], bend[gone] = 0.0, 0.0, 0.0
        return Jet(value, slope, bend)

    def added(self, group: npt.NDArray[np.int64], n_groups: int) -> Jet:
        """Return the sums of the rows by group."""
        add = adder(group, n_groups)
        bend = add @ self.bend.reshape(len(self.value), -1)
        return Jet(
            add @ self.value,
            add @ self.slope,
            np.asarray(bend).reshape(n_groups, *self.bend.shape[1:]),
        )

    def placed(self, begin: int, size: int) -> Jet:
        """Return the jet in `size` parameters, its own beginning at `begin`."""
        end = begin + self.slope.shape[1]
        slope = np.zeros((len(self.value), size))
        bend = np.zeros((len(self.value), size, size))
        slope[:, begin:end] = self.slope
        bend[:, begin:end, begin:end] = self.bend
        return Jet(self.value, slope, bend)


def linear(matrix: FloatArray, theta: FloatArray) -> Jet:
    """Return the jet of ``matrix @ theta``."""
    n, k = matrix.shape
    return Jet(matrix @ theta, matrix, np.zeros((n, k, k)))


def mixture(logit_weight: Jet, present: Jet, absent: Jet) -> tuple[Jet, Jet]:
    """Mix two log densities.

    Parameters
    ----------
    logit_weight : Jet
        Logit of the weight q of the first.
    present, absent : Jet
        Log densities a and b; b may be minus infinity.

    Returns
    -------
    log_density : Jet
        ``log(q e^a + (1 - q) e^b)``.
    log_odds : Jet
        Logit of the weight of the first, given the record: ``logit q + a - b``.
    """
    odds = logit_weight + present - absent
    after, before = expit(odds.value), expit(logit_weight.value)
    value = np.logaddexp(logit_weight.value + present.value, absent.value)
    value -= np.logaddexp(0.0, logit_weight.value)
    # Derivatives: of absent, and of log(1 + e^odds) - log(1 + e^logit_weight).
    slope = absent.slope + after[:, None] * odds.slope - before[:, None] * logit_weight.slope
    bend = (
        absent.bend
        + after[:, None, None] * odds.bend
        - before[:, None, None] * logit_weight.bend
        + _square(after * (1.0 - after), odds.slope)
        - _square(before * (1.0 - before), logit_weight.slope)
    )
    return Jet(value, slope, bend), odds


def _square(weight: FloatArray, slope: FloatArray) -> FloatArray:
    return (weight[:, None] * slope)[:, :, None] * slope[:, None, :]
