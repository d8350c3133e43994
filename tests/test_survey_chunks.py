"""Chunks: visits made some logs at a time are those of all logs at once."""

from __future__ import annotations

import pandas as pd
import pytest
from survey_drawing import START, log, logs, transects, walk

from carnivore_sign.survey import cut_segments, make_visits, match_logs
from carnivore_sign.survey.chunks import chunks_of, make_visits_in_chunks

NETWORK = cut_segments(transects(MESA=[(0, 0), (2000, 0)], WASH=[(0, 700), (1000, 700)]))
DAY = pd.Timedelta(days=1)
FIXES = pd.concat(
    [
        log(walk([(0, 0), (2000, 0)]), name="SUN", start=START + 5 * DAY),
        log(walk([(0, 0), (2000, 0)]), name="MON"),
        log(walk([(0, 0), (2000, 0)]), name="MON with her"),
        log(walk([(0, 700), (1000, 700)]), name="TUE", start=START + DAY),
        log(walk([(0, 0), (990, 0)]), name="WED", start=START + 2 * DAY),
        log([(0, 0), (0, 0)], name="NEVER").assign(time=pd.NaT),
    ],
    ignore_index=True,
).astype({"time": "datetime64[ms, UTC]"})
RAIN = pd.DataFrame({"cause": ["rain"], "time": [START - DAY], "transects": ["all"]})


@pytest.mark.parametrize("most", [1, 150, 400, 10_000])
def test_every_fix_is_in_one_chunk_and_companions_are_in_one(most) -> None:
    chunks = list(chunks_of(FIXES, most=most))
    assert sorted(label for chunk in chunks for label in chunk.index) == list(FIXES.index)
    of = {name: n for n, chunk in enumerate(chunks) for name in chunk["log"].unique()}
    assert of["MON"] == of["MON with her"]
    assert sum(chunk["log"].nunique() for chunk in chunks) == FIXES["log"].nunique()
    if most >= 400:
        assert all(len(chunk) <= most for chunk in chunks)


@pytest.mark.parametrize("most", [1, 400])
def test_visits_are_those_of_all_at_once(most) -> None:
    names = logs(*FIXES["log"].unique())
    chunks = chunks_of(FIXES, most=most)
    parted = make_visits_in_chunks(chunks, NETWORK, RAIN, names, time_zone="UTC")
    whole = make_visits(match_logs(FIXES, NETWORK), NETWORK, RAIN, names, time_zone="UTC")
    pd.testing.assert_frame_equal(parted, whole)
    assert whole["observer"].iloc[0] == "observer of MON, observer of MON with her"


def test_no_fixes_are_no_chunks() -> None:
    assert list(chunks_of(FIXES.iloc[:0])) == []
