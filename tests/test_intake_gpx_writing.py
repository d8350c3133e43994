"""GPX output: it keeps to the schema, and whoever reads it finds every value again.

No package of the registry carries the GPX 1.1 schema. What stands below are its structural
rules, written out for these tests: elements, their order, types and bounds.
Source: GPX 1.1 schema.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import gpxpy
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree

from carnivore_sign.errors import CrsMissing, InputError
from carnivore_sign.intake import read_log, write_gpx
from carnivore_sign.records.check import check_table
from carnivore_sign.records.tables import FIXES, ROUTE_POINTS, WAYPOINTS, Table

TEXTS = ["name", "cmt", "desc", "src"]
POINT = (
    [("ele", "xs:decimal"), ("time", "xs:dateTime"), ("magvar", "xs:decimal"),
     ("geoidheight", "xs:decimal"), *((name, "xs:string") for name in TEXTS),
     ("link", "anything"), ("sym", "xs:string"), ("type", "xs:string"), ("fix", "fix"),
     ("sat", "xs:nonNegativeInteger"), ("hdop", "xs:decimal"), ("vdop", "xs:decimal"),
     ("pdop", "xs:decimal"), ("ageofdgpsdata", "xs:decimal"), ("dgpsid", "xs:integer"),
     ("extensions", "others")]
)  # fmt: skip
LINE = [
    *((name, "xs:string") for name in TEXTS), ("link", "anything"),
    ("number", "xs:nonNegativeInteger"), ("type", "xs:string"), ("extensions", "others"),
]  # fmt: skip


def elements(names: list[tuple[str, str]]) -> str:
    return "".join(f'<xs:element name="{n}" type="{t}" minOccurs="0"/>' for n, t in names)


def degrees(name: str, low: str, high: str) -> str:
    return (
        f'<xs:simpleType name="{name}"><xs:restriction base="xs:decimal">{low}{high}'
        "</xs:restriction></xs:simpleType>"
    )


def many(name: str, kind: str) -> str:
    return f'<xs:element name="{name}" type="{kind}" minOccurs="0" maxOccurs="unbounded"/>'


def sequence(name: str, inside: str, after: str = "") -> str:
    return (
        f'<xs:complexType name="{name}"><xs:sequence>{inside}</xs:sequence>{after}</xs:complexType>'
    )


KINDS = "".join(f'<xs:enumeration value="{kind}"/>' for kind in ("none", "2d", "3d", "dgps", "pps"))
PLACE = "".join(
    f'<xs:attribute name="{name}" type="{name}" use="required"/>' for name in ("lat", "lon")
)
WHOSE = (
    '<xs:attribute name="version" type="xs:string" use="required" fixed="1.1"/>'
    '<xs:attribute name="creator" type="xs:string" use="required"/>'
)
SCHEMA = etree.XMLSchema(
    etree.fromstring(
        '<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" elementFormDefault="qualified" '
        'xmlns="http://www.topografix.com/GPX/1/1" '
        'targetNamespace="http://www.topografix.com/GPX/1/1"><xs:element name="gpx" type="gpx"/>'
        + degrees("lat", '<xs:minInclusive value="-90"/>', '<xs:maxInclusive value="90"/>')
        + degrees("lon", '<xs:minInclusive value="-180"/>', '<xs:maxExclusive value="180"/>')
        + f'<xs:simpleType name="fix"><xs:restriction base="xs:string">{KINDS}</xs:restriction>'
        "</xs:simpleType>"
        + sequence("others", '<xs:any namespace="##other" processContents="lax" minOccurs="0" '
                             'maxOccurs="unbounded"/>')
        + sequence("anything", '<xs:any processContents="lax"/>')
        + sequence("point", elements(POINT), PLACE)
        + sequence("segment", many("trkpt", "point") + elements([("extensions", "others")]))
        + sequence("track", elements(LINE) + many("trkseg", "segment"))
        + sequence("route", elements(LINE) + many("rtept", "point"))
        + sequence("metadata", elements([("name", "xs:string"), ("desc", "xs:string")]))
        + sequence("gpx", elements([("metadata", "metadata")]) + many("wpt", "point")
                   + many("rte", "route") + many("trk", "track")
                   + elements([("extensions", "others")]), WHOSE)
        + "</xs:schema>"
    )
)  # fmt: skip

letters = st.characters(
    codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\ufffe\uffff"
)
text = st.text(letters, min_size=1, max_size=12).map(str.strip).filter(bool)
size = st.floats(0, 1e6).map(lambda value: value + 0.0)
signed = st.floats(-1e6, 1e6)
time = st.datetimes(pd.Timestamp("1980-01-06"), pd.Timestamp("2100-01-01"))
point = st.fixed_dictionaries(
    {
        "lon": st.floats(-180, 180, exclude_max=True), "lat": st.floats(-90, 90),
        "part": st.integers(0, 1), "time": st.none() | time, "elevation_m": st.none() | signed,
        "hdop": st.none() | size, "vdop": st.none() | size, "pdop": st.none() | size,
        "accuracy_m": st.none() | size, "speed_m_s": st.none() | size,
        "course_deg": st.none() | size, "heart_rate_bpm": st.none() | size,
        "temperature_c": st.none() | signed, "cadence_rpm": st.none() | size,
        "satellites": st.none() | st.integers(0, 40),
        "fix_kind": st.none() | st.sampled_from(["none", "2d", "3d", "dgps", "pps", "rtk"]),
        "name": st.none() | text, "comment": st.none() | text, "symbol": st.none() | text,
        "extras": st.none() | st.dictionaries(text, text, min_size=1, max_size=3).map(
            lambda some: json.dumps(some, ensure_ascii=False, sort_keys=True)),
    }
)  # fmt: skip


def table_of(points: list[dict], table: Table) -> gpd.GeoDataFrame:
    rows = pd.DataFrame(points)
    part = np.sort(rows["part"].to_numpy())
    rows = rows.assign(
        receipt="r", log="walk", part=part - part[0], route=part - part[0],
        source_row=range(1, len(rows) + 1),
        time=pd.to_datetime(pd.Series(rows["time"], dtype="datetime64[us]"), utc=True),
    )  # fmt: skip
    shapes = shapely.points(rows["lon"], rows["lat"])
    return check_table(gpd.GeoDataFrame(rows, geometry=shapes, crs=4326), table)


def assert_valid(path: Path) -> None:
    SCHEMA.assertValid(etree.parse(path))


@settings(max_examples=60, deadline=None)
@given(st.lists(point, min_size=1, max_size=4))
def test_every_value_comes_back_and_the_file_is_valid(
    tmp_path_factory: pytest.TempPathFactory, points: list[dict]
) -> None:
    tables = {table.name: table_of(points, table) for table in (FIXES, WAYPOINTS, ROUTE_POINTS)}
    path = tmp_path_factory.mktemp("gpx") / "walk.gpx"
    assert_valid(write_gpx(path, **tables))
    reading = read_log(path)
    for name, frame in tables.items():
        again = reading.tables[name]
        for column in [*frame.columns.drop(["receipt", "flags"], errors="ignore")]:
            pd.testing.assert_series_equal(
                pd.Series(again[column]), pd.Series(frame[column]), check_names=False
            )


def test_gpxpy_reads_the_same(tmp_path: Path, real_files: Path) -> None:
    # gpxpy is a general-purpose reader of GPX.
    path = sorted((real_files / "gpx").glob("*.gpx"))[0]
    for source in sorted((real_files / "gpx").glob("*.gpx"))[:25]:
        tables = {n: f for n, f in read_log_or_none(source).items() if n != "logs" and len(f)}
        if not tables:
            continue
        path = tmp_path / source.name
        assert_valid(write_gpx(path, **tables, name="A & B"))
        theirs = gpxpy.parse(path.read_text(encoding="utf-8"))
        assert theirs.name == "A & B"
        points = [p for t in theirs.tracks for s in t.segments for p in s.points]
        fixes = tables.get("fixes", gpd.GeoDataFrame(geometry=[], crs=4326))
        assert [p.longitude for p in points] == fixes.geometry.x.tolist()
        assert [p.latitude for p in points] == fixes.geometry.y.tolist()
        assert len(theirs.waypoints) == len(tables.get("waypoints", []))
        assert sum(len(r.points) for r in theirs.routes) == len(tables.get("route_points", []))
        if len(fixes):
            segments = sum(len(t.segments) for t in theirs.tracks)
            assert segments == fixes["part"].nunique()


def read_log_or_none(path: Path) -> dict:
    try:
        return read_log(path).tables
    except InputError:
        return {}


def test_logs_and_parts_become_tracks_and_segments(tmp_path: Path) -> None:
    fixes = gpd.GeoDataFrame(
        {"log": ["a", "a", "a", "b"], "part": [0, 0, 2, 0]},
        geometry=gpd.points_from_xy([1, 2, 180, 4], [5, 6, 7, 8]), crs=4326,
    )  # fmt: skip
    path = write_gpx(tmp_path / "two.gpx", fixes=fixes)
    assert_valid(path)
    tracks = gpxpy.parse(path.read_text()).tracks
    assert [track.name for track in tracks] == ["a", "b"]
    assert [[len(s.points) for s in track.segments] for track in tracks] == [[2, 1], [1]]
    assert tracks[0].segments[1].points[0].longitude == -180


def test_another_crs_is_transformed_and_letters_that_xml_forbids_are_replaced(
    tmp_path: Path,
) -> None:
    marks = gpd.GeoDataFrame(
        {"log": ["a"], "name": pd.Series(["S\x00\x0b <1> & \ud800"], dtype="object")},
        geometry=gpd.points_from_xy([-119.2], [37.4]), crs=4326,
    ).to_crs("EPSG:32611")  # fmt: skip
    path = write_gpx(tmp_path / "marks.gpx", waypoints=marks)
    assert_valid(path)
    row = read_log(path).tables["waypoints"].iloc[0]
    assert row["name"] == "S\ufffd\ufffd <1> & \ufffd"
    assert (row.geometry.x, row.geometry.y) == pytest.approx((-119.2, 37.4), abs=1e-9)


def test_what_cannot_be_written_is_told_and_no_file_is_overwritten(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no point"):
        write_gpx(tmp_path / "a.gpx")
    nowhere = gpd.GeoDataFrame({"log": ["a"]}, geometry=[None], crs=4326)
    with pytest.raises(InputError, match="rows without a point"):
        write_gpx(tmp_path / "a.gpx", waypoints=nowhere)
    far = nowhere.set_geometry(gpd.points_from_xy([1], [91]), crs=4326)
    with pytest.raises(InputError, match="out of range"):
        write_gpx(tmp_path / "a.gpx", waypoints=far)
    with pytest.raises(CrsMissing):
        write_gpx(tmp_path / "a.gpx", waypoints=gpd.GeoDataFrame(geometry=[shapely.Point(1, 2)]))
    good = far.set_geometry(gpd.points_from_xy([1], [2]), crs=4326)
    path = write_gpx(tmp_path / "a.gpx", waypoints=good)
    with pytest.raises(InputError, match="a file already"):
        write_gpx(path, waypoints=good)


def test_the_rules_of_the_schema_refuse_what_breaks_them() -> None:
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
    for body, good in (
        ('<wpt lat="1" lon="2"><ele>3</ele><time>2026-02-14T15:40:00Z</time></wpt>', True),
        ('<wpt lat="1" lon="2"><time>2026-02-14T15:40:00Z</time><ele>3</ele></wpt>', False),
        ('<wpt lat="1" lon="180"/>', False),
        ('<wpt lat="1" lon="2"><hdop>1e-5</hdop></wpt>', False),
        ('<wpt lat="1" lon="2"><fix>rtk</fix></wpt>', False),
        ('<trk/><wpt lat="1" lon="2"/>', False),
    ):
        assert SCHEMA.validate(etree.fromstring(f"{head}{body}</gpx>")) is good
