"""When a photo was taken: which clock counts, and dates that a receiver writes 1024 weeks early."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from photo_making import CLOCK, PLACE, jpeg, tiff

from carnivore_sign.intake import import_files, read_photos
from carnivore_sign.intake.photo_clocks import set_clocks
from carnivore_sign.records.season import Season

ZONE = "America/Los_Angeles"
TIME_OF_DAY = {"GPSTimeStamp": CLOCK["GPSTimeStamp"]}  # 15:40:30.5


def photo(path: Path, *, camera: str | None = None, date: str | None = None) -> Path:
    """Write a photo with a GPS time of day, with or without the day of either clock."""
    gps = {**PLACE, **TIME_OF_DAY, **({"GPSDateStamp": date} if date else {})}
    path.write_bytes(jpeg(tiff({}, {"DateTimeOriginal": camera} if camera else None, gps)))
    return path


@pytest.mark.parametrize(
    ("camera", "expected"),
    [
        ("2026:02:14 07:38:00", "2026-02-14T15:40:30.5Z"),
        ("2026:02:13 20:00:00", "2026-02-14T15:40:30.5Z"),  # 04:00 UTC: 11.7 h, not 12.3 h
        ("2026:02:13 19:00:00", "2026-02-13T15:40:30.5Z"),
        ("2026:12:31 23:50:00", "2027-01-01T15:40:30.5Z"),
    ],
)
def test_a_gps_time_without_its_date_is_put_next_to_the_clock_of_the_camera(
    tmp_path: Path, camera: str, expected: str
) -> None:
    path = photo(tmp_path / "a.jpg", camera=camera)
    (row,) = read_photos([path], time_zone=ZONE).tables["photos"].itertuples()
    assert row.time == pd.Timestamp(expected)
    assert row.time_source == "gps_clock"
    assert "the GPS time lacks its date; its day was taken from the camera's clock" in row.notes
    assert np.isnan(row.clock_behind_s)  # nothing to estimate an offset from: the day is shared


def test_without_a_zone_or_a_camera_time_a_lone_time_of_day_is_no_time(tmp_path: Path) -> None:
    paths = [
        photo(tmp_path / "a.jpg", camera="2026:02:14 07:38:00"),
        photo(tmp_path / "b.jpg"),
    ]
    paths[1].write_bytes(paths[1].read_bytes() + b"\x00")
    rows = read_photos(paths).tables["photos"]
    assert rows["time"].isna().all()
    assert rows["notes"].str.contains("the GPS time lacks its date").all()
    assert "a time without a zone" in rows["notes"].iloc[0]


def test_an_offset_of_the_camera_does_not_move_the_time_of_the_receiver(tmp_path: Path) -> None:
    path = photo(tmp_path / "a.jpg", camera="2026:02:14 07:38:00")
    rows = read_photos([path], time_zone=ZONE).tables["photos"]
    moved = set_clocks(rows, 90)
    assert moved["time"].equals(rows["time"])
    assert moved["clock_source"].item() == "gps"


# Source: US Naval Observatory, GPS week number rollover: 1024 weeks are 7168 days, so that
# 2 July 2006 stands for 15 February 2026.
@pytest.mark.parametrize(
    ("camera", "told"),
    [
        ("2026:02:15 07:40:30", "the GPS date 2006-07-02 is 1024 weeks before the camera's"),
        (None, "the GPS date 2006-07-02 may be one that an old receiver writes early"),
        ("2012:01:01 00:00:00", "the GPS date 2006-07-02 may be one that an old receiver"),
    ],
)
def test_a_date_1024_weeks_early_is_told_and_repaired_by_call_only(
    season: Season, tmp_path: Path, camera: str | None, told: str
) -> None:
    path = photo(tmp_path / "a.jpg", camera=camera, date="2006:07:02")
    (row,) = read_photos([path], time_zone=ZONE).tables["photos"].itertuples()
    assert row.time == pd.Timestamp("2006-07-02T15:40:30.5Z")
    assert told in row.notes
    assert "--repair-rollover" in row.notes
    receipts = import_files(season, [path], time_zone=ZONE, rollover_repaired=True)
    (kept,) = season.read("photos").itertuples()
    assert kept.time == pd.Timestamp("2026-02-15T15:40:30.5Z")
    assert "was put 1024 weeks later, as was asked" in receipts["notes"].item()


def test_an_old_photo_whose_clocks_agree_is_left_as_it_is(season: Season, tmp_path: Path) -> None:
    path = photo(tmp_path / "a.jpg", camera="2006:07:02 08:40:30", date="2006:07:02")
    import_files(season, [path], time_zone=ZONE, rollover_repaired=True)
    (kept,) = season.read("photos").itertuples()
    assert kept.time == pd.Timestamp("2006-07-02T15:40:30.5Z")
    assert kept.clock_behind_s == 0.5
    assert kept.notes is None or pd.isna(kept.notes)


def test_a_repaired_date_leaves_the_clocks_close_together(season: Season, tmp_path: Path) -> None:
    path = photo(tmp_path / "a.jpg", camera="2026:02:15 07:40:00", date="2006:07:02")
    import_files(season, [path], time_zone=ZONE, rollover_repaired=True)
    assert season.read("photos")["clock_behind_s"].item() == 30.5


def test_local_time_without_a_zone_is_refused_and_a_stated_zone_or_the_season_gives_it(
    season: Season, tmp_path: Path
) -> None:
    path = tmp_path / "a.jpg"
    path.write_bytes(jpeg(tiff({}, {"DateTimeOriginal": "2026:02:14 07:40:30"}, PLACE)))
    bare = read_photos([path]).tables["photos"]
    assert bare["time"].isna().item()
    assert "no time: a time without a zone" in bare["notes"].item()
    stated = read_photos([path], time_zone=ZONE).tables["photos"]
    assert stated["time"].item() == pd.Timestamp("2026-02-14T15:40:30Z")
    import_files(season, [path])
    kept = season.read("photos")["time"].item()
    assert kept == pd.Timestamp("2026-02-14 07:40:30").tz_localize(season.zone)
