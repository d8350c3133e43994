"""Simulation-based calibration of the Bayesian form, the long version.

Run it with ``python tests/benchmarks/calibration_bayes.py [surveys]`` from the root. Each survey is
drawn from the prior; a row is a parameter, with the mean rank of the truth among the draws
(0.5 if calibrated), the share in the outer fifth (0.2) and the p-value of evenness.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
from scipy.stats import kstest

sys.path.insert(0, str(Path(__file__).parent.parent))

from test_presence_bayes import ranks

if __name__ == "__main__":
    surveys = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    table = ranks(surveys, 400, warmup=400)
    rows = {
        name: {
            "surveys": surveys,
            "mean_rank": rank.mean(),
            "outer_fifth": ((rank < 0.1) | (rank > 0.9)).mean(),
            "p_even": kstest(rank, "uniform").pvalue,
        }
        for name, rank in table.items()
    }
    print(pd.DataFrame(rows).T.round(3).to_string())
