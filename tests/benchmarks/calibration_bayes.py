"""Simulation-based calibration of the Bayesian form, the long version; its table is kept.

Run it with ``python tests/benchmarks/calibration_bayes.py [surveys]`` from the root; it takes
some minutes, and the table goes to ``calibration_bayes.csv`` beside this file. Each survey (24
units on a line of 12 km, 3 months, 2 visits a month) is drawn from the priors, with a smooth effect
of place, and sampled by `sample_presence`. A row is a parameter: the mean rank of the truth among
the draws (0.5 if calibrated, give or take ``mean_error``), the share of ranks in the outer fifth
(0.2), that of truths inside the central 95 % (0.95), and the p-value of evenness. The tests hold
a short version.

Source: Talts, Betancourt, Simpson, Vehtari & Gelman 2018, arXiv:1804.06788.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import kstest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from test_presence_bayes import PRIORS, UNITS, draw_from_prior, patterns_of_line  # noqa: E402

from carnivore_sign.presence.bayes import sample_presence  # noqa: E402
from carnivore_sign.progress import with_progress  # noqa: E402

SURVEYS = 200
#: Every so many draws one is kept: ranks are even only among draws that are independent.
THIN = 4


def rank_truth(surveys: int, *, seed: int = 5) -> pd.DataFrame:
    """Return where the truth lies among the draws, 0 to 1, for each survey and parameter."""
    rng = np.random.default_rng(seed)
    places, patterns = patterns_of_line()
    rows = []
    for survey in with_progress(range(surveys), "surveys", show=True):
        histories, truth = draw_from_prior(rng, patterns)
        got = sample_presence(
            histories,
            places_km=places,
            priors=PRIORS,
            warmup=300,
            draws=100 * THIN,
            chains=1,
            seed=survey,
        )
        kept = got.draws.iloc[::THIN]
        below = {name: int((kept[name] < value).sum()) for name, value in truth.items()}
        rows.append({name: (n + rng.random()) / (len(kept) + 1) for name, n in below.items()})
    return pd.DataFrame(rows)


def tell(ranks: pd.DataFrame) -> pd.DataFrame:
    """Return a row for each parameter."""
    surveys, units = len(ranks), UNITS
    rows = [
        {
            "parameter": name,
            "surveys": surveys,
            "units": units,
            "mean_rank": rank.mean(),
            "mean_error": np.sqrt(1 / 12 / surveys),
            "outer_fifth": ((rank < 0.1) | (rank > 0.9)).mean(),
            "cover": rank.between(0.025, 0.975).mean(),
            "p_even": kstest(rank, "uniform").pvalue,
        }
        for name, rank in ranks.items()
    ]
    return pd.DataFrame(rows).round(4)


if __name__ == "__main__":
    table = tell(rank_truth(int(sys.argv[1]) if len(sys.argv) > 1 else SURVEYS))
    table.to_csv(HERE / "calibration_bayes.csv", index=False)
    print(table.to_string(index=False))
