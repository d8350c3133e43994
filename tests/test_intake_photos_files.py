"""Photo files: containers against Pillow, and files that mean harm or were damaged."""

from __future__ import annotations

import io
import random
import struct
import time
import tracemalloc
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from photo_making import (
    ASCII,
    CLOCK,
    LAT,
    LON,
    LONG,
    MAKERS,
    PLACE,
    RATIONAL,
    SLONG,
    box,
    chunk,
    heic,
    jpeg,
    png,
    segment,
    tiff,
)
from PIL import Image

from carnivore_sign.errors import UnknownKind
from carnivore_sign.intake.exif import numbers
from carnivore_sign.intake.heif import boxes
from carnivore_sign.intake.photo_facts import facts_of
from carnivore_sign.intake.photo_files import HEAD_BYTES, photo_header, read_photo_file
from carnivore_sign.intake.photos import read_photos

#: Of each form ``test_intake_fuzz.py`` changes two thousand more, in another way.
FUZZED = 500
BLOCK = tiff(
    {"Make": "Toy", "Model": "Toy One"},
    {"DateTimeOriginal": "2026:02:14 07:40:30", "OffsetTimeOriginal": "-08:00"},
    {
        **PLACE,
        **CLOCK,
        "GPSAltitude": [(25, 2)],
        "GPSImgDirection": [(90, 1)],
        "GPSImgDirectionRef": "T",
    },
    thumbnail=jpeg(None),
)


def pillow(data: bytes) -> tuple[tuple[int, int], dict[int, object], dict[int, object]]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Image.open(io.BytesIO(data)) as image:
            exif = image.getexif()
            return image.size, dict(exif.get_ifd(0x8825)), dict(exif.get_ifd(0x8769))


def assert_as_pillow(data: bytes) -> None:
    size, gps, camera = pillow(data)
    photo = read_photo_file(data, file="made")
    assert (photo.width_px, photo.height_px) == size
    for tag, name in ((2, "GPSLatitude"), (4, "GPSLongitude"), (7, "GPSTimeStamp")):
        ours = numbers(photo.exif.gps[name])
        assert ours == tuple(float(part) for part in gps[tag])
    assert photo.exif.gps["GPSLatitudeRef"] == gps[1]
    assert photo.exif.camera["DateTimeOriginal"] == camera[0x9003]
    assert photo.faults == ()


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF"])
def test_made_photos_read_as_pillow_reads_them(form: str, order: str) -> None:
    if form == "TIFF":
        size = {"ImageWidth": [640], "ImageLength": [480]}
        camera = {"DateTimeOriginal": "2026:02:14 07:40:30"}
        photo = read_photo_file(
            tiff(size, camera, {**PLACE, **CLOCK}, order=order), file="made.tif"
        )
        exif = Image.Exif()
        exif.load(tiff(size, camera, {**PLACE, **CLOCK}, order=order))
        assert numbers(photo.exif.gps["GPSLatitude"]) == tuple(
            float(part) for part in exif.get_ifd(0x8825)[2]
        )
        assert (photo.width_px, photo.height_px) == (exif[256], exif[257])
        return
    camera = {"DateTimeOriginal": "2026:02:14 07:40:30"}
    assert_as_pillow(MAKERS[form](tiff({}, camera, {**PLACE, **CLOCK}, order=order)))


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF"])
def test_photos_that_pillow_wrote_read_as_pillow_reads_them(form: str) -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2026:02:14 07:40:30"
    exif.get_ifd(0x8825).update(
        {1: "N", 2: (37.0, 24.0, 30.5), 3: "W", 4: (119.0, 12.0, 0.0), 7: (15.0, 40.0, 30.0)}
    )
    written = io.BytesIO()
    Image.new("RGB", (64, 48)).save(written, form, exif=exif.tobytes())
    assert_as_pillow(written.getvalue())


@pytest.mark.parametrize(
    ("version", "inside"), [(0, False), (1, False), (2, False), (1, True), (2, True)]
)
def test_heic_of_every_layout_gives_its_tags_and_size(version: int, inside: bool) -> None:
    photo = read_photo_file(heic(BLOCK, version=version, inside=inside), file="made.heic")
    facts = facts_of(photo)
    assert (facts.lat, facts.lon) == pytest.approx((LAT, LON))
    assert (photo.form, photo.width_px, photo.height_px) == ("HEIC", 640, 480)
    assert photo.faults == ()


