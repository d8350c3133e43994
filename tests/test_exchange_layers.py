"""Layers and tables in open forms: each keeps to its standard, and GDAL reads it back.

Sources: RFC 7946 (order of positions, rings, antimeridian, bbox, no crs); GeoParquet 1.1.0 (OGC),
required members of its metadata; GPX 1.1 schema (rules in test_intake_gpx_writing.py); KML 2.3
(OGC 12-007r2); Frictionless Table Schema, by the general package frictionless.
"""

from __future__ import annotations

import datetime as dt
import json
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import frictionless
import geopandas as gpd
import jsonschema
import numpy as np
import pandas as pd
import pyarrow.parquet
import pyogrio
import pytest
import shapely
from exchange_examples import content, drawn
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from test_intake_gpx_writing import assert_valid

from carnivore_sign.chain import Analysis, PageOptions
from carnivore_sign.chain.exporting import FORMS, export
from carnivore_sign.errors import FileUnreadable, InputError, LibraryMissing, TableFaults
from carnivore_sign.exchange import (
    layers_of,
    read_package,
    tables_of,
    write_geojson,
    write_geoparquet,
    write_kml,
    write_package,
    write_transects_gpx,
)
from carnivore_sign.exchange.geojson import box_of
from carnivore_sign.intake import read_log
from carnivore_sign.records.plain_text import neutralise, read_words, restore, write_words
from carnivore_sign.records.tables import SEASON_TABLES, TABLES

MADE_ON = dt.date(2026, 6, 1)
READERS = ("managers", "landowner", "public")


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return drawn()


