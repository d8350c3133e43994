"""Notable trails: which they are, what is told of them, and photos without place and camera."""

from __future__ import annotations

import base64
import hashlib
import io
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pypdf
import pytest
from PIL import Image
from reporting_examples import RECORD, all_text, make_country, month_report
from shapely import box

from carnivore_sign.chain.photos import trail_photos
from carnivore_sign.errors import DataWarning, FileUnreadable, InputError
from carnivore_sign.maps import Edition, edition_for
from carnivore_sign.reports import (
    FigureBlock,
    TableBlock,
    TrailPhoto,
    notable_trails,
    render_html,
    render_pdf,
    with_grounds,
)
from carnivore_sign.reports.notable import MOST_PHOTOS, MOST_TRAILS, notable_blocks, photo_sheet

COUNTRY = make_country()
TRAILS = COUNTRY.trails
MANAGERS = Edition()
CAMERA = "InventedCam 9"


def photo(path: Path, *, color: str = "tan", size: tuple[int, int] = (900, 600)) -> Path:
    """Write a JPEG that says where it was taken and with which camera."""
    exif = Image.Exif()
    exif[0x0110] = CAMERA
    exif[0x9003] = "2031:05:14 07:20:00"
    exif.get_ifd(0x8825).update({1: "N", 2: (36.0, 8.0, 42.0), 3: "W", 4: (104.0, 59.0, 12.0)})
    Image.new("RGB", size, color).save(path, "JPEG", exif=exif)
    assert CAMERA.encode() in path.read_bytes()
    return path


def test_likely_trails_with_most_prints_come_first() -> None:
    assert notable_trails(TRAILS, "puma", MANAGERS)["trail"].tolist() == ["T1"]
    likely = TRAILS.assign(p_puma=[0.9, 0.81, 0.79, 0.99])
    assert notable_trails(likely, "puma", MANAGERS)["trail"].tolist() == ["T1", "T2", "T4"]
    many = pd.concat([TRAILS.iloc[[0]]] * 20, ignore_index=True)
    assert len(notable_trails(many, "puma", MANAGERS)) == MOST_TRAILS


def test_what_is_known_of_the_gait_is_told_and_what_is_not_is_a_dash() -> None:
    sign = COUNTRY.sign.assign(stride_m=[1.02, np.nan, np.nan, np.nan], observer="Ida")
    grounded = with_grounds(
        TRAILS.assign(p_puma=0.9), COUNTRY.members, sign, pd.DataFrame({"sign": []})
    )
    (table,) = (b for b in notable_blocks(grounded, "puma", RECORD) if isinstance(b, TableBlock))
    rows = {row[0]: row for row in table.rows}
    assert rows["T1"] == [
        "T1", "14 May 2031 07:20", "370", "NE", "3", "6", "1.02 (1 noted)", "90 %",
    ]  # fmt: skip
    assert rows["T3"][3] == rows["T3"][6] == "\N{EN DASH}"


def test_no_trail_is_told_singly_to_whoever_may_not_see_it() -> None:
    assert notable_trails(TRAILS, "puma", edition_for("public")).empty
    first = TRAILS.geometry.iloc[0]
    land = box(*first.buffer(0.001).bounds)
    own = Edition("landowner", parcel="Lower Pasture", land=land)
    likely = TRAILS.assign(p_puma=0.9)
    assert notable_trails(likely, "puma", own)["trail"].tolist() == ["T1"]
    middle = first.interpolate(0.5, normalized=True)
    half = Edition(
        "landowner", parcel="Lower Pasture", land=box(*land.bounds[:2], *middle.coords[0])
    )
    assert notable_trails(likely, "puma", half).empty
    assert "Notable trails" not in all_text(month_report(COUNTRY, trails=likely.assign(p_puma=0.1)))


