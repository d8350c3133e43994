"""In season: logs of another time are named, and every fix is accounted for."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest
from survey_drawing import START, log

from carnivore_sign.errors import InputError
from carnivore_sign.survey.in_season import logs_in_season

SEASON = {
    "first_day": dt.date(2024, 5, 1),
    "last_day": dt.date(2024, 5, 31),
    "time_zone": "America/Los_Angeles",
}


def test_logs_of_another_season_are_named_and_kept_apart() -> None:
    years = pd.Timedelta(days=1024 * 7)  # what a receiver whose week number began again writes
    last_evening = pd.Timestamp("2024-06-01 06:59:40", tz="UTC")
    fixes = pd.concat(
        [
            log([(0, 0), (10, 0)], name="MON"),
            log([(0, 0), (10, 0), (20, 0)], name="OLD", start=START - years),
            log([(0, 0), (10, 0), (20, 0), (30, 0)], name="LATE", start=last_evening),
        ],
        ignore_index=True,
    )
    fixes.loc[0, "time"] = pd.NaT
    kept, apart = logs_in_season(fixes, **SEASON)
    assert len(kept) + apart["fixes"].sum() == len(fixes)
    assert kept["log"].tolist() == ["MON", "MON", "LATE", "LATE"]
    assert apart["log"].tolist() == ["OLD", "LATE"]
    assert apart["reason"].tolist() == [
        "3 of its 3 fixes are not of 2024-05-01 to 2024-05-31",
        "2 of its 4 fixes are not of 2024-05-01 to 2024-05-31",
    ]
    assert apart["first"].iloc[0] == START - years


def test_a_season_with_nothing_strange_and_one_that_ends_first() -> None:
    kept, apart = logs_in_season(log([(0, 0)]), **SEASON)
    assert len(kept) == 1
    assert apart.empty
    with pytest.raises(InputError, match="Swap the days"):
        logs_in_season(kept, **SEASON | {"last_day": dt.date(2023, 1, 1)})
