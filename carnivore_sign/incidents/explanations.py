"""Competing explanations of a loss: prior, carcass and scene put together, with their range.

The range runs over every prior that a reasonable reader might hold, and over the trails whose
time cannot be told. Where it leaves everything open, the word is that it cannot be told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import softmax

from carnivore_sign.incidents.carcass import CarcassWeights, weigh_carcasses
from carnivore_sign.incidents.causes import (
    CAUSE_ORDER,
    NOT_PREDATION,
    CauseEvidence,
    FloatArray,
    cause_prior,
    load_cause_evidence,
)
from carnivore_sign.incidents.scene import weigh_scene
from carnivore_sign.incidents.settling import what_would_settle
from carnivore_sign.incidents.words import words_of_range
from carnivore_sign.records.vocabularies import CAUSES

#: How the priors that are tried are named on the page.
WORKING: Final = "working values of the region"
WITH_SEASON: Final = "the same, with the time of year"
WITH_PRESENCE: Final = "the same, with who is about here that month"
UNVERIFIED: Final = "as for reports of puma from the public"
EQUAL: Final = "every predator alike"


@dataclass(frozen=True, eq=False)
class Explanations:
    """What the loss may have been, and how probable each is.

    Attributes
    ----------
    ranked : DataFrame
        ``cause``, ``prior``, ``probability``, ``low``, ``high``, ``word``; most probable first.
        A cause whose animals the region does not have has no row. ``probability`` sums to 1.
    by_prior : DataFrame
        ``prior`` (in words), ``cause``, ``prior_probability``, ``probability``.
    carcass : CarcassWeights
        What each character said.
    scene : DataFrame
        See `weigh_scene`; zeros where nothing at the scene counts, or the gate is shut.
    settling : DataFrame
        See `what_would_settle`.
    used_prior : str
        Which of the priors ``probability`` stands on.
    season : Series or None
        How much commoner each cause is at that time of year; None where none was taken.
    """

    ranked: pd.DataFrame
    by_prior: pd.DataFrame
    carcass: CarcassWeights
    scene: pd.DataFrame
    settling: pd.DataFrame
    used_prior: str
    season: pd.Series | None = None

    def of(self, cause: str) -> pd.Series | None:
        """Return the row of a cause; None for one whose animals the region does not have."""
        rows = self.ranked[self.ranked["cause"].eq(cause)]
        return rows.iloc[0] if len(rows) else None


def explain_loss(
    carcasses: pd.DataFrame,
    trails: pd.DataFrame,
    *,
    killed: int | None,
    trail_prior: pd.Series,
    local_presence: Mapping[str, float] | None = None,
    season: pd.Series | None = None,
    evidence: CauseEvidence | None = None,
) -> Explanations:
    """Weigh what a loss may have been.

    Parameters
    ----------
    carcasses : DataFrame
        Rows of CARCASSES of this incident; none is allowed.
    trails : DataFrame
        As `trails_near` gives them.
    killed : int or None
        Animals lost.
    trail_prior : Series
        Prior of the taxa behind the probabilities of the trails; a taxon of prior 0 is held
        to be absent.
    local_presence : mapping of str to float, optional
        Per cause: probability that its animals used the land around the place that month,
        divided by its mean over the surveyed land. 1, or left out: as anywhere else.
    season : Series, optional
        See `season_factors`. Priors without it are tried as well.
    evidence : CauseEvidence, optional
        The working values, unless given.

    Returns
    -------
    Explanations
        The causes with their ranges, and what would settle it.

    Examples
    --------
    >>> from carnivore_sign.identify import load_evidence
    >>> from carnivore_sign.example import example_analysis
    >>> seen = pd.DataFrame({"incident": ["I1"], "carcass": ["1"], "bleeding": ["none"]})
    >>> nothing_near = example_analysis().trails.head(0).assign(distance_m=0.0, p_in_window=0.0)
    >>> told = explain_loss(
    ...     seen, nothing_near, killed=1, trail_prior=load_evidence("dry_range").prior,
    ... )
    >>> told.ranked["cause"].iloc[0]
    'not_predation'
    """
    evidence = evidence or load_cause_evidence()
    weights = weigh_carcasses(carcasses, killed=killed, evidence=evidence)
    possible = trail_prior.index[trail_prior.gt(0)]
    base = cause_prior(list(possible), evidence=evidence)
    priors = _priors_tried(base, local_presence, season, evidence)
    scene = weigh_scene(trails, trail_prior, evidence=evidence)
    if weights.gate_shut:
        scene = scene * 0.0
    used = next(what for what in (WITH_PRESENCE, WITH_SEASON, WORKING) if what in priors)
    by_prior = _under_each(priors, weights, scene)
    ranked = _ranked(by_prior, used)
    return Explanations(
        ranked=ranked,
        by_prior=by_prior[by_prior["trails"].eq("weight")].drop(columns="trails"),
        carcass=weights,
        scene=scene,
        settling=what_would_settle(
            ranked.set_index("cause")["probability"].reindex(list(CAUSE_ORDER), fill_value=0.0),
            weights,
            scene_seen=bool(scene["weight"].ne(0).any()),
            trail_prior=trail_prior,
            evidence=evidence,
        ),
        used_prior=used,
        season=season,
    )


def _priors_tried(
    base: pd.Series,
    local_presence: Mapping[str, float] | None,
    season: pd.Series | None,
    evidence: CauseEvidence,
) -> dict[str, pd.Series]:
    """Return the priors that a reasonable reader might hold, by what each is, in words."""
    possible = base.gt(0)
    tried = {WORKING: base}
    here = base
    if season is not None:
        here = base * season.reindex(base.index)
        tried[WITH_SEASON] = here / here.sum()
    if local_presence:
        factor = pd.Series(local_presence, dtype=float).reindex(base.index).fillna(1.0)
        factor[NOT_PREDATION] = 1.0
        tried[WITH_PRESENCE] = here * factor / (here * factor).sum()
    if possible["puma"]:
        rare = min(float(base["puma"]), evidence.constant("unverified"))
        others = base.drop("puma") * (1 - rare) / (1 - base["puma"])
        tried[UNVERIFIED] = pd.concat([pd.Series({"puma": rare}), others]).reindex(base.index)
    alike = possible.astype(float).drop(NOT_PREDATION)
    alike *= (1 - base[NOT_PREDATION]) / alike.sum()
    tried[EQUAL] = pd.concat([alike, base[[NOT_PREDATION]]]).reindex(base.index)
    return tried


def _under_each(
    priors: Mapping[str, pd.Series], weights: CarcassWeights, scene: pd.DataFrame
) -> pd.DataFrame:
    """Probabilities under each prior, with the trails of unknown time in and out."""
    parts = []
    for what, prior in priors.items():
        for trails in scene.columns:
            told = weights.total + scene[trails]
            parts.append(
                pd.DataFrame(
                    {
                        "prior": what,
                        "trails": trails,
                        "cause": prior.index,
                        "prior_probability": prior.to_numpy(dtype=float),
                        "probability": posterior(prior, told),
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


def posterior(prior: pd.Series, log_likelihoods: pd.Series) -> FloatArray:
    """Return the probability of each cause: prior times likelihood, divided by their sum."""
    with np.errstate(divide="ignore"):
        log_prior = np.log(prior.to_numpy(dtype=float))
    told = log_likelihoods.reindex(prior.index).to_numpy(dtype=float)
    return np.asarray(softmax(log_prior + told))


def _ranked(by_prior: pd.DataFrame, used: str) -> pd.DataFrame:
    chosen = by_prior[by_prior["prior"].eq(used) & by_prior["trails"].eq("weight")]
    ends = by_prior.groupby("cause")["probability"].agg(["min", "max"])
    table = pd.DataFrame(
        {
            "cause": chosen["cause"].to_numpy(),
            "prior": chosen["prior_probability"].to_numpy(),
            "probability": chosen["probability"].to_numpy(),
            "low": ends["min"].loc[chosen["cause"]].to_numpy(),
            "high": ends["max"].loc[chosen["cause"]].to_numpy(),
        }
    )
    table = table[table["prior"].gt(0)]
    table["word"] = [
        words_of_range(row.probability, row.low, row.high) for row in table.itertuples()
    ]
    order = table["cause"].map({cause: number for number, cause in enumerate(CAUSES)})
    return (
        table.assign(order=order)
        .sort_values(["probability", "order"], ascending=[False, True], ignore_index=True)
        .drop(columns="order")
    )
