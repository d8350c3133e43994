"""Jets: arrays that carry their first and second derivatives along.

Where a density is put together from several probabilities, it is written with jets as it
stands in the papers, and its gradient and Hessian come with it, exact to rounding. Parameters
stand before rows in the arrays, so that the work runs along the long axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from carnivore_sign.presence.layout import FloatArray


@dataclass(frozen=True)
class Jet:
    """A value for each of n rows (or one for all), with derivatives in k parameters.

    Attributes
    ----------
    value : array, shape (n,)
    slope : array, shape (k, n)
    bend : array, shape (k, k, n)

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
        u, v = self.value, other.value
        across = _product(self.slope, other.slope)
        return Jet(
            u * v,
            u * other.slope + v * self.slope,
            u * other.bend + v * self.bend + across + across.transpose(1, 0, 2),
        )

    def through(self, value: FloatArray, first: FloatArray, second: FloatArray) -> Jet:
        """Return f of the jet, given f and its derivatives at the jet's values."""
        bend = first * self.bend
        bend += _product(second * self.slope, self.slope)
        return Jet(value, first * self.slope, bend)

    def expit(self) -> Jet:
        """Return the inverse logit."""
        p = expit(self.value)
        spread = p * (1.0 - p)
        return self.through(p, spread, spread * (1.0 - 2.0 * p))

    def log_expit(self) -> Jet:
        """Return the logarithm of the inverse logit."""
        p = expit(self.value)
        return self.through(-np.logaddexp(0.0, -self.value), 1.0 - p, -p * (1.0 - p))

    def negative(self) -> Jet:
        """Return minus the jet."""
        return Jet(-self.value, -self.slope, -self.bend)

    def rest(self) -> Jet:
        """Return one minus the jet."""
        return Jet(1.0 - self.value, -self.slope, -self.bend)

    def placed(self, size: int, *, begin: int | None = None) -> Jet:
        """Return the jet in `size` parameters, its own from `begin`, or the last."""
        begin = size - len(self.slope) if begin is None else begin
        end = begin + len(self.slope)
        slope = np.zeros((size, len(self.value)))
        bend = np.zeros((size, size, len(self.value)))
        slope[begin:end] = self.slope
        bend[begin:end, begin:end] = self.bend
        return Jet(self.value, slope, bend)


def linear(matrix: FloatArray, theta: FloatArray) -> Jet:
    """Return the jet of ``matrix @ theta``, shape of the matrix (n, k)."""
    n, k = matrix.shape
    return Jet(matrix @ theta, np.ascontiguousarray(matrix.T), np.zeros((k, k, n)))


def one_of(parameters: FloatArray, place: int) -> Jet:
    """Return one of a few parameters as a jet in all of them."""
    one = linear(np.ones((1, 1)), parameters[place : place + 1])
    return one.placed(len(parameters), begin=place)


def _product(left: FloatArray, right: FloatArray) -> FloatArray:
    return left[:, None] * right[None]
