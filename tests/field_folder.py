"""Draw notebooks/field_folder: four walks of the demo season, as four devices would write them.

    python -m tests.field_folder notebooks/field_folder

The faults that the notebook mends are put in here, one by one, and nowhere else.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from functools import reduce
from operator import xor
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from PIL import Image, ImageDraw, ImageFilter
from shapely.affinity import rotate, scale, translate

from carnivore_sign.demo import demo_folder
from carnivore_sign.intake import read_log
from carnivore_sign.simulate import draw_prints

ZONE = ZoneInfo("America/Los_Angeles")
CAMERA_FAST_S = 187
#: Which walk of the demo each device recorded.
WALKS = {
    "quill.gpx": "2026-02-05_quill",
    "ashby.kml": "2026-02-10_ashby",
    "sorrel.csv": "2026-02-05_sorrel",
    "quill.nmea": "2026-02-15_quill",
}


def draw_folder(folder: Path) -> None:
    """Write every file of the folder but its README."""
    folder.mkdir(parents=True, exist_ok=True)
    demo = demo_folder()
    for name in ("transects.geojson", "clearings.csv"):
        (folder / name).write_bytes((demo / name).read_bytes())
    for name, write in (
        ("quill.gpx", gpx), ("ashby.kml", kml), ("sorrel.csv", positions), ("quill.nmea", nmea),
    ):  # fmt: skip
        text = "\n".join(write(*walk(name))) + "\n"
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    notebooks(demo, folder)
    photos(folder)


def walk(name: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return every second fix of a walk, and its waypoints: lat, lon, ele, time, name."""
    tables = read_log(demo_folder() / "logs" / f"{WALKS[name]}.gpx").tables
    fixes, marks = tables["fixes"], tables["waypoints"]
    return tuple(
        pd.DataFrame(
            {
                "lat": table.geometry.y, "lon": table.geometry.x,
                "ele": table["elevation_m"], "time": table["time"], "name": table.get("name"),
            }
        ).reset_index(drop=True)
        for table in (fixes.iloc[::2], marks)
    )  # type: ignore[return-value]  # fmt: skip


def gpx(fixes: pd.DataFrame, marks: pd.DataFrame) -> Iterator[str]:
    yield '<?xml version="1.0" encoding="UTF-8"?>'
    yield '<gpx version="1.1" creator="invented" xmlns="http://www.topografix.com/GPX/1/1">'
    yield "<metadata><author><name>A. Quill</name></author></metadata>"
    for mark in marks.itertuples():
        yield f'<wpt lat="{mark.lat:.6f}" lon="{mark.lon:.6f}"><time>{mark.time:%FT%TZ}</time>'
        yield f"<name>{mark.name}</name></wpt>"
    yield "<trk><trkseg>"
    for fix in fixes.itertuples():
        yield (
            f'<trkpt lat="{fix.lat:.6f}" lon="{fix.lon:.6f}"><ele>{fix.ele:.0f}</ele>'
            f"<time>{fix.time:%FT%TZ}</time></trkpt>"
        )
    yield "</trkseg></trk></gpx>"


def kml(fixes: pd.DataFrame, marks: pd.DataFrame) -> Iterator[str]:
    yield '<?xml version="1.0" encoding="UTF-8"?>'
    yield (
        '<kml xmlns="http://www.opengis.net/kml/2.2" '
        'xmlns:gx="http://www.google.com/kml/ext/2.2"><Document>'
    )
    for mark in marks.itertuples():
        yield f"<Placemark><name>{mark.name}</name>"
        yield f"<TimeStamp><when>{mark.time:%FT%TZ}</when></TimeStamp>"
        yield f"<Point><coordinates>{mark.lon:.6f},{mark.lat:.6f}</coordinates></Point></Placemark>"
    yield "<Placemark><name>Saltlick Road</name><gx:Track>"
    yield from (f"<when>{time:%FT%TZ}</when>" for time in fixes["time"])
    for fix in fixes.itertuples():
        yield f"<gx:coord>{fix.lon:.6f} {fix.lat:.6f} {fix.ele:.0f}</gx:coord>"
    yield "</gx:Track></Placemark></Document></kml>"


def positions(fixes: pd.DataFrame, marks: pd.DataFrame) -> Iterator[str]:
    """Semicolons, decimal commas, local clock; two rows typed over by hand and spoilt."""
    yield "date;time;lat;lon;elevation;name"
    rows = pd.concat([fixes, marks]).sort_values("time", kind="stable", ignore_index=True)
    for row in rows.itertuples():
        local = row.time.astimezone(ZONE)
        day, lat = f"{local:%d.%m.%Y}", f"{row.lat:.6f}".replace(".", ",")
        if row.Index == 60:
            lat = lat.replace(",", "")
        if row.Index == 61:
            day = day.replace("05.02.", "31.02.")
        lon = f"{row.lon:.6f}".replace(".", ",")
        yield f"{day};{local:%T};{lat};{lon};{row.ele:.0f};{row.name if row.name else ''}"


def nmea(fixes: pd.DataFrame, marks: pd.DataFrame) -> Iterator[str]:
    """One sentence garbled on the way, one fix void, one thrown off, and a battery run down."""
    fixes = fixes.drop(index=range(120, 150))
    for mark in marks.itertuples():
        yield sentence(f"GPWPL,{place(mark.lat, mark.lon)},{mark.name}")
    for row, fix in enumerate(fixes.itertuples()):
        north = fix.lat + (0.05 if row == 80 else 0.0)
        status = "V" if row == 33 else "A"
        told = sentence(
            f"GPRMC,{fix.time:%H%M%S},{status},{place(north, fix.lon)},,,{fix.time:%d%m%y},,"
        )
        yield told.replace("N,", "M,", 1) if row == 50 else told


