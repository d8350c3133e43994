"""Losses drawn with a known cause, for the tests of competing explanations.

Characters are drawn from the same shares by which they are weighed, and stray together: each
is the quantile of a normal deviate that shares a part with the others of its carcass.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from carnivore_sign.incidents.causes import CAUSE_ORDER, STATES, CauseEvidence
from carnivore_sign.records.vocabularies import CARCASS_CHARACTERS, TAXA


def no_trails() -> pd.DataFrame:
    """Return the columns of `trails_near` that causes need, without a row."""
    columns = ["distance_m", "p_in_window", *(f"p_{taxon}" for taxon in TAXA)]
    return pd.DataFrame(columns=columns, dtype=float)


def trail(*, distance_m: float = 50.0, p_in_window: float = 1.0, **p: float) -> pd.DataFrame:
    """Return one trail near the place."""
    shares = {f"p_{taxon}": p.get(taxon, 0.0) for taxon in TAXA}
    return pd.DataFrame([{"distance_m": distance_m, "p_in_window": p_in_window, **shares}])


def draw_losses(
    prior: pd.Series,
    losses: int,
    *,
    evidence: CauseEvidence,
    correlation: float,
    seen: float,
    rng: np.random.Generator,
) -> tuple[list[str], list[pd.DataFrame], list[int]]:
    """Draw causes, carcasses (one a loss) and the number killed."""
    causes = rng.choice(CAUSE_ORDER, losses, p=prior.reindex(list(CAUSE_ORDER)))
    shared = rng.normal(size=losses)
    columns: dict[str, list[object]] = {}
    for name in (*CARCASS_CHARACTERS, "number_killed"):
        part = rng.normal(size=losses)
        deviate = np.sqrt(correlation) * shared + np.sqrt(1 - correlation) * part
        own = part if name == "bleeding" else deviate
        shares = evidence.carcass.loc[name].loc[list(STATES[name])]
        steps = shares[list(CAUSE_ORDER)].cumsum().T.loc[causes].to_numpy()
        state = (norm.cdf(own)[:, None] > steps[:, :-1]).sum(axis=1)
        columns[name] = list(np.array(STATES[name], dtype=object)[state])
    sizes = evidence.spacings.loc[causes]
    error_mm = rng.normal(0, evidence.constant("measuring_error_mm"), losses)
    spacing_mm = rng.normal(sizes["mean_mm"], sizes["sd_mm"]) + error_mm
    table = pd.DataFrame(columns).assign(
        canine_spacing_mm=np.clip(spacing_mm, 6, 140), canine_jaw="upper"
    )
    killed = table.pop("number_killed").map({"one": 1, "two_to_five": 3, "six_or_more": 9})
    hidden = pd.DataFrame(rng.random(table.shape) > seen, columns=table.columns)
    table = table.mask(hidden)
    return list(causes), [table.iloc[[row]] for row in range(losses)], list(killed)
