"""Reading photos: tags alone, and rows of the record, beside Pillow.

Photos of 3 MB as a phone writes them: EXIF with position, times and a thumbnail in front of a
picture that is noise. Ratio is the time of Pillow over the time of the row; of what survives
damage, the last two columns count the copies that still give the position and time of the
whole photo.
"""

from __future__ import annotations

import io
import random
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from PIL import Image

from carnivore_sign.errors import InputError
from carnivore_sign.intake import import_files, read_photos
from carnivore_sign.intake.exif import numbers
from carnivore_sign.intake.photo_files import photo_header, read_photo_file
from carnivore_sign.records.season import create_season

PHOTOS = 300
DAMAGED = 3_000
PICTURE_BYTES = 3_000_000
_GPS, _CAMERA = 0x8825, 0x8769

Said = tuple[tuple[float, ...], str]


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time each way of reading; `scale` multiplies the number of photos."""
    count = max(5, round(PHOTOS * scale))
    with tempfile.TemporaryDirectory() as folder:
        paths = [write_photo(Path(folder), number) for number in range(count)]
        rows = _reading(paths)
        rows += _late_tags(Path(folder))
    rows += _damage(max(50, round(DAMAGED * scale)))
    return pd.DataFrame(rows)


def head_of_photo(number: int = 0) -> bytes:
    """Write a small JPEG with the tags of a phone."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Made", "Phone"
    exif.get_ifd(_CAMERA).update({0x9003: "2026:02:14 07:40:30", 0x9011: "-08:00"})
    exif.get_ifd(_GPS).update(
        {
            1: "N", 2: (37.0, 24.0, number % 60 + 0.5), 3: "W", 4: (119.0, 12.0, 0.25),
            5: b"\x00", 6: 612.5, 7: (15.0, 40.0, 30.0), 16: "M", 17: 164.0, 29: "2026:02:14",
            31: 4.5,
        }
    )  # fmt: skip
    held = io.BytesIO()
    Image.new("L", (64, 48)).save(held, "JPEG", exif=exif)
    return held.getvalue()


def write_photo(folder: Path, number: int) -> Path:
    """Write one photo of a phone's size; what follows the tags is never looked at."""
    path = folder / f"IMG_{number:04d}.JPG"
    noise = np.random.default_rng(number).bytes(PICTURE_BYTES)
    path.write_bytes(head_of_photo(number) + noise)
    return path


def _reading(paths: list[Path]) -> list[dict[str, object]]:
    by_pillow = [_pillow(path.read_bytes()) for path in paths]
    assert by_pillow == [_said(path.read_bytes()) for path in paths]
    ways: dict[str, Callable[[], object]] = {
        "Pillow, tags alone": lambda: [_pillow_file(path) for path in paths],
        "photo_header, tags alone": lambda: [photo_header(path) for path in paths],
        "read_photos: whole files hashed, rows made": lambda: read_photos(paths),
        "import_files: the same, into a season": lambda: _imported(paths),
    }
    return _timed(f"{len(paths)} photos of 3 MB", len(paths), ways)


def _imported(paths: list[Path]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        season = create_season(Path(folder) / "s.gpkg", name="Made", time_zone="UTC")
        receipts = import_files(season, paths)
    assert receipts["outcome"].eq("imported").all()


def _late_tags(folder: Path) -> list[dict[str, object]]:
    """Read a PNG of 12 megapixels whose tags stand behind the picture."""
    exif = Image.Exif()
    exif[0x010F] = "Made"
    exif.get_ifd(_GPS).update({1: "N", 2: (37.0, 24.0, 0.5), 3: "W", 4: (119.0, 12.0, 0.25)})
    held = io.BytesIO()
    Image.new("RGB", (4000, 3000)).save(held, "PNG", exif=exif)
    data = held.getvalue()
    at = data.index(b"eXIf") - 4
    end = at + 12 + int.from_bytes(data[at : at + 4], "big")
    path = folder / "late.png"
    path.write_bytes(data[:at] + data[end:-12] + data[at:end] + data[-12:])
    assert photo_header(path).exif.gps["GPSLatitudeRef"] == "N"
    ways: dict[str, Callable[[], object]] = {
        "Pillow, tags alone": lambda: _pillow_file(path),
        "photo_header, tags alone": lambda: photo_header(path),
    }
    return _timed("a PNG of 12 megapixels, tags behind the picture", 1, ways)


def _timed(case: str, count: int, ways: dict[str, Callable[[], object]]) -> list[dict[str, object]]:
    seconds = {what: min(_seconds(way) for _ in range(3)) for what, way in ways.items()}
    plain = next(iter(seconds.values()))
    return [
        {"case": case, "what": what, "seconds": took, "ratio": plain / took,
         "photos_per_second": round(count / took)}
        for what, took in seconds.items()
    ]  # fmt: skip


def _damage(count: int) -> list[dict[str, object]]:
    """Count what each way still reads of photos with a few bytes changed in their heads."""
    chance = random.Random(1)
    whole = head_of_photo()
    wanted = _said(whole)
    copies = [_damaged(whole, chance) for _ in range(count)]
    rows: list[dict[str, object]] = []
    for what, read in (("Pillow, tags alone", _pillow), ("photo_header, tags alone", _said)):
        begun = time.perf_counter()
        said = [_tried(read, copy) for copy in copies]
        took = time.perf_counter() - begun
        rows.append(
            {
                "case": f"{count} damaged copies of one photo",
                "what": what,
                "seconds": took,
                "ratio": rows[0]["seconds"] / took if rows else 1.0,
                "nothing_read": sum(one is None for one in said),
                "same_position": sum(one is not None and one[0] == wanted[0] for one in said),
                "same_time": sum(one is not None and one[1] == wanted[1] for one in said),
            }
        )
    return rows


def _damaged(whole: bytes, chance: random.Random) -> bytes:
    data = bytearray(whole)
    for _ in range(chance.choice((1, 3, 20))):
        data[chance.randrange(3, len(data))] = chance.randrange(256)
    return bytes(data)


def _tried(read: Callable[[bytes], Said], data: bytes) -> Said | None:
    try:
        return read(data)
    except (InputError, OSError, SyntaxError, ValueError, TypeError, KeyError):
        return None


def _said(data: bytes) -> Said:
    exif = read_photo_file(data, file="made").exif
    where = [numbers(exif.gps.get(name, ())) for name in ("GPSLatitude", "GPSLongitude")]
    return (*where[0], *where[1]), str(exif.camera.get("DateTimeOriginal"))


def _pillow_file(path: Path) -> object:
    with Image.open(path) as image:
        exif = image.getexif()
        return image.size, exif.get_ifd(_GPS), exif.get_ifd(_CAMERA)


def _pillow(data: bytes) -> Said:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Image.open(io.BytesIO(data)) as image:
            exif = image.getexif()
            gps, camera = exif.get_ifd(_GPS), exif.get_ifd(_CAMERA)
    where = [tuple(float(part) for part in gps.get(tag, ())) for tag in (2, 4)]
    return (*where[0], *where[1]), str(camera.get(0x9003))


def _seconds(way: Callable[[], object]) -> float:
    begun = time.perf_counter()
    way()
    return time.perf_counter() - begun
