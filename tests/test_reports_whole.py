"""The whole month on a page: valid, the same twice, readable whatever the month was like."""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import lxml.html
import numpy as np
import pypdf
import pytest
from PIL import Image
from reporting_examples import RECORD, Country, all_text, make_country, month_report
from shapely.geometry import LineString

from carnivore_sign.maps import MEASURES, SheetWords, edition_for, plot_month, png_bytes
from carnivore_sign.maps.key import share_used
from carnivore_sign.reports import Change, Report, TableBlock, render_html, render_pdf

COUNTRY = make_country()
US = replace(RECORD, measures=MEASURES["us"])
PUBLIC = replace(RECORD, edition=edition_for("public", category=3))


def with_map(country: Country, **options: object) -> Report:
    words = SheetWords(on_page=True)
    layers = {"trails": country.trails, "parcels": country.parcels}
    png = png_bytes(plot_month(country.monthly, taxon="puma", words=words, **layers), dpi=60)
    return month_report(country, map_png=png, **options)


def nobody() -> Country:
    monthly = COUNTRY.monthly.assign(state="not_looked", visits=0, effort_km=0.0)
    return make_country(monthly=monthly, visits=COUNTRY.visits[:0], trails=COUNTRY.trails[:0])


def nothing() -> Country:
    state = COUNTRY.monthly["state"].where(COUNTRY.monthly["visits"].eq(0), "not_found")
    monthly = COUNTRY.monthly.assign(state=state, p_found=np.nan, trails_expected=0.0)
    return make_country(monthly=monthly, trails=COUNTRY.trails[:0])


def one_segment() -> Country:
    monthly = COUNTRY.monthly.iloc[[1]]
    visits = COUNTRY.visits[COUNTRY.visits["segment"].eq(monthly["segment"].iloc[0])]
    return make_country(monthly=monthly, visits=visits.head(1), trails=COUNTRY.trails.head(1))


def many_trails() -> Country:
    """Return the trails that fifty thousand sign leave, a hundred of them undecided."""
    rows = np.arange(10_000) % len(COUNTRY.trails)
    trails = COUNTRY.trails.iloc[rows].reset_index(drop=True)
    shift = gpd.GeoSeries(trails.translate(xoff=0.0), crs=trails.crs)
    return make_country(
        trails=trails.set_geometry(shift).assign(
            trail=[f"T{n}" for n in range(len(trails))], sign_count=5,
            p_puma=np.where(np.arange(len(trails)) % 100 == 0, 0.5, 0.02),
        )
    )  # fmt: skip


def named(name: str) -> Country:
    new = COUNTRY.monthly["segment"].str.replace("Dry Fork", name, regex=False)
    visits = COUNTRY.visits["transect"].replace("Dry Fork", name)
    return make_country(
        monthly=COUNTRY.monthly.assign(segment=new),
        visits=COUNTRY.visits.assign(transect=visits, observer=name),
        parcels=COUNTRY.parcels.assign(parcel=name),
    )


def far_east() -> Country:
    lines = [LineString([(179.95 + n * 0.01, 51), (179.958 + n * 0.01, 51)]) for n in range(15)]
    lines = [LineString([((x + 180) % 360 - 180, y) for x, y in line.coords]) for line in lines]
    kept = [max(line.bounds[2], 0) - min(line.bounds[0], 0) < 180.1 for line in lines]
    monthly = COUNTRY.monthly.set_geometry(gpd.GeoSeries(lines, crs=4326))[kept]
    return make_country(monthly=monthly, trails=COUNTRY.trails[:0], parcels=COUNTRY.parcels[:0])


CASES = {
    "no walks": nobody(), "nothing found": nothing(), "one segment": one_segment(),
    "fifty thousand sign": many_trails(), "right to left": named("مرعى أسفل שדה"),
    "other scripts": named("下牧場 ऊपरी 🐾"), "very long": named("Coldwater" * 40),
    "antimeridian": far_east(),
}  # fmt: skip


@pytest.mark.parametrize("country", CASES.values(), ids=CASES.keys())
def test_every_month_gives_a_page_that_can_be_read(country: Country) -> None:
    report = with_map(country)
    said = all_text(report)
    assert not re.search(r"\b(nan|NaN|NaT|None|inf|<NA>)\b", said)
    assert not re.search(r"(?<![\d.,])1 (segments|walks|visits|transects|trails|files)\b", said)
    reader = pypdf.PdfReader(io.BytesIO(render_pdf(report)))
    assert len(reader.pages) <= 9
    first = " ".join(reader.pages[0].extract_text().split())
    assert "The month in numbers" in first
    body = render_html(report)
    assert len(body) < 2_000_000
    assert check_page(body) == []


def test_the_country_across_the_antimeridian_is_drawn_in_one_piece() -> None:
    country = CASES["antimeridian"]
    assert set(np.sign(country.monthly.bounds["minx"])) == {-1, 1}
    figure = plot_month(country.monthly, taxon="puma")
    west, east = figure.axes[0].get_xlim()
    assert east - west < 20_000


@pytest.mark.parametrize("name", ["nothing found", "no walks"])
def test_no_sentence_says_that_sign_was_found_where_none_was(name: str) -> None:
    said = all_text(with_map(CASES[name])).split("How it was computed")[0]
    assert "Sign of puma is" not in said
    assert "Undecided trails" not in said


