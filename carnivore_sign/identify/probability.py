"""Identification room: from log likelihoods to probabilities, and to plain words.

A probability is evidence times a prior, and the prior is printed with it. The words for it
have their cut-offs here and nowhere else. *Undecided* is a good answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.characters import weigh_characters
from carnivore_sign.identify.evidence import Evidence, check_prior
from carnivore_sign.identify.tempering import TAXON_ORDER, FloatArray
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    LIKELY_FROM,
    NOT_VISIBLE,
    SURE_FROM,
    UNLIKELY_BELOW,
)

#: The words, from least to most.
CERTAINTY_CLASSES: Final = ("unlikely", "undecided", "likely", "sure")


def to_probabilities(
    log_likelihoods: pd.DataFrame, prior: Mapping[str, float] | pd.Series | None = None
) -> pd.DataFrame:
    """Turn log likelihoods into the probability of each taxon.

    Parameters
    ----------
    log_likelihoods : DataFrame
        Columns `TAXA`, natural logarithms, any constant per row.
    prior : mapping or Series, optional
        Taxon to probability, such as ``evidence.prior``; a taxon that is not named gets 0.
        Without it every taxon is held equally likely beforehand.

    Returns
    -------
    DataFrame
        Columns ``p_<taxon>``, same index; rows sum to 1.

    Raises
    ------
    InputError
        If a log likelihood is missing or the prior is none.

    Examples
    --------
    >>> flat = pd.DataFrame(0.0, index=["A"], columns=list(TAXON_ORDER))
    >>> to_probabilities(flat, {"puma": 0.2, "dog": 0.8}).at["A", "p_puma"].item()
    0.2
    """
    if prior is None:
        prior = dict.fromkeys(TAXON_ORDER, 1.0 / len(TAXON_ORDER))
    said = log_likelihoods[list(TAXON_ORDER)].to_numpy(dtype=float).T
    if not np.isfinite(said).all():
        row = log_likelihoods.index[~np.isfinite(said).all(axis=0)][0]
        raise InputError(f"the log likelihoods of '{row}' are not all finite numbers")
    before = check_prior(prior).to_numpy()
    possible = before > 0
    weight = np.zeros_like(said)
    top = said[possible].max(axis=0, initial=-np.inf)
    weight[possible] = np.exp(said[possible] - top) * before[possible, None]
    columns = [taxon_column(taxon) for taxon in TAXON_ORDER]
    shares = (weight / weight.sum(axis=0)).T
    return pd.DataFrame(shares, index=log_likelihoods.index, columns=columns)


def likelihood_ratio(
    probabilities: pd.DataFrame, prior: Mapping[str, float] | pd.Series, taxon: str
) -> pd.Series:
    """Return what the evidence alone says for a taxon: posterior odds over prior odds.

    Parameters
    ----------
    probabilities : DataFrame
        From `to_probabilities` with the same `prior`.
    prior : mapping or Series
        Taxon to probability.
    taxon : str
        One of `TAXA`, with a prior above 0 and below 1.

    Returns
    -------
    Series
        P(evidence | taxon) / P(evidence | any other); infinite where the probability is 1.

    Examples
    --------
    >>> after = pd.DataFrame({"p_puma": [0.5]})
    >>> float(likelihood_ratio(after, {"puma": 0.2, "dog": 0.8}, "puma").iloc[0])
    4.0
    """
    before = float(check_prior(prior)[taxon])
    if not 0 < before < 1:
        raise InputError(
            f"the prior of {taxon} is {before:g}, and evidence cannot move it",
            remedy="State a prior above 0 and below 1.",
        )
    after = probabilities[taxon_column(taxon)].to_numpy(dtype=float)
    with np.errstate(divide="ignore"):
        ratio = after / (1.0 - after) * (1.0 - before) / before
    return pd.Series(ratio, index=probabilities.index, name="likelihood_ratio")


def certainty_class(probability: pd.Series) -> pd.Series:
    """Put the probability of one taxon into plain words.

    Parameters
    ----------
    probability : Series of float
        Between 0 and 1; missing stays missing.

    Returns
    -------
    Series of str
        ``sure`` from `SURE_FROM`, ``likely`` from `LIKELY_FROM`, ``unlikely`` below
        `UNLIKELY_BELOW`, ``undecided`` between.

    Examples
    --------
    >>> certainty_class(pd.Series([0.97, 0.80, 0.40, 0.01])).tolist()
    ['sure', 'likely', 'undecided', 'unlikely']
    """
    values = probability.to_numpy(dtype=float, na_value=np.nan)
    if ((values < 0) | (values > 1)).any():
        raise InputError("a probability lies between 0 and 1")
    steps = np.searchsorted([UNLIKELY_BELOW, LIKELY_FROM, SURE_FROM], values, side="right")
    words = np.array([*CERTAINTY_CLASSES], dtype=object)[np.minimum(steps, 3)]
    words[np.isnan(values)] = None
    return pd.Series(words, index=probability.index, name="certainty", dtype=TEXT)


def most_informative_unseen(
    prints: pd.DataFrame,
    evidence: Evidence,
    *,
    prior: Mapping[str, float] | pd.Series | None = None,
    surfaces: pd.Series | None = None,
) -> pd.DataFrame:
    """Say which character that was not seen would settle most, were it seen.

    Every state of every unseen character is tried out, weighted by how likely it is given
    what was seen already.

    Parameters
    ----------
    prints, evidence, surfaces
        As for `weigh_characters`.
    prior : mapping or Series, optional
        As for `to_probabilities`; the evidence's own if not given.

    Returns
    -------
    DataFrame
        ``row`` (index label of the print), ``character``, ``expected_bits`` (the fall of the
        entropy over the taxa that seeing it would bring on average; 0 where it would only
        repeat what its group has said), best first within each print. Characters that say
        nothing on the surface are not in it.
    """
    prior = evidence.prior if prior is None else prior
    now = to_probabilities(weigh_characters(prints, evidence, surfaces=surfaces), prior).to_numpy()
    parts = []
    for name, states in CHARACTERS.items():
        unseen = _unseen(prints, name, evidence, surfaces)
        after = np.zeros(len(prints))
        for state in states:
            tried = prints.assign(**{name: state})
            said = weigh_characters(tried, evidence, surfaces=surfaces)
            chance = now @ evidence.characters.loc[(name, state), list(TAXON_ORDER)].to_numpy(float)
            after += chance * _entropy_bits(to_probabilities(said, prior).to_numpy())
        bits = np.maximum(_entropy_bits(now) - after, 0.0)
        rows = np.flatnonzero(unseen)
        found = {"print_no": rows, "row": prints.index[rows], "expected_bits": bits[rows]}
        parts.append(pd.DataFrame(found).assign(character=name))
    best_first = pd.concat(parts, ignore_index=True).sort_values(
        ["print_no", "expected_bits"], ascending=[True, False], kind="stable", ignore_index=True
    )
    return best_first[["row", "character", "expected_bits"]]


def _unseen(
    prints: pd.DataFrame, character: str, evidence: Evidence, surfaces: pd.Series | None
) -> np.ndarray:
    unseen = np.ones(len(prints), dtype=bool)
    if character in prints:
        noted = prints[character]
        unseen = (noted.isna() | noted.eq(NOT_VISIBLE)).to_numpy(dtype=bool)
    if surfaces is not None:
        unseen = unseen & ~surfaces.isin(evidence.says_nothing(character)).to_numpy(dtype=bool)
    return unseen


def _entropy_bits(shares: FloatArray) -> FloatArray:
    logs = np.log2(shares, out=np.zeros_like(shares), where=shares > 0)
    return -(shares * logs).sum(axis=1)
