"""How far presence may be believed at the end of the whole chain, on seasons of known truth."""

from __future__ import annotations

import pandas as pd
import pytest
from chain_examples import analysed


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    tables = []
    for seed in (500, 501, 502, 503):
        analysis, truth = analysed(seed, tmp_path_factory.mktemp(f"season{seed}"))
        used = pd.read_csv(truth / "used_segments.csv")
        used = used[used["taxon"].eq("puma")][["segment", "period", "used"]]
        table = pd.DataFrame(analysis.season_presence.table).drop(columns="geometry")
        tables.append(table.merge(used, on=["segment", "period"], validate="one_to_one"))
    return pd.concat(tables, ignore_index=True)


def test_finds_are_as_sure_as_said(told: pd.DataFrame) -> None:
    sure = told[told["state"].eq("found_sure")]
    assert len(sure) > 80
    assert sure["used"].mean() > 0.97
    assert abs(sure["p_presence"].mean() - sure["used"].mean()) < 0.03


def test_blank_segments_are_less_likely_used_than_said_and_by_how_much(
    told: pd.DataFrame,
) -> None:
    """Pin a limit of the model: use runs in stretches, which the plain model does not know.

    Over 24 drawn seasons the probability of segments without a find is 0.29 in the mean, and
    0.22 of them are used.
    """
    blank = told[told["state"].eq("not_found")]
    off = blank["p_presence"].mean() - blank["used"].mean()
    assert len(blank) > 200
    assert -0.03 < off < 0.2