def check_page(body: str) -> list[str]:
    """List what a general reader finds wrong: ids, headings, cells, and texts for pictures."""
    parser = lxml.html.HTMLParser(recover=False)
    try:
        tree = lxml.html.document_fromstring(body, parser=parser)
    except lxml.etree.XMLSyntaxError as error:  # main, header and the like are new to libxml2
        known = ("header", "main", "figure", "figcaption", "aside", "footer")
        if not any(f"Tag {name} invalid" in str(error) for name in known):
            return [str(error)]
        tree = lxml.html.document_fromstring(body)
    wrong = [f"id {name} twice" for name in _twice(tree.xpath("//@id"))]
    wrong += ["a picture without words" for img in tree.xpath("//img") if not img.get("alt")]
    levels = [int(h.tag[1]) for h in tree.xpath("//h1 | //h2 | //h3")]
    wrong += [f"heading {b} behind {a}" for a, b in pairwise(levels) if b > a + 1]
    for table in tree.xpath("//table"):
        wide = {len(row.xpath("./th | ./td")) for row in table.xpath(".//tr")}
        wrong += [f"rows of {sorted(wide)} cells"] if len(wide) > 1 else []
    return wrong


def _twice(names: list[str]) -> set[str]:
    return {name for name in names if names.count(name) > 1}


@pytest.mark.parametrize("record", [RECORD, US, PUBLIC], ids=["managers", "us", "public"])
def test_the_page_is_valid_html_by_a_general_validator(record: object, tmp_path: Path) -> None:
    """HTML Tidy, where it is installed; what it calls an error or a warning is a fault."""
    tidy = shutil.which("tidy")
    if tidy is None:
        pytest.skip("no HTML Tidy on this machine")
    page = tmp_path / "page.html"
    page.write_text(render_html(with_map(COUNTRY, record=record)), encoding="utf-8")
    run = subprocess.run([tidy, "-q", "-e", page], capture_output=True, text=True, check=False)
    assert run.stderr.strip() == ""


def test_another_process_gives_the_same_bytes() -> None:
    code = (
        "import sys; sys.path.insert(0, 'tests')\n"
        "from test_reports_whole import COUNTRY, bytes_of\n"
        "print(bytes_of(COUNTRY))"
    )
    other = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        cwd=Path(__file__).parents[1], env={**os.environ, "PYTHONHASHSEED": "1"},
    )  # fmt: skip
    assert other.stdout.strip() == bytes_of(COUNTRY)
    assert bytes_of(CASES["one segment"]) != bytes_of(COUNTRY)


def bytes_of(country: Country) -> str:
    report = with_map(country)
    return hashlib.sha256(render_html(report).encode() + render_pdf(report)).hexdigest()


def numbers_of(report: Report) -> dict[str, str]:
    block = next(
        b for b in report.blocks if isinstance(b, TableBlock) and "month in numbers" in b.caption
    )
    return {row[0]: row[1] for row in block.rows}


def test_numbers_of_the_first_page_are_those_of_the_functions() -> None:
    reader = pypdf.PdfReader(io.BytesIO(render_pdf(with_map(COUNTRY))))
    first = " ".join(reader.pages[0].extract_text().split())
    best, low, high = share_used(COUNTRY.monthly)
    rate = COUNTRY.rates.set_index("period").loc["2031-05"]
    for told in (
        f"{COUNTRY.monthly['effort_km'].sum():.1f} km",
        f"used {best * 100:.0f}", f"{low * 100:.0f} to {high * 100:.0f}",
        f"Trails per 100 km {rate['trails_per_km'] * 100:.1f}",
        f"{rate['trails_per_km_low'] * 100:.1f} to {rate['trails_per_km_high'] * 100:.1f}",
    ):  # fmt: skip
        assert told in first, told


def test_miles_are_kilometres_over_1609_344() -> None:
    """The international mile is 1609.344 m (NIST Special Publication 811)."""
    metric, us = numbers_of(with_map(COUNTRY)), numbers_of(with_map(COUNTRY, record=US))
    km = COUNTRY.monthly["effort_km"].sum()
    assert metric["Walked"] == f"{km:.1f} km"
    assert us["Walked"] == f"{km / 1.609344:.1f} mi"
    rate = COUNTRY.rates.iloc[1]["trails_per_km"]
    assert us["Trails per 100 mi"] == f"{rate * 160.9344:.1f}"
    said = all_text(with_map(COUNTRY, record=US)).split("How it was computed")[0]
    assert not re.search(r"\d km\b|, km\b|per 100 km", said)
    assert "Walked, mi" in said


def test_the_public_page_names_no_place_person_or_file() -> None:
    said = all_text(with_map(COUNTRY, record=PUBLIC))
    for name in ("Dry Fork", "Ash Rim", "Mill Wash", "Invented Walker", "notebook.csv",
                 "may_walks.gpx", "Lower Pasture", "T3", "inputs.csv"):  # fmt: skip
        assert name not in said
    assert "Presence, cell by cell" in said
    assert "tables/cells.csv" in said
    assert "What was withheld" in said


def test_what_changed_since_the_year_before_is_said_and_drawn() -> None:
    png = png_bytes(plot_month(COUNTRY.monthly, taxon="puma"), dpi=30)
    change = Change(("Since April.", "Since last May."), "2031-04", {"more": 2}, png)
    said = all_text(month_report(COUNTRY, change=change))
    assert "Since April. Since last May." in said
    assert "What changed since April 2031" in said
    assert "more probable than before: 2" in said
    assert "What changed since" not in all_text(month_report(COUNTRY))


def test_the_map_on_the_page_has_type_of_seven_points() -> None:
    """The map takes the width of an A4 page less its margins of 15 mm."""
    png = png_bytes(plot_month(COUNTRY.monthly, taxon="puma", words=SheetWords(on_page=True)))
    picture = Image.open(io.BytesIO(png))
    wide_in = picture.width / picture.info["dpi"][0]
    assert (210 - 2 * 15) / 25.4 / wide_in * 8.3 >= 7.0
