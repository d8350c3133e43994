"""Photo facts: the rules of CIPA DC-008 (Exif), tag by tag, on made photos."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st
from photo_making import (
    BYTE,
    CLOCK,
    DOUBLE,
    LAT,
    LON,
    PLACE,
    SRATIONAL,
    jpeg,
    tiff,
)

from carnivore_sign.intake.exif import UNKNOWN, Ratio
from carnivore_sign.intake.photo_facts import Facts, degrees, facts_of
from carnivore_sign.intake.photo_files import read_photo_file


def facts(
    gps: dict[str, Any] | None = None, camera: dict[str, Any] | None = None, xmp: bytes = b""
) -> Facts:
    return facts_of(read_photo_file(jpeg(tiff({}, camera, gps), xmp=xmp), file="made.jpg"))


def noted(one: Facts) -> str:
    return "; ".join(one.notes)


seconds_of_arc = st.integers(0, 90 * 3600 * 1000)


@given(seconds_of_arc, st.sampled_from("NS"))
def test_degrees_minutes_and_seconds_come_back_as_they_went(thousandths: int, ref: str) -> None:
    whole, rest = divmod(thousandths, 3_600_000)
    minutes, rest = divmod(rest, 60_000)
    value = (Ratio(whole, 1), Ratio(minutes, 1), Ratio(rest, 1000))
    size, reason = degrees(value, ref, "Latitude")
    assert reason is None
    assert abs(size) == pytest.approx(thousandths / 3_600_000, rel=0, abs=1e-12)
    assert size == 0 or (size < 0) == (ref == "S")


@given(st.lists(st.tuples(st.integers(0, UNKNOWN), st.integers(0, UNKNOWN)), max_size=5))
def test_any_rationals_are_a_place_on_earth_or_a_reason(pairs: list[tuple[int, int]]) -> None:
    value = tuple(Ratio(*pair) for pair in pairs) or None
    size, reason = degrees(value, "W", "Longitude")
    if value is None:
        assert math.isnan(size)
    elif reason is None:
        assert -180 <= size <= 0
        assert all(math.isfinite(float(part)) for part in value[:2])
    else:
        assert math.isnan(size)


@given(st.integers(0, 2**32 - 2), st.integers(1, 2**32 - 2), st.sampled_from("<>"))
def test_rationals_come_back_in_both_byte_orders(top: int, bottom: int, order: str) -> None:
    block = tiff({}, {}, {"GPSDOP": [(top, bottom)]}, order=order)
    photo = read_photo_file(block, file="made.tif")
    assert photo.exif.gps["GPSDOP"] == (Ratio(top, bottom),)
    assert facts_of(photo).dop == top / bottom


@pytest.mark.parametrize("empty", [(0, 0), (5, 0), (UNKNOWN, 1), (UNKNOWN, UNKNOWN), (1, UNKNOWN)])
def test_empty_and_unknown_numbers_are_no_numbers(empty: tuple[int, int]) -> None:
    one = facts({**PLACE, "GPSLatitude": [(37, 1), empty, (0, 1)], "GPSAltitude": [empty]})
    assert math.isnan(one.lat)
    assert math.isnan(one.elevation_m)
    assert f"no position: an empty latitude: 37/1, {empty[0]}/{empty[1]}, 0/1" in one.notes
    assert "the elevation is empty" in noted(one)


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"GPSLatitudeRef": None}, "no hemisphere with the latitude"),
        ({"GPSLongitudeRef": ""}, "no hemisphere with the longitude"),
        ({"GPSLatitudeRef": "W"}, "'W' is no hemisphere of the latitude"),
        ({"GPSLatitude": None}, "one of latitude and longitude is missing"),
        ({"GPSLatitude": [(91, 1), (0, 1), (0, 1)]}, "out of range is the latitude"),
        ({"GPSLongitude": [(180, 1), (0, 1), (1, 1)]}, "out of range is the longitude"),
        ({"GPSLatitude": [(37, 1), (61, 1), (0, 1)]}, "not degrees, minutes and seconds"),
        ({"GPSLatitude": (SRATIONAL, [(-37, 1), (0, 1), (0, 1)])}, "not degrees, minutes and"),
        ({"GPSLatitude": "37,5"}, "text, where EXIF has three numbers of latitude: 37,5"),
        ({"GPSLatitude": (DOUBLE, [math.inf])}, "out of range is the latitude"),
        ({"GPSLatitude": (DOUBLE, [math.nan])}, "an empty latitude"),
    ],
)
def test_a_position_in_doubt_is_no_position(changed: dict[str, Any], reason: str) -> None:
    gps = {name: value for name, value in {**PLACE, **changed}.items() if value is not None}
    one = facts(gps)
    assert (one.position_source, math.isnan(one.lat), math.isnan(one.lon)) == ("none", True, True)
    assert f"no position: {reason}" in noted(one)


def test_zero_zero_is_not_a_place() -> None:
    zero = [(0, 1)] * 3
    one = facts({**PLACE, "GPSLatitude": zero, "GPSLongitude": zero})
    assert one.position_source == "none"
    assert "0, 0" in noted(one)


def test_empty_seconds_behind_decimal_minutes_are_none() -> None:
    """As a Nikon D5000 writes them; behind whole minutes they could be anything."""
    one = facts({**PLACE, "GPSLatitude": [(48, 1), (5332358, 100000), (0, 0)]})
    assert one.lat == pytest.approx(-(48 + 53.32358 / 60), abs=1e-12)
    assert facts({**PLACE, "GPSLatitude": [(48, 1), (53, 1), (0, 0)]}).position_source == "none"


def test_decimal_degrees_in_one_number_and_words_for_hemispheres_are_read() -> None:
    one = facts(
        {
            **PLACE,
            "GPSLatitude": (DOUBLE, [37.5]),
            "GPSLatitudeRef": "South",
            "GPSLongitudeRef": "w",
        }
    )
    assert (one.lat, one.lon) == pytest.approx((-37.5, LON))


def test_xmp_is_asked_where_the_tags_have_no_position() -> None:
    xmp = b'<rdf:Description exif:GPSLatitude="48,53.32358N" exif:GPSLongitude="21,2,35.7W"/>'
    one = facts({}, xmp=xmp)
    assert (one.lat, one.lon) == pytest.approx((48.888726333, -(21 + 2 / 60 + 35.7 / 3600)))
    assert one.position_source == "xmp"
    assert "XMP" in noted(one)
    element = b"<exif:GPSLatitude>48,53.3S</exif:GPSLatitude><exif:GPSLongitude>1,2E"
    assert facts({}, xmp=element).lat == pytest.approx(-(48 + 53.3 / 60))
    assert facts(PLACE, xmp=xmp).lat == pytest.approx(LAT)
    for bad in (b'exif:GPSLatitude="48,53"', b'exif:GPSLatitude="4.8.8N" exif:GPSLongitude="1,2E"'):
        assert facts({}, xmp=bad).position_source == "none"


@pytest.mark.parametrize(
    ("reference", "metres"),
    [(None, 12.5), (0, 12.5), (1, -12.5), (2, 12.5), (3, -12.5), (7, math.nan)],
)
def test_elevation_is_above_sea_level_unless_its_reference_says_below(
    reference: int | None, metres: float
) -> None:
    """Exif 2.32, 4.6.6: 0 above (the default), 1 below; Exif 3.0 adds 2 and 3 (from memory)."""
    gps: dict[str, Any] = {"GPSAltitude": [(25, 2)]}
    if reference is not None:
        gps["GPSAltitudeRef"] = (BYTE, [reference])
    assert facts(gps).elevation_m == pytest.approx(metres, nan_ok=True)


def test_elevations_nobody_walks_at_are_told() -> None:
    one = facts({"GPSAltitude": [(4_000_000_000, 1)]})
    assert math.isnan(one.elevation_m)
    assert "no elevation on the ground" in noted(one)


@pytest.mark.parametrize(
    ("ref", "degree", "kept", "north"),
    [
        ("T", 342.5, 342.5, "true"),
        ("M", 0, 0, "magnetic"),
        ("", 90, 90, None),
        ("T", 361, None, None),
    ],
)
def test_directions_keep_their_north(
    ref: str, degree: float, kept: float | None, north: str | None
) -> None:
    one = facts({"GPSImgDirection": [(int(degree * 2), 2)], "GPSImgDirectionRef": ref})
    assert one.direction_ref == north
    assert math.isnan(one.direction_deg) if kept is None else one.direction_deg == kept


def test_dilution_is_never_an_accuracy() -> None:
    """CIPA DC-008: GPSDOP is HDOP in 2-D and PDOP in 3-D; GPSHPositioningError is metres."""
    one = facts({"GPSDOP": [(3, 2)]})
    assert (one.dop, math.isnan(one.accuracy_m)) == (1.5, True)
    one = facts({"GPSHPositioningError": [(13, 2)]})
    assert (math.isnan(one.dop), one.accuracy_m) == (True, 6.5)
    assert "cannot be -1" in noted(facts({"GPSDOP": (SRATIONAL, [(-1, 1)])}))


def test_gps_date_and_time_are_utc_to_the_fraction() -> None:
    one = facts(CLOCK)
    assert pd.Timestamp(one.gps_time) == pd.Timestamp("2026-02-14T15:40:30.500Z")
    leap = facts({**CLOCK, "GPSTimeStamp": [(23, 1), (59, 1), (60, 1)]})
    assert pd.Timestamp(leap.gps_time) == pd.Timestamp("2026-02-15T00:00:00Z")


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"GPSDateStamp": "2026:02:30"}, "no such GPS date: 2026:02:30"),
        ({"GPSDateStamp": "0000:00:00"}, "no such GPS date"),
        ({"GPSDateStamp": "1999:99:99 99:99:99"}, "no such GPS date"),
        ({"GPSDateStamp": "14.2.2026"}, "not a GPS date and time: 14.2.2026"),
        ({"GPSTimeStamp": [(24, 1), (0, 1), (0, 1)]}, "not a GPS date and time"),
        ({"GPSTimeStamp": [(1, 0), (0, 1), (0, 1)]}, "not a GPS date and time"),
        ({"GPSTimeStamp": [(1, 1), (0, 1)]}, "not a GPS date and time"),
        ({"GPSDateStamp": None}, "the GPS time lacks its date"),
        ({"GPSTimeStamp": None}, "the GPS time lacks its time of day"),
    ],
)
def test_impossible_gps_times_are_reasons(changed: dict[str, Any], reason: str) -> None:
    gps = {name: value for name, value in {**CLOCK, **changed}.items() if value is not None}
    one = facts(gps)
    assert one.gps_time is None
    assert reason in noted(one)


@pytest.mark.parametrize(
    ("camera", "iso"),
    [
        ({"OffsetTimeOriginal": "-07:00"}, "2026-02-14T07:40:30-07:00"),
        ({"OffsetTime": "+05:45"}, "2026-02-14T07:40:30+05:45"),
        ({"OffsetTimeOriginal": "Z"}, "2026-02-14T07:40:30Z"),
        ({"OffsetTimeOriginal": "+25:00"}, "2026-02-14T07:40:30"),
        ({"OffsetTimeOriginal": "   :  "}, "2026-02-14T07:40:30"),
        ({"SubSecTimeOriginal": "25"}, "2026-02-14T07:40:30.25"),
        ({"SubSecTimeOriginal": "²"}, "2026-02-14T07:40:30"),
        ({}, "2026-02-14T07:40:30"),
    ],
)
def test_camera_times_carry_their_offset_or_none(camera: dict[str, str], iso: str) -> None:
    one = facts({}, {"DateTimeOriginal": "2026:02:14 07:40:30", **camera})
    assert one.camera_iso == iso
    assert one.camera_time.startswith("2026:02:14 07:40:30")
    assert ("is not an offset" in noted(one)) == (camera.get("OffsetTimeOriginal") == "+25:00")


def test_a_camera_time_that_is_none_stands_as_it_stood() -> None:
    one = facts({}, {"DateTimeOriginal": "sometime"})
    assert (one.camera_time, one.camera_iso) == ("sometime", None)
    assert "not a camera time: sometime" in one.notes
    one = facts({}, {"DateTimeDigitized": "2026:02:14 07:40:30", "OffsetTimeDigitized": "Z"})
    assert one.camera_iso == "2026-02-14T07:40:30Z"
    assert "digitising" in noted(one)


def test_positions_on_other_datums_are_moved_to_wgs84() -> None:
    """Against pyproj's own transformation; a name that is not known is told."""
    gps = {**PLACE, "GPSLatitudeRef": "N"}
    moved = facts({**gps, "GPSMapDatum": "NAD-27"})
    lon, lat = pyproj.Transformer.from_crs(4267, 4326, always_xy=True).transform(LON, -LAT)
    assert (moved.lat, moved.lon) == pytest.approx((lat, lon), abs=1e-9)
    metres = pyproj.Geod(ellps="WGS84").inv(LON, -LAT, moved.lon, moved.lat)[2]
    assert 50 < metres < 150  # the shift of NAD27 in the western USA: common practice, no source
    for same in ("WGS-84", "WGS 84 ", "WGS84"):
        plain = facts({**gps, "GPSMapDatum": same})
        assert (plain.lat, plain.notes) == (-LAT, [])
    assert "unknown datum 'MARS'" in noted(facts({**gps, "GPSMapDatum": "MARS"}))


def test_a_lost_fix_is_told() -> None:
    assert "lost its fix" in noted(facts({**PLACE, "GPSStatus": "V"}))
    assert facts({**PLACE, "GPSStatus": "A"}).notes == []


def test_make_and_model_are_said_once() -> None:
    for make, model, device in (
        ("Canon", "Canon EOS", "Canon EOS"), ("Apple", "iPhone", "Apple iPhone"), ("", "", None)
    ):  # fmt: skip
        block = tiff({"Make": make, "Model": model})
        assert facts_of(read_photo_file(jpeg(block), file="made.jpg")).device == device


def test_numbers_of_every_type_are_read() -> None:
    assert np.isclose(facts({"GPSDOP": (DOUBLE, [1.25])}).dop, 1.25)
    assert facts({"GPSDOP": (BYTE, [2])}).dop == 2
