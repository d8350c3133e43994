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

from test_presence_bayes import UNITS, ranks  # noqa: E402

SURVEYS = 200


def tell(found: pd.DataFrame) -> pd.DataFrame:
    """Return a row for each parameter."""
    surveys, units = len(found), UNITS
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
        for name, rank in found.items()
    ]
    return pd.DataFrame(rows).round(4)


if __name__ == "__main__":
    surveys = int(sys.argv[1]) if len(sys.argv) > 1 else SURVEYS
    steps = {"warmup": 300, "draws": 400, "thin": 4}
    table = tell(ranks(surveys, **steps, smooth=True, show_progress=True))
    table.to_csv(HERE / "calibration_bayes.csv", index=False)
    print(table.to_string(index=False))
