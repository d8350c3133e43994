"""A month for the public: try to get a place or a name back out of the files it is made of."""

from __future__ import annotations

import base64
import datetime as dt
import io
import json
import re
import sqlite3
import zlib
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import lxml.html
import numpy as np
import pandas as pd
import pypdf
import pytest
from chain_examples import analysed
from PIL import Image
from shapely import box

from carnivore_sign.chain import Analysis, AnalysisOptions, PageOptions, month, seasonal
from carnivore_sign.chain.month import told_of_region
from carnivore_sign.chain.outputs import page_record
from carnivore_sign.errors import InputError
from carnivore_sign.identify import load_evidence
from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import TABLES
from carnivore_sign.space import working_crs

MADE_ON = dt.date(2026, 6, 1)
PUBLIC = PageOptions(made_for="public")


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    drawn = analysed(7, tmp_path_factory.mktemp("readers"))[0]
    files = pd.Series([f"{log}.gpx" for log in drawn.matched["log"].unique()])
    receipts = pd.DataFrame(
        {
            "receipt": [f"r{n}" for n in range(len(files))], "file": files,
            "sha256": [f"{n:064x}" for n in range(len(files))],
            "kind": "gpx", "table_name": "fixes", "rows_in": 9, "rows_kept": 8,
            "rows_set_aside": 1, "library_version": "0", "notes": "named for " + files,
            "imported_at": pd.Timestamp("2026-06-01", tz="UTC"),
        }
    )  # fmt: skip
    return replace(drawn, receipts=check_table(receipts, TABLES["receipts"]))


@pytest.fixture(scope="module")
def public(analysis: Analysis, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("public")
    for period in ("2026-02", "2026-03"):
        month(analysis, period, folder / period, page=PUBLIC, made_on=MADE_ON)
    return {str(p.relative_to(folder)): p for p in sorted(folder.rglob("*")) if p.is_file()}


def pictures(path: Path) -> list[bytes]:
    """Return the pictures of a page, and a picture itself."""
    if path.suffix == ".png":
        return [path.read_bytes()]
    if path.suffix == ".html":
        found = re.findall(r"image/png;base64,([A-Za-z0-9+/=]+)", path.read_text())
        return [base64.b64decode(text) for text in found]
    return []


def everything_in(path: Path) -> str:
    """Return all text that can be read out of a file, hidden or shown."""
    body = path.read_bytes()
    texts = [body.decode("latin-1"), body.decode("utf-16-be", "replace")]
    if path.suffix == ".pdf":
        reader = pypdf.PdfReader(io.BytesIO(body))
        texts += [page.extract_text() for page in reader.pages]
        for stream in re.findall(rb"stream\r?\n(.*?)endstream", body, re.DOTALL):
            try:
                texts.append(zlib.decompress(stream).decode("latin-1"))
            except zlib.error:
                continue
    if path.suffix == ".gpkg":
        with sqlite3.connect(path) as base:
            texts += list(base.iterdump())
    for png in pictures(path):
        texts += [str(Image.open(io.BytesIO(png)).info), png.decode("latin-1")]
    return "\n".join(texts)


def test_no_name_of_a_place_a_person_or_a_file_is_in_any_file(
    analysis: Analysis, public: dict[str, Path]
) -> None:
    secret = {
        *analysis.transects["transect"], *analysis.segments["segment"],
        *analysis.parcels["parcel"], *analysis.parcels["owner_reference"].dropna(),
        *analysis.sign["observer"].dropna(), *analysis.visits["observer"].dropna(),
        *analysis.visits["walk"], *analysis.receipts["file"], *analysis.sign["sign"],
        *analysis.trails["trail"],
    }  # fmt: skip
    long_enough = [str(name) for name in secret if len(str(name)) > 5]
    assert len(long_enough) > 100
    assert len(public) >= 12
    for name, path in public.items():
        text = everything_in(path)
        assert not [word for word in long_enough if word in text], name


def test_no_number_in_any_file_is_a_place_of_the_record(
    analysis: Analysis, public: dict[str, Path]
) -> None:
    """Places are numbers with three decimals or more, in degrees, or metres of the grid."""
    cells = gpd.read_file(public["2026-03/layers.gpkg"], layer="cells").geometry
    west, south, east, north = cells.total_bounds
    known = analysis.segments.total_bounds
    plane = analysis.segments.to_crs(working_crs(analysis.segments)).total_bounds
    spans = [known[[0, 2]], known[[1, 3]], plane[[0, 2]], plane[[1, 3]]]
    for name, path in public.items():
        if path.suffix not in (".html", ".csv", ".pdf"):
            continue
        text = everything_in(path) if path.suffix != ".pdf" else pdf_text(path)
        text = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text)
        for number in re.findall(r"-?\d+\.\d{3,}|\b\d{6,7}(?:\.\d+)?\b", text):
            value = float(number)
            inside = [span for span in spans if span[0] <= value <= span[1]]
            whole = round(value * 10, 9) == round(value * 10)
            assert not inside or whole, (name, number)
    assert (west * 10, north * 10) == pytest.approx((round(west * 10), round(north * 10)))
    assert (east - west, north - south) == pytest.approx((0.2, 0.2))