def place(lat: float, lon: float) -> str:
    """Degrees and minutes, as NMEA writes them."""
    (up, north), (across, east) = divmod(abs(lat), 1), divmod(abs(lon), 1)
    return f"{up:02.0f}{north * 60:07.4f},N,{across:03.0f}{east * 60:07.4f},W"


def sentence(body: str) -> str:
    return f"${body}*{reduce(xor, body.encode()):02X}"


def notebooks(demo: Path, folder: Path) -> None:
    """The sign of these walks and their prints, with five slips of the pencil."""
    sign = pd.read_csv(demo / "sign.csv", dtype="str", keep_default_na=False)
    who = {("2026-02-05", "A. Quill"), ("2026-02-05", "M. Sorrel"),
           ("2026-02-10", "T. Ashby"), ("2026-02-15", "A. Quill")}  # fmt: skip
    sign = sign[[pair in who for pair in zip(sign["date"], sign["observer"], strict=True)]]
    prints = pd.read_csv(demo / "prints.csv", dtype="str", keep_default_na=False)
    prints = prints[prints["sign"].isin(sign["sign"])]
    at = sign.index
    sign.loc[at[1], "kind"] = "trakc"
    sign.loc[at[4], "date"] = "2026-02-30"
    sign.loc[at[7], "confidence"] = "150 %"
    long = prints.index[prints["length"].str.endswith(" cm")][3]
    prints.loc[long, "length"] = prints.loc[long, "length"].replace(".", "")
    prints.loc[prints.index[-1], "sign"] = "S999"
    sign.to_csv(folder / "sign.csv", index=False, lineterminator="\n")
    prints.to_csv(folder / "prints.csv", index=False, lineterminator="\n")


def photos(folder: Path) -> None:
    """Four photos of one camera whose clock is fast; the last one has no position."""
    fixes, _ = walk("quill.nmea")
    for number, row in enumerate((40, 58, 71, 95)):
        name, placed = f"IMG_041{number}.jpg", number < 3
        fix = fixes.iloc[row]
        exif = Image.Exif()
        exif[0x010F], exif[0x0110], exif[0x013B] = "Invented", "Pocket camera", "A. Quill"
        clock = fix["time"].astimezone(ZONE) + pd.Timedelta(seconds=CAMERA_FAST_S)
        exif.get_ifd(0x8769)[0x9003] = f"{clock:%Y:%m:%d %H:%M:%S}"
        if placed:
            exif.get_ifd(0x8825).update(
                {
                    1: "N", 2: sexagesimal(fix["lat"]), 3: "W", 4: sexagesimal(fix["lon"]),
                    7: (fix["time"].hour, fix["time"].minute, fix["time"].second),
                    29: f"{fix['time']:%Y:%m:%d}",
                }
            )  # fmt: skip
        picture(seed=row).save(folder / name, quality=70, exif=exif)


def sexagesimal(degrees: float) -> tuple[float, float, float]:
    whole, rest = divmod(abs(degrees), 1)
    minutes, rest = divmod(rest * 60, 1)
    return whole, minutes, round(rest * 60, 2)


def picture(seed: int) -> Image.Image:
    """A print in dust, lit from the upper left, with a ruler beside it."""
    rng = np.random.default_rng(seed)
    size, mm = (360, 270), 1.8
    grain = np.clip(rng.normal(178, 13, (size[1], size[0])), 0, 255).astype("uint8")
    ground = Image.fromarray(grain).filter(ImageFilter.GaussianBlur(0.9))
    mask = Image.new("L", size)
    pen = ImageDraw.Draw(mask)
    outlines = draw_prints(["puma"], foot="left_front", rng=rng)
    centre = outlines.geometry.union_all().centroid
    for mark in outlines.geometry:
        shape = rotate(translate(mark, -centre.x, -centre.y), 12, origin=(0, 0))
        shape = translate(scale(shape, mm, -mm, origin=(0, 0)), 158, 139)
        pen.polygon(list(shape.exterior.coords), fill=255)
    soft = np.asarray(mask.filter(ImageFilter.GaussianBlur(3)), dtype="float64")
    lit = np.gradient(soft, axis=1) + np.gradient(soft, axis=0)
    dust = np.asarray(ground, dtype="float64") - 0.16 * soft - 1.4 * lit
    brown = np.stack([dust * share for share in (1.0, 0.9, 0.74)], axis=2)
    photo = Image.fromarray(np.clip(brown, 0, 255).astype("uint8"))
    ruler(photo, mm)
    return photo


def ruler(photo: Image.Image, mm: float) -> None:
    pen = ImageDraw.Draw(photo)
    pen.rectangle((292, 30, 322, 30 + 100 * mm), fill=(250, 247, 235))
    for tick in range(11):
        y = 30 + tick * 10 * mm
        pen.line((292, y, 309 if tick % 5 == 0 else 301, y), fill=(30, 30, 30), width=2)
    pen.text((293, 32 + 100 * mm), "10 cm", fill=(30, 30, 30))


if __name__ == "__main__":
    draw_folder(Path(sys.argv[1]))