def test_a_film_in_the_same_boxes_is_no_photo() -> None:
    film = box(b"ftyp", b"qt  \x00\x00\x00\x00qt  ") + box(b"mdat", b"")
    with pytest.raises(UnknownKind):
        read_photo_file(film, file="made.mov")


def test_pictures_without_tags_say_nothing_wrong() -> None:
    for data in (jpeg(None), png(None), heic(None), tiff()):
        photo = read_photo_file(data, file="made")
        assert photo.faults == ()
        assert facts_of(photo).position_source == "none"


def test_tags_behind_the_picture_are_found() -> None:
    photo = read_photo_file(png(BLOCK, late=True), file="made.png")
    assert facts_of(photo).lat == pytest.approx(LAT)


def test_the_header_is_read_from_the_first_bytes_and_the_rest_only_if_it_must(
    tmp_path: Path,
) -> None:
    long = b"\x00" * HEAD_BYTES
    front = tmp_path / "front.jpg"
    front.write_bytes(jpeg(BLOCK) + long)
    late = tmp_path / "late.png"
    data = png(BLOCK, late=True)
    at = data.index(b"IDAT") - 4
    late.write_bytes(data[:at] + chunk(b"IDAT", long) + data[at:])
    for path in (front, late):
        assert facts_of(photo_header(path)).lat == pytest.approx(LAT)
    with pytest.raises(UnknownKind):
        photo_header(__file__)


def bounded(data: bytes) -> list[str]:
    """Read what means harm within bounds of time and memory, and return the notes."""
    tracemalloc.start()
    begun = time.perf_counter()
    try:
        notes = facts_of(read_photo_file(data, file="harm")).notes
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert time.perf_counter() - begun < 5
    assert peak < len(data) + 16 * 2**20
    return notes


def test_giant_pictures_cost_nothing() -> None:
    side = 2**31 - 1
    photo = read_photo_file(png(BLOCK, size=(side, side)), file="bomb.png")
    assert (photo.width_px, photo.height_px) == (side, side)
    assert bounded(png(BLOCK, size=(side, side))) == []
    assert bounded(heic(BLOCK, size=(side, side))) == []
    assert bounded(jpeg(BLOCK, size=(65535, 65535))) == []


def test_directories_that_point_at_each_other_end() -> None:
    loop = bytearray(tiff({"ExifIFD": (LONG, [8]), "GPSIFD": (LONG, [8])}))
    loop[-4:] = struct.pack("<I", 8)
    assert bounded(bytes(loop)) == []
    many = b"II*\x00\x08\x00\x00\x00\xff\xff" + struct.pack("<HHII", 0x8825, 4, 1, 8) * 65535
    bounded(many + struct.pack("<I", 8))


def test_an_offset_below_zero_leads_nowhere() -> None:
    signed = tiff({"Make": "Toy"}, None, PLACE).replace(
        struct.pack("<HHI", 0x8825, LONG, 1), struct.pack("<HHI", 0x8825, SLONG, 1)
    )
    at = signed.index(struct.pack("<HHI", 0x8825, SLONG, 1)) + 8
    assert facts_of(read_photo_file(signed, file="made.tif")).lat == pytest.approx(LAT)
    below = signed[:at] + struct.pack("<i", -167_771_492) + signed[at + 4 :]
    assert bounded(below) == []
    assert read_photo_file(below, file="made.tif").exif.main["Make"] == "Toy"


@pytest.mark.parametrize("kind", [ASCII, RATIONAL])
def test_values_that_claim_to_be_huge_are_refused(kind: int) -> None:
    entry = struct.pack("<HHII", 0x010F, kind, 2**32 - 1, 8)
    block = b"II*\x00\x08\x00\x00\x00\x01\x00" + entry + b"\x00" * 4
    assert "Make claims" in bounded(block)[0]
    pointing = struct.pack("<HHII", 0x010F, ASCII, 60_000, 2**32 - 1)
    block = b"II*\x00\x08\x00\x00\x00\x01\x00" + pointing + b"\x00" * 4
    assert bounded(block) == ["Make lies beyond the end of the EXIF block"]


def test_a_segment_that_claims_more_than_there_is_ends_the_file() -> None:
    whole = jpeg(BLOCK)
    huge = whole[:4] + b"\xff\xff" + whole[6:]
    notes = bounded(huge)
    assert "the file ends before its picture" in notes
    assert facts_of(read_photo_file(huge, file="made.jpg")).lat == pytest.approx(LAT)


