"""Grid cells and management units as the units of the month, from the option to map and page."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from chain_examples import TABLES, drawn_season
from shapely import Point, box

from carnivore_sign.chain import Analysis, AnalysisOptions, analyse, month
from carnivore_sign.chain.units import cells_from_text, read_areas
from carnivore_sign.cli.running import _options
from carnivore_sign.cli.words import make_parser
from carnivore_sign.errors import DataWarning, FileUnreadable, InputError
from carnivore_sign.maps import edition_for
from carnivore_sign.maps.readers import units_for
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.season import Season, create_season
from carnivore_sign.records.tables import SEGMENTS, VISITS
from carnivore_sign.survey import detection_rates, search_visits


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return drawn_season(7, tmp_path_factory.mktemp("units"))[0]


@pytest.fixture(scope="module")
def in_cells(season: Season) -> Analysis:
    return analyse(season, AnalysisOptions(region="dry_range", cells="hexagon 3 km"))


def season_without(season: Season, transect: str) -> Season:
    """The same season without one transect."""
    path = season.path.with_name("bare.gpkg")
    bare = create_season(path, name="Bare", time_zone=season.time_zone)
    tables = {name: season.read(name) for name in TABLES}
    lines = tables["transects"]
    tables["transects"] = lines[lines["transect"].ne(transect)].reset_index(drop=True)
    events = tables["clearings"]
    tables["clearings"] = events[~events["transects"].str.contains(transect)]
    bare.append(tables)
    return bare


def test_cells_are_read_as_people_write_them() -> None:
    assert cells_from_text("2km") == (2000.0, "square")
    assert cells_from_text("squares of 500 m") == (500.0, "square")
    assert cells_from_text("Hexagon 1 mi") == (pytest.approx(1609.344), "hexagon")
    assert cells_from_text("hexagons of 2.5 km").words == "hexagons of 2.5 km"
    for nonsense in ("2", "wide", "", "-2 km", "triangle 2 km"):
        with pytest.raises(InputError, match="is not the size of a cell"):
            cells_from_text(nonsense)
    with pytest.raises(InputError, match="both cells and areas"):
        AnalysisOptions(cells="2 km", areas="units.geojson")


def test_the_units_of_an_analysis_are_cells(in_cells: Analysis) -> None:
    assert in_cells.areas is not None
    named = set(in_cells.areas["unit"])
    assert set(in_cells.segments["segment"]) <= named
    assert set(in_cells.visits["segment"]) <= named
    assert set(in_cells.detections["segment"]) <= named
    table = in_cells.presence("2026-03").table
    assert table["segment"].tolist() == in_cells.segments["segment"].tolist()
    by_hand = in_cells.visits[in_cells.visits["period"].eq("2026-03")]
    by_hand = by_hand.groupby("segment")["effort_km"].sum()
    seen = table.set_index("segment")["effort_km"]
    np.testing.assert_allclose(seen[by_hand.index], by_hand)


def test_the_rate_of_a_month_does_not_hang_on_the_units(season: Season, in_cells: Analysis) -> None:
    # What was walked and found is the same; ends of cells too short for a visit are left out.
    by_segments = analyse(season, AnalysisOptions(region="dry_range"))
    one, other = (
        detection_rates(a.visits, a.detections).set_index("period") for a in (by_segments, in_cells)
    )
    np.testing.assert_allclose(other["effort_km"], one["effort_km"], rtol=0.03)
    np.testing.assert_allclose(other["trails_expected"], one["trails_expected"], atol=1.5)


def test_map_page_and_tables_of_a_month_are_by_cells(in_cells: Analysis, tmp_path: Path) -> None:
    made = month(in_cells, "2026-03", tmp_path / "march")
    layers = gpd.list_layers(made.files["layers"])["name"].tolist()
    assert "cells" in layers
    assert "segments" not in layers
    drawn = gpd.read_file(made.files["layers"], layer="cells")
    # Area of a hexagon of width w: sqrt(3)/2 w^2 (geometry), less what UTM distorts.
    area_km2 = drawn.to_crs(drawn.estimate_utm_crs()).area / 1e6
    np.testing.assert_allclose(area_km2, np.sqrt(0.75) * 9, rtol=2e-3)
    table = pd.read_csv(tmp_path / "march" / "tables" / "cells.csv")
    assert len(table) == len(drawn) == made.numbers["segments"]
    page = made.files["report (HTML)"].read_text(encoding="utf-8")
    assert f"{made.numbers['segments_visited']} of {len(drawn)} cells were looked at" in page
    assert "units of maps and tables: hexagons of 3 km" in page
    assert "Effort by cell." in page
    assert "segments keep" not in page


def test_the_public_sees_no_more_by_cells_than_by_segments(in_cells: Analysis) -> None:
    shown = units_for(edition_for("public"), in_cells.presence("2026-03").table)
    assert shown["segment"].str.fullmatch(r"[\d.]+ [NS] [\d.]+ [EW]").all()
    assert shown["units"].sum() == len(in_cells.segments)


def areas_file(folder: Path, season: Season, **columns: object) -> Path:
    """Two areas: the western half of what was walked, and a strip east of it."""
    west, south, east, north = season.read("transects").total_bounds
    middle = (west + east) / 2
    shapes = [
        box(west - 0.01, south - 0.01, middle, north + 0.01),
        box(middle, south - 0.01, middle + (east - west) / 4, north + 0.01),
    ]
    path = folder / "areas.geojson"
    gpd.GeoDataFrame(columns, geometry=shapes, crs="EPSG:4326").to_file(path, driver="GeoJSON")
    return path


def test_management_units_come_from_a_file(season: Season, tmp_path: Path) -> None:
    path = areas_file(tmp_path, season, Name=["North unit", "South unit"])
    with pytest.warns(DataWarning, match="km were walked outside all areas"):
        analysis = analyse(season, AnalysisOptions(region="dry_range", areas=str(path)))
    assert analysis.segments["segment"].tolist() == ["North unit", "South unit"]
    walked = analysis.visits.groupby("segment")["effort_km"].sum()
    told = analysis.presence("2026-03").table.set_index("segment")
    assert told["visits"].gt(0).all()
    assert (told["effort_km"] < walked[told.index]).all()


def test_a_file_of_areas_that_will_not_do_is_told(season: Season, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no column names the areas"):
        read_areas(areas_file(tmp_path, season, colour=["red", "blue"]))
    points = gpd.GeoDataFrame({"unit": ["A"]}, geometry=[Point(0, 0)], crs="EPSG:4326")
    points.to_file(tmp_path / "points.geojson", driver="GeoJSON")
    with pytest.raises(InputError, match="row 1: an area is no polygon"):
        read_areas(tmp_path / "points.geojson")
    (tmp_path / "words.txt").write_text("no layer")
    with pytest.raises(FileUnreadable, match=r"words\.txt.*no layer can be read"):
        read_areas(tmp_path / "words.txt")


def test_walks_off_transects_are_effort_in_cells(season: Season) -> None:
    # Take one transect away: those who walked it searched freely.
    line = season.read("transects")["transect"].iloc[0]
    bare = season_without(season, line)
    plain, free = (
        analyse(bare, AnalysisOptions(region="dry_range", cells="3 km", free_search=search))
        for search in (False, True)
    )
    searched = free.visits[free.visits["visit"].str.endswith("/search")]
    assert find_faults(free.visits, VISITS).empty
    assert find_faults(free.segments, SEGMENTS).empty
    whole = analyse(season, AnalysisOptions(region="dry_range"))
    there = whole.visits[whole.visits["transect"].eq(line)]
    before = search_visits(
        whole.matched, free.areas, season.read("logs"), time_zone=season.time_zone
    )
    expected = there["effort_km"].sum() + before["effort_km"].sum()
    assert searched["effort_km"].sum() == pytest.approx(expected, rel=0.03)
    assert len(free.incidental) < len(plain.incidental)
    assert len(free.incidental) + len(free.detections) >= len(plain.incidental)
    assert set(free.detections["visit"]) <= set(free.visits["visit"])
    table = free.presence("2026-03").table
    assert table["visits"].sum() == (free.visits["period"] == "2026-03").sum()
    with pytest.raises(InputError, match="only by cells or areas"):
        AnalysisOptions(free_search=True)


def test_the_command_takes_cells_or_areas() -> None:
    parse = make_parser().parse_args
    line = ["month", "season.gpkg", "2026-03", "--out", "march"]
    assert _options(parse([*line, "--cells", "2 km"])).cells == "2 km"
    assert _options(parse([*line, "--areas", "units.gpkg"])).areas == "units.gpkg"
    assert _options(parse(line)).cells == ""
    assert _options(parse([*line, "--cells", "2 km", "--free-search"])).free_search
    with pytest.raises(SystemExit):
        parse([*line, "--cells", "2 km", "--areas", "units.gpkg"])
