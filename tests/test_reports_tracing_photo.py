"""The picture in a tracing page: upright, small enough, and free of all that a photo tells."""

from __future__ import annotations

import base64
import io
import json
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from carnivore_sign.cli import main
from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.reports.tracing import write_tracing_page
from carnivore_sign.reports.tracing_photo import MAX_SIDE_PX, Picture, read_picture

ORIENTATION, GPS_TAGS, MAKER = 0x0112, 0x8825, 0x010F


def picture_of(picture: Picture) -> Image.Image:
    data = base64.b64decode(picture.data_uri.removeprefix("data:image/jpeg;base64,"))
    return Image.open(io.BytesIO(data))


def corner_photo(path: Path, orientation: int = 1, **options: object) -> Path:
    """Save a photo with a place and a maker, red in what its file holds as upper left corner."""
    image = Image.new("RGB", (80, 60), "white")
    image.paste("red", (0, 0, 40, 30))
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKER] = orientation, "A camera of Ember Road"
    exif.get_ifd(GPS_TAGS).update({1: "N", 2: (32.0, 57.0, 11.0), 3: "W", 4: (129.0, 1.0, 47.0)})
    image.save(path, exif=exif, comment=b"found at Ember Road", **options)
    return path


# Exif, tag 0x0112 Orientation: where row 0 and column 0 of the file are to be seen; from memory.
@pytest.mark.parametrize(
    ("orientation", "corner"),
    [(1, "upper left"), (2, "upper right"), (3, "lower right"), (4, "lower left"),
     (5, "upper left"), (6, "upper right"), (7, "lower right"), (8, "lower left")],
)  # fmt: skip
def test_a_photo_is_turned_upright(tmp_path: Path, orientation: int, corner: str) -> None:
    picture = read_picture(corner_photo(tmp_path / "p.jpg", orientation))
    wide, high = (80, 60) if orientation < 5 else (60, 80)
    assert (picture.width_px, picture.height_px) == (wide, high)
    image = picture_of(picture)
    assert image.size == (wide, high)
    places = {"upper left": (5, 5), "upper right": (wide - 5, 5),
              "lower left": (5, high - 5), "lower right": (wide - 5, high - 5)}  # fmt: skip
    red = {name for name, place in places.items() if image.getpixel(place)[1] < 60}
    assert red == {corner}


def test_place_time_maker_and_comment_stay_behind(tmp_path: Path) -> None:
    packet = b"<x:xmpmeta>exif:GPSLatitude=32,57.18N Ember Road</x:xmpmeta>"
    photo = corner_photo(tmp_path / "p.jpg", xmp=packet, icc_profile=b"Ember Road profile" * 9)
    assert photo.read_bytes().count(b"Ember Road") >= 4  # it was there
    image = picture_of(read_picture(photo))
    assert dict(image.getexif()) == {}
    assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    page = write_tracing_page(photo).read_text(encoding="utf-8")
    held = base64.b64decode(page.split("data:image/jpeg;base64,", 1)[1].split('"', 1)[0])
    assert not [word for word in (b"Ember", b"Exif", b"GPS", b"xmp") if word in held]
    assert "Ember" not in page


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "CMYK", "I;16", "F"])
def test_pictures_of_every_mode_keep_their_light_and_dark(tmp_path: Path, mode: str) -> None:
    shades = np.zeros((40, 80), dtype=np.uint8)
    shades[:, 40:] = 255
    grey = Image.fromarray(shades)
    if mode == "I;16":
        image = Image.fromarray(shades.astype(np.uint16) * 100)
    else:
        image = grey.convert("RGB").convert(mode) if mode in ("P", "CMYK") else grey.convert(mode)
    path = tmp_path / ("p.tif" if mode in ("CMYK", "F", "I;16") else "p.png")
    image.save(path)
    seen = picture_of(read_picture(path)).convert("L")
    assert seen.getpixel((10, 20)) < 20
    assert seen.getpixel((70, 20)) > 235


def test_what_is_see_through_becomes_white(tmp_path: Path) -> None:
    Image.new("RGBA", (20, 20), (0, 0, 0, 0)).save(tmp_path / "p.png")
    assert picture_of(read_picture(tmp_path / "p.png")).getpixel((9, 9)) == (255, 255, 255)


def test_a_large_photo_is_made_smaller_and_a_small_one_left(tmp_path: Path) -> None:
    Image.new("RGB", (MAX_SIDE_PX + 400, 600)).save(tmp_path / "p.png")
    assert read_picture(tmp_path / "p.png").width_px == MAX_SIDE_PX
    assert read_picture(tmp_path / "p.png", max_side_px=340).height_px == 60
    with pytest.raises(InputError, match="64 or more"):
        read_picture(tmp_path / "p.png", max_side_px=10)


def bomb() -> bytes:
    """Return a PNG that says it is 40,000 pixels wide and high."""
    small = io.BytesIO()
    Image.new("1", (8, 8)).save(small, "PNG")
    data = bytearray(small.getvalue())
    data[16:24] = (40_000).to_bytes(4, "big") * 2
    data[29:33] = zlib.crc32(bytes(data[12:29])).to_bytes(4, "big")
    return bytes(data)


def cut_short() -> bytes:
    whole = io.BytesIO()
    Image.effect_noise((400, 300), 60).save(whole, "JPEG")
    return whole.getvalue()[:5000]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no photo"),
        (b"no photo at all", "no photo"),
        (cut_short(), "cut short"),
        (b"\x00\x00\x00\x18ftypheic" + b"\x00" * 40, "HEIF"),
        (bomb(), "more pixels than can be opened safely"),
    ],
    ids=["empty", "text", "cut short", "heif", "bomb"],
)
def test_what_is_no_photo_is_refused_with_a_way_out(
    tmp_path: Path, content: bytes, said: str
) -> None:
    path = tmp_path / "p.jpg"
    path.write_bytes(content)
    with pytest.raises(FileUnreadable, match=said) as told:
        read_picture(path)
    assert str(path) in str(told.value)
    assert told.value.remedy


def test_the_command_writes_beside_the_photo_and_harms_no_other_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photo = corner_photo(tmp_path / "IMG 1.jpg")
    assert main(["trace", str(photo), "--sign", "S14", "--json"]) == 0
    page = tmp_path / "IMG 1-tracing.html"
    assert json.loads(capsys.readouterr().out) == {"written": str(page)}
    assert '"sign": "S14"' in page.read_text(encoding="utf-8")
    before = photo.read_bytes()
    for out, said in ((photo, "ends in .html"), (tmp_path / "season.gpkg", "ends in .html"),
                      (tmp_path / "none" / "p.html", "folder does not exist")):  # fmt: skip
        assert main(["trace", str(photo), "--out", str(out)]) == 2
        assert said in capsys.readouterr().err
    assert main(["trace", str(tmp_path / "none.jpg")]) == 2
    assert "cannot be read" in capsys.readouterr().err
    assert photo.read_bytes() == before
    assert sorted(file.name for file in tmp_path.iterdir()) == ["IMG 1-tracing.html", "IMG 1.jpg"]
