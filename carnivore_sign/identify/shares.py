"""Shares: which taxa leave the trails of this season, estimated from the trails themselves.

A region's prior says what is usual; a season has its own mix. Where a third of the trails look
like a puma's, a prior of a tenth makes each of them a little too doubtful and their sum too
small. The mix is a mixture weight, and it is estimated by maximum posterior likelihood with the
region's prior counting as so many trails: a season without trails keeps the region's prior, a
season with many goes by its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.evidence import check_prior

#: The region's prior counts as this many trails (a working choice).
PRIOR_TRAILS: Final = 20.0

_MOST_STEPS: Final = 10_000
_TOLERANCE: Final = 1e-10


def estimate_shares(
    log_likelihoods: pd.DataFrame,
    prior: Mapping[str, float] | pd.Series,
    *,
    prior_trails: float = PRIOR_TRAILS,
) -> pd.Series:
    """Estimate the share of each taxon among trails of doubtful identity.

    Parameters
    ----------
    log_likelihoods : DataFrame
        One row per trail, one column per taxon: log P(evidence | taxon), up to a constant.
    prior : mapping or Series
        The region's prior of each taxon.
    prior_trails : float
        How many trails the region's prior counts as; above 0.

    Returns
    -------
    Series
        Share of each taxon, index as the columns; sums to 1. A taxon with no prior keeps none.

    Raises
    ------
    InputError
        If the prior is not one, or counts for nothing.

    Notes
    -----
    With shares w, the trails' evidence has the likelihood prod_i sum_t w_t L_it. Weighted by a
    Dirichlet density with ``prior_trails`` imagined trails at the prior, it is maximised by
    iterating w_t = (sum_i w_t L_it / sum_s w_s L_is + prior_trails prior_t) / (n +
    prior_trails): expectation-maximisation (Dempster, Laird & Rubin 1977), which never lowers
    it. The likelihood of a mixture is concave in its weights, so that the maximum is the only
    one.

    Examples
    --------
    >>> trails = pd.DataFrame({"puma": [0.0, 0.0, -9.0], "dog": [-9.0, -9.0, 0.0]})
    >>> shares = estimate_shares(trails, {"puma": 0.1, "dog": 0.9}, prior_trails=1)
    >>> shares[["puma", "dog"]].round(2).to_dict()
    {'puma': 0.52, 'dog': 0.48}
    """
    if not prior_trails > 0:
        raise InputError(
            f"a prior that counts as {prior_trails:g} trails", remedy="Give a number above 0."
        )
    start = check_prior(prior).reindex(log_likelihoods.columns).fillna(0.0)
    start = start / start.sum()
    if log_likelihoods.empty:
        return start
    evidence = log_likelihoods.to_numpy(dtype=float)
    likelihood = np.exp(evidence - evidence.max(axis=1, keepdims=True))
    imagined = prior_trails * start.to_numpy()
    shares = start.to_numpy()
    for _ in range(_MOST_STEPS):
        joint = likelihood * shares
        trails = (joint / joint.sum(axis=1, keepdims=True)).sum(axis=0)
        moved = (trails + imagined) / (len(likelihood) + prior_trails)
        settled = np.abs(moved - shares).max() < _TOLERANCE
        shares = moved
        if settled:
            break
    return pd.Series(shares, index=log_likelihoods.columns, name="share")
