"""Causes of a loss: the working values by which they are weighed, read from files and checked.

What ships is common practice, not an estimate; each row of each file names its source or says
that it has none. A character that was not seen is in no table: it says nothing, exactly.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import CARCASS_CHARACTERS, CAUSE_OF_TAXON, CAUSES

FloatArray = npt.NDArray[np.float64]

#: Order of the causes in every array.
CAUSE_ORDER: Final = tuple(CAUSES)

#: The cause that is no predator.
NOT_PREDATION: Final = "not_predation"

#: States of the number of animals killed, by the least number of each.
NUMBERS_KILLED: Final[dict[str, int]] = {"one": 1, "two_to_five": 2, "six_or_more": 6}

#: Every character with states: those of a carcass, and the number killed.
STATES: Final[dict[str, tuple[str, ...]]] = {
    **CARCASS_CHARACTERS,
    "number_killed": tuple(NUMBERS_KILLED),
}

#: Names of the characters on a page.
CHARACTER_NAMES: Final[dict[str, str]] = {
    "bleeding": "bleeding under the skin",
    "bite_place": "place of the bites",
    "canine_spacing": "spacing of the upper canines",
    "feeding": "what was eaten first",
    "covered": "covering of the carcass",
    "dragged": "dragging of the carcass",
    "mutilation": "tearing beyond feeding",
    "claw_marks": "claw marks",
    "number_killed": "number of animals lost",
    "scene_sign": "tracks at the place",
    "saliva": "saliva for DNA",
    "necropsy": "examination by a veterinarian",
}

_FILES: Final[dict[str, list[str]]] = {
    "carcass": ["character", "state"],
    "spacings": ["cause"],
    "cause_priors": ["cause"],
    "constants": ["name"],
    "settling": ["character"],
    "seasons": ["month"],
}

#: Between these latitudes no season is taken: stock there gives birth all the year round.
TROPIC_DEG: Final = 23.4


@dataclass(frozen=True, eq=False)
class CauseEvidence:
    """Everything that turns what was seen at a carcass into log likelihoods, with its source.

    Attributes
    ----------
    carcass : DataFrame
        Index (character, state); a column per cause with the share of its carcasses that show
        the state; ``source``. The states of a character sum to 1.
    spacings : DataFrame
        Index cause; ``mean_mm``, ``sd_mm`` of the spacing of upper canines, ``source``.
    cause_priors : DataFrame
        Index cause; ``working``, ``source``.
    constants : DataFrame
        Index name; ``value``, ``meaning``, ``source``.
    settling : DataFrame
        Index character; ``what``, ``lasts``, ``source``.
    seasons : DataFrame
        Index month of the north, 1 to 12; a column per cause with how much commoner it is then
        than over the whole year; ``source``.
    log_tables : dict
        Per character an array (states, causes) of log likelihoods relative to the best cause,
        with the odds between any two limited.

    Notes
    -----
    To weigh with other numbers, replace a table: ``dataclasses.replace(evidence, carcass=...)``.
    """

    carcass: pd.DataFrame
    spacings: pd.DataFrame
    cause_priors: pd.DataFrame
    constants: pd.DataFrame
    settling: pd.DataFrame
    seasons: pd.DataFrame
    log_tables: dict[str, FloatArray] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        wanted = [(name, state) for name, states in STATES.items() for state in states]
        _require_rows(self.carcass.index, wanted, "carcass.csv")
        _require_rows(self.spacings.index, CAUSE_ORDER, "spacings.csv")
        _require_rows(self.cause_priors.index, CAUSE_ORDER, "cause_priors.csv")
        _require_rows(self.seasons.index, range(1, 13), "seasons.csv")
        if not self.seasons[list(CAUSE_ORDER)].gt(0).all(axis=None):
            raise InputError(
                "a factor of a season is not above 0",
                file="seasons.csv",
                remedy="Write 1 where a month changes nothing.",
            )
        sums = self.carcass[list(CAUSE_ORDER)].groupby(level="character").sum()
        if not np.allclose(sums, 1.0, atol=1e-6):
            raise InputError(
                "the states of a character must sum to 1 in each cause",
                file="carcass.csv",
                remedy=f"Look at {', '.join(sums.index[~np.isclose(sums, 1.0).all(axis=1)])}.",
            )
        tables = {name: self._log_table(name) for name in STATES}
        object.__setattr__(self, "log_tables", tables)

    def constant(self, name: str) -> float:
        """Return the value of a constant of the weighing."""
        return float(self.constants.loc[name, "value"])

    def log_spacing(self, spacing_mm: npt.ArrayLike) -> FloatArray:
        """Log likelihood of spacings of upper canines: shape (spacings, causes), odds capped."""
        with np.errstate(divide="ignore"):
            return self.capped(np.log(self.density_of_spacing(spacing_mm)))

    def density_of_spacing(self, spacing_mm: npt.ArrayLike) -> FloatArray:
        """Return the normal density of measured spacings, per mm: shape (spacings, causes)."""
        table = self.spacings.loc[list(CAUSE_ORDER)]
        sd_mm = np.hypot(table["sd_mm"].to_numpy(dtype=float), self.constant("measuring_error_mm"))
        mean_mm = table["mean_mm"].to_numpy(dtype=float)
        return np.asarray(norm.pdf(np.atleast_1d(spacing_mm)[:, None], mean_mm, sd_mm))

    def _log_table(self, character: str) -> FloatArray:
        shares = self.carcass.loc[character].loc[list(STATES[character]), list(CAUSE_ORDER)]
        with np.errstate(divide="ignore"):
            return self.capped(np.log(shares.to_numpy(dtype=float)))

    def capped(self, log_likelihoods: FloatArray) -> FloatArray:
        """Write relative to the best cause, with the odds between any two limited."""
        relative = log_likelihoods - log_likelihoods.max(axis=-1, keepdims=True)
        return np.asarray(np.maximum(relative, -np.log(self.constant("cap_odds"))))


@lru_cache(maxsize=1)
def load_cause_evidence() -> CauseEvidence:
    """Load the working values that ship with the library.

    Examples
    --------
    >>> float(load_cause_evidence().spacings.loc["coyote", "mean_mm"])
    31.5
    """
    return CauseEvidence(**{name: _read(name) for name in _FILES})


def cause_prior(
    possible: Collection[str] | None = None, *, evidence: CauseEvidence | None = None
) -> pd.Series:
    """Prior of each cause where only some taxa live; index `CAUSES`, sum 1.

    Parameters
    ----------
    possible : collection of str, optional
        Taxa that the region has; all, unless given.
    evidence : CauseEvidence, optional
        The working values, unless given.

    Returns
    -------
    Series
        Index `CAUSES`.

    Examples
    --------
    >>> cause_prior({"puma", "dog", "coyote"})["wolf"].item()
    0.0
    """
    evidence = evidence or load_cause_evidence()
    taxa = set(CAUSE_OF_TAXON) if possible is None else set(possible)
    here = {CAUSE_OF_TAXON[taxon] for taxon in taxa} | {NOT_PREDATION, "other_predator"}
    working = evidence.cause_priors["working"].astype(float).reindex(list(CAUSE_ORDER))
    kept = working.where(working.index.isin(list(here)), 0.0)
    return (kept / kept.sum()).rename("prior")


def season_factors(
    months: Collection[int], *, latitude_deg: float, evidence: CauseEvidence | None = None
) -> pd.Series | None:
    """How much commoner each cause is in some months than over the whole year.

    Parameters
    ----------
    months : collection of int
        Months of the loss, 1 to 12; the mean is taken over them.
    latitude_deg : float
        Of the place. South of the equator the seasons are half a year later.
    evidence : CauseEvidence, optional
        The working values, unless given.

    Returns
    -------
    Series or None
        Factor on the odds of each cause, index `CAUSES`; None between the tropics, where no
        season is taken.

    Examples
    --------
    >>> season_factors([4], latitude_deg=40.0)["not_predation"].item()
    1.5
    >>> season_factors([10], latitude_deg=-40.0)["not_predation"].item()
    1.5
    """
    if abs(latitude_deg) <= TROPIC_DEG:
        return None
    evidence = evidence or load_cause_evidence()
    shift = 0 if latitude_deg > 0 else 6
    north = [(month - 1 + shift) % 12 + 1 for month in months]
    return evidence.seasons.loc[north, list(CAUSE_ORDER)].astype(float).mean()


def _read(name: str) -> pd.DataFrame:
    file = files("carnivore_sign.incidents").joinpath(f"data/{name}.csv")
    with file.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, comment="#", index_col=False)
    silent = table["source"].isna()
    if silent.any():
        raise InputError("a row names no source", file=f"{name}.csv", row=int(silent.idxmax()))
    return table.set_index(_FILES[name]).sort_index()


def _require_rows(found: pd.Index, wanted: Collection[object], file: str) -> None:
    missing, strange = set(wanted) - set(found), set(found) - set(wanted)
    if missing or strange:
        raise InputError(
            f"rows missing: {sorted(map(str, missing))}; rows not known: "
            f"{sorted(map(str, strange))}",
            file=file,
        )