def pdf_text(path: Path) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def test_geometries_and_extents_in_the_layers_are_those_of_whole_cells(
    public: dict[str, Path],
) -> None:
    for name, path in public.items():
        if path.suffix != ".gpkg":
            continue
        with sqlite3.connect(path) as base:
            extents = base.execute(
                "select min_x, min_y, max_x, max_y from gpkg_contents"
            ).fetchall()
            tables = {row[0] for row in base.execute("select table_name from gpkg_contents")}
        assert "trails" not in tables, name
        known = np.array([v for row in extents for v in row if v is not None])
        corners = gpd.read_file(path, layer="cells").get_coordinates().to_numpy().ravel()
        tenths = np.concatenate([known, corners]) * 10
        assert np.abs(np.round(tenths) - tenths).max() < 1e-9


def test_pictures_carry_no_metadata_and_no_position(public: dict[str, Path]) -> None:
    seen = 0
    for path in public.values():
        for png in pictures(path):
            picture = Image.open(io.BytesIO(png))
            assert set(picture.info) <= {"dpi"}
            assert not picture.getexif()
            seen += 1
    assert seen == 3 + 5  # first a month, the season and a page; then a change in both as well


def test_months_differ_in_sums_of_whole_cells_alone(public: dict[str, Path]) -> None:
    before, now = (pd.read_csv(public[f"{m}/tables/cells.csv"]) for m in ("2026-02", "2026-03"))
    assert before["segment"].tolist() == now["segment"].tolist()
    assert before["geometry"].tolist() == now["geometry"].tolist()
    assert before["units"].tolist() == now["units"].tolist()
    names = {name.split("/", 1)[1] for name in public}
    assert names == {
        "map.png", "map.html", "change.png", "season.png", "report.html", "report.pdf",
        "layers.gpkg", "tables/cells.csv",
        "tables/rates_by_month.csv", "tables/model.csv",
    }  # fmt: skip


def test_the_page_says_for_whom_it_is_made_and_what_was_withheld(public: dict[str, Path]) -> None:
    for text in (pdf_text(public["2026-03/report.pdf"]), public["2026-03/report.html"].read_text()):
        said = " ".join(text.split())
        for part in ("Made for the public", "What was withheld", "Chapman 2020", "0.1 degrees"):
            assert part in said


def test_shapes_on_the_interactive_map_are_whole_cells(public: dict[str, Path]) -> None:
    tree = lxml.html.fromstring(public["2026-03/map.html"].read_text())
    data = json.loads(tree.xpath("//script[@id='data']")[0].text)
    steps = np.array([number for shape in data["shapes"] for part in shape for number in part])
    assert len(steps) >= 8
    assert (steps % 10_000 == 0).all()  # hundred-thousandths of a degree: tenths
    assert [data[name] for name in ("trails", "sign", "transects", "parcels")] == [[], [], [], []]