@pytest.fixture(scope="module")
def exported(analysis: Analysis, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return a folder of every form for each reader."""
    folder = tmp_path_factory.mktemp("out")
    for reader in READERS:
        parcel = analysis.parcels["parcel"].iloc[0] if reader == "landowner" else None
        page = PageOptions(made_for=reader, parcel=parcel)
        forms = list(FORMS) if parcel is None else ["geopackage", "geojson", "csv"]
        export(analysis, folder / reader, forms=forms, page=page, made_on=MADE_ON)
    return {reader: folder / reader for reader in READERS}


def read_raw(path: Path) -> dict:
    return json.loads(path.read_text(encoding="utf-8"))


def rings(shape: dict) -> Iterator[tuple[bool, list]]:
    """Give every ring of a geometry, and whether it is an outer one."""
    parts = {"Polygon": [shape.get("coordinates")], "MultiPolygon": shape.get("coordinates")}
    for polygon in parts.get(shape["type"], []):
        for at, ring in enumerate(polygon):
            yield at == 0, ring


def test_geojson_keeps_to_rfc_7946(exported: dict[str, Path]) -> None:
    seen = 0
    for path in (path for folder in exported.values() for path in folder.glob("*.geojson")):
        told = read_raw(path)
        assert "crs" not in told
        assert told["type"] == "FeatureCollection"
        west, south, east, north = told["bbox"]
        for feature in told["features"]:
            assert set(feature) <= {"type", "properties", "geometry", "bbox", "id"}
            shape = feature["geometry"]
            lon, lat = shapely.get_coordinates(shapely.from_geojson(json.dumps(shape))).T
            assert ((lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)).all()
            for outer, ring in rings(shape):
                assert ring[0] == ring[-1]
                assert shapely.LinearRing(ring).is_ccw == outer
                seen += 1
    assert seen > 3


def test_geojson_is_split_at_the_antimeridian(tmp_path: Path) -> None:
    """Source: RFC 7946, sections 3.1.9 and 5.2."""
    layer = gpd.GeoDataFrame(
        {"name": ["line", "area"]},
        geometry=[
            shapely.LineString([(179.9, -17), (-179.9, -17)]),
            shapely.Polygon([(179.8, -16), (179.8, -15), (180.2, -15), (180.2, -16)]),
        ],
        crs=4326,
    )
    told = read_raw(write_geojson(tmp_path / "fiji.geojson", layer))
    line, area = (feature["geometry"] for feature in told["features"])
    assert line["type"] == "MultiLineString"
    assert [[179.9, -17.0], [180.0, -17.0]] in line["coordinates"]
    assert [[-180.0, -17.0], [-179.9, -17.0]] in line["coordinates"]
    assert area["type"] == "MultiPolygon"
    assert np.abs(np.concatenate([np.ravel(ring) for _, ring in rings(area)])).max() <= 180
    assert told["bbox"] == [179.8, -17.0, -179.8, -15.0]


def test_geojson_is_on_wgs84_whatever_came(tmp_path: Path) -> None:
    place = gpd.GeoDataFrame(geometry=[shapely.Point(500_000, 4_100_000)], crs=32611)
    told = read_raw(write_geojson(tmp_path / "a.geojson", place))
    lon, lat = told["features"][0]["geometry"]["coordinates"]
    assert (lon, lat) == pytest.approx((-117.0, 37.0465), abs=1e-3)


@given(
    st.lists(
        st.tuples(st.floats(-180, 180), st.floats(0, 40), st.floats(-90, 80)), min_size=1,
        max_size=6,
    )
)  # fmt: skip
def test_the_box_holds_every_box_and_is_no_wider_than_it_must_be(spans: list) -> None:
    boxes = [[w, s, (w + d + 180) % 360 - 180, s + 1] for w, d, s in spans]
    west, south, east, north = box_of(boxes)
    width = (east - west) % 360 or (360.0 if east != west else 0.0)
    for (w, d, s), box in zip(spans, boxes, strict=True):
        assert (w - west) % 360 + d <= width + 1e-6 or (w - west) % 360 > 360 - 1e-6
        assert south <= box[1]
        assert box[3] <= north
        assert s == box[1]
    assert -180 <= west <= 180
    assert -180 <= east <= 180


#: Required members of the metadata of GeoParquet 1.1.0, and the types of the others.
GEO = {
    "type": "object",
    "required": ["version", "primary_column", "columns"],
    "properties": {
        "version": {"const": "1.1.0"},
        "primary_column": {"type": "string", "minLength": 1},
        "columns": {
            "type": "object",
            "minProperties": 1,
            "additionalProperties": {
                "type": "object",
                "required": ["encoding", "geometry_types"],
                "properties": {
                    "encoding": {"pattern": "^(WKB|point|linestring|polygon|multi.*)$"},
                    "geometry_types": {
                        "type": "array",
                        "uniqueItems": True,
                        "items": {
                            "pattern": "^(GeometryCollection|(Multi)?(Point|LineString|Polygon))"
                            "( Z)?$"
                        },
                    },
                    "crs": {"type": ["object", "null"]},
                    "bbox": {"type": "array", "minItems": 4, "maxItems": 6},
                    "covering": {
                        "type": "object",
                        "required": ["bbox"],
                        "properties": {
                            "bbox": {
                                "type": "object",
                                "required": ["xmin", "xmax", "ymin", "ymax"],
                                "additionalProperties": {
                                    "type": "array", "minItems": 2, "maxItems": 2,
                                },
                            }
                        },
                    },
                },
            },
        },
    },
}  # fmt: skip


def test_geoparquet_keeps_to_version_1_1(analysis: Analysis, exported: dict[str, Path]) -> None:
    paths = sorted(exported["managers"].glob("*.parquet"))
    assert len(paths) >= 5
    for path in paths:
        table = pyarrow.parquet.read_table(path)
        told = json.loads(table.schema.metadata[b"geo"])
        jsonschema.validate(told, GEO)
        column = told["columns"][told["primary_column"]]
        assert column["covering"]["bbox"]["xmin"] == ["bbox", "xmin"]
        shapes = shapely.from_wkb(table[told["primary_column"]].to_numpy())
        boxes = pd.DataFrame(table["bbox"].to_pylist())[["xmin", "ymin", "xmax", "ymax"]]
        assert np.allclose(shapely.bounds(shapes), boxes.to_numpy(), atol=1e-5)
        assert {shape.geom_type for shape in shapes} <= set(column["geometry_types"])
    back = gpd.read_parquet(exported["managers"] / "trails.parquet")
    assert back.crs == 4326
    trails = layers_of(content(analysis))["trails"]
    pd.testing.assert_frame_equal(
        pd.DataFrame(back[trails.columns]), pd.DataFrame(trails), check_dtype=False
    )


def test_without_pyarrow_the_command_that_installs_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(name: str) -> None:
        raise ImportError(name)

    monkeypatch.setattr("importlib.import_module", gone)
    place = gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)], crs=4326)
    with pytest.raises(LibraryMissing, match="pip install pyarrow"):
        write_geoparquet(tmp_path / "a.parquet", place)


def test_without_pyarrow_no_form_of_several_is_written(
    analysis: Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(LibraryMissing, match="pip install pyarrow"):
        export(analysis, tmp_path / "out", forms=["csv", "geoparquet", "geojson"])
    assert list(tmp_path.iterdir()) == []


def test_gpx_is_valid_and_brings_transects_and_trails_to_a_receiver(
    analysis: Analysis, exported: dict[str, Path]
) -> None:
    path = exported["managers"] / "lines.gpx"
    assert_valid(path)
    reading = read_log(path)
    routes = reading.tables["route_points"]
    assert set(routes["log"]) == {"lines"}
    tree = etree.parse(path)
    ns = {"g": "http://www.topografix.com/GPX/1/1"}
    names = [one.text for one in tree.findall("g:trk/g:name", ns)]
    lines = analysis.trails[analysis.trails.geom_type.ne("Point")]
    assert names == [*analysis.transects["transect"], *lines["trail"]]
    assert len(tree.findall("g:rte", ns)) == len(analysis.transects)
    assert len(tree.findall("g:wpt", ns)) == len(analysis.trails) - len(lines)
    first = tree.findall("g:trk", ns)[0].findall("g:trkseg/g:trkpt", ns)
    drawn = [(float(one.get("lon")), float(one.get("lat"))) for one in first]
    assert drawn == [tuple(xy) for xy in analysis.transects.get_coordinates().loc[0].to_numpy()]
    assert reading.tables["fixes"]["time"].isna().all(), "a plan is no effort"


def test_trails_cut_into_pieces_lose_none(tmp_path: Path) -> None:
    """What a landowner sees of a trail may be lines and points."""
    pieces = shapely.GeometryCollection(
        [shapely.LineString([(0, 0), (0, 1)]), shapely.Point(0, 2), shapely.Point(0, 3)]
    )
    trails = gpd.GeoDataFrame({"trail": ["T1"]}, geometry=[pieces], crs=4326)
    transects = gpd.GeoDataFrame({"transect": []}, geometry=[], crs=4326)
    path = write_transects_gpx(tmp_path / "a.gpx", transects, trails=trails)
    assert_valid(path)
    reading = read_log(path)
    assert len(reading.tables["fixes"]) == 2
    assert reading.tables["waypoints"]["name"].tolist() == ["T1", "T1"]
    with pytest.raises(InputError, match="no transect and no trail"):
        write_transects_gpx(tmp_path / "b.gpx", transects)


def test_a_route_is_thinned_to_what_a_receiver_takes(tmp_path: Path) -> None:
    x = np.linspace(-119, -118.9, 5000)
    line = shapely.LineString(np.column_stack([x, 37 + 0.001 * np.sin(400 * x)]))
    wash = gpd.GeoDataFrame({"transect": ["Wash"]}, geometry=[line], crs=4326)
    tree = etree.parse(write_transects_gpx(tmp_path / "a.gpx", wash))
    ns = {"g": "http://www.topografix.com/GPX/1/1"}
    assert len(tree.findall("g:trk/g:trkseg/g:trkpt", ns)) == 5000
    points = tree.findall("g:rte/g:rtept", ns)
    assert 20 < len(points) <= 200
    route = shapely.LineString([(float(p.get("lon")), float(p.get("lat"))) for p in points])
    assert route.hausdorff_distance(line) < 0.002


def test_kml_is_read_by_gdal_with_its_values(exported: dict[str, Path], analysis: Analysis) -> None:
    path = exported["managers"] / "layers.kml"
    listed = [name for name, _ in pyogrio.list_layers(path)]
    periods = sorted(analysis.season_presence.table["period"].unique())
    assert [f"units {period}" for period in periods] == [n for n in listed if n.startswith("units")]
    trails = gpd.read_file(path, layer="trails")
    assert sorted(trails["Name"]) == sorted(analysis.trails["trail"])
    p = trails.set_index("Name")["p_puma"].astype(float)
    assert (p == analysis.trails.set_index("trail")["p_puma"].loc[p.index]).all()
    drawn = analysis.trails.set_index("trail").geometry.loc[trails["Name"]]
    assert shapely.distance(trails.geometry.to_numpy(), drawn.to_numpy()).max() < 1e-6
    root = etree.parse(path).getroot()
    styles = {f"#{one.get('id')}" for one in root.iter("{*}Style")}
    assert {one.text for one in root.iter("{*}styleUrl")} <= styles


def test_kml_holds_any_text(tmp_path: Path) -> None:
    layer = gpd.GeoDataFrame({"trail": ["a\x00<&>\x0b"]}, geometry=[shapely.Point(1, 2)], crs=4326)
    path = write_kml(tmp_path / "a.kml", {"trails": layer}, title="<x> & y")
    assert gpd.read_file(path)["Name"].tolist() == ["a\ufffd<&>\ufffd"]


def test_geopackage_has_a_style_for_every_layer_that_has_rules(exported: dict[str, Path]) -> None:
    for reader in READERS:
        path = exported[reader] / "layers.gpkg"
        layers = {name for name, _ in pyogrio.list_layers(path)}
        with closing(sqlite3.connect(path)) as base:
            styled = {row[0] for row in base.execute("SELECT f_table_name FROM layer_styles")}
        assert {name for name in layers if name.startswith(("cells", "segments"))} <= styled
        assert styled <= layers
        assert any(name.startswith("cells") for name in layers) == (reader != "managers")


def test_gdal_reads_back_every_layer_with_its_rows(
    analysis: Analysis, exported: dict[str, Path]
) -> None:
    """The wheels of GDAL here have no GeoParquet driver; pyarrow reads that above."""
    for reader in READERS:
        parcel = analysis.parcels["parcel"].iloc[0]
        page = {"parcel": parcel} if reader == "landowner" else {}
        layers = layers_of(content(analysis, reader, **page))
        for name, layer in layers.items():
            back = gpd.read_file(exported[reader] / f"{name}.geojson")
            assert len(back) == len(layer), name
            shapes = back.geometry.to_numpy(), layer.geometry.to_numpy()
            apart = shapely.hausdorff_distance(*shapes)
            assert apart.max() < 1e-6, name
        there = pyogrio.list_layers(exported[reader] / "layers.gpkg")
        rows = sum(
            pyogrio.read_info(exported[reader] / "layers.gpkg", layer=name)["features"]
            for name, kind in there
            if kind is not None
        )
        assert rows == sum(map(len, layers.values()))


def test_the_dictionary_is_valid_and_so_is_every_table_by_it(exported: dict[str, Path]) -> None:
    for reader in READERS:
        package = frictionless.Package(str(exported[reader] / "datapackage.json"))
        assert frictionless.Package.validate_descriptor(package.to_descriptor()).valid
        report = package.validate()
        assert report.valid, report.flatten(["type", "fieldName", "note"])[:5]
        rows = {task.name: task.stats["rows"] for task in report.tasks}
        assert rows
        for name, count in rows.items():
            table = pd.read_csv(exported[reader] / f"{name}.csv", dtype=str)
            assert len(table) == count


def test_every_column_is_explained(exported: dict[str, Path]) -> None:
    told = read_raw(exported["managers"] / "datapackage.json")
    by_name = {one["name"]: one["schema"]["fields"] for one in told["resources"]}
    assert set(SEASON_TABLES) <= set(by_name)
    for name, fields in by_name.items():
        body = (exported["managers"] / f"{name}.csv").read_bytes().decode("utf-8")
        header = body.partition("\r\n")[0]
        assert [field["name"] for field in fields] == header.split(",")
        assert all(field["description"] for field in fields)
    age = next(field for field in by_name["sign"] if field["name"] == "age_min_h")
    assert age["constraints"] == {"minimum": 0}


def test_tables_come_back_whole(analysis: Analysis, exported: dict[str, Path]) -> None:
    back = read_package(exported["managers"])
    sent = tables_of(content(analysis))
    assert set(back) == set(sent)
    for name, (table, frame) in sent.items():
        expected = frame.reset_index(drop=True)
        for column in table.names:
            pd.testing.assert_series_equal(back[name][column], expected[column], obj=name)
        if table.geometry is not None:
            shapes = (one.geometry.to_numpy() for one in (back[name], expected))
            assert all(a == b for a, b in zip(*map(shapely.to_wkb, shapes), strict=True)), name


def test_no_cell_of_text_runs_as_a_formula(exported: dict[str, Path]) -> None:
    cells = 0
    for path in exported["managers"].glob("*.csv"):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        texts = [c.name for c in TABLES[path.stem].columns if c.kind == "text"]
        for column in texts:
            risky = table[column].str.match(r"[=+\-@\t\r]")
            assert not risky.any(), (path.name, column)
            cells += len(table)
    assert cells > 10_000


@given(st.lists(st.text(max_size=6) | st.sampled_from(["=1", "'=1", "''-2", "'", "+", "\t", "'a"])))
def test_neutral_text_comes_back_and_runs_no_formula(texts: list[str]) -> None:
    column = pd.Series(texts, dtype="object")
    neutral = neutralise(column)
    assert not neutral.str.match(r"[=+\-@\t\r\n]").any()
    assert restore(neutral).tolist() == texts


@settings(max_examples=25)
@given(st.lists(st.tuples(st.floats(allow_nan=False, allow_infinity=False), st.floats(-180, 180),
                          st.floats(-90, 90)), min_size=1, max_size=5))  # fmt: skip
def test_numbers_and_places_come_back_exactly(rows: list) -> None:
    table = SEASON_TABLES["fixes"]
    places = gpd.points_from_xy([r[1] for r in rows], [r[2] for r in rows])
    frame = gpd.GeoDataFrame({"elevation_m": [r[0] for r in rows]}, geometry=places, crs=4326)
    frame = frame.reindex(columns=[*table.names, "geometry"])
    words = write_words(frame.assign(time=pd.to_datetime(frame["time"], utc=True)), table)
    back, faults = read_words(words, table)
    assert not len(faults)
    assert back["elevation_m"].tolist() == [r[0] for r in rows]
    assert [(p.x, p.y) for p in back.geometry] == [(r[1], r[2]) for r in rows]


@pytest.mark.parametrize(
    ("damage", "error"),
    [
        (lambda f: (f / "datapackage.json").unlink(), FileUnreadable),
        (lambda f: (f / "clearings.csv").unlink(), FileUnreadable),
        (lambda f: (f / "clearings.csv").write_bytes(b"a,b\r\n1,2,3\r\n"), FileUnreadable),
        (lambda f: (f / "clearings.csv").write_bytes(b"\xff\xfe"), FileUnreadable),
        (lambda f: (f / "clearings.csv").write_text("cause,time\r\nflood,now\r\n"), TableFaults),
    ],
)
def test_a_damaged_package_is_told(tmp_path: Path, damage, error) -> None:
    clearings = {"clearings": (SEASON_TABLES["clearings"], read_nothing())}
    write_package(tmp_path, clearings, title="x")
    damage(tmp_path)
    with pytest.raises(error):
        read_package(tmp_path)


def read_nothing() -> pd.DataFrame:
    return pd.DataFrame(columns=SEASON_TABLES["clearings"].names).astype(
        {"time": "datetime64[ms, UTC]"}
    )


def test_nothing_of_a_public_export_leaks_in_any_form(
    analysis: Analysis, exported: dict[str, Path]
) -> None:
    season = analysis.season
    people = set(season.read("sign")["observer"].dropna()) | set(season.read("logs")["log"])
    named = set(analysis.transects["transect"]) | set(analysis.parcels["parcel"])
    found = set(season.read("sign")["sign"]) | set(analysis.trails["trail"])
    xy = pd.concat(
        [analysis.transects.get_coordinates(), analysis.sign.get_coordinates()]
    ).to_numpy()
    texts = {one.encode() for one in people | named | found if len(one) > 3}
    texts |= {f"{value:.4f}".encode() for value in xy.ravel()[::7]}
    doubles = {np.float64(value).tobytes() for value in xy.ravel()[::7]}
    managers = b"".join(_bytes(exported["managers"]))
    public = b"".join(_bytes(exported["public"]))
    assert sum(one in managers for one in texts) > 100, "the test would see a leak"
    assert sum(one in managers for one in doubles) > 100
    assert [one for one in texts | doubles if one in public] == []
    assert not list(exported["public"].glob("*.gpx"))


def _bytes(folder: Path) -> Iterator[bytes]:
    """Give the bytes of every file; those that are packed are unpacked as well."""
    for path in sorted(folder.iterdir()):
        yield path.read_bytes()
        if path.suffix == ".parquet":
            table = pyarrow.parquet.read_table(path)
            for column in table.column_names:
                yield str(table[column].to_pylist()).encode()
                if column == "geometry":
                    yield b"".join(table[column].to_pylist())


def test_a_folder_with_other_files_is_no_place_for_a_public_export(
    analysis: Analysis, tmp_path: Path
) -> None:
    export(analysis, tmp_path / "out", forms=["geojson"])
    public = PageOptions(made_for="public")
    with pytest.raises(InputError, match="may not be for this reader"):
        export(analysis, tmp_path / "out", forms=["geojson"], page=public)
    export(analysis, tmp_path / "new", forms=["geojson"], page=public, made_on=MADE_ON)
    before = (tmp_path / "new" / "units.geojson").read_bytes()
    export(analysis, tmp_path / "new", forms=["geojson"], page=public, made_on=MADE_ON)
    assert (tmp_path / "new" / "units.geojson").read_bytes() == before


def test_an_unknown_form_is_told_with_those_there_are(analysis: Analysis, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="geoparquet"):
        export(analysis, tmp_path / "out", forms=["shapefile"])
    assert not (tmp_path / "out").exists()
