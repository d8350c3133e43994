"""GeoJSON logs: points, timed lines, one document or one feature per line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake import Reading, read_file, read_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.tables import SEASON_TABLES

TIMES = ["2026-02-14T15:40:00Z", "2026-02-14T15:41:00Z"]


def feature(kind: str | None, coordinates: Any = None, **properties: Any) -> dict[str, Any]:
    geometry = {"type": kind, "coordinates": coordinates} if kind else None
    return {"type": "Feature", "properties": properties, "geometry": geometry}


def collection(*features: Any, **more: Any) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features), **more})


POINT = feature("Point", [-119.2, 37.4, 612.5], name="S014", desc="scat", time=TIMES[0])
LINE = feature("LineString", [[-119.2, 37.4], [-119.21, 37.41, 5]], coordTimes=TIMES)


def read(folder: Path, text: str) -> Reading:
    path = folder / "a.json"
    path.write_text(text, encoding="utf-8")
    return read_log(path)


def test_points_are_waypoints_and_timed_lines_are_fixes(tmp_path: Path) -> None:
    reading = read(tmp_path, collection(POINT, LINE, feature("MultiPoint", [[1, 2], [3, 4]])))
    assert reading.kind == "geojson"
    marks = reading.tables["waypoints"]
    assert marks["name"].fillna("").tolist() == ["S014", "", ""]
    assert (marks["elevation_m"][0], marks["comment"][0]) == (612.5, "scat")
    assert marks["time"][0] == pd.Timestamp(TIMES[0])
    fixes = reading.tables["fixes"]
    assert fixes["time"].tolist() == [pd.Timestamp(time) for time in TIMES]
    assert fixes["elevation_m"].fillna(-1).tolist() == [-1, 5]


def test_points_with_a_time_and_no_name_are_fixes(tmp_path: Path) -> None:
    points = [feature("Point", [-119.2, 37.4], timestamp=time, accuracy=4) for time in TIMES]
    fixes = read(tmp_path, collection(*points)).tables["fixes"]
    assert fixes["accuracy_m"].tolist() == [4, 4]
    assert fixes["part"].tolist() == [0, 0]


def test_other_ways_to_write_times(tmp_path: Path) -> None:
    lines = [[[0, 1], [0, 2]], [[0, 3], [0, 4]]]
    nested = feature("MultiLineString", lines, coordinateProperties={"times": [TIMES, TIMES]})
    fixes = read(tmp_path, collection(nested)).tables["fixes"]
    assert fixes["part"].tolist() == [0, 0, 1, 1]
    assert fixes["time"].notna().all()
    short = feature("LineString", [[0, 1], [0, 2]], coordTimes=[*TIMES, TIMES[0]])
    reading = read(tmp_path, collection(short))
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (3, 2)


@pytest.mark.parametrize("separator", ["\n", "\n\n", "\n\x1e"])
def test_one_feature_per_line(tmp_path: Path, separator: str) -> None:
    text = separator.join([json.dumps(POINT), json.dumps(LINE), "{broken", json.dumps(POINT)])
    reading = read(tmp_path, text)
    assert reading.rows_kept["fixes"] == 2
    assert (reading.rows_in["waypoints"], reading.rows_kept["waypoints"]) == (3, 2)
    assert reading.set_aside["content"].item() == "{broken"


def test_a_document_cut_short_keeps_what_is_whole(tmp_path: Path) -> None:
    text = collection(POINT, LINE, POINT, POINT)
    reading = read(tmp_path, text[: text.rindex("Point")])
    assert (reading.rows_in["waypoints"], reading.rows_kept["waypoints"]) == (3, 2)
    assert reading.rows_kept["fixes"] == 2
    assert "the document is broken at line 1" in reading.set_aside["reason"].item()


def test_reading_goes_on_behind_a_fault(tmp_path: Path) -> None:
    whole = [json.dumps(one) for one in (POINT, LINE, POINT, POINT)]
    broken = [*whole[:2], whole[2].replace("37.4", "37.4.4"), whole[3]]
    reading = read(tmp_path, '{"type":"FeatureCollection","features":[' + ",".join(broken) + "]}")
    assert (reading.rows_in["waypoints"], reading.rows_kept["waypoints"]) == (3, 2)
    assert reading.rows_kept["fixes"] == 2
    assert reading.set_aside["source_row"].tolist() == [2]
    assert reading.set_aside["content"].item() == broken[2]
    assert "broken at line 1" in reading.set_aside["reason"].item()


def test_a_long_file_is_read_in_windows(tmp_path: Path) -> None:
    marks = [feature("Point", [n / 100, 1], name=f"Ca\u00f1on {n}") for n in range(12_000)]
    text = json.dumps({"type": "FeatureCollection", "features": marks}, ensure_ascii=False)
    assert len(text) > 1.2 * 2**20
    kept = read(tmp_path, text).tables["waypoints"]
    assert kept["name"].tolist() == [f"Ca\u00f1on {n}" for n in range(12_000)]


def test_what_has_no_place_in_a_log_is_set_aside(tmp_path: Path) -> None:
    area = feature("Polygon", [[[0, 0], [1, 0], [1, 1], [0, 0]]], name="Pasture")
    odd = feature("Point", ["x", 37.4])
    reading = read(tmp_path, collection(POINT, area, feature(None), odd, feature("Point", [1])))
    assert reading.rows_kept["waypoints"] == 1
    assert reading.set_aside["source_row"].tolist() == [2, 3, 4, 5]
    reasons = reading.set_aside["reason"].tolist()
    wanted = ["kind='layer'", "no position", "longitude is not a number", "no latitude"]
    assert all(words in reason for words, reason in zip(wanted, reasons, strict=True))
    assert "Pasture" in reading.set_aside["content"][0]


def test_lines_without_times_are_a_layer(tmp_path: Path) -> None:
    path = tmp_path / "a.geojson"
    path.write_text(collection(feature("LineString", [[0, 1], [0, 2]], name="Wash")))
    assert read_file(path).rows_kept == {"transects": 1}
    log = read_file(path, kind="geojson").tables["fixes"]
    assert log["flags"].tolist() == ["no_time", "no_time"]


def test_a_stated_reference_system_is_believed(tmp_path: Path) -> None:
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32611"}}
    reading = read(tmp_path, collection(feature("Point", [305070.4, 4142448.4]), crs=crs))
    place = reading.tables["waypoints"].geometry.item()
    assert (place.x, place.y) == pytest.approx((-119.2025, 37.4083333), abs=1e-5)
    crs["properties"] = {"name": "moon"}
    with pytest.raises(FileUnreadable, match="reference system is unknown"):
        read(tmp_path, collection(POINT, crs=crs))


def test_depth_is_bounded(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_text('{"type":"Point","coordinates":' + "[" * 100_000)
    with pytest.raises(FileUnreadable, match=r"nested deeper|no GeoJSON feature"):
        read_file(path)


def test_many_bad_positions_in_one_feature_take_no_longer(tmp_path: Path) -> None:
    line = feature("LineString", [["x", 37.4]] * 20_000, coordTimes=TIMES)
    reading = read(tmp_path, collection(line))
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (20_000, 0)


def test_real_files(real_files: Path) -> None:
    # Source: counts by the json module, in the manifest beside the files.
    mixed = read_any(open_source(real_files / "vector" / "gpsbabel__geojson.geojson"))
    assert mixed.kind == "geojson"
    assert mixed.rows_kept["waypoints"] == 2  # one Point, one MultiPoint of one
    assert mixed.set_aside["reason"].str.contains("Polygon").sum() == 2
    kinds = {
        name: recognise(open_source(real_files / "vector" / name))
        for name in ("qgis__line.geojson", "rasterio__issue1446.geojson")
    }
    assert set(kinds.values()) == {"layer"}


def test_a_timed_line_agrees_with_its_twin_in_gpx(real_files: Path) -> None:
    mine = read_log(real_files / "vector" / "mapbox__run.gpx.geojson").tables["fixes"]
    twin = read_log(real_files / "gpx" / "mapbox__run.gpx").tables["fixes"]
    assert len(mine) == len(twin) > 200
    assert mine["time"].tolist() == twin["time"].tolist()
    np.testing.assert_allclose(mine.geometry.x, twin.geometry.x, atol=1e-9)
    for name, frame in read_log(real_files / "vector" / "mapbox__run.gpx.geojson").tables.items():
        assert find_faults(frame, SEASON_TABLES[name]).empty
        pd.testing.assert_frame_equal(
            pd.DataFrame(frame), pd.DataFrame(conform(frame, SEASON_TABLES[name]))
        )


@given(st.lists(st.tuples(st.floats(-180, 179.99), st.floats(-90, 90)), min_size=2, max_size=5))
@settings(max_examples=50, deadline=None)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, places: list[tuple[float, float]]
) -> None:
    line = feature("LineString", [list(place) for place in places], coordTimes=TIMES)
    fixes = read(tmp_path_factory.mktemp("g"), collection(line)).tables["fixes"]
    assert list(zip(fixes.geometry.x, fixes.geometry.y, strict=True)) == places
