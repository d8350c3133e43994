"""How far presence may be believed: over countries drawn at random, and seasons of the demo's.

Run it with ``python -m tests.benchmarks.calibration_presence [countries] [seasons]`` from the root.
The countries are drawn as for the tests; the seasons go through the whole chain, at some
seconds each. A row is a bin of what was said of segments without a find: how many, what was
said and what was true in the mean, and the error of the difference with a country (or a
season) as one draw.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent.parent))

from chain_examples import analysed
from presence_countries import PRIOR, draw_countries

from carnivore_sign.presence import season_presence
from carnivore_sign.progress import with_progress

BINS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)


def by_bin(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Return what was said and what was true of blank segments, by bin and in all."""
    whole = pd.concat([table.assign(draw=k) for k, table in enumerate(tables)])
    blank = whole[whole["state"].eq("not_found")].copy()
    blank["off"] = blank["p_presence"] - blank["used"]
    bins = pd.cut(blank["p_presence"], BINS).astype(str)
    parts = {**dict(list(blank.groupby(bins))), "all": blank}
    return pd.DataFrame(
        {
            name: {
                "segments": len(part),
                "said": part["p_presence"].mean(),
                "true": part["used"].mean(),
                "error": np.sqrt((part.groupby("draw")["off"].sum() ** 2).sum()) / len(part),
            }
            for name, part in parts.items()
        }
    ).T


def countries(how_many: int) -> list[pd.DataFrame]:
    """Judge drawn countries."""
    drawn = draw_countries(np.random.default_rng(2031), how_many)
    tables = []
    for walked in with_progress(drawn, "countries", show=True):
        season = season_presence(walked.segments, walked.visits, walked.detections, prior=PRIOR)
        table = pd.DataFrame(season.table).drop(columns="geometry")
        truth = walked.used.rename(columns={"unit": "segment"})
        tables.append(table.merge(truth, on=["segment", "period"]))
    return [table for table in tables if table["p_presence"].notna().any()]


def seasons(how_many: int) -> list[pd.DataFrame]:
    """Judge seasons of the demo's country, through the whole chain."""
    tables = []
    for seed in with_progress(range(500, 500 + how_many), "seasons", show=True):
        with tempfile.TemporaryDirectory() as folder:
            analysis, truth = analysed(seed, Path(folder))
            used = pd.read_csv(truth / "used_segments.csv")
            used = used[used["taxon"].eq("puma")][["segment", "period", "used"]]
            table = pd.DataFrame(analysis.season_presence.table).drop(columns="geometry")
            tables.append(table.merge(used, on=["segment", "period"]))
    return tables


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]] or [80, 0]
    print("countries drawn at random\n", by_bin(countries(numbers[0])).round(3).to_string())
    if len(numbers) > 1 and numbers[1]:
        print("seasons of one country\n", by_bin(seasons(numbers[1])).round(3).to_string())
