"""Placing photos: between two fixes, by the right clock, and nowhere else."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point

from carnivore_sign.intake import read_log
from carnivore_sign.intake.photo_clocks import estimate_clock_offsets
from carnivore_sign.intake.photo_placing import place_photos
from carnivore_sign.intake.photos import read_photos
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import PHOTOS

START = pd.Timestamp("2026-02-14T15:40:00Z")


def walk(
    seconds: list[float],
    lons: list[float],
    lats: list[float] | None = None,
    *,
    log: str = "walk",
    flags: list[str | None] | None = None,
    heights: list[float] | None = None,
) -> gpd.GeoDataFrame:
    lats = [37.4] * len(lons) if lats is None else lats
    return gpd.GeoDataFrame(
        {
            "receipt": "r",
            "log": log,
            "part": 0,
            "time": START + pd.to_timedelta(seconds, unit="s"),
            "elevation_m": heights or [np.nan] * len(lons),
            "flags": flags or [None] * len(lons),
        },
        geometry=gpd.points_from_xy(lons, lats),
        crs="EPSG:4326",
    )


def photos(
    seconds: list[float | None], *, source: str = "camera_offset", **columns: object
) -> gpd.GeoDataFrame:
    times = pd.Series([START if s is None else START + pd.Timedelta(s, "s") for s in seconds])
    times = times.where([s is not None for s in seconds])
    names = [f"{number}.jpg" for number in range(len(seconds))]
    frame = {
        "receipt": "r",
        "source_row": range(1, len(seconds) + 1),
        "photo": names,
        "sha256": names,
        "time": times,
        "time_source": [None if s is None else source for s in seconds],
        "position_source": "none",
        "device": "Toy",
        **columns,
    }
    return gpd.GeoDataFrame(frame, geometry=[None] * len(seconds), crs="EPSG:4326")


def test_a_photo_lies_between_the_fixes_around_it_in_proportion_to_the_time() -> None:
    fixes = walk([0, 100], [-119.2, -119.1], [37.4, 37.5], heights=[600, 700])
    placed, unplaced = place_photos(photos([25]), fixes)
    assert len(unplaced) == 0
    (row,) = placed.itertuples()
    geod = pyproj.Geod(ellps="WGS84")
    azimuth, _, metres = geod.inv(-119.2, 37.4, -119.1, 37.5)
    lon, lat, _ = geod.fwd(-119.2, 37.4, azimuth, metres / 4)
    assert (row.geometry.x, row.geometry.y) == pytest.approx((lon, lat), abs=1e-10)
    assert (row.position_source, row.elevation_m) == ("log", 625)
    assert row.notes == f"placed on walk between fixes 100 s and {metres:.0f} m apart"
    assert np.isnan(row.clock_offset_s)
    assert find_faults(placed, PHOTOS).empty


@given(st.floats(0, 1), st.floats(-170, 170), st.floats(-80, 80), st.floats(0.001, 1.0))
def test_the_two_parts_of_the_way_make_up_the_whole(
    share: float, lon: float, lat: float, step: float
) -> None:
    fixes = walk([0, 200], [lon, lon + step], [lat, lat + step])
    placed, _ = place_photos(photos([round(share * 200, 3)]), fixes)
    at = placed.geometry.iloc[0]
    geod = pyproj.Geod(ellps="WGS84")
    before = geod.inv(lon, lat, at.x, at.y)[2]
    after = geod.inv(at.x, at.y, lon + step, lat + step)[2]
    whole = geod.inv(lon, lat, lon + step, lat + step)[2]
    assert before + after == pytest.approx(whole, abs=1e-3)
    assert before == pytest.approx(share * whole, abs=whole * 1e-5 + 1e-3)


def test_across_the_antimeridian_a_photo_stays_there() -> None:
    placed, _ = place_photos(photos([50]), walk([0, 100], [179.999, -179.999], [0.0, 0.0]))
    assert abs(placed.geometry.iloc[0].x) == pytest.approx(180, abs=1e-9)


def test_a_photo_on_a_fix_is_on_it_even_beside_a_gap() -> None:
    fixes = walk([0, 1000, 1010], [-119.2, -119.1, -119.0])
    placed, unplaced = place_photos(photos([0, 1000, 1010]), fixes)
    assert placed.geometry.x.tolist() == pytest.approx([-119.2, -119.1, -119.0])
    assert len(unplaced) == 0


def test_what_the_log_does_not_hold_is_not_placed_and_says_why() -> None:
    fixes = walk([0, 10, 1000], [-119.2, -119.1, -119.0])
    placed, unplaced = place_photos(photos([-30, 500, 1012, None, 5]), fixes)
    assert placed["photo"].tolist() == ["4.jpg"]
    assert unplaced["reason"].tolist() == [
        "taken 30 s before walk begins",
        "in a gap of 990 s in walk",
        "taken 12 s after walk ends",
        "it has no time",
    ]
    assert len(place_photos(photos([500]), fixes, max_gap_s=990)[0]) == 1
    assert place_photos(photos([5]), fixes.iloc[:0])[1]["reason"].tolist() == [
        "there is no log with times"
    ]


def test_photos_with_a_position_stay_where_they_are() -> None:
    mixed = photos([5, 5])
    mixed.loc[0, "position_source"] = "exif"
    mixed = mixed.set_geometry(gpd.GeoSeries([Point(1, 2), None], crs="EPSG:4326"))
    mixed.index = [7, 3]
    placed, _ = place_photos(mixed, walk([0, 10], [-119.2, -119.1]))
    assert placed.index.tolist() == [7, 3]
    assert placed.geometry.iloc[0] == Point(1, 2)
    assert placed["position_source"].tolist() == ["exif", "log"]
    assert mixed.geometry.isna().tolist() == [False, True]


def test_fixes_in_doubt_place_nothing() -> None:
    fixes = walk(
        [0, 10, 20], [-119.2, 0.0, -119.0], flags=[None, "zero_island;too_fast", "low_accuracy"]
    )
    placed, _ = place_photos(photos([10]), fixes)
    assert placed.geometry.iloc[0].x == pytest.approx(-119.1, abs=1e-6)


def test_two_logs_of_one_walk_agree_and_of_two_parties_do_not() -> None:
    first = walk([0, 100], [-119.2, -119.1])
    beside = walk([0, 50, 100], [-119.2, -119.15, -119.1], log="watch")
    placed, _ = place_photos(photos([25]), pd.concat([first, beside], ignore_index=True))
    assert "on watch between fixes 50 s" in placed["notes"].item()
    far = walk([0, 100], [-118.2, -118.1], log="others")
    placed, unplaced = place_photos(photos([25]), pd.concat([first, far], ignore_index=True))
    assert len(placed) == 0
    assert "the logs others and walk were 88" in unplaced["reason"].item()
    assert "say who took it and who carried each log" in unplaced["reason"].item()


def test_a_given_offset_moves_the_camera_and_never_gps_time() -> None:
    fixes = walk([0, 100], [-119.2, -119.1])
    placed, _ = place_photos(photos([10]), fixes, clock_offset_s=40)
    assert placed["time"].item() == START + pd.Timedelta(50, "s")
    assert placed["clock_offset_s"].item() == 40
    assert placed.geometry.iloc[0].x == pytest.approx(-119.15, abs=1e-6)
    by_gps, _ = place_photos(photos([10], source="gps"), fixes, clock_offset_s=40)
    assert by_gps["time"].item() == START + pd.Timedelta(10, "s")
    assert np.isnan(by_gps["clock_offset_s"].item())
    per_device, _ = place_photos(photos([10]), fixes, clock_offset_s={"Toy": 40, "Other": 9})
    assert per_device["clock_offset_s"].item() == 40


def test_a_second_call_adds_nothing_twice() -> None:
    fixes = walk([0, 100], [-119.2, -119.1])
    first, _ = place_photos(photos([10]), fixes, clock_offset_s=40)
    bare = first.set_geometry(gpd.GeoSeries([None], crs="EPSG:4326", index=first.index))
    again, _ = place_photos(bare, fixes, clock_offset_s=30)
    assert again["time"].item() == START + pd.Timedelta(40, "s")
    assert again["clock_offset_s"].item() == 30
    undone, _ = place_photos(bare, fixes)
    assert undone["time"].item() == START + pd.Timedelta(10, "s")


def test_the_offset_is_estimated_from_photos_with_both_clocks() -> None:
    """A camera that is 3,600 s slow, whose receiver once repeated an old time."""
    behind = [3600.0, 3599.0, 3601.0, 3600.0, -5000.0, np.nan]
    taken = photos([*[0.0] * 5, -3550.0], clock_behind_s=behind)
    taken.loc[:4, "time_source"] = "gps"
    estimate = estimate_clock_offsets(taken).loc["Toy"]
    assert estimate["offset_s"] == 3600
    assert estimate["spread_s"] <= 1
    assert (estimate["photos"], estimate["usable"]) == (5, True)
    placed, _ = place_photos(taken, walk([0, 100], [-119.2, -119.1]))
    last = placed.loc[placed["photo"].eq("5.jpg")]
    assert last["time"].item() == START + pd.Timedelta(50, "s")
    assert last["clock_offset_s"].item() == 3600


@pytest.mark.parametrize("behind", [[100.0, 100.0], [0.0, 500.0, 1000.0, 1500.0]])
def test_too_few_or_quarrelling_clocks_are_not_used(behind: list[float]) -> None:
    taken = photos([*[0.0] * len(behind), 50.0], clock_behind_s=[*behind, np.nan])
    taken.loc[: len(behind) - 1, "time_source"] = "gps"
    assert not estimate_clock_offsets(taken)["usable"].item()
    placed, _ = place_photos(taken, walk([0, 100], [-119.2, -119.1]))
    assert placed["clock_offset_s"].isna().all()
    assert placed["time"].iloc[-1] == START + pd.Timedelta(50, "s")


def test_no_photos_are_placed_on_no_log() -> None:
    placed, unplaced = place_photos(photos([]), walk([], []))
    assert len(placed) == len(unplaced) == 0


def test_a_real_photo_lies_where_another_program_placed_it_on_the_same_log(
    real_files: Path,
) -> None:
    """Log and photo of the Exiv2 test data; its program wrote whole seconds of arc.

    The camera's clock stood on 09:54:28 Pacific Standard Time, and was taken for GPS time.
    """
    taken = read_photos([real_files / "photo" / "exiv2__FurnaceCreekInn.jpg"]).tables["photos"]
    fixes = read_log(real_files / "gpx" / "exiv2__FurnaceCreekInn.gpx").tables["fixes"]
    there, height = taken.geometry.iloc[0], taken["elevation_m"].item()
    bare = taken.assign(time_source="camera_zone", elevation_m=np.nan)
    bare = bare.set_geometry(gpd.GeoSeries([None], crs="EPSG:4326"))
    placed, _ = place_photos(bare, fixes, clock_offset_s=8 * 3600)
    ours = placed.geometry.iloc[0]
    assert placed["time"].item() == pd.Timestamp("2008-05-08T17:54:28Z")
    assert np.floor(ours.y * 3600) == round(there.y * 3600)
    assert np.ceil(ours.x * 3600) == round(there.x * 3600)
    assert placed["elevation_m"].item() == pytest.approx(height, abs=0.5)
    unmoved = place_photos(bare, fixes)[1]
    assert "in a gap of" in unmoved["reason"].item()
