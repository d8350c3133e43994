"""Layers: lines are transects, polygons are parcels, and nothing is guessed about place."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
import shapely
from shapely import LineString, MultiLineString, MultiPolygon, Point, Polygon, box

from carnivore_sign.errors import CrsMissing, FileUnreadable, InputError
from carnivore_sign.intake import read_file
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import SEASON_TABLES

WASH = LineString([(-119.2, 37.4), (-119.19, 37.41)])
ROAD = MultiLineString([[(-119.3, 37.4), (-119.29, 37.4)], [(-119.28, 37.4), (-119.27, 37.4)]])


def lines() -> gpd.GeoDataFrame:
    columns = {"Transect": ["Wash", "Road"], "surface": ["Sand", "dust"], "laid": [2019, 2020]}
    return gpd.GeoDataFrame(columns, geometry=[WASH, ROAD], crs="EPSG:4326")


@pytest.mark.parametrize("name", ["a.gpkg", "a.geojson", "a.fgb", "a.shp"])
def test_transects_are_read_from_any_format(name: str, tmp_path: Path) -> None:
    lines().to_file(tmp_path / name)
    reading = read_file(tmp_path / name)
    assert reading.rows_in == {"transects": 2}
    kept = reading.tables["transects"].set_index("transect")
    assert kept["surface"].to_dict() == {"Wash": "sand", "Road": "dust"}
    assert kept.geometry["Road"].equals(ROAD)
    assert kept.crs == "EPSG:4326"
    assert any("columns not kept: laid" in note for note in reading.notes)


def test_the_kind_is_told_by_content(tmp_path: Path) -> None:
    lines().to_file(tmp_path / "a.geojson")
    (tmp_path / "a.geojson").rename(tmp_path / "wrong.txt")
    assert read_file(tmp_path / "wrong.txt").kind == "layer"


def test_a_projected_layer_is_turned_to_degrees(tmp_path: Path) -> None:
    lines().to_crs("EPSG:32611").to_file(tmp_path / "a.gpkg")
    kept = read_file(tmp_path / "a.gpkg").tables["transects"]
    assert shapely.equals_exact(shapely.line_merge(kept.geometry.iloc[0]), WASH, tolerance=1e-8)


def test_a_layer_without_a_crs_is_refused_unless_one_is_stated(tmp_path: Path) -> None:
    path = tmp_path / "a.shp"
    lines().to_file(path)
    path.with_suffix(".prj").unlink()
    with pytest.raises(CrsMissing) as told:
        read_file(path)
    assert "a.shp" in str(told.value)
    assert "EPSG:" in str(told.value)
    reading = read_file(path, crs="EPSG:4326")
    assert reading.tables["transects"].geometry.iloc[0].equals(WASH)
    assert any("stated as EPSG:4326" in note for note in reading.notes)
    with pytest.raises(InputError, match="not a coordinate reference system"):
        read_file(path, crs="here")


def test_what_the_file_states_goes_before_what_is_stated(tmp_path: Path) -> None:
    lines().to_file(tmp_path / "a.gpkg")
    reading = read_file(tmp_path / "a.gpkg", crs="EPSG:32611")
    assert reading.tables["transects"].geometry.iloc[0].equals(WASH)
    assert any("which was used" in note for note in reading.notes)


def test_good_shapes_are_kept_and_the_others_set_aside(tmp_path: Path) -> None:
    bow_tie = Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    twin = MultiPolygon([box(2, 2, 3, 3), box(4, 4, 5, 5)])
    frame = gpd.GeoDataFrame(
        {
            "name": ["North", "Bow", "Twin", None, "North", "Mark", "Gone"],
            "owner_ref": ["A-1", "A-2", None, "A-3", "A-4", "A-5", "A-6"],
        },
        geometry=[box(0, 0, 1, 1), bow_tie, twin, box(6, 6, 7, 7), twin, Point(0, 0), None],
        crs="EPSG:4326",
    )
    frame.to_file(tmp_path / "p.gpkg")
    reading = read_file(tmp_path / "p.gpkg")
    assert reading.rows_in == {"parcels": 7}
    kept = reading.tables["parcels"]
    assert kept["parcel"].tolist() == ["Twin"]
    assert kept["owner_reference"].fillna("").tolist() == [""]
    assert kept.geometry.iloc[0].equals(twin)
    reasons = dict(zip(reading.set_aside["source_row"], reading.set_aside["reason"], strict=True))
    assert "Self-intersection" in reasons[2]
    assert "parcel: missing" in reasons[4]
    assert "parcel North stands in the file more than once (rows 1, 5)" in reasons[1]
    assert reasons[5] == reasons[1]
    assert "not a polygon" in reasons[6]
    assert "there is no position" in reasons[7]
    assert reading.set_aside["content"].str.contains("owner_ref=A-2").any()
    assert find_faults(kept, SEASON_TABLES["parcels"]).empty


def test_lines_and_polygons_of_one_file_go_to_two_tables(tmp_path: Path) -> None:
    path = tmp_path / "both.gpkg"
    lines().to_file(path, layer="roads")
    frame = gpd.GeoDataFrame({"name": [4.0]}, geometry=[box(0, 0, 1, 1)], crs="EPSG:4326")
    frame.to_file(path, layer="pasture")
    reading = read_file(path)
    assert reading.rows_in == {"transects": 2, "parcels": 1}
    assert reading.tables["parcels"]["parcel"].tolist() == ["4"]


def test_heights_are_left_out_and_noted(tmp_path: Path) -> None:
    high = lines().set_geometry(lines().geometry.force_3d(99.0))
    high.to_file(tmp_path / "z.gpkg")
    reading = read_file(tmp_path / "z.gpkg")
    assert not reading.tables["transects"].has_z.any()
    assert "heights were left out" in reading.notes


def test_a_surface_that_is_no_surface_is_told(tmp_path: Path) -> None:
    lines().assign(surface=["lava", None]).to_file(tmp_path / "a.gpkg")
    reading = read_file(tmp_path / "a.gpkg")
    assert reading.tables["transects"]["transect"].tolist() == ["Road"]
    assert "surface: not one of dust" in reading.set_aside["reason"].item()


def test_a_layer_without_names_or_without_features_is_refused(tmp_path: Path) -> None:
    lines().rename(columns={"Transect": "colour"}).to_file(tmp_path / "a.gpkg")
    with pytest.raises(InputError, match="its columns are colour, surface, laid"):
        read_file(tmp_path / "a.gpkg")
    lines().iloc[:0].to_file(tmp_path / "none.gpkg")
    with pytest.raises(FileUnreadable, match="no line and no polygon"):
        read_file(tmp_path / "none.gpkg")
    (tmp_path / "bad.gpkg").write_bytes((tmp_path / "a.gpkg").read_bytes()[:5000])
    with pytest.raises(FileUnreadable, match="the layer cannot be read"):
        read_file(tmp_path / "bad.gpkg")


def test_the_index_of_a_shapefile_is_not_taken_for_the_shapefile(tmp_path: Path) -> None:
    lines().to_file(tmp_path / "a.shp")
    with pytest.raises(FileUnreadable, match="index of a shapefile"):
        read_file(tmp_path / "a.shx")


def test_a_shapefile_is_known_by_all_its_parts(tmp_path: Path) -> None:
    lines().to_file(tmp_path / "a.shp")
    before = read_file(tmp_path / "a.shp").sha256
    (tmp_path / "a.prj").unlink()
    assert read_file(tmp_path / "a.shp", crs="EPSG:4326").sha256 != before


def test_every_real_layer_is_read_or_refused_with_a_remedy(real_files: Path) -> None:
    paths = [path for kind in ("vector", "kml") for path in sorted((real_files / kind).iterdir())]
    refused: dict[str, InputError] = {}
    for path in paths:
        try:
            reading = read_file(path)
        except InputError as error:
            refused[path.name] = error
            continue
        for name, frame in reading.tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty, path.name
    assert all(error.remedy and name in str(error) for name, error in refused.items())
    assert len(paths) > 40
    assert len(paths) - len(refused) >= 25


def test_a_layer_that_declares_entities_is_refused(real_files: Path) -> None:
    for name in ("made__bomb_billion_laughs.kml", "made__xxe_external_entity.kml"):
        with pytest.raises(FileUnreadable, match="XML entities"):
            read_file(real_files / "broken" / name)


def test_a_name_that_is_not_whole_utf_8_is_read_as_latin_1(tmp_path: Path) -> None:
    line = LineString([(-119.2, 37.4), (-119.2, 37.5)])
    gpd.GeoDataFrame({"name": ["Muxoz"]}, geometry=[line], crs=4326).to_file(tmp_path / "a.fgb")
    content = (tmp_path / "a.fgb").read_bytes()
    (tmp_path / "a.fgb").write_bytes(content.replace(b"Muxoz", "Muñoz".encode("latin-1")))
    reading = read_file(tmp_path / "a.fgb")
    assert reading.tables["transects"]["transect"].tolist() == ["Muñoz"]
    assert "read as Latin-1" in "; ".join(reading.notes)