def test_millions_of_empty_parts_are_not_walked() -> None:
    assert "damaged" in bounded(b"\xff\xd8" + segment(0xE2, b"") * 200_000)[0]
    bounded(b"\xff\xd8\xff" + b"\xff" * 20_000_000)
    assert "more chunks" in bounded(b"\x89PNG\r\n\x1a\n" + chunk(b"zzZz", b"") * 300_000)[0]
    kind = heic(BLOCK)[:20]
    bounded(kind + box(b"free", b"") * 1_000_000)
    no_size = struct.pack(">IBBH", 1 << 24, 0, 0, 65535) + struct.pack(">HHHH", 7, 0, 0, 65535) * 9
    item = box(b"infe", struct.pack(">IHH", 2 << 24, 2, 0) + b"Exif\x00")
    items = box(b"iinf", struct.pack(">IH", 0, 1) + item)
    notes = bounded(kind + box(b"meta", b"\x00" * 4 + items + box(b"iloc", no_size)))
    assert "the EXIF block lies beyond the end of the file" in notes


def test_boxes_of_impossible_size_end() -> None:
    wide = struct.pack(">I4sQ", 1, b"mdat", 2**63)
    assert [name for name, _, _ in boxes(wide, 0, len(wide))] == [b"mdat"]
    assert list(boxes(struct.pack(">I4s", 3, b"mdat"), 0, 8)) == []
    bounded(heic(BLOCK)[:20] + wide)


@pytest.mark.parametrize("form", MAKERS)
def test_a_photo_cut_anywhere_never_gives_another_place(form: str) -> None:
    whole = MAKERS[form](BLOCK)
    kept = 0
    for end in range(12, len(whole)):
        try:
            facts = facts_of(read_photo_file(whole[:end], file="cut"))
        except UnknownKind:
            continue
        if facts.position_source == "exif":
            kept += 1
            assert (facts.lat, facts.lon) == pytest.approx((LAT, LON))
    assert kept > 0


def damaged(seeds: list[bytes], count: int) -> Iterator[bytes]:
    """Yield copies of the seeds with a few bytes changed, cut out, doubled or cut off."""
    chance = random.Random(11)
    for number in range(count):
        data = bytearray(seeds[number % len(seeds)])
        for _ in range(chance.choice((1, 1, 2, 5, 30))):
            if len(data) < 12:
                break
            at = chance.randrange(4, len(data))
            change = chance.randrange(10)
            if change < 6:
                data[at] = chance.choice((0, 1, 0x7F, 0xFF, chance.randrange(256)))
            elif change == 6:
                data[at : at + 4] = struct.pack("<I", chance.choice((0, 8, 2**31, 2**32 - 1)))
            elif change == 7:
                del data[at : at + chance.randrange(1, 9)]
            elif change == 8:
                data[at:at] = data[at : at + chance.randrange(1, 40)]
            elif len(data) > 40:
                del data[max(at, 30) :]
        yield bytes(data)


def fuzz_seeds() -> list[bytes]:
    return [make(BLOCK) for make in MAKERS.values()]


@pytest.mark.parametrize("form", MAKERS)
def test_fuzzed_photos_give_a_row_or_a_reason_and_never_more(form: str, tmp_path: Path) -> None:
    seeds = [MAKERS[form](BLOCK)]
    if form == "PNG":
        seeds.append(png(BLOCK, late=True))
    if form == "HEIC":
        seeds += [heic(BLOCK, version=2), heic(BLOCK, inside=True)]
    paths = []
    for number, data in enumerate(damaged(seeds, FUZZED)):
        paths.append(tmp_path / f"{number}.dat")
        paths[-1].write_bytes(data)
    begun = time.perf_counter()
    reading = read_photos(paths, time_zone="America/Los_Angeles")
    assert time.perf_counter() - begun < 5 + 0.01 * FUZZED
    kept = reading.tables["photos"]
    assert reading.rows_in["photos"] == FUZZED == len(kept) + len(reading.set_aside)
    assert len(kept) > 0.5 * FUZZED
    assert kept["position_source"].eq("exif").mean() > 0.2
    placed = kept.loc[kept["position_source"].ne("none")]
    assert placed.geometry.notna().all()
    assert kept.loc[kept["position_source"].eq("none")].geometry.isna().all()
