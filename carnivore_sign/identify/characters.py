"""Identification room: what the characters of a print say, print by print.

Each character that was noted speaks through the table of its states; a character that was
not visible, not noted, or says nothing on the surface it was read from leaves the odds
exactly as they were. Sizes speak beside them (``sizes.py``). Characters read off the same
thing are tempered together (``tempering.py``).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.characters_from import state_column
from carnivore_sign.identify.evidence import Evidence
from carnivore_sign.identify.sizes import size_witness
from carnivore_sign.identify.tempering import (
    TAXON_ORDER,
    FloatArray,
    Witness,
    cap_odds,
    group_powers,
    spread,
    tally_groups,
    temper,
)
from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES, NOT_VISIBLE

#: Rows weighed at a time: small enough for the arrays of a block to stay in the cache.
_BLOCK_ROWS: Final = 16_384


def weigh_characters(
    prints: pd.DataFrame, evidence: Evidence, *, surfaces: pd.Series | None = None
) -> pd.DataFrame:
    """Weigh everything that was noted of each print.

    Parameters
    ----------
    prints : DataFrame
        Columns of PRINTS: characters (`CHARACTERS`), measures in mm (`MEASURES`), ``foot``.
        Columns may be absent and values missing. Where a character was not noted, the
        columns of `add_measured` speak for it, if there are any.
    evidence : Evidence
        From `load_evidence`.
    surfaces : Series, optional
        Surface that each print lies on, with the index of `prints`. On some surfaces some
        characters say nothing, and sizes say less.

    Returns
    -------
    DataFrame
        Natural log likelihood of each taxon (columns `TAXA`), index of `prints`; only
        differences within a row mean anything. Zeros where nothing was seen.

    Raises
    ------
    InputError
        If a character holds a word that is none of its states.

    Notes
    -----
    One character never moves the odds between two taxa past the cap (20 to 1 as shipped).
    Characters of one group are multiplied by 1 / (1 + (n - 1) rho), groups by a power below 1.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> prints = pd.DataFrame({"leading_toe": ["one_leads", "not_visible"]})
    >>> said = weigh_characters(prints, load_evidence())
    >>> (said["puma"] - said["dog"]).round(2).tolist()
    [1.18, 0.0]
    """
    said = np.empty((len(TAXON_ORDER), len(prints)))
    for start in range(0, len(prints), _BLOCK_ROWS):
        rows = slice(start, start + _BLOCK_ROWS)
        block = prints.iloc[rows]
        ground = None if surfaces is None else surfaces.iloc[rows]
        said[:, rows] = temper(witnesses(block, evidence, ground), evidence.tempering, len(block))
    return pd.DataFrame(said.T, index=prints.index, columns=list(TAXON_ORDER))


def character_weights(
    prints: pd.DataFrame,
    evidence: Evidence,
    *,
    taxon: str,
    against: str,
    surfaces: pd.Series | None = None,
) -> pd.DataFrame:
    """Weigh each character for one taxon against another, to show why.

    Parameters
    ----------
    prints, evidence
        As for `weigh_characters`.
    taxon, against : str
        Two of `TAXA`.
    surfaces : Series, optional
        As for `weigh_characters`.

    Returns
    -------
    DataFrame
        Index of `prints`, a column per character and measure: log10 of the likelihood ratio
        after tempering (1 is ten to one for `taxon`, -1 ten to one for `against`). A row
        sums to what `weigh_characters` says of the two.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> prints = pd.DataFrame({"claws": ["blunt_joined"]})
    >>> why = character_weights(prints, load_evidence(), taxon="puma", against="dog")
    >>> float(why["claws"].iloc[0].round(2))
    -0.9
    """
    first, second = _taxon_row(taxon), _taxon_row(against)
    powers = character_powers(prints, evidence, surfaces)
    tempering = evidence.tempering
    columns = {
        name: (said[first] - said[second]) * powers[tempering.group_of[name]] / np.log(10.0)
        for name, said, _ in witnesses(prints, evidence, surfaces)
    }
    return pd.DataFrame(columns, index=prints.index)


def character_powers(
    prints: pd.DataFrame, evidence: Evidence, surfaces: pd.Series | None = None
) -> dict[str, FloatArray]:
    """Return the power that tempering puts on each group of characters, per print."""
    tallies = tally_groups(witnesses(prints, evidence, surfaces), evidence.tempering, len(prints))
    return group_powers(tallies, evidence.tempering)


def witnesses(
    prints: pd.DataFrame, evidence: Evidence, surfaces: pd.Series | None = None
) -> Iterator[Witness]:
    """Yield what each character and then each measure says, before tempering."""
    if surfaces is not None:
        surfaces = _aligned(surfaces, prints)
    for name in CHARACTERS:
        table = evidence.log_tables[name]
        codes = _state_codes(prints, name)
        silent = None
        if surfaces is not None:
            silent = surfaces.isin(evidence.says_nothing(name)).to_numpy()
            codes[silent] = -1
        said, strength = table[:, codes], spread(table)[codes]
        measured = _measured_rows(prints, name, codes, silent)
        if len(measured):
            said[:, measured] = _measured(prints, name, measured, evidence)
            strength[measured] = spread(said[:, measured])
        yield Witness(name, said, strength)
    for measure in MEASURES:
        yield size_witness(prints, measure, evidence, surfaces)


def _measured_rows(
    prints: pd.DataFrame,
    character: str,
    codes: npt.NDArray[np.intp],
    silent: npt.NDArray[np.bool_] | None,
) -> npt.NDArray[np.intp]:
    """Return the prints whose character was measured and not noted, where it says something."""
    first = state_column(character, CHARACTERS[character][0])
    if first not in prints:
        return np.zeros(0, dtype=np.intp)
    open_to_it = (codes == -1) & prints[first].notna().to_numpy()
    return np.flatnonzero(open_to_it if silent is None else open_to_it & ~silent)


def _measured(
    prints: pd.DataFrame, character: str, rows: npt.NDArray[np.intp], evidence: Evidence
) -> FloatArray:
    """Return log sum_s P(measured | s) P(s | taxon), capped like any other character."""
    columns = [state_column(character, state) for state in CHARACTERS[character]]
    likely = prints[columns].to_numpy(dtype=float)[rows]
    if not (np.isfinite(likely).all() and (likely >= 0).all() and (likely.sum(axis=1) > 0).all()):
        raise InputError(
            f"the likelihoods of the states of {character} must be 0 or more, and not all 0",
            remedy="Take them from state_likelihoods or add_measured.",
        )
    shares = evidence.characters.loc[character].loc[list(CHARACTERS[character])]
    with np.errstate(divide="ignore"):
        raw = np.log(shares[list(TAXON_ORDER)].to_numpy(dtype=float).T @ likely.T)
    return cap_odds(raw, to_one=evidence.cap(character))


def _state_codes(prints: pd.DataFrame, character: str) -> npt.NDArray[np.intp]:
    """Return the number of the state of each print; -1 where it was not seen."""
    if character not in prints:
        return np.full(len(prints), -1, dtype=np.intp)
    rows, words = pd.factorize(prints[character])
    states = CHARACTERS[character]
    strange = [word for word in words if word not in states and word != NOT_VISIBLE]
    if strange:
        raise InputError(
            f"'{strange[0]}' is not a state of {character}",
            row=int(np.flatnonzero(rows == list(words).index(strange[0]))[0]),
            remedy=f"Use {', '.join(states)} or {NOT_VISIBLE}.",
        )
    numbers = [states.index(word) if word in states else -1 for word in words]
    return np.array([*numbers, -1], dtype=np.intp)[rows]


def _aligned(surfaces: pd.Series, prints: pd.DataFrame) -> pd.Series:
    if not surfaces.index.equals(prints.index):
        raise InputError(
            "the surfaces do not have the index of the prints",
            remedy="Look them up by sign: prints['sign'].map(sign.set_index('sign')['surface']).",
        )
    return surfaces


def _taxon_row(taxon: str) -> int:
    if taxon not in TAXON_ORDER:
        raise InputError(f"'{taxon}' is not a taxon", remedy=f"Known are {', '.join(TAXON_ORDER)}.")
    return TAXON_ORDER.index(taxon)
