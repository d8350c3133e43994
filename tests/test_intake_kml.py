"""KML and KMZ: every position of every real file, tracks in pairs, archives within bounds."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import FileUnreadable, InputError, UnknownKind
from carnivore_sign.intake import Reading, import_files, read_file, read_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES

POINT = "<Placemark><name>S014</name><description>scat</description>{}<Point><coordinates>" \
    "-119.2,37.4,612.5</coordinates></Point></Placemark>"  # fmt: skip
LINE = "<Placemark><name>Wash</name><LineString><coordinates>-119.2,37.4 -119.21,37.41,5" \
    "</coordinates></LineString></Placemark>"  # fmt: skip
RING = "<LinearRing><coordinates>0,0 1,0 1,1 0,0</coordinates></LinearRing>"
AREA = "<Placemark><name>Pasture</name><Polygon><outerBoundaryIs>" + RING + \
    "</outerBoundaryIs></Polygon></Placemark>"  # fmt: skip
WHENS = [f"2026-02-14T15:40:0{second}Z" for second in range(3)]
COORDS = [f"-119.2 37.{second} 600" for second in range(3)]


def kml(*features: str, head: str = "<kml>") -> str:
    return f"{head}<Document><name>Monday</name>{''.join(features)}</Document></kml>"


def track(whens: list[str], coords: list[str], prefix: str = "gx:") -> str:
    times = "".join(f"<when>{when}</when>" for when in whens)
    places = "".join(f"<{prefix}coord>{coord}</{prefix}coord>" for coord in coords)
    return f"<Placemark><{prefix}Track>{times}{places}</{prefix}Track></Placemark>"


def packed(members: dict[str, str | bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return stream.getvalue()


def read(folder: Path, content: str | bytes, name: str = "a.kml") -> Reading:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_log(path)


def test_points_are_waypoints(tmp_path: Path) -> None:
    when = "<TimeStamp><when>2026-02-14T15:40:00Z</when></TimeStamp>"
    reading = read(tmp_path, kml(POINT.format(when), POINT.format("")))
    assert reading.kind == "kml"
    first, second = reading.tables["waypoints"].to_dict("records")
    assert (first["name"], first["comment"], first["elevation_m"]) == ("S014", "scat", 612.5)
    assert (first["geometry"].x, first["geometry"].y) == (-119.2, 37.4)
    assert first["time"] == pd.Timestamp("2026-02-14T15:40:00Z")
    assert pd.isna(second["time"])
    assert reading.tables["logs"]["name"].item() == "Monday"


def test_a_day_is_no_moment_and_stays_in_the_comment(tmp_path: Path) -> None:
    when = "<TimeStamp><when>2026-02-14</when></TimeStamp>"
    (mark,) = read(tmp_path, kml(POINT.format(when))).tables["waypoints"].to_dict("records")
    assert pd.isna(mark["time"])
    assert mark["comment"] == "scat; dated 2026-02-14"


@pytest.mark.parametrize("prefix", ["gx:", "any:", ""])
def test_a_track_gives_a_fix_for_each_pair(tmp_path: Path, prefix: str) -> None:
    reading = read(tmp_path, kml(track(WHENS, COORDS, prefix), track(WHENS, COORDS, prefix)))
    fixes = reading.tables["fixes"]
    assert fixes["part"].tolist() == [0, 0, 0, 1, 1, 1]
    assert fixes.geometry.y.tolist()[:3] == [37.0, 37.1, 37.2]
    assert [f"{time:%H%M%S}" for time in fixes["time"][:3]] == ["154000", "154001", "154002"]


def test_times_and_positions_that_do_not_match_are_told(tmp_path: Path) -> None:
    more_times = read(tmp_path, kml(track(WHENS, COORDS[:2])))
    assert (more_times.rows_in["fixes"], more_times.rows_kept["fixes"]) == (3, 2)
    assert "a time without a position (2026-02-14T15:40:02Z)" in (
        more_times.set_aside["reason"].item()
    )
    more_places = read(tmp_path, kml(track(WHENS[:2], COORDS)))
    assert more_places.tables["fixes"]["flags"].fillna("").tolist() == ["", "", "no_time"]
    assert any("2 times and 3 positions" in note for note in more_places.notes)
    blank = read(tmp_path, kml(track(WHENS, [COORDS[0], "", COORDS[2]])))
    assert blank.tables["fixes"]["source_row"].tolist() == [1, 3]
    assert blank.tables["fixes"]["time"].iloc[1] == pd.Timestamp(WHENS[2])


def test_lines_and_polygons_are_a_layer_unless_a_kind_is_stated(tmp_path: Path) -> None:
    path = tmp_path / "a.kml"
    path.write_text(kml(LINE, AREA))
    layer = read_file(path)
    assert layer.rows_kept == {"transects": 1, "parcels": 1}
    assert layer.tables["transects"].geometry.iloc[0].wkt == (
        "LINESTRING (-119.2 37.4, -119.21 37.41)"
    )
    assert layer.tables["parcels"]["parcel"].tolist() == ["Pasture"]
    log = read_file(path, kind="kml")
    assert log.rows_kept["fixes"] == 2
    assert log.tables["fixes"]["flags"].tolist() == ["no_time", "no_time"]
    assert "kind='layer'" in log.set_aside["reason"].item()


def test_a_log_can_be_read_as_a_layer(tmp_path: Path) -> None:
    path = tmp_path / "a.kml"
    path.write_text(kml(POINT.format(""), LINE))
    assert read_file(path).rows_kept["waypoints"] == 1
    layer = read_file(path, kind="layer")
    assert layer.rows_in == {"transects": 2}
    assert layer.set_aside["reason"].str.contains("not a linestring").sum() == 1


def test_a_multi_geometry_gives_all_its_parts(tmp_path: Path) -> None:
    inside = "<MultiGeometry>" + "".join(
        f"<Point><coordinates>{lon},1</coordinates></Point>" for lon in range(3)
    ) + "<LineString><coordinates>0,0 1,1</coordinates></LineString></MultiGeometry>"  # fmt: skip
    reading = read(tmp_path, kml(f"<Placemark><name>A</name>{inside}</Placemark>"))
    assert reading.rows_kept["waypoints"] == 3
    assert reading.tables["waypoints"]["name"].tolist() == ["A"] * 3
    assert reading.rows_kept["fixes"] == 2


def test_a_broken_file_keeps_the_good_rows(tmp_path: Path, real_files: Path) -> None:
    text = kml(track(WHENS, COORDS), POINT.format(""), POINT.format(""))
    cut = read(tmp_path, text[: text.index("37.2") + 2])
    assert (cut.rows_in["fixes"], cut.rows_kept["fixes"]) == (3, 2)
    assert "cut short" in cut.set_aside["reason"].item()
    broken = read(tmp_path, text.replace("S014", "<S014&", 1))
    assert broken.rows_kept["fixes"] == 3
    assert (broken.rows_in["waypoints"], broken.rows_kept["waypoints"]) == (2, 1)
    pair = kml(POINT.format(""), LINE)
    half = read(tmp_path, pair[: pair.index("37.41") + 3])
    assert (half.rows_in["fixes"], half.rows_kept["fixes"]) == (2, 1)
    real = read_any(open_source(real_files / "broken" / "derived__kml_truncated.kml"))
    assert (real.rows_in["fixes"], real.rows_kept["fixes"]) == (4, 0)


def test_reading_goes_on_behind_a_fault(tmp_path: Path) -> None:
    good = kml(POINT.format(""), LINE, track(WHENS, COORDS), POINT.format(""))
    head = {"fixes": 5, "waypoints": 2}
    cases = {  # what is broken: rows set aside of each table, and what the first of them tells
        good.replace("37.4,612.5<", "37.4,61&2.5<", 1): (0, 1, "<Point>"),
        good.replace("-119.21,37.41,5", "-119.21,3&7.41,5 -119.3,37.5", 1): (1, 0, "<LineString>"),
        good.replace("15:40:01Z", "15:40:01Z<", 1): (1, 0, "<gx:coord>-119.2 37.1"),
        good.replace("37.1 600", "37.1 6\x0200", 1): (1, 0, "<gx:coord>-119.2 37.1"),
        good.replace("<gx:coord>-119.2 37.1", "<gx:coord <-119.2 37.1", 1): (1, 0, "<gx:coord <"),
        good.replace("<description>scat", "<description>scat & bones", 1): (0, 1, "<Point>"),
        good.replace("<Placemark>", "<Placemark <", 1): (0, 1, "<Placemark <"),
    }
    for text, (fixes, marks, content) in cases.items():
        reading = read(tmp_path, text)
        more = int("-119.3,37.5" in text)
        assert reading.rows_in["fixes"] == head["fixes"] + more, text
        assert reading.rows_in["waypoints"] >= head["waypoints"], text
        assert (reading.rows_set_aside["fixes"], reading.rows_set_aside["waypoints"]) == (
            fixes, marks
        ), text  # fmt: skip
        assert reading.set_aside["content"].iloc[0].startswith(content), text
        assert reading.set_aside["reason"].str.contains("broken at line 1").all()
        assert any("broken at line 1" in note for note in reading.notes)
    times = read(tmp_path, good.replace("15:40:01Z", "15:40:01Z<", 1)).tables["fixes"]["time"]
    assert [f"{time:%S}" for time in times.dropna()] == ["00", "02"]


def test_an_archive_gives_all_its_documents(tmp_path: Path) -> None:
    bad = '<!DOCTYPE kml [<!ENTITY a "b">]>' + kml(POINT.format(""))
    members = {
        "a/first.kml": kml(track(WHENS, COORDS)), "doc.kml": kml(POINT.format(""), LINE),
        "bad.kml": bad, "../up.kml": kml(POINT.format("")), "x.png": b"0" * 100,
        "bomb.kml": kml() + " " * 2**23,
    }  # fmt: skip
    reading = read(tmp_path, packed(members), "a.kmz")
    assert (reading.rows_in["waypoints"], reading.rows_kept["waypoints"]) == (4, 2)
    assert reading.rows_kept["fixes"] == 5
    assert sorted(reading.tables["fixes"]["part"].unique()) == [0, 1]
    told = dict(zip(reading.set_aside["content"], reading.set_aside["reason"], strict=True))
    assert "'bomb.kml' in the archive was not read" in told["bomb.kml"]
    assert "as a bomb would" in told["bomb.kml"]
    assert any("declares XML entities" in reason for reason in told.values())
    assert any("climbs out of its folder" in note for note in reading.notes)
    assert reading.notes[0] == "'doc.kml' was read from the archive"
    layer = read_file(tmp_path / "a.kmz", kind="layer")
    assert layer.rows_kept["transects"] == 1  # the track has no name


def test_archives_are_read_within_bounds(tmp_path: Path, real_files: Path) -> None:
    with pytest.raises(FileUnreadable, match="as a bomb would"):
        read_file(real_files / "broken" / "made__kmz_zipbomb_64MB.kmz")
    with pytest.raises(FileUnreadable, match="as a bomb would"):
        read(tmp_path, packed({"doc.kml": kml() + " " * 2**23}))
    reading = read_file(real_files / "broken" / "made__kmz_path_traversal.kmz")
    assert reading.rows_kept["waypoints"] == 1
    assert any("climbs out of its folder" in note for note in reading.notes)
    assert not list(tmp_path.rglob("evil*"))
    with pytest.raises(UnknownKind, match="without a KML in it"):
        read_file(real_files / "broken" / "made__kmz_no_kml.kmz")
    with pytest.raises(FileUnreadable, match="no KML in the archive"):
        read_file(real_files / "broken" / "made__kmz_no_kml.kmz", kind="kml")
    with pytest.raises(FileUnreadable, match="archive is damaged"):
        read(tmp_path, packed({"doc.kml": kml(POINT)})[:60])


def test_an_archive_that_lies_about_its_size_is_refused(tmp_path: Path) -> None:
    data = packed({"doc.kml": kml() + " " * 2**23})
    lie = data.replace((len(kml()) + 2**23).to_bytes(4, "little"), (100).to_bytes(4, "little"))
    assert lie != data
    with pytest.raises(InputError):
        read(tmp_path, lie)


@pytest.mark.parametrize("name", ["made__bomb_billion_laughs.kml", "made__xxe_external_entity.kml"])
@pytest.mark.parametrize("kind", ["kml", "layer"])
def test_entities_are_refused(real_files: Path, name: str, kind: str) -> None:
    with pytest.raises(FileUnreadable, match="declares XML entities"):
        read_file(real_files / "broken" / name, kind=kind)


def test_a_geometry_alone_is_no_log(real_files: Path) -> None:
    for name in ("fastkml__LinearRingWith1DTuple.kml", "fastkml__LinearRingWithInvalidLat.kml"):
        with pytest.raises(UnknownKind, match="root element <linearring>"):
            read_file(real_files / "broken" / name)


def test_every_real_file_gives_the_positions_of_the_manifest(real_files: Path) -> None:
    # Source: independent counts by local name of element, in the manifest beside the files.
    table = pd.read_csv(real_files / "MANIFEST.csv", dtype=str)
    table = table.loc[table["file"].str.startswith("kml/")]
    assert len(table) > 20
    for file, row in zip(table["file"], table["other_counts"], strict=True):
        wanted = {name: int(n) for name, n in (pair.split("=") for pair in row.split("; "))}
        reading = read_any(open_source(real_files / file), kind="kml")
        came = reading.rows_in
        assert came["fixes"] == wanted["coord"] + wanted["line_tuples"], file
        nowhere = int(reading.set_aside["reason"].str.contains("has no position").sum())
        assert came["waypoints"] - nowhere == wanted["Point"], file
        blank = {"kml/gpsbabel__opentracks.kml": 2}.get(file, 0)
        assert len(reading.set_aside) == nowhere + blank, file
        for name, frame in reading.tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty
            pd.testing.assert_frame_equal(
                pd.DataFrame(frame), pd.DataFrame(conform(frame, SEASON_TABLES[name]))
            )


def test_a_track_across_the_antimeridian_keeps_its_signs(real_files: Path) -> None:
    fixes = read_log(real_files / "kml" / "derived__antimeridian_gxtrack.kml").tables["fixes"]
    assert fixes.geometry.x.max() > 179
    assert fixes.geometry.x.min() < -179
    assert fixes["flags"].dropna().eq("antimeridian").all()


def test_real_files_are_told_apart(real_files: Path) -> None:
    kinds = {path.name: recognise(open_source(path)) for path in (real_files / "kml").iterdir()}
    assert kinds["placemark__linestring.kml"] == "layer"
    assert kinds["gpsbabel__bounds-test.kml"] == "kml"
    assert kinds["derived__gxtrack_not_doc.kmz"] == "kml"


def test_a_log_is_imported(tmp_path: Path, season: Season) -> None:
    path = tmp_path / "a.kmz"
    path.write_bytes(packed({"doc.kml": kml(POINT.format(""), track(WHENS, COORDS))}))
    assert set(import_files(season, [path])["outcome"]) == {"imported"}
    assert (len(season.read("fixes")), len(season.read("waypoints"))) == (3, 1)


@given(
    st.lists(st.tuples(st.floats(-180, 179.99), st.floats(-90, 90)), min_size=1, max_size=5),
    st.datetimes(pd.Timestamp("1990-01-01"), pd.Timestamp("2100-01-01")),
)
@settings(max_examples=60, deadline=None)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, places: list[tuple[float, float]], when: pd.Timestamp
) -> None:
    coords = [f"{lon!r} {lat!r}" for lon, lat in places]
    text = kml(track([when.isoformat() + "Z"] * len(coords), coords))
    fixes = read(tmp_path_factory.mktemp("k"), text).tables["fixes"]
    assert list(zip(fixes.geometry.x, fixes.geometry.y, strict=True)) == places
    assert (fixes["time"] == pd.Timestamp(when, tz="UTC").round("ms")).all()
