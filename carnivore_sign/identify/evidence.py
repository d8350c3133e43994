"""Identification room: the evidence tables, read from data files and checked.

What ships are working values from common practice, not estimates; each row of each file
names its source or says that it has none. A region chooses the prior, nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.tempering import (
    TAXON_ORDER,
    FloatArray,
    Tempering,
    cap_odds,
)
from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES, SURFACES

#: What a foot is taken as when its size is weighed.
FOOT_PLACES: Final = ("front", "hind", "unknown")

#: The data files, and what a row of each is known by.
_FILES: Final[dict[str, list[str]]] = {
    "characters": ["character", "state"],
    "sizes": ["taxon", "measure", "foot"],
    "strides": ["taxon"],
    "surfaces": ["surface", "character"],
    "surface_sizes": ["surface"],
    "groups": ["group"],
    "constants": ["name"],
    "priors": ["region", "taxon"],
}


@dataclass(frozen=True, eq=False)
class Evidence:
    """Everything that turns what was noted into log likelihoods, each number with its source.

    It has two makers: `load_evidence` gives the working values that ship, and `estimate_evidence`
    what a collection of known prints says.

    Attributes
    ----------
    region : str
        Region whose prior is used.
    prior : Series
        Probability of each taxon before anything is looked at; index `TAXA`, sum 1.
    characters : DataFrame
        Index (character, state); a column per taxon with the share of its prints that show
        the state; ``source``. The states of a character sum to 1.
    sizes : DataFrame
        Index (taxon, measure, foot); ``mean_mm``, ``sd_mm``, ``source``. Firm ground.
    strides : DataFrame
        Index taxon; ``mean_m``, ``sd_m`` of the full stride, ``source``.
    surfaces : DataFrame
        Index (surface, character) of the characters that say nothing on a surface.
    surface_sizes : DataFrame
        Index surface; ``mean_factor``, ``added_sd_fraction``, ``source``.
    groups : DataFrame
        Index group; ``characters`` joined by ';', ``rho``, ``source``.
    constants : DataFrame
        Index name; ``value``, ``meaning``, ``source``.
    cap_of : mapping
        Characters that may move the odds further than ``cap_odds``, because known prints support
        it, and how far; empty for the working values.
    log_tables : dict
        Per character an array (taxa, states + 1) of capped log likelihoods; its last column
        is zero and stands for a character that was not seen.

    Notes
    -----
    To weigh with other numbers, replace a table: ``dataclasses.replace(evidence, sizes=...)``.
    The tables are checked again when you do.
    """

    region: str
    prior: pd.Series
    characters: pd.DataFrame
    sizes: pd.DataFrame
    strides: pd.DataFrame
    surfaces: pd.DataFrame
    surface_sizes: pd.DataFrame
    groups: pd.DataFrame
    constants: pd.DataFrame
    cap_of: Mapping[str, float] = field(default_factory=dict)
    log_tables: dict[str, FloatArray] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        _check_characters(self.characters)
        _check_sizes(self.sizes, self.strides)
        _check_surfaces(self.surfaces, self.surface_sizes)
        _check_groups(self.groups)
        object.__setattr__(self, "prior", check_prior(self.prior))
        tables = {name: self._log_table(name) for name in CHARACTERS}
        object.__setattr__(self, "log_tables", tables)

    def constant(self, name: str) -> float:
        """Return the value of a constant of the weighing."""
        return float(self.constants.loc[name, "value"])

    def cap(self, character: str) -> float:
        """Return how many to one `character` may move the odds between two taxa."""
        return float(self.cap_of.get(character, self.constant("cap_odds")))

    @property
    def tempering(self) -> Tempering:
        """How the characters of a print are put together."""
        members = self.groups["characters"].str.split(";")
        return Tempering(
            group_of={name: group for group, names in members.items() for name in names},
            rho_of=self.groups["rho"].astype(float).to_dict(),
            groups_exponent=self.constant("groups_exponent"),
        )

    def says_nothing(self, character: str) -> tuple[str, ...]:
        """Return the surfaces on which `character` says nothing."""
        listed = self.surfaces.index.to_frame(index=False)
        return tuple(listed.loc[listed["character"].eq(character), "surface"])

    def sources(self) -> pd.DataFrame:
        """List every row of every table with its source: ``table``, ``row``, ``source``."""
        parts = []
        for name in _FILES:
            if name == "priors":
                continue
            table = getattr(self, name)
            keys = [" / ".join(np.atleast_1d(key)) for key in table.index]
            parts.append(pd.DataFrame({"table": name, "row": keys, "source": table["source"]}))
        return pd.concat(parts, ignore_index=True)

    def _log_table(self, character: str) -> FloatArray:
        shares = self.characters.loc[character].loc[list(CHARACTERS[character])]
        with np.errstate(divide="ignore"):
            raw = np.log(shares[list(TAXON_ORDER)].to_numpy(dtype=float).T)
        capped = cap_odds(raw, to_one=self.cap(character))
        return np.column_stack([capped, np.zeros(len(TAXON_ORDER))])


@lru_cache(maxsize=8)
def load_evidence(region: str = "general") -> Evidence:
    """Load the working values that ship with the library, with the prior of a region.

    Parameters
    ----------
    region : str
        A region of the file of priors; `regions` lists them.

    Returns
    -------
    Evidence
        Frozen. Working values from common practice, not estimates.

    Raises
    ------
    InputError
        If the region is unknown; the message lists those there are.

    Examples
    --------
    >>> evidence = load_evidence("dry_range")
    >>> float(evidence.prior["puma"])
    0.12
    """
    priors = _read("priors")["prior"]
    known = regions()
    if region not in known:
        raise InputError(
            f"there is no prior for a region named '{region}'",
            remedy=f"Use one of {', '.join(known)}, or state a prior of your own.",
        )
    tables = {name: _read(name) for name in _FILES if name != "priors"}
    return Evidence(region=region, prior=priors.loc[region], **tables)


def regions() -> tuple[str, ...]:
    """Return the names of the regions that have a prior.

    Returns
    -------
    tuple of str
        In the order of the file.

    Examples
    --------
    >>> "dry_range" in regions()
    True
    """
    return tuple(dict.fromkeys(_read("priors").index.get_level_values("region")))


def check_prior(prior: Mapping[str, float] | pd.Series) -> pd.Series:
    """Return a prior as a Series over all taxa; a taxon that is not named gets 0.

    Parameters
    ----------
    prior : mapping of str to float, or Series
        Taxon to probability. Must sum to 1.

    Returns
    -------
    Series
        Prior of each taxon, index `TAXA`; a taxon that is not named has 0.

    Raises
    ------
    InputError
        If a taxon is unknown, a value is below 0 or missing, or the sum is not 1.

    Examples
    --------
    >>> check_prior({"puma": 0.25, "dog": 0.75})["lynx"].item()
    0.0
    """
    given = pd.Series(dict(prior), dtype=float)
    strange = [str(taxon) for taxon in given.index if taxon not in TAXON_ORDER]
    if strange:
        raise InputError(
            f"the prior names unknown taxa: {', '.join(strange)}",
            remedy=f"Known are {', '.join(TAXON_ORDER)}.",
        )
    if given.isna().any() or (given < 0).any() or not np.isclose(given.sum(), 1.0, atol=1e-6):
        raise InputError(
            f"a prior must hold numbers of 0 or more that sum to 1, and these sum to {given.sum()}",
            remedy="Divide each by their sum.",
        )
    return given.reindex(list(TAXON_ORDER), fill_value=0.0).rename("prior")


def _read(name: str) -> pd.DataFrame:
    file = files("carnivore_sign.identify").joinpath(f"data/{name}.csv")
    with file.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, comment="#", index_col=False)
    silent = table["source"].isna()
    if silent.any():
        raise InputError("a row names no source", file=f"{name}.csv", row=int(silent.idxmax()))
    return table.set_index(_FILES[name]).sort_index()


def _check_characters(table: pd.DataFrame) -> None:
    wanted = {(name, state) for name, states in CHARACTERS.items() for state in states}
    _require_rows(set(table.index), wanted, "characters")
    shares = table[list(TAXON_ORDER)].astype(float)
    sums = shares.groupby(level="character").sum()
    if (shares < 0).any(axis=None) or not np.allclose(sums, 1.0, atol=1e-6):
        off = sums.index[~np.isclose(sums, 1.0, atol=1e-6).all(axis=1)].tolist()
        raise InputError(
            f"the states of a character must sum to 1 in each taxon; they do not in {off}",
            file="characters",
        )


def _check_sizes(sizes: pd.DataFrame, strides: pd.DataFrame) -> None:
    wanted = {(t, m, f) for t in TAXON_ORDER for m in MEASURES for f in FOOT_PLACES}
    _require_rows(set(sizes.index), wanted, "sizes")
    _require_rows(set(strides.index), set(TAXON_ORDER), "strides")
    for table, columns in ((sizes, ["mean_mm", "sd_mm"]), (strides, ["mean_m", "sd_m"])):
        if not (table[columns] > 0).all(axis=None):
            raise InputError("means and SDs must be above 0", file=table.index.names[0])


def _check_surfaces(surfaces: pd.DataFrame, surface_sizes: pd.DataFrame) -> None:
    allowed = {(surface, name) for surface in SURFACES for name in CHARACTERS}
    strange = [key for key in surfaces.index if key not in allowed]
    strange += [key for key in surface_sizes.index if key not in SURFACES]
    if strange:
        raise InputError(f"unknown surface or character {strange}", file="surfaces")


def _check_groups(groups: pd.DataFrame) -> None:
    named = groups["characters"].str.split(";").explode().tolist()
    if sorted(named) != sorted([*CHARACTERS, *MEASURES]):
        raise InputError("every character and measure must be in exactly one group", file="groups")
    if not groups["rho"].between(0, 1).all():
        raise InputError("rho must lie between 0 and 1", file="groups")


def _require_rows(found: Set[object], wanted: Set[object], file: str) -> None:
    if found != wanted:
        raise InputError(
            f"rows missing: {sorted(map(str, wanted - found))}; "
            f"rows not known: {sorted(map(str, found - wanted))}",
            file=file,
        )
