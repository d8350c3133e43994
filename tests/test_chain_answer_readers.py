"""Copies of an answer: try to get the landowner's data back out of what others may read."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from chain_examples import drawn_season
from shapely import Point
from test_chain_readers import everything_in, pdf_text

from carnivore_sign.chain import Analysis, AnalysisOptions, AnswerPage, analyse, answer
from carnivore_sign.errors import InputError
from carnivore_sign.incidents import place_of_incident
from carnivore_sign.records.check import conform
from carnivore_sign.records.tables import CARCASSES, PHOTOS
from carnivore_sign.space import working_crs

DAY = dt.date(2026, 5, 2)
NOTES = "Two ewes of Invented Rancher, behind the blue barn."
PHOTO = (-129.123456, 32.987654)


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    season = drawn_season(11, tmp_path_factory.mktemp("season"))[0]
    name = season.read("incidents")["incident"].iloc[0]
    carcass = {
        "incident": name, "carcass": "1", "bleeding": "present", "bite_place": "throat",
        "examiner": "Invented Warden", "photo": "blue_barn.jpg", "notes": NOTES,
        "receipt": "r", "source_row": 1,
    }  # fmt: skip
    photo = gpd.GeoDataFrame(
        {"photo": ["blue_barn.jpg"], "sha256": ["0" * 64], "receipt": ["r"], "source_row": [1]},
        geometry=[Point(PHOTO)], crs=4326,
    )  # fmt: skip
    season.append(
        {"carcasses": conform(pd.DataFrame([carcass]), CARCASSES), "photos": conform(photo, PHOTOS)}
    )
    return analyse(season, AnalysisOptions(region="dry_range"))


def copy_for(analysis: Analysis, reader: str, folder: Path) -> dict[str, Path]:
    """Write the answer for a reader; return its files."""
    (name,) = analysis.season.read("incidents")["incident"]
    page = AnswerPage(made_by="Invented Maker", made_for=reader)
    answer(analysis, name, folder, page=page, made_on=DAY)
    return {str(p.relative_to(folder)): p for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def public(analysis: Analysis, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return copy_for(analysis, "public", tmp_path_factory.mktemp("public"))


def people_and_holdings(analysis: Analysis) -> set[str]:
    return {
        *analysis.parcels["owner_reference"].dropna(), *analysis.sign["observer"].dropna(),
        *analysis.visits["observer"].dropna(), "Invented Warden",
    }  # fmt: skip


def test_no_word_of_the_landowner_is_in_any_file_for_the_public(
    analysis: Analysis, public: dict[str, Path]
) -> None:
    incident = analysis.season.read("incidents").iloc[0]
    secret = {
        *people_and_holdings(analysis), *analysis.parcels["parcel"], *analysis.segments["segment"],
        *analysis.transects["transect"], *analysis.trails["trail"], *analysis.sign["sign"],
        *analysis.visits["walk"], *analysis.receipts["file"], "blue_barn", NOTES, "ewes",
        "Invented Maker", str(incident["carcass_notes"]), str(incident["livestock"]),
        f"{incident['found']:%Y-%m-%d}", f"{incident['found']:%d %b %Y}",
    }  # fmt: skip
    long_enough = [word for word in map(str, secret) if len(word) > 3]
    assert len(long_enough) > 100
    assert {"answer.html", "answer.pdf", "answer.json", "tables/explanations.csv"} <= set(public)
    for name, path in public.items():
        text = everything_in(path)
        text += pdf_text(path) if path.suffix == ".pdf" else ""
        assert not [word for word in long_enough if word in text], name


def test_no_number_in_any_file_for_the_public_is_a_place(
    analysis: Analysis, public: dict[str, Path]
) -> None:
    """Any number of three decimals or more, in degrees, and any whole metres of the grid."""
    incident = analysis.season.read("incidents").iloc[0]
    lines = analysis.segments.total_bounds
    plane = analysis.segments.to_crs(working_crs(analysis.segments)).total_bounds
    place = place_of_incident(incident, analysis.parcels).shape.centroid
    spans = [lines[[0, 2]], lines[[1, 3]], plane[[0, 2]], plane[[1, 3]]]
    spans += [np.array([v - 0.02, v + 0.02]) for v in (place.x, place.y, *PHOTO)]
    for name, path in public.items():
        text = pdf_text(path) if path.suffix == ".pdf" else path.read_text(encoding="utf-8")
        for number in re.findall(r"-?\d+\.\d{3,}|\b\d{6,7}(?:\.\d+)?\b", text):
            assert not [s for s in spans if s[0] <= float(number) <= s[1]], (name, number)


def test_the_public_reads_month_cell_and_what_was_withheld(
    analysis: Analysis, public: dict[str, Path]
) -> None:
    said = " ".join(pdf_text(public["answer.pdf"]).split())
    incident = analysis.season.read("incidents").iloc[0]
    middle = place_of_incident(incident, analysis.parcels).shape.centroid
    south, west = np.floor(middle.y * 10) / 10, -np.floor(middle.x * 10) / 10
    assert f"in the cell of 0.1 degrees at {south:.1f} N {west:.1f} W." in said
    assert "Withheld: the holding and who owns it" in said
    assert "Chapman 2020" in said
    told = json.loads(public["answer.json"].read_text(encoding="utf-8"))["numbers"]
    start, end = (pd.Timestamp(t).tz_convert(analysis.season.time_zone) for t in told["window"])
    assert (start.day, start.hour, end.day, end.hour) == (1, 0, 1, 0)


def test_every_copy_tells_the_same_probabilities(
    analysis: Analysis, public: dict[str, Path], tmp_path: Path
) -> None:
    own = copy_for(analysis, "landowner", tmp_path)
    for table in ("animals", "animals_by_prior", "explanations", "explanations_by_prior"):
        name = f"tables/{table}.csv"
        assert own[name].read_bytes() == public[name].read_bytes()
    texts = {name: everything_in(path) for name, path in own.items()}
    (holding,) = analysis.season.read("incidents")["parcel"]
    others = set(analysis.parcels["parcel"]) - {holding}
    for name, text in texts.items():
        assert not [word for word in others | people_and_holdings(analysis) if word in text], name
    assert holding in texts["answer.html"]
    assert "This copy is the landowner" in texts["answer.html"]
    with pytest.raises(InputError, match="not for this reader"):
        copy_for(analysis, "public", tmp_path)


def test_managers_have_the_names_of_those_who_walked(analysis: Analysis, tmp_path: Path) -> None:
    visits = copy_for(analysis, "managers", tmp_path)["tables/visits_near.csv"]
    assert set(pd.read_csv(visits)["observer"]) <= set(analysis.visits["observer"])


def test_a_reader_that_is_not_known_is_refused() -> None:
    with pytest.raises(InputError, match="Use one of: managers, landowner, public"):
        AnswerPage(made_for="press")
