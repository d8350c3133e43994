"""Identification room: how far evidence that strays together may be added up.

Log likelihoods are kept as arrays of shape (taxa, rows), in the order of `TAXA`. Only their
differences between taxa mean anything, so each is written relative to the best taxon (0 is
best, the rest below it); a row of zeros says nothing.

Witnesses that share a cause (three marks of one pad, ten prints of one dog) are not added as
if they were independent. Their sum is multiplied by 1 / (1 + (n - 1) rho), where rho is their
correlation within a taxon. For normal witnesses of equal power and equal correlation this is
exactly the log likelihood ratio of their joint distribution; elsewhere it is a working choice.

The number of witnesses n is counted by how much they say: with s the spread of a witness
over the taxa, n = (sum s)^2 / sum s^2. Ten alike count as ten; a clear one and nine that say
almost nothing count as little more than one, so that a poor print waters a good one down but
little.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from carnivore_sign.records.vocabularies import TAXA

FloatArray = npt.NDArray[np.float64]

#: Order of the taxa in every array of the room.
TAXON_ORDER: Final = tuple(TAXA)


class Witness(NamedTuple):
    """What one character says about each row.

    Attributes
    ----------
    name : str
        The character or measure.
    log_likelihoods : ndarray, shape (taxa, rows)
        Relative to the best taxon; zeros where it says nothing.
    strength : ndarray, shape (rows,)
        Spread of the log likelihoods over the taxa; 0 where it says nothing.
    """

    name: str
    log_likelihoods: FloatArray
    strength: FloatArray


@dataclass(frozen=True)
class Tempering:
    """How the witnesses of a print are put together.

    Attributes
    ----------
    group_of : mapping of str to str
        Group of each character.
    rho_of : mapping of str to float
        Correlation within each group.
    groups_exponent : float
        Power on the product over the groups.
    """

    group_of: Mapping[str, str]
    rho_of: Mapping[str, float]
    groups_exponent: float


def cap_odds(log_likelihoods: FloatArray, *, to_one: float) -> FloatArray:
    """Limit the odds between any two taxa, and write the rest relative to the best taxon.

    Parameters
    ----------
    log_likelihoods : ndarray, shape (taxa, rows)
        Natural logarithms, with any constant per row.
    to_one : float
        The limit, such as 20 for twenty to one.

    Returns
    -------
    ndarray, shape (taxa, rows)
        Between ``-log(to_one)`` and 0.

    Examples
    --------
    >>> cap_odds(np.log([[0.5], [0.25], [0.001]]), to_one=20).round(3).ravel().tolist()
    [0.0, -0.693, -2.996]
    """
    relative = log_likelihoods - log_likelihoods.max(axis=0)
    return np.maximum(relative, -np.log(to_one))


def spread(log_likelihoods: FloatArray) -> FloatArray:
    """Return how far apart each row holds the taxa; shape (rows,)."""
    return log_likelihoods.max(axis=0) - log_likelihoods.min(axis=0)


def share_kept(strength_sum: FloatArray, strength_squares: FloatArray, rho: float) -> FloatArray:
    """Return what is kept of a sum of correlated witnesses: 1 / (1 + (n - 1) rho).

    Parameters
    ----------
    strength_sum, strength_squares : ndarray, shape (rows,)
        Sum of the strengths of the witnesses, and of their squares.
    rho : float
        Correlation of the witnesses within a taxon, 0 to 1.

    Returns
    -------
    ndarray, shape (rows,)
        1 for a single witness or none.

    Examples
    --------
    Four alike with correlation one half count as 4 / (1 + 3 / 2) = 1.6:

    >>> float(4 * share_kept(np.array([4.0]), np.array([4.0]), 0.5)[0])
    1.6
    """
    said = strength_squares > 0
    count = np.ones_like(strength_sum)
    np.divide(strength_sum**2, strength_squares, out=count, where=said)
    return 1.0 / (1.0 + np.maximum(count - 1.0, 0.0) * rho)


@dataclass
class GroupTally:
    """Running sums of the witnesses of one group."""

    total: FloatArray
    strength: FloatArray
    squares: FloatArray

    def add(self, witness: Witness) -> None:
        """Take in one more witness of the group."""
        self.total += witness.log_likelihoods
        self.strength += witness.strength
        self.squares += witness.strength**2


def tally_groups(
    witnesses: Iterable[Witness], tempering: Tempering, rows: int
) -> dict[str, GroupTally]:
    """Sum the witnesses within each group, holding one of them in memory at a time."""
    tallies: dict[str, GroupTally] = {}
    for witness in witnesses:
        group = tempering.group_of[witness.name]
        if group not in tallies:
            tallies[group] = GroupTally(
                np.zeros((len(TAXON_ORDER), rows)), np.zeros(rows), np.zeros(rows)
            )
        tallies[group].add(witness)
    return tallies


def group_powers(tallies: Mapping[str, GroupTally], tempering: Tempering) -> dict[str, FloatArray]:
    """Return the power on each group's product, shape (rows,)."""
    return {
        group: tempering.groups_exponent
        * share_kept(tally.strength, tally.squares, tempering.rho_of[group])
        for group, tally in tallies.items()
    }


def temper(witnesses: Iterable[Witness], tempering: Tempering, rows: int) -> FloatArray:
    """Put the witnesses of each row together.

    Returns
    -------
    ndarray, shape (taxa, rows)
        Log likelihood of each taxon, up to a constant per row. A witness of zeros leaves
        every bit of it as it was.
    """
    tallies = tally_groups(witnesses, tempering, rows)
    powers = group_powers(tallies, tempering)
    total = np.zeros((len(TAXON_ORDER), rows))
    for group, tally in tallies.items():
        total += tally.total * powers[group]
    return total
