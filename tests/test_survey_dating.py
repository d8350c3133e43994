"""Dating of trails by the last clearing of their ground."""

from __future__ import annotations

import pandas as pd
import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.survey import MAX_DAYS_COLLECTING, date_by_clearing

FOUND = pd.Timestamp("2026-02-10T16:00Z")
HOUR = pd.Timedelta(hours=1)


def trails(after: float | None, before: float = 0.0) -> pd.DataFrame:
    """Return one trail, made between `after` and `before` hours before it was found."""
    made_after = pd.NaT if after is None else FOUND - after * HOUR
    frame = pd.DataFrame({"trail": ["T"], "time": [FOUND], "made_before": [FOUND - before * HOUR]})
    return frame.assign(made_after=pd.Series([made_after], dtype=frame["time"].dtype))


def dated(made: pd.DataFrame, *cleared_h: float | None, tracks: bool = True) -> pd.Series:
    names = [f"V{i}" for i in range(len(cleared_h))]
    visits = pd.DataFrame(
        {"visit": names, "start": FOUND, "hours_since_cleared": pd.Series(cleared_h, dtype=float)}
    )
    detections = pd.DataFrame({"trail": "T", "visit": names})
    told = date_by_clearing(made, detections, visits, with_tracks=pd.Series({"T": tracks}))
    return told.iloc[0]


def test_a_track_was_made_after_its_ground_was_wiped() -> None:
    assert dated(trails(None), 48.0)["made_after"] == FOUND - 48 * HOUR
    assert dated(trails(100.0), 48.0)["made_after"] == FOUND - 48 * HOUR


def test_a_narrower_stated_age_stays() -> None:
    told = dated(trails(20.0, 4.0), 48.0)
    assert told["made_after"] == FOUND - 20 * HOUR
    assert told["made_before"] == FOUND - 4 * HOUR


def test_of_several_segments_the_latest_clearing_counts_and_unknown_ones_do_not() -> None:
    assert dated(trails(None), 48.0, 30.0, None)["made_after"] == FOUND - 30 * HOUR


def test_a_track_is_no_older_than_its_surface_keeps_tracks() -> None:
    longest = MAX_DAYS_COLLECTING * 24
    assert dated(trails(None), None)["made_after"] == FOUND - longest * HOUR
    assert dated(trails(None), 500.0)["made_after"] == FOUND - longest * HOUR
    assert dated(trails(300.0), None)["made_after"] == FOUND - longest * HOUR
    assert dated(trails(100.0), None)["made_after"] == FOUND - 100 * HOUR
    assert pd.isna(dated(trails(None), None, tracks=False)["made_after"])


def test_a_stated_age_outweighs_how_long_tracks_are_taken_to_last() -> None:
    told = dated(trails(400.0, 240.0), None)  # said to be ten days old at least
    assert told["made_after"] == FOUND - 400 * HOUR
    assert told["made_before"] == FOUND - 240 * HOUR
    assert pd.isna(dated(trails(None, 240.0), None)["made_after"])


def test_the_record_of_a_clearing_outweighs_a_stated_age() -> None:
    told = dated(trails(100.0, 60.0), 48.0)  # said to be over 60 hours old; wiped 48 hours ago
    assert told["made_after"] == FOUND - 48 * HOUR
    assert told["made_before"] == FOUND


def test_scat_outlasts_the_drag() -> None:
    assert pd.isna(dated(trails(None), 48.0, tracks=False)["made_after"])


def test_a_trail_off_the_transects_keeps_its_window() -> None:
    told = date_by_clearing(
        trails(9.0),
        pd.DataFrame({"trail": [], "visit": []}),
        pd.DataFrame({"visit": ["V"], "start": [FOUND], "hours_since_cleared": [3.0]}),
        with_tracks=pd.Series({"T": True}),
    )
    assert told["made_after"].iloc[0] == FOUND - 9 * HOUR


def test_a_visit_that_is_not_there_is_named() -> None:
    detections = pd.DataFrame({"trail": ["T"], "visit": ["V9"]})
    visits = pd.DataFrame({"visit": ["V"], "start": [FOUND], "hours_since_cleared": [3.0]})
    with pytest.raises(InputError, match="'V9'"):
        date_by_clearing(trails(9.0), detections, visits, with_tracks=pd.Series({"T": True}))
