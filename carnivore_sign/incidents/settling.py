"""What would settle it: how much each thing that was not seen would tell, were it seen.

The measure is the expected fall of the entropy of the causes, in bits (the mutual information
of Shannon 1948): how much less there would be to ask, on average over what might be found.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.incidents.carcass import CarcassWeights
from carnivore_sign.incidents.causes import (
    CAUSE_ORDER,
    NOT_PREDATION,
    STATES,
    CauseEvidence,
    FloatArray,
)
from carnivore_sign.records.vocabularies import CAUSE_OF_TAXON

#: An examination of the whole carcass, which can tell illness, birth and accident.
NECROPSY: Final = "necropsy"

#: Spacings over which an unseen spacing is averaged, in millimetres.
_SPACINGS_MM: Final = np.arange(5.0, 90.0, 1.0)


def what_would_settle(
    probability: pd.Series,
    weights: CarcassWeights,
    *,
    scene_seen: bool,
    trail_prior: pd.Series,
    evidence: CauseEvidence,
) -> pd.DataFrame:
    """Rank what was not seen by how much it would tell.

    Parameters
    ----------
    probability : Series
        Of the causes, as it stands now; index `CAUSES`.
    weights : CarcassWeights
        What was seen.
    scene_seen : bool
        Whether sign at the scene was weighed.
    trail_prior : Series
        Prior of the taxa of trails there.
    evidence : CauseEvidence
        The working values.

    Returns
    -------
    DataFrame
        ``character``, ``bits``, ``what``, ``lasts``, ``source``; most telling first, the
        necropsy last, whose worth has no number. Where the gate is shut it stands alone: bites
        and tracks would then tell who fed on the carcass, not what it died of.
    """
    now = probability.reindex(list(CAUSE_ORDER), fill_value=0.0).to_numpy(dtype=float)
    bits = {NECROPSY: np.nan}
    if not weights.gate_shut:
        for name in weights.unseen:
            bits[name] = information(now, _likelihoods(name, evidence))
        if not scene_seen:
            bits["scene_sign"] = information(now, _clear_trail(trail_prior, evidence))
        bits["saliva"] = evidence.constant("dna_succeeds") * _bits_among_predators(now)
    table = evidence.settling.loc[list(bits)].assign(bits=pd.Series(bits, dtype=float))
    table = table.rename_axis("character").reset_index()
    order = ["character", "bits", "what", "lasts", "source"]
    return table.sort_values("bits", ascending=False, ignore_index=True)[order]


def information(probability: FloatArray, likelihoods: FloatArray) -> float:
    """Return the expected fall in entropy of the causes, in bits.

    Parameters
    ----------
    probability : ndarray, shape (causes,)
        As it stands.
    likelihoods : ndarray, shape (states, causes)
        Probability of each state under each cause; columns sum to 1.

    Examples
    --------
    A perfect witness of two equal causes is worth one bit, a coin none:

    >>> information(np.array([0.5, 0.5]), np.array([[1.0, 0.0], [0.0, 1.0]]))
    1.0
    >>> information(np.array([0.5, 0.5]), np.array([[0.5, 0.5], [0.5, 0.5]]))
    0.0
    """
    joint = likelihoods * probability
    shares = joint.sum(axis=1)
    after = joint[shares > 0] / shares[shares > 0, None]
    expected = float((shares[shares > 0] * _entropy_bits(after)).sum())
    return max(0.0, float(_entropy_bits(probability[None, :])[0]) - expected)


def _entropy_bits(probability: FloatArray) -> FloatArray:
    logs = np.log2(probability, out=np.zeros_like(probability), where=probability > 0)
    return np.asarray(-(probability * logs).sum(axis=1))


def _likelihoods(name: str, evidence: CauseEvidence) -> FloatArray:
    """Probability of each state under each cause: (states, causes), columns sum to 1."""
    if name == "canine_spacing":
        density = evidence.density_of_spacing(_SPACINGS_MM)
        return np.asarray(density / density.sum(axis=0))
    shares = evidence.carcass.loc[name].loc[list(STATES[name]), list(CAUSE_ORDER)]
    return shares.to_numpy(dtype=float)


def _clear_trail(trail_prior: pd.Series, evidence: CauseEvidence) -> FloatArray:
    """Probability that a trail at the scene is of each predator, if it can be read for sure."""
    passing = np.zeros(len(CAUSE_ORDER))
    for taxon, share in trail_prior.items():
        passing[CAUSE_ORDER.index(CAUSE_OF_TAXON[str(taxon)])] += share
    own = np.where(np.array(CAUSE_ORDER) == NOT_PREDATION, 0.0, evidence.constant("own_trail"))
    return np.asarray(np.diag(own) + np.outer(passing / passing.sum(), 1.0 - own))


def _bits_among_predators(probability: FloatArray) -> float:
    """Entropy of which predator it was, if one did it; saliva does not tell whether one did."""
    predators = np.where(np.array(CAUSE_ORDER) == NOT_PREDATION, 0.0, probability)
    some = float(predators.sum())
    return some * float(_entropy_bits(predators[None, :] / some)[0]) if some > 0 else 0.0
