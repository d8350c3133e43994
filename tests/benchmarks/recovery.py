"""How often the truth of drawn seasons lies inside the chain's 95 % limits.

    python -m tests.benchmarks.recovery --seasons 60

draws that many seasons from the country of the demo (seeds 500 and on), analyses each, and prints
for each number how often its limits held the truth and how far the estimates were off. About two
seconds a season. The README quotes its table.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import pandas as pd

from carnivore_sign.demo import against_truth
from carnivore_sign.progress import with_progress
from carnivore_sign.spreading import Place, spread
from tests.chain_examples import analysed

FIRST_SEED = 500


def recovery(seasons: int, *, on: Place = None, show_progress: bool = False) -> pd.DataFrame:
    """Return, per number: how many, share inside the 95 % limits, mean error over mean truth."""
    seeds = range(FIRST_SEED, FIRST_SEED + seasons)
    told = spread(one_season, with_progress(seeds, "seasons", show=show_progress), on=on)
    held = pd.concat(list(told))
    by = held.assign(error=held["estimate"] - held["truth"]).groupby("what")
    return pd.DataFrame(
        {
            "numbers": by.size(),
            "inside": by["inside"].mean(),
            "bias": by["error"].mean() / by["truth"].mean(),
        }
    )


def one_season(seed: int) -> pd.DataFrame:
    """Draw a season, analyse it, and hold its numbers against its truth."""
    with tempfile.TemporaryDirectory() as folder:
        analysis, truth = analysed(seed, Path(folder))
        return against_truth(analysis, truth)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=60)
    parser.add_argument("--on", choices=("threads", "processes"), help="where; here, unless given")
    asked = parser.parse_args()
    table = recovery(asked.seasons, on=asked.on, show_progress=True)
    print(table.round(3).to_string())