def test_managers_have_all_that_was_looked_for_and_their_folder_is_not_made_public(
    analysis: Analysis, tmp_path: Path
) -> None:
    month(analysis, "2026-03", tmp_path, made_on=MADE_ON)
    transect = analysis.transects["transect"].iloc[0]
    for name in ("report.html", "report.pdf", "layers.gpkg", "tables/segments.csv", "map.html"):
        assert transect in everything_in(tmp_path / name)
    path = tmp_path / "layers.gpkg"
    styled = gpd.read_file(path, layer="layer_styles").set_index("f_table_name")["styleQML"]
    kinds = {"segments": "line", "trails": "line", "trails_of_one_sign": "marker"}
    for name, kind in kinds.items():
        shapes = gpd.read_file(path, layer=name).geom_type
        assert len(set(shapes.str.removeprefix("Multi"))) == 1  # a style draws one kind alone
        assert f'type="{kind}"' in styled[name]
    with pytest.raises(InputError, match="not for this reader"):
        month(analysis, "2026-03", tmp_path, page=PUBLIC, made_on=MADE_ON)


def test_a_landowner_reads_nothing_of_other_holdings_or_of_people(
    analysis: Analysis, tmp_path: Path
) -> None:
    own = analysis.parcels["parcel"].iloc[0]
    land = box(*analysis.segments.geometry.iloc[5].bounds).buffer(0.002)
    shapes = [land, *analysis.parcels.geometry.iloc[1:]]
    analysis = replace(analysis, parcels=analysis.parcels.set_geometry(shapes, crs=4326))
    page = PageOptions(made_for="landowner", parcel=own, sensitivity=3)
    month(analysis, "2026-03", tmp_path, page=page, made_on=MADE_ON)
    off = analysis.segments[~analysis.segments.intersects(land).to_numpy(dtype=bool)]
    secret = {
        *analysis.parcels["parcel"], *analysis.parcels["owner_reference"].dropna(),
        *analysis.sign["observer"].dropna(), *analysis.receipts["file"], *off["segment"],
    } - {own}  # fmt: skip
    for path in sorted(tmp_path.rglob("*.*")):
        text = everything_in(path)
        assert not [name for name in secret if len(name) > 5 and name in text], path.name
    lines = gpd.read_file(tmp_path / "layers.gpkg", layer="segments")
    assert len(lines)
    assert lines.within(land.buffer(1e-7)).all()


def test_the_interactive_map_says_of_each_month_what_its_report_says(analysis: Analysis) -> None:
    columns = ["segment", "state", "visits", "p_presence", "p_presence_low", "p_presence_high"]
    season = analysis.season_presence.table
    for period in ("2026-02", "2026-03"):
        own = analysis.presence(period).table[columns].sort_values("segment", ignore_index=True)
        rows = season[season["period"].eq(period)][columns]
        rows = rows.sort_values("segment", ignore_index=True)
        pd.testing.assert_frame_equal(pd.DataFrame(own), pd.DataFrame(rows))


def test_of_very_many_sign_the_map_shows_those_of_its_first_month_and_says_so(
    analysis: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(seasonal, "MOST_SINGLE", 40)
    record = page_record(analysis, MADE_ON)
    tree = lxml.html.fromstring(seasonal.season_map(analysis, record, first="2026-03"))
    data = json.loads(tree.xpath("//script[@id='data']")[0].text)
    assert 0 < len(data["sign"]) <= 40
    assert {row["month"] for row in (*data["sign"], *data["trails"])} == {1}
    said = " ".join(tree.text_content().split())
    assert (
        f"Of the {len(analysis.sign):,} sign of the season, {len(data['sign'])} are shown." in said
    )
    assert f"Of the {len(analysis.trails):,} trails of the season, " in said


def test_animals_that_share_every_doubt_are_named_where_no_region_is(analysis: Analysis) -> None:
    wide = replace(analysis, options=AnalysisOptions(), region_prior=load_evidence("general").prior)
    told = told_of_region(wide)
    for word in ("wolf", "lynx", "--absent", "--region"):
        assert word in told
    assert told_of_region(analysis) == ""
    assert told_of_region(replace(wide, options=AnalysisOptions(absent=("wolf",)))) == ""
