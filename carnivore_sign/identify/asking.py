"""Identification room: which character that was not seen would settle most, were it seen.

Each state of a character is tried out, weighted by how likely it is given what was seen already;
of a size, values are tried at which its distribution within each taxon is integrated exactly
enough. What would fall most on average is the doubt that is worth going back for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

from carnivore_sign.identify.characters import weigh_characters
from carnivore_sign.identify.characters_from import state_column
from carnivore_sign.identify.evidence import Evidence
from carnivore_sign.identify.probability import to_probabilities
from carnivore_sign.identify.sizes import expected_sizes
from carnivore_sign.identify.tempering import TAXON_ORDER, FloatArray
from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES, NOT_VISIBLE

#: Gauss-Hermite nodes and weights of a standard normal: three integrate a quintic exactly.
_NODES = ((-np.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (np.sqrt(3.0), 1 / 6))


def most_informative_unseen(
    prints: pd.DataFrame,
    evidence: Evidence,
    *,
    prior: Mapping[str, float] | pd.Series | None = None,
    surfaces: pd.Series | None = None,
) -> pd.DataFrame:
    """Say which character or size that was not seen would settle most, were it seen.

    Every state of every unseen character is tried out, weighted by how likely it is given
    what was seen already. A character that was measured off an outline counts as seen.

    Parameters
    ----------
    prints, evidence
        As for `weigh_characters`.
    prior : mapping or Series, optional
        As for `to_probabilities`; the evidence's own if not given.
    surfaces : Series, optional
        As for `weigh_characters`.

    Returns
    -------
    DataFrame
        ``row`` (index label of the print), ``character`` (or measure), ``expected_bits`` (the
        fall of the entropy over the taxa that seeing it would bring on average; 0 where it would
        only repeat what its group has said), best first within each print. Characters that say
        nothing on the surface are not in it.

    Examples
    --------
    >>> from carnivore_sign.identify.evidence import load_evidence
    >>> prints = pd.DataFrame({"claws": ["none"], "length_mm": [88.0]}, index=["A"])
    >>> most_informative_unseen(prints, load_evidence())["character"].iloc[0]
    'negative_space'
    """
    prior = evidence.prior if prior is None else prior
    now = to_probabilities(weigh_characters(prints, evidence, surfaces=surfaces), prior).to_numpy()
    parts = []
    for name in (*CHARACTERS, *MEASURES):
        unseen = _unseen(prints, name, evidence, surfaces)
        if not unseen.any():
            continue
        after = np.zeros(len(prints))
        for value, chance in _outcomes(prints, name, evidence, surfaces, now):
            tried = prints.assign(**{name: value})
            said = weigh_characters(tried, evidence, surfaces=surfaces)
            after += chance * _entropy_bits(to_probabilities(said, prior).to_numpy())
        bits = np.maximum(_entropy_bits(now) - after, 0.0)
        rows = np.flatnonzero(unseen)
        found = {"print_no": rows, "row": prints.index[rows], "expected_bits": bits[rows]}
        parts.append(pd.DataFrame(found).assign(character=name))
    if not parts:
        return pd.DataFrame(columns=["row", "character", "expected_bits"])
    best_first = pd.concat(parts, ignore_index=True).sort_values(
        ["print_no", "expected_bits"], ascending=[True, False], kind="stable", ignore_index=True
    )
    return best_first[["row", "character", "expected_bits"]]


def _outcomes(
    prints: pd.DataFrame,
    name: str,
    evidence: Evidence,
    surfaces: pd.Series | None,
    now: FloatArray,
) -> Iterator[tuple[str | FloatArray, FloatArray]]:
    """Yield what might be seen of a character or size, and how likely that is, per print."""
    if name in CHARACTERS:
        for state in CHARACTERS[name]:
            shares = evidence.characters.loc[(name, state), list(TAXON_ORDER)].to_numpy(float)
            yield state, now @ shares
        return
    mean, sd = expected_sizes(prints, name, evidence, surfaces, np.arange(len(prints)))
    for taxon in np.flatnonzero(now.max(axis=0, initial=0.0) > 0):
        for node, weight in _NODES:
            yield np.maximum(mean[taxon] + node * sd[taxon], 1.0), weight * now[:, taxon]


def _unseen(
    prints: pd.DataFrame, character: str, evidence: Evidence, surfaces: pd.Series | None
) -> np.ndarray:
    unseen = np.ones(len(prints), dtype=bool)
    if character in prints:
        noted = prints[character]
        unseen = (noted.isna() | noted.eq(NOT_VISIBLE)).to_numpy(dtype=bool)
    if character in MEASURES:
        return unseen
    measured = state_column(character, CHARACTERS[character][0])
    if measured in prints:
        unseen = unseen & prints[measured].isna().to_numpy(dtype=bool)
    if surfaces is not None:
        unseen = unseen & ~surfaces.isin(evidence.says_nothing(character)).to_numpy(dtype=bool)
    return unseen


def _entropy_bits(shares: FloatArray) -> FloatArray:
    logs = np.log2(shares, out=np.zeros_like(shares), where=shares > 0)
    return -(shares * logs).sum(axis=1)
