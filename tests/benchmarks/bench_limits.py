"""Coverage of limits: how often 95 % limits of rates, ratios and trends hold the truth.

Seasons are drawn with known truth and judged as real ones are. ``covered`` should lie between
0.93 and 0.97; exact limits of very small counts may lie above (they are conservative there).
`ratio` has no meaning here: nothing is timed against anything.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from carnivore_sign.survey import (
    compare_rates,
    detection_rates,
    learned_share,
    rate_trend,
    rates_with_limits,
)

SEASONS = 1000
KM = 10.0


def season(rng: np.random.Generator, means: np.ndarray, *, doubt: bool) -> tuple:
    """One visit of 10 km per walk with Poisson trails; with doubt also look-alikes as many."""
    true = rng.poisson(means)
    other = rng.poisson(means) if doubt else np.zeros(len(means), dtype=int)
    owner = np.concatenate([np.repeat(np.arange(len(means)), n) for n in (true, other)])
    is_true = np.arange(len(owner)) < true.sum()
    score = np.where(is_true, 1.5, -1.5) + np.sqrt(3.0) * rng.standard_normal(len(owner))
    chance = expit(score) if doubt else np.ones(len(owner))
    visits = pd.DataFrame(
        {
            "visit": np.arange(len(means)), "walk": np.arange(len(means)), "effort_km": KM,
            "effort_km_days": 3 * KM, "period": np.where(np.arange(len(means)) % 2, "B", "A"),
            "start": pd.Timestamp("2020-01-01", tz="UTC")
            + pd.to_timedelta(np.arange(len(means)) * 20, unit="D"),
        }
    )  # fmt: skip
    found = pd.DataFrame({"visit": owner, "trail": np.arange(len(owner)), "p_puma": chance})
    return visits, found


def rate_inside(
    rng: np.random.Generator, *, doubt: bool, per_walk: float, shape: float = np.inf
) -> bool:
    """Whether the limits of the rate per km hold it."""
    gamma = rng.gamma(shape, 1 / shape, 60) if np.isfinite(shape) else np.ones(60)
    visits, found = season(rng, per_walk * gamma, doubt=doubt)
    if np.isfinite(shape):
        row = rates_with_limits(visits, found, rng=rng, by=())[0].iloc[0]
    else:
        row = detection_rates(visits, found, by=()).iloc[0]
    return bool(row["trails_per_km_low"] <= per_walk / KM <= row["trails_per_km_high"])


def learned_inside(rng: np.random.Generator) -> bool:
    """Whether limits hold the rate where the share was learned from the trails of the season."""
    visits, found = season(rng, np.full(60, 1.0), doubt=True)
    evidence, share = logit(found["p_puma"].to_numpy()), 0.5
    for _ in range(100):
        chance = expit(evidence + logit(share))
        share = (chance.sum() + 0.5) / (len(chance) + 1)
    learned = learned_share(chance, share, prior_trails=1)
    told = detection_rates(visits, found.assign(p_puma=chance), by=(), learned=learned).iloc[0]
    return bool(told["trails_per_km_low"] <= 1.0 / KM <= told["trails_per_km_high"])


def ratio_inside(rng: np.random.Generator, *, doubt: bool) -> bool:
    """Whether the limits of the ratio of two periods hold it."""
    means = np.where(np.arange(60) % 2, 0.5, 1.0)
    visits, found = season(rng, means, doubt=doubt)
    told = compare_rates(visits, found, first="A", second="B")
    return told.ratio_low <= 0.5 <= told.ratio_high


def trend_inside(rng: np.random.Generator, *, shape: float) -> bool:
    """Whether the limits of the change per year hold it."""
    years = np.arange(60) * 20 / 365.25
    gamma = rng.gamma(shape, 1 / shape, 60) if np.isfinite(shape) else np.ones(60)
    visits, found = season(rng, 2.0 * 0.8**years * gamma, doubt=False)
    told = rate_trend(visits, found)
    return told.low <= 0.8 <= told.high


CASES: dict[str, Callable[[np.random.Generator], bool]] = {
    "rate, 60 sure trails": lambda g: rate_inside(g, doubt=False, per_walk=1.0),
    "rate, 20 sure trails": lambda g: rate_inside(g, doubt=False, per_walk=1 / 3),
    "rate, 6 sure trails": lambda g: rate_inside(g, doubt=False, per_walk=0.1),
    "rate, 60 trails and 60 look-alikes": lambda g: rate_inside(g, doubt=True, per_walk=1.0),
    "rate, 20 trails and 20 look-alikes": lambda g: rate_inside(g, doubt=True, per_walk=1 / 3),
    "rate, 6 trails and 6 look-alikes": lambda g: rate_inside(g, doubt=True, per_walk=0.1),
    "rate, 60 and 60, share learned": learned_inside,
    "rate, clumped": lambda g: rate_inside(g, doubt=False, per_walk=1.0, shape=0.7),
    "ratio of two periods": lambda g: ratio_inside(g, doubt=False),
    "ratio of two periods, in doubt": lambda g: ratio_inside(g, doubt=True),
    "trend, Poisson": lambda g: trend_inside(g, shape=np.inf),
    "trend, clumped": lambda g: trend_inside(g, shape=1.0),
}


def run(scale: float = 1.0) -> pd.DataFrame:
    """Draw the seasons of all cases."""
    count = max(int(SEASONS * scale), 20)
    rows = []
    for number, (what, inside) in enumerate(CASES.items()):
        rng = np.random.default_rng([33, number])
        begun = time.perf_counter()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            covered = np.mean([inside(rng) for _ in range(count)])
        rows.append(
            {
                "case": f"95 % limits over {count} drawn seasons", "what": what,
                "seconds": time.perf_counter() - begun, "ratio": np.nan,
                "covered": round(float(covered), 4),
                "error": round(float(np.sqrt(covered * (1 - covered) / count)), 4),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)
