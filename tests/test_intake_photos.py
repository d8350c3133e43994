"""Photos: every real photo against an independent EXIF tool, and every file accounted for."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from photo_making import CLOCK, LAT, LON, MAKERS, PLACE, jpeg, tiff

from carnivore_sign.errors import InputError, UnknownKind
from carnivore_sign.intake import import_files, read_file, read_table
from carnivore_sign.intake.photos import photo_thumbnail, read_photo, read_photos
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import PHOTOS

#: Real photos whose position is not that of the independent tool, and why.
TEXT_FOR_NUMBERS = "goexif__geodegrees_as_string.jpg"
CUT_BEHIND_ITS_POSITION = "derived__photo_truncated_google.jpg"


@pytest.fixture(scope="module")
def told(real_files: Path) -> pd.DataFrame:
    """Return what exiftool 12.57 reads, by name of the photo (MANIFEST.csv of the real files)."""
    manifest = pd.read_csv(real_files / "MANIFEST.csv", dtype={"offset": str, "gps_time": str})
    photos = manifest.loc[manifest["file"].str.contains(r"^photo/|^broken/.*\.jpg$")]
    return photos.set_index(photos["file"].str.split("/").str[1])


@pytest.fixture(scope="module")
def rows(real_files: Path, told: pd.DataFrame) -> pd.DataFrame:
    reading = read_photos([real_files / file for file in told["file"]])
    assert reading.rows_in["photos"] == len(told)
    assert reading.set_aside["content"].tolist() == ["made__empty.jpg"]
    assert find_faults(reading.tables["photos"], PHOTOS).empty
    return reading.tables["photos"].set_index("photo")


def test_positions_are_those_of_an_independent_tool(rows: pd.DataFrame, told: pd.DataFrame) -> None:
    placed = told.dropna(subset=["lat", "lon"]).drop(index=TEXT_FOR_NUMBERS)
    ours = rows.loc[placed.index].geometry
    assert len(placed) == 32
    np.testing.assert_allclose(ours.y, placed["lat"], rtol=0, atol=1e-6)
    np.testing.assert_allclose(ours.x, placed["lon"], rtol=0, atol=1e-6)
    assert rows.loc[placed.index, "position_source"].eq("exif").all()


def test_a_photo_without_both_hemispheres_or_with_empty_numbers_has_no_position_and_a_reason(
    rows: pd.DataFrame, told: pd.DataFrame
) -> None:
    bare = told.loc[told[["lat", "lon"]].isna().any(axis=1)].index
    bare = bare.drop([CUT_BEHIND_ITS_POSITION, "made__empty.jpg"])
    ours = rows.loc[[*bare, TEXT_FOR_NUMBERS]]
    assert ours.geometry.isna().all()
    assert ours["position_source"].eq("none").all()
    for name, reason in {
        "derived__photo_bad_ref_letter.jpg": "'X' is no hemisphere of the longitude",
        "derived__photo_no_hemisphere_refs.jpg": "no hemisphere with the latitude 40/1, 39/1",
        "derived__photo_no_latref_kodak.jpg": "no hemisphere with the latitude",
        "exiftool__InfiRay.jpg": "an empty latitude: 0/0, 0/0, 0/0",
        "piexif__01.jpg": "an empty latitude: 4294967295/1",
        "exifr__broken1.jpg": "an empty latitude: 0/0, 0/0, 0/0",
        TEXT_FOR_NUMBERS: "text, where EXIF has three numbers of latitude: 52,00000,50,00000,34",
    }.items():
        assert f"no position: {reason}" in ours.loc[name, "notes"]


def test_a_photo_cut_behind_its_position_keeps_it(rows: pd.DataFrame) -> None:
    cut, whole = rows.loc[CUT_BEHIND_ITS_POSITION], rows.loc["exiftool__Google.jpg"]
    assert cut.geometry.equals(whole.geometry)
    assert "beyond the end" in cut["notes"]
    assert pd.isna(cut["width_px"])


def test_elevations_are_those_of_an_independent_tool(
    rows: pd.DataFrame, told: pd.DataFrame
) -> None:
    there = told.drop(index=["made__empty.jpg", CUT_BEHIND_ITS_POSITION])
    ours = rows.loc[there.index, "elevation_m"]
    np.testing.assert_allclose(ours, there["alt"].astype(float), rtol=0, atol=6e-4)
    assert (ours < 0).sum() >= 4
    assert there["alt"].notna().sum() == 24


def test_gps_times_are_those_of_an_independent_tool_and_utc(
    rows: pd.DataFrame, told: pd.DataFrame
) -> None:
    whole = told["gps_time"].str.extract(r"^(\d{4}:\d\d:\d\d).* ?(\d\d:\d\d:\d\d(?:\.\d+)?)Z$")
    day = whole[0].str.replace(":", "-")
    when = pd.to_datetime(day + "T" + whole[1] + "Z", errors="coerce", format="ISO8601")
    when = when.dropna()
    assert len(when) >= 18
    ours = rows.loc[when.index]
    assert (ours["time"] - when).abs().max() <= pd.Timedelta("1ms")
    assert ours["time_source"].eq("gps").all()


def test_without_gps_time_the_offset_decides_and_without_that_there_is_no_time(
    rows: pd.DataFrame, told: pd.DataFrame
) -> None:
    without_gps = rows.loc[rows["time_source"].ne("gps")]
    offsets = told["offset"].reindex(without_gps.index)
    zoned = without_gps.loc[offsets.notna()]
    assert zoned.index.tolist() == ["mei__exif-at-eof.heic", "pillowheif__empty_icc.heic"]
    assert zoned["time"].dt.floor("s").tolist() == [
        pd.Timestamp("2020-05-04T22:39:11Z"),
        pd.Timestamp("2021-07-06T13:08:14Z"),
    ]
    local = without_gps.loc[offsets.isna() & without_gps["camera_time"].notna()]
    local = local.drop(index=CUT_BEHIND_ITS_POSITION)
    assert len(local) >= 12
    assert local["time"].isna().all()
    assert local["notes"].str.contains("no time: a time without a zone").all()


def test_camera_times_stand_as_they_stood(rows: pd.DataFrame, told: pd.DataFrame) -> None:
    there = told.loc[told["datetime_original"].notna()]
    ours = rows.loc[there.index, "camera_time"]
    assert [a[:19] for a in ours] == [b[:19] for b in there["datetime_original"]]


def test_a_stated_zone_gives_the_rest_a_time(real_files: Path) -> None:
    photo = real_files / "photo" / "exifsamples__Kodak_CX7530.jpg"
    (row,) = read_photos([photo], time_zone="Africa/Nairobi").tables["photos"].itertuples()
    assert row.time == pd.Timestamp("2005-08-13T06:47:23Z")  # East Africa Time is UTC+3
    assert row.time_source == "camera_zone"


def test_horizontal_error_is_metres_and_dilution_is_not(rows: pd.DataFrame) -> None:
    apple, sony = rows.loc["exiftool__Apple.jpg"], rows.loc["mei__Sony_DSC-HX5V_2_.jpg"]
    assert apple["accuracy_m"] == 165.0
    assert np.isnan(apple["dop"])
    google = rows.loc["exifr__IMG_20180725_163423-tiny.jpg"]
    assert google["dop"] == 18.0
    assert np.isnan(google["accuracy_m"])
    assert np.isnan(sony["accuracy_m"])


def test_directions_carry_the_north_they_are_counted_from(rows: pd.DataFrame) -> None:
    assert rows.loc["exiftool__Apple.jpg", "direction_ref"] == "true"
    assert rows.loc["exiftool__Apple.jpg", "direction_deg"] == pytest.approx(342.0498753)
    assert rows.loc["exiftool__Google.jpg", "direction_ref"] == "magnetic"
    corrupt = rows.loc["mapillary__corrupt_exif.jpg"]
    assert pd.isna(corrupt["direction_ref"])
    assert "true or magnetic" in corrupt["notes"]


def test_clocks_that_no_zone_brings_together_are_told(rows: pd.DataFrame) -> None:
    assert "differ by 2033" in rows.loc["gpsbabel__kodak-dc210.jpg.jpg", "notes"]
    assert rows.loc["exiftool__Google.jpg", "clock_behind_s"] == pytest.approx(-101.724)
    assert rows.loc["gpsbabel__ricoh-rdc5300_offsettime.jpg.jpg", "clock_behind_s"] == 0


def write(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("form", MAKERS)
def test_every_form_gives_the_same_row(form: str, tmp_path: Path) -> None:
    gps = {**PLACE, **CLOCK, "GPSAltitude": [(5, 2)], "GPSHPositioningError": [(9, 2)]}
    size = {"ImageWidth": [640], "ImageLength": [480]} if form == "TIFF" else {}
    block = tiff({"Make": "Toy", "Model": "Toy One", **size}, {}, gps)
    reading = read_photos([write(tmp_path, "a.dat", MAKERS[form](block))])
    (row,) = reading.tables["photos"].to_dict("records")
    assert (row["geometry"].y, row["geometry"].x) == pytest.approx((LAT, LON), abs=1e-12)
    assert row["time"] == pd.Timestamp("2026-02-14T15:40:30.500Z")
    assert (row["elevation_m"], row["accuracy_m"], row["device"]) == (2.5, 4.5, "Toy One")
    assert (row["width_px"], row["height_px"]) == (640, 480)
    assert (row["photo"], row["source_row"], row["time_source"]) == ("a.dat", 1, "gps")
    assert pd.isna(row["notes"])
    assert reading.notes == ()


def test_files_that_are_no_photo_and_photos_twice_are_set_aside(tmp_path: Path) -> None:
    good = jpeg(tiff({"Make": "Toy"}, {}, PLACE))
    paths = [
        write(tmp_path, "a.jpg", good),
        write(tmp_path, "b.jpg", b"not a photo"),
        write(tmp_path, "c.jpg", b""),
        write(tmp_path, "d.jpg", good),
        tmp_path / "none.jpg",
        write(tmp_path, "e.jpg", jpeg(None)),
    ]
    reading = read_photos(paths)
    assert reading.tables["photos"]["photo"].tolist() == ["a.jpg", "e.jpg"]
    assert reading.set_aside["source_row"].tolist() == [2, 3, 4, 5]
    reasons = reading.set_aside["reason"].tolist()
    for reason, part in zip(
        reasons, ("no photo", "empty", "the same photo as a.jpg", "no such file"), strict=False
    ):
        assert part.replace("no photo", "not a photo") in reason
    assert reading.rows_in["photos"] == 6
    assert reading.notes == ("1 of 2 photos without a position", "2 of 2 photos without a time")


def test_two_cameras_may_call_their_photos_alike(tmp_path: Path) -> None:
    paths = []
    for make in ("A", "B"):
        (tmp_path / make).mkdir()
        paths.append(write(tmp_path / make, "IMG_1.JPG", jpeg(tiff({"Make": make}))))
    names = read_photos(paths).tables["photos"]["photo"].tolist()
    assert names[0] == "IMG_1.JPG"
    assert names[1].startswith("IMG_1.JPG-")


def test_no_photos_are_an_empty_table() -> None:
    reading = read_photos([])
    assert reading.rows_in == {"photos": 0}
    assert len(reading.tables["photos"]) == 0


def test_an_unknown_zone_is_an_error() -> None:
    with pytest.raises(InputError, match="not a time zone"):
        read_photos([], time_zone="Mars/Olympus")


def test_one_photo_has_the_hash_of_its_file_and_a_packed_one_says_so(tmp_path: Path) -> None:
    data = jpeg(tiff({"Make": "Toy"}, {}, PLACE))
    source = open_source(write(tmp_path, "a.jpg.gz", gzip.compress(data)))
    reading = read_photo(source)
    assert reading.sha256 == source.sha256
    assert reading.tables["photos"]["sha256"].item() == source.sha256
    assert reading.tables["photos"]["receipt"].item() == source.receipt
    assert "unpacked from gzip" in reading.notes
    with pytest.raises(UnknownKind, match=r"b\.jpg: this is not a photo"):
        read_photo(open_source(write(tmp_path, "b.jpg", b"GIF89a")))


def test_the_thumbnail_comes_as_it_is_stored(tmp_path: Path) -> None:
    small = jpeg(None, size=(160, 120))
    with_one = write(tmp_path, "a.jpg", jpeg(tiff({"Make": "Toy"}, {}, PLACE, thumbnail=small)))
    assert photo_thumbnail(with_one) == small
    assert photo_thumbnail(write(tmp_path, "b.jpg", jpeg(tiff()))) is None
    with pytest.raises(InputError, match="no such file"):
        photo_thumbnail(tmp_path / "none.jpg")


def test_a_daylight_saving_overlap_is_told_and_a_skipped_hour_has_no_time(tmp_path: Path) -> None:
    zone = "America/Los_Angeles"  # 2026: back on 1 November at 2:00, forward on 8 March at 2:00
    twice, never = (
        write(tmp_path, f"{name}.jpg", jpeg(tiff({}, {"DateTimeOriginal": when})))
        for name, when in (("twice", "2026:11:01 01:30:00"), ("never", "2026:03:08 02:30:00"))
    )
    reading = read_photos([twice, never], time_zone=zone)
    first, second = reading.tables["photos"].itertuples()
    assert first.time == pd.Timestamp("2026-11-01T08:30:00Z")
    assert "went through this hour twice; the first was taken" in first.notes
    assert any("went through twice" in note for note in reading.notes)
    assert pd.isna(second.time)
    assert "the clocks went forward over it" in second.notes


def test_a_photo_is_recognised_by_its_content_and_imported_once(
    tmp_path: Path, season: Season
) -> None:
    gps = {**PLACE, "GPSImgDirection": [(45, 1)], "GPSImgDirectionRef": "M"}
    local = {"DateTimeOriginal": "2026:02:14 07:40:30"}
    paths = []
    for form, make in MAKERS.items():
        paths.append(write(tmp_path, f"{form}.dat", make(tiff({"Make": form}, local, gps))))
        assert read_file(paths[-1]).kind == "photo"
        with pytest.raises(UnknownKind, match="not a notebook table"):
            read_table(paths[-1])
    receipts = import_files(season, [*paths, paths[0]])
    assert receipts["outcome"].tolist() == ["imported"] * 4 + ["known"]
    assert receipts["kind"].eq("photo").all()
    kept = season.read("photos")
    assert kept["photo"].tolist() == [path.name for path in paths]
    assert kept["time"].eq(pd.Timestamp("2026-02-14T15:40:30Z")).all()  # the season's zone
    assert kept["time_source"].eq("camera_zone").all()
    assert kept.geometry.y.tolist() == pytest.approx([LAT] * 4)


def test_photos_of_two_cameras_with_one_name_both_stay_in_the_season(
    tmp_path: Path, season: Season
) -> None:
    paths = []
    for make in ("A", "B"):
        (tmp_path / make).mkdir()
        paths.append(write(tmp_path / make, "IMG_1.JPG", jpeg(tiff({"Make": make}))))
    receipts = import_files(season, paths)
    assert receipts["rows_set_aside"].tolist() == [0, 0]
    names = season.read("photos")["photo"].tolist()
    assert names[0] == "IMG_1.JPG"
    assert names[1].startswith("IMG_1.JPG-")
    assert "another photo of the season is called IMG_1.JPG" in receipts["notes"].iloc[1]


def test_a_folder_of_photos_and_logs_goes_in_order_with_a_receipt_each(
    tmp_path: Path, season: Season
) -> None:
    def photo(number: int) -> Path:
        block = tiff({"Make": str(number)}, {}, PLACE)
        return write(tmp_path, f"{number}.jpg", jpeg(block))

    log = write(
        tmp_path,
        "walk.gpx",
        b'<gpx version="1.1"><trk><trkseg><trkpt lat="37.4" lon="-119.2">'
        b"<time>2026-02-14T15:40:00Z</time></trkpt></trkseg></trk></gpx>",
    )
    packed = write(tmp_path, "packed.jpg.gz", gzip.compress(jpeg(tiff({"Make": "gz"}))))
    cut = write(tmp_path, "cut.jpg", b"\xff\xd8\xff")
    before, after = [photo(n) for n in range(3)], [photo(n) for n in range(3, 5)]
    twin = write(tmp_path, "twin.jpg", before[0].read_bytes())
    files = [*before, log, *after, packed, tmp_path / "none.jpg", twin, cut]
    receipts = import_files(season, files)
    per_file = receipts.drop_duplicates("file")
    assert per_file["file"].tolist() == [path.name for path in files]
    assert per_file["outcome"].tolist() == ["imported"] * 7 + ["refused", "known", "imported"]
    assert "as 0.jpg; nothing changed" in per_file["notes"].iloc[8]
    assert "no such file" in per_file["problem"].iloc[7]
    kept = season.read("photos")
    assert kept["photo"].tolist() == [f"{n}.jpg" for n in range(5)] + ["packed.jpg.gz", "cut.jpg"]
    assert kept["source_row"].eq(1).all()
    held = season.read("receipts").set_index("sha256")
    assert held.loc[kept["sha256"], "receipt"].tolist() == kept["receipt"].tolist()
    again = import_files(season, files).drop_duplicates("file")
    assert again["outcome"].tolist() == ["known"] * 7 + ["refused", "known", "known"]
    assert len(season.read("photos")) == 7
    assert len(season.read("receipts")) == len(held)


def test_more_photos_than_one_batch_all_arrive(tmp_path: Path, season: Season) -> None:
    paths = [
        write(tmp_path, f"{n}.jpg", jpeg(tiff({"Make": str(n)}, {}, PLACE))) for n in range(230)
    ]
    receipts = import_files(season, paths)
    assert receipts["outcome"].eq("imported").all()
    assert receipts["rows_kept"].sum() == len(season.read("photos")) == 230
