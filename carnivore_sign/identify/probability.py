"""Identification room: from log likelihoods to probabilities, and to plain words.

A probability is evidence times a prior, and the prior is printed with it. The words for it
have their cut-offs here and nowhere else. *Undecided* is a good answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.evidence import check_prior
from carnivore_sign.identify.tempering import TAXON_ORDER
from carnivore_sign.records.check import TEXT
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import (
    LIKELY_FROM,
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


#: Priors that a result is shown over, from a call from the public to a country full of them.
PRIORS_SHOWN: Final = (0.01, 0.05, 0.1, 0.2, 0.35, 0.5, 0.7)


def over_priors(
    log_likelihoods: pd.DataFrame,
    taxon: str,
    prior: Mapping[str, float] | pd.Series,
    *,
    priors: Sequence[float] = PRIORS_SHOWN,
) -> pd.DataFrame:
    """Show how the probability of a taxon, and the word for it, hang on its prior.

    Parameters
    ----------
    log_likelihoods : DataFrame
        From `weigh_characters`, `weigh_sign` or `pool_evidence`.
    taxon : str
        One of `TAXA`.
    prior : mapping or Series
        Gives the shares of the other taxa among themselves.
    priors : sequence of float
        Priors of `taxon` to be tried, each above 0 and below 1.

    Returns
    -------
    DataFrame
        One row per row and prior: ``row`` (index label), ``prior``, ``probability``,
        ``certainty``.

    Examples
    --------
    >>> said = pd.DataFrame(0.0, index=["A"], columns=list(TAXON_ORDER)).assign(puma=3.0)
    >>> told = over_priors(said, "puma", {"puma": 0.1, "dog": 0.9}, priors=(0.01, 0.5))
    >>> told["certainty"].tolist()
    ['unlikely', 'sure']
    """
    parts = []
    for share in priors:
        moved = _with_prior(prior, taxon, share)
        chance = to_probabilities(log_likelihoods, moved)[taxon_column(taxon)]
        parts.append(
            pd.DataFrame(
                {"row": log_likelihoods.index, "prior": share, "probability": chance.to_numpy(),
                 "certainty": certainty_class(chance).to_numpy()}
            )
        )  # fmt: skip
    order = np.arange(len(parts) * len(log_likelihoods)).reshape(len(parts), -1).T.ravel()
    return pd.concat(parts, ignore_index=True).iloc[order].reset_index(drop=True)


def turning_priors(
    log_likelihoods: pd.DataFrame, taxon: str, prior: Mapping[str, float] | pd.Series
) -> pd.DataFrame:
    """Say at which prior of a taxon each word for it would begin to hold.

    Parameters
    ----------
    log_likelihoods, taxon, prior
        As for `over_priors`.

    Returns
    -------
    DataFrame
        Index of `log_likelihoods`: ``undecided_from``, ``likely_from``, ``sure_from``: the prior
        of `taxon` from which on the word holds. Below the first it is unlikely.

    Notes
    -----
    Posterior odds are prior odds times the likelihood ratio, so that the turning point for a
    cut-off c is where the prior odds are c / (1 - c) over the ratio.

    Examples
    --------
    >>> said = pd.DataFrame(0.0, index=["A"], columns=list(TAXON_ORDER)).assign(puma=np.log(19))
    >>> told = turning_priors(said, "puma", {"puma": 0.1, "dog": 0.9})
    >>> float(told["sure_from"].iloc[0].round(3))
    0.5
    """
    even = _with_prior(prior, taxon, 0.5)
    ratio = likelihood_ratio(to_probabilities(log_likelihoods, even), even, taxon)
    cuts = {"undecided_from": UNLIKELY_BELOW, "likely_from": LIKELY_FROM, "sure_from": SURE_FROM}
    return pd.DataFrame(
        {name: cut / (cut + (1 - cut) * ratio) for name, cut in cuts.items()},
        index=log_likelihoods.index,
    )


def _with_prior(prior: Mapping[str, float] | pd.Series, taxon: str, share: float) -> pd.Series:
    """Return `prior` with that of one taxon set, and the others in their proportions."""
    moved = check_prior(prior)
    rest = moved.drop(taxon) if taxon in moved else moved
    if taxon not in moved or not 0 < share < 1 or not rest.sum() > 0:
        raise InputError(
            f"a prior of {share:g} for '{taxon}' beside these others makes no sense",
            remedy="Name a taxon, another one besides it, and a prior above 0 and below 1.",
        )
    moved = moved * (1 - share) / rest.sum()
    moved[taxon] = share
    return moved
