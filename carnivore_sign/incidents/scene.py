"""Sign at the scene, as likelihoods of the causes.

Where a predator did it, and trails at the scene are of that time, one of these is its own with
probability a, each as likely as the next; the others, and all of them where no predator did it,
are of whoever passes there anyway. With p_k(t) the probability that trail k is of taxon t under
the prior pi(t) of trails there, p_k(t) / pi(t) is how much more its prints fit t than an animal
of the country at large. So, relative to no predator, with w_k the probability that trail k was
made within the window, and s_k the probability that it was and that it is the one picked of
those that were:

    ratio(cause t) = 1 - a + a * (1 - sum_k s_k + sum_k s_k p_k(t) / pi(t))
    s_k = w_k * integral from 0 to 1 of prod_{j != k} (1 - w_j + w_j x) dx

The integral is the mean of 1 / (1 + n) over the number n of the other trails of that time.
A trail of an animal that is rare there says more than one of an animal that is always about,
and no trail, however clear, moves the odds beyond 1 - a + a / pi(t).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from carnivore_sign.incidents.causes import CAUSE_ORDER, NOT_PREDATION, CauseEvidence, FloatArray
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import CAUSE_OF_TAXON, TAXA


def weigh_scene(
    trails: pd.DataFrame, trail_prior: pd.Series, *, evidence: CauseEvidence
) -> pd.DataFrame:
    """Weigh the trails at the scene.

    Parameters
    ----------
    trails : DataFrame
        ``distance_m``, ``p_in_window`` and ``p_<taxon>``; those farther than ``scene_m``, those
        that cannot be of the time, and those without a probability are left out.
    trail_prior : Series
        Prior of the taxa of which the probabilities were made; index taxon.
    evidence : CauseEvidence
        The working values.

    Returns
    -------
    DataFrame
        Log likelihood ratio of each cause to no predator, index `CAUSES`: ``weight``, with the
        trails whose time cannot be told left out; ``low`` and ``high``, with each of these
        made within the window or not, whichever is less or more. Zeros where no trail counts.

    Notes
    -----
    Finding nothing at the scene leaves the odds untouched: whether the ground there takes
    tracks, and who looked at it, is not on record.
    """
    near = trails[
        trails["distance_m"].le(evidence.constant("scene_m"))
        & ~trails["p_in_window"].le(0.0)
        & trails[taxon_column("puma")].notna()
    ]
    within = near["p_in_window"].to_numpy(dtype=float)
    fits = _fit_of_causes(near, trail_prior)
    own = evidence.constant("own_trail")
    told = ~np.isnan(within)
    open_ = np.isnan(within)
    table = {
        "weight": _log_ratio(fits[told], within[told], own),
        "without": _log_ratio(fits, np.where(open_, 0.0, within), own),
        "all": _log_ratio(fits, np.where(open_, 1.0, within), own),
    }
    frame = pd.DataFrame(table, index=list(CAUSE_ORDER))
    frame.loc[NOT_PREDATION] = 0.0
    return pd.DataFrame(
        {"weight": frame["weight"], "low": frame.min(axis=1), "high": frame.max(axis=1)}
    )


def _fit_of_causes(trails: pd.DataFrame, trail_prior: pd.Series) -> FloatArray:
    """How much more each trail fits a cause than the country at large: (trails, causes)."""
    fits = np.ones((len(trails), len(CAUSE_ORDER)))
    for column, cause in enumerate(CAUSE_ORDER):
        taxa = [t for t in TAXA if CAUSE_OF_TAXON[t] == cause and trail_prior.get(t, 0.0) > 0]
        if taxa:
            chance = trails[[taxon_column(taxon) for taxon in taxa]].to_numpy(dtype=float)
            fits[:, column] = chance.sum(axis=1) / float(trail_prior[taxa].sum())
    return fits


def _log_ratio(fits: FloatArray, within: FloatArray, own: float) -> FloatArray:
    if not len(fits):
        return np.zeros(len(CAUSE_ORDER))
    picked = chance_of_being_picked(within)
    mixed = 1.0 - picked.sum() + picked @ fits
    return np.asarray(np.log(1.0 - own + own * mixed))


def chance_of_being_picked(within: FloatArray) -> FloatArray:
    """Probability that each trail is the one drawn from those that were made in the window.

    Examples
    --------
    Two sure ones share it; one that may be of the time takes its part from a sure one:

    >>> chance_of_being_picked(np.array([1.0, 1.0]))
    array([0.5, 0.5])
    >>> chance_of_being_picked(np.array([1.0, 0.4]))
    array([0.8, 0.2])
    """
    nodes, weights = np.polynomial.legendre.leggauss(len(within) // 2 + 1)  # exact: degree n - 1
    factors = 1.0 - within[:, None] * (1.0 - (nodes + 1.0) / 2.0)
    others = np.array([np.delete(factors, k, axis=0).prod(axis=0) for k in range(len(within))])
    return np.asarray(within * (others @ weights) / 2.0)
