"""Chain: the same trails under other priors, to show how far a number hangs on that choice.

A prior enters once, where log likelihoods become probabilities. So another prior needs neither
the season nor the prints again: only that last step is redone. Which sign belong to one trail
is left as it is.
"""

from __future__ import annotations

import pandas as pd

from carnivore_sign.chain.analysis import Analysis
from carnivore_sign.identify import estimate_shares, load_evidence
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import FOUND_LIKELY_FROM, SURE_FROM

#: The region whose prior is tried beside that of the season's own region.
_WIDE_REGION = "general"


def priors_tried(analysis: Analysis) -> dict[str, pd.Series]:
    """Return the priors that a reasonable reader might hold, by what each is, in words.

    The shares estimated from the season's trails, of those found on walks as in `analyse`; the
    prior of the region, that of the region named ``general``, and equal shares for every animal
    of the region. An animal that the region does not have is absent in each of them.
    """
    region = analysis.region_prior
    possible = region.gt(0)
    tried = {
        "estimated from the season's trails": estimate_shares(
            analysis.likelihoods[analysis.surveyed], region
        ),
        f"of the region ({analysis.options.region.replace('_', ' ')})": region,
        f"of the region ({_WIDE_REGION})": _of_those_here(possible),
        "equal for every animal of the region": possible / possible.sum(),
    }
    return {what: prior.astype(float) for what, prior in tried.items()}


def _of_those_here(possible: pd.Series) -> pd.Series:
    """Return the prior of the wide region for the animals that can be there, scaled up to 1."""
    prior = load_evidence(_WIDE_REGION).prior
    kept = prior.where(possible.reindex(prior.index, fill_value=False), 0.0)
    return kept / kept.sum()


def month_under_priors(analysis: Analysis, period: str) -> pd.DataFrame:
    """Return the chief counts of a month under each of the priors tried.

    Returns
    -------
    DataFrame
        ``prior`` (in words), ``used`` (whether it is the one that the report uses),
        ``trails_expected`` (trails on visited segments, summed by probability) and
        ``found_sure``, ``found_likely`` (segments); one row per prior.
    """
    column = taxon_column(analysis.options.taxon)
    found = analysis.detections[analysis.detections["period"].eq(period)]
    rows = []
    for what, prior in priors_tried(analysis).items():
        shares = analysis.under_prior(prior)[column]
        best = found["trail"].map(shares).groupby(found["segment"].astype("object")).max()
        rows.append(
            {
                "prior": what,
                "used": bool((prior - analysis.prior).abs().max() < 1e-9),
                "trails_expected": float(shares[found["trail"].unique()].sum()),
                "found_sure": int(best.ge(SURE_FROM).sum()),
                "found_likely": int((best.ge(FOUND_LIKELY_FROM) & best.lt(SURE_FROM)).sum()),
            }
        )
    return pd.DataFrame(rows)