def test_photos_stand_on_the_page_without_place_camera_and_time(tmp_path: Path) -> None:
    path = photo(tmp_path / "a.jpg")
    report = month_report(COUNTRY, photos=(TrailPhoto("T1", "s1", path),))
    figure = next(b for b in report.blocks if isinstance(b, FigureBlock) and "photo" in b.caption)
    assert figure.caption == "1 photo of notable trails. 1: trail T1, sign s1."
    with Image.open(io.BytesIO(figure.png)) as shown:
        assert not shown.getexif()
        assert set(shown.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    html, pdf = render_html(report), render_pdf(report)
    (jpeg,) = re.findall(r"image/jpeg;base64,([A-Za-z0-9+/=]+)", html)
    for body in (base64.b64decode(jpeg), pdf):
        assert CAMERA.encode() not in body
        assert b"Exif" not in body
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert any(image.name.endswith("jpg") for page in pages for image in page.images)


def test_photos_of_other_trails_and_more_than_a_few_are_left_out(tmp_path: Path) -> None:
    path = photo(tmp_path / "a.jpg")
    other = month_report(COUNTRY, photos=(TrailPhoto("T2", "s2", path),))
    assert not [b for b in other.blocks if isinstance(b, FigureBlock) and "photo" in b.caption]
    many = month_report(COUNTRY, photos=(TrailPhoto("T1", "s1", path),) * 9)
    assert f"{MOST_PHOTOS} photos of notable trails." in all_text(many)


@pytest.mark.parametrize(("count", "size"), [(1, (440, 364)), (4, (1352, 744))])
def test_the_sheet_keeps_the_shape_of_photos(
    count: int, size: tuple[int, int], tmp_path: Path
) -> None:
    upright = photo(tmp_path / "a.jpg", color="navy", size=(300, 900))
    with Image.open(io.BytesIO(photo_sheet([upright] * count))) as sheet:
        assert sheet.size == size
        dark = np.asarray(sheet.convert("L"))[40:, :440] < 60
        rows, columns = (np.flatnonzero(dark.any(axis=axis)) for axis in (1, 0))
    assert np.ptp(rows[rows < 330]) / np.ptp(columns) == pytest.approx(3.0, rel=0.2)
    (tmp_path / "b.jpg").write_bytes(b"no picture")
    with pytest.raises(FileUnreadable, match="no photo"):
        photo_sheet([tmp_path / "b.jpg"])


def season_of(sign_photo: str, known: pd.DataFrame) -> SimpleNamespace:
    return SimpleNamespace(
        sign=COUNTRY.sign.assign(photo=[sign_photo, None, None, None]),
        members=COUNTRY.members,
        season=SimpleNamespace(read=lambda table: known),
    )


def test_photos_are_found_by_name_and_known_by_content(tmp_path: Path) -> None:
    inner = tmp_path / "card 1"
    inner.mkdir()
    one, two = photo(inner / "IMG_1.JPG"), photo(tmp_path / "img_2.jpg", color="navy")
    other = photo(tmp_path / "img_3.jpg", color="red")
    broken = tmp_path / "img_4.jpg"
    broken.write_bytes(b"no picture")
    hashes = [hashlib.sha256(path.read_bytes()).hexdigest() for path in (one, two)]
    known = pd.DataFrame(
        {"photo": ["IMG_1.JPG", "img_2.jpg", "img_3.jpg"], "sha256": [*hashes, "0" * 64],
         "sign": [None, "s2", "s1"]}
    )  # fmt: skip
    analysis = season_of("img_1.jpg; img_4.jpg; not_there.jpg", known)
    with pytest.warns(DataWarning) as told:
        found = trail_photos(analysis, TRAILS, tmp_path)
    assert [(p.trail, p.sign, p.path) for p in found] == [("T1", "s1", one), ("T2", "s2", two)]
    said = " ".join(str(w.message) for w in told)
    assert f"{other}: it has the name of a photo of the season, and another content" in said
    assert "no photo that can be read" in said
    with pytest.raises(InputError, match="no such folder"):
        trail_photos(analysis, TRAILS, tmp_path / "none")


def test_a_season_whose_sign_name_no_photo_has_none_to_show(tmp_path: Path) -> None:
    """A column without a single name comes back from a season file as numbers that are missing."""
    photo(tmp_path / "a.jpg")
    known = pd.DataFrame({"photo": [], "sha256": [], "sign": []}, dtype="object")
    for nothing in (np.nan, None):
        analysis = season_of("a.jpg", known)
        analysis.sign["photo"] = pd.Series([nothing] * len(analysis.sign), analysis.sign.index)
        assert trail_photos(analysis, TRAILS, tmp_path) == ()
