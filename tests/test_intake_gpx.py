"""GPX: every point of every real file is kept or set aside, and values are right."""

from __future__ import annotations

import bz2
import gzip
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from carnivore_sign.errors import FileUnreadable, InputError, UnknownKind
from carnivore_sign.intake import read_file, read_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.tables import SEASON_TABLES

POINT = '<trkpt lat="{}" lon="{}"><ele>612.5</ele><time>{}</time></trkpt>'


def gpx(*points: str, before: str = "", head: str = '<gpx version="1.1" creator="Made">') -> str:
    return f"{head}{before}<trk><name>Wash</name><trkseg>{''.join(points)}</trkseg></trk></gpx>"


def write(folder: Path, text: str | bytes, name: str = "walk.gpx") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def three_points() -> list[str]:
    return [POINT.format(37.4 + i / 1000, -119.2, f"2026-02-14T15:40:{i:02d}Z") for i in range(3)]


def test_values_go_to_the_columns_of_the_record(tmp_path: Path) -> None:
    before = (
        "<metadata><name>Monday</name><author><name>A. Walker</name></author></metadata>"
        '<wpt lat="37.5" lon="-119.3"><ele>600</ele><time>2026-02-14T15:41:00Z</time>'
        "<name>S014</name><cmt>scat</cmt><desc>by the gate</desc><sym>Flag</sym></wpt>"
        '<rte><rtept lat="37.6" lon="-119.4"><name>Gate</name></rtept></rte>'
    )
    point = (
        '<trkpt lat="37.4" lon="-119.2"><ele>612.5</ele><time>2026-02-14T07:40:00.4996-08:00</time>'
        "<hdop>1.5</hdop><extensions><a:accuracy>4.5</a:accuracy></extensions></trkpt>"
    )
    reading = read_log(write(tmp_path, gpx(point, before=before)))
    (fix,) = reading.tables["fixes"].to_dict("records")
    assert (fix["geometry"].x, fix["geometry"].y) == (-119.2, 37.4)
    assert fix["time"] == pd.Timestamp("2026-02-14T15:40:00.500Z")
    assert (fix["elevation_m"], fix["hdop"], fix["accuracy_m"]) == (612.5, 1.5, 4.5)
    assert (fix["log"], fix["part"], fix["source_row"]) == ("walk", 0, 1)
    assert fix["receipt"] == reading.sha256[:12]
    (mark,) = reading.tables["waypoints"].to_dict("records")
    assert (mark["name"], mark["comment"], mark["symbol"]) == ("S014", "scat; by the gate", "Flag")
    (log,) = reading.tables["logs"].to_dict("records")
    assert (log["device"], log["observer"], log["name"]) == ("Made", "A. Walker", "Monday")
    assert (log["tracks"], log["parts"]) == (1, 1)
    assert log["start"] == log["end"] == fix["time"]
    assert reading.tables["route_points"]["name"].tolist() == ["Gate"]


def test_the_observer_given_goes_before_the_author(tmp_path: Path) -> None:
    before = "<author>Old style</author>"
    path = write(tmp_path, gpx(*three_points(), before=before))
    assert read_log(path).tables["logs"]["observer"].item() == "Old style"
    assert read_log(path, observer="B.").tables["logs"]["observer"].item() == "B."


def test_the_tables_keep_to_their_schema_to_the_dtype(tmp_path: Path, real_files: Path) -> None:
    for path in (real_files / "gpx" / "gdal__test.gpx", write(tmp_path, gpx(*three_points()))):
        for name, frame in read_log(path).tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty
            pd.testing.assert_frame_equal(
                pd.DataFrame(frame), pd.DataFrame(conform(frame, SEASON_TABLES[name]))
            )


def manifest(real_files: Path) -> pd.DataFrame:
    table = pd.read_csv(real_files / "MANIFEST.csv", dtype=str)
    counts = ["trk", "trkseg", "trkpt", "wpt", "rtept"]
    return table.assign(**{name: pd.to_numeric(table[name]) for name in counts})


def counted(path: Path) -> dict[str, int]:
    reading = read_any(open_source(path), time_zone="UTC")
    assert reading.rows_in == {
        name: reading.rows_kept[name] + reading.rows_set_aside[name] for name in reading.tables
    }
    log = reading.tables["logs"]
    return {
        "trk": int(log["tracks"].sum()),
        "trkseg": int(log["parts"].sum()),
        "trkpt": reading.rows_kept["fixes"],
        "wpt": reading.rows_kept["waypoints"],
        "rtept": reading.rows_kept["route_points"],
    }


def test_every_good_real_file_gives_the_points_of_the_manifest(real_files: Path) -> None:
    # Source: independent counts by local name of element, in the manifest beside the files.
    table = manifest(real_files)
    table = table.loc[table["file"].str.startswith("gpx/")].set_index("file")
    assert len(table) > 100
    got = pd.DataFrame({file: counted(real_files / file) for file in table.index}).T
    points = table["trkpt"] + table["wpt"] + table["rtept"]
    want = table[got.columns].astype(int)
    want.loc[points == 0, ["trk", "trkseg"]] = 0  # a file without a point leaves no log
    pd.testing.assert_frame_equal(got, want, check_names=False)


BROKEN = {
    "derived__gpx_bad_dates.gpx": (0, 3, "no such date"),
    "derived__gpx_comma_decimals.gpx": (0, 3, "47,644548"),
    "derived__gpx_concatenated.gpx": (6, 0, None),
    "derived__gpx_latin1_bytes_declared_utf8.gpx": (82, 0, None),
    "derived__gpx_latlon_swapped.gpx": (415, 0, None),
    "derived__gpx_nan_inf.gpx": (0, 3, "not a number"),
    "derived__gpx_nan_wpt.gpx": (0, 1, "not a number"),
    "derived__gpx_slash_dates.gpx": (0, 3, "not a time"),
    "derived__gpx_truncated_midtag.gpx": (122, 1, "cut short at line 1121"),
    "gpxstudio__with_power_2.gpx": (80, 0, None),
    "made__deep_nesting_5000.gpx": (0, 1, "nested deeper"),
    "made__doctype_no_entity.gpx": (1, 0, None),
    "made__huge_attribute_12MB_name.gpx.gz": (0, 1, "12000000 characters"),
    "made__unknown_encoding.gpx": (1, 0, None),
    "osmweb__c.gpx": (1, 0, None),
    "osmweb__d.gpx": (1, 0, None),
    "placemark__bad.gpx": (0, 5, "undefined"),
    "sgraaf__lat_too_high.gpx": (0, 1, "latitude out of range"),
    "sgraaf__lat_too_low.gpx": (0, 1, "latitude out of range"),
    "sgraaf__lon_too_high.gpx": (0, 1, "longitude out of range"),
    "sgraaf__missing_namespace.gpx": (1, 0, None),
    "sgraaf__missing_version.gpx": (1, 0, None),
    "sgraaf__non_numeric_lon.gpx": (0, 1, "not_a_number"),
    "sgraaf__unknown_element.gpx": (1, 0, None),
    "sgraaf__wrong_namespace.gpx": (1, 0, None),
    "ticofab__garminBaseCampExport-noclosingtag.gpx": (20, 0, None),
    "ticofab__garminBaseCampExport-truncated.gpx": (2, 1, "cut short at line 58"),
}
REFUSED = {
    "gpsbabel__trackfilter_discard_err.gpx": "no table has these columns",
    "made__xxe_external_entity.gpx": "XML entities",
    "osmweb__f.gpx": "zip archive",
    "osmweb__g.gpx": "tar archive",
    "osmweb__h.gpx": "tar archive",
    "sgraaf__not_gpx_root.gpx": "<notgpx>",
}
PHOTOS = {"osmweb__jpg.gpx", "osmweb__jpg.gz.gpx"}


def test_every_broken_file_is_in_one_of_the_lists(real_files: Path) -> None:
    there = {path.name for path in (real_files / "broken").glob("*gpx*")}
    assert there == set(BROKEN) | set(REFUSED) | PHOTOS


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_keeps_its_good_rows_and_says_what_is_wrong(
    name: str, real_files: Path
) -> None:
    kept, aside, reason = BROKEN[name]
    reading = read_file(real_files / "broken" / name)
    points = {table for table in reading.tables if table != "logs"}
    assert sum(reading.rows_kept[table] for table in points) == kept
    assert len(reading.set_aside) == aside
    told = manifest(real_files).set_index("file").loc[f"broken/{name}"]
    assert kept + aside == int(told["trkpt"] + told["wpt"] + told["rtept"])
    if reason:
        assert reading.set_aside["reason"].str.contains(reason, regex=False).any()
        assert reading.set_aside["content"].str.startswith("<").all()


@pytest.mark.parametrize("name", sorted(PHOTOS))
def test_a_photo_that_is_called_gpx_is_a_photo(name: str, real_files: Path) -> None:
    path = real_files / "broken" / name
    assert read_file(path).rows_kept == {"photos": 1}
    with pytest.raises(UnknownKind, match="not a GPS log"):
        read_log(path)


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_gpx_is_refused_with_file_and_remedy(name: str, real_files: Path) -> None:
    with pytest.raises(InputError) as told:
        read_file(real_files / "broken" / name)
    assert REFUSED[name] in str(told.value)
    assert name in str(told.value)
    assert told.value.remedy


def test_nothing_outside_the_file_is_opened_and_no_entity_grows(tmp_path: Path) -> None:
    (tmp_path / "canary.txt").write_text("CANARY")
    outside = '<!DOCTYPE gpx [<!ENTITY x SYSTEM "canary.txt">]>'
    bomb = '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    for declared, use in ((outside, "&x;"), (bomb, "&b;")):
        wpt = f'<wpt lat="1" lon="2"><name>{use}</name></wpt>'
        path = write(tmp_path, declared + gpx(*three_points(), before=wpt))
        with pytest.raises(FileUnreadable, match="XML entities") as told:
            read_file(path)
        assert "CANARY" not in str(told.value)
    external = '<!DOCTYPE gpx SYSTEM "canary.txt">' + gpx(*three_points())
    reading = read_file(write(tmp_path, external))
    assert reading.rows_kept["fixes"] == 3
    assert "CANARY" not in str(reading)


@pytest.mark.parametrize(
    ("lat", "lon", "reason"),
    [
        # Source: GPX 1.1 schema, latitudeType and longitudeType.
        ("90", "0", None),
        ("-90", "179.999999", None),
        ("90.0000001", "0", "latitude out of range"),
        ("95", "0", "latitude out of range"),
        ("0", "-180.5", "longitude out of range"),
        ("nan", "0", "latitude is not a number"),
        ("47,6", "0", "latitude is not a number: write it with a point, 47.6 (came: 47,6)"),
        ("1_0", "0", "latitude is not a number"),
        ("\u0661", "0", "latitude is not a number"),
        ("", "0", "no latitude"),
        ("north", "east", "longitude is not a number"),
        ("1e999", "0", "latitude is not a number"),
    ],
)
def test_positions_are_held_against_the_bounds(
    lat: str, lon: str, reason: str | None, tmp_path: Path
) -> None:
    odd = POINT.format(lat, lon, "2026-02-14T15:40:30Z")
    good = three_points()
    reading = read_file(write(tmp_path, gpx(good[0], odd, *good[1:])))
    assert reading.rows_in["fixes"] == 4
    if reason is None:
        assert reading.rows_kept["fixes"] == 4
        return
    assert reading.tables["fixes"]["source_row"].tolist() == [1, 3, 4]
    assert reading.set_aside["source_row"].tolist() == [2]
    assert reason in reading.set_aside["reason"].item()
    assert reading.set_aside["content"].item() == odd


def test_longitude_180_is_put_at_minus_180_and_noted(tmp_path: Path) -> None:
    odd = POINT.format("-17", "180", "2026-02-14T15:40:30Z")
    reading = read_file(write(tmp_path, gpx(odd)))
    assert reading.tables["fixes"].geometry.x.tolist() == [-180.0]
    assert any("longitude 180" in note for note in reading.notes)


def test_a_time_without_a_zone_is_refused_unless_one_is_stated(tmp_path: Path) -> None:
    local = POINT.format("37.4", "-119.2", "2026-02-14T07:40:00")
    path = write(tmp_path, gpx(*three_points(), local))
    reading = read_file(path)
    assert reading.rows_kept["fixes"] == 3
    assert "without a zone" in reading.set_aside["reason"].item()
    reading = read_file(path, time_zone="America/Los_Angeles")
    assert reading.tables["fixes"]["time"].iloc[3] == pd.Timestamp("2026-02-14T15:40Z")
    assert any("America/Los_Angeles" in note for note in reading.notes)
    with pytest.raises(InputError, match="not a time zone"):
        read_file(path, time_zone="California")


def test_a_log_without_times_is_kept_and_flagged(tmp_path: Path) -> None:
    bare = '<trkpt lat="37.4" lon="-119.2"/><trkpt lat="37.5" lon="-119.2"></trkpt>'
    fixes = read_file(write(tmp_path, gpx(bare))).tables["fixes"]
    assert fixes["time"].isna().all()
    assert fixes["flags"].tolist() == ["no_time", "no_time"]


def test_what_stands_in_extensions_is_not_taken_for_the_point(tmp_path: Path) -> None:
    odd = (
        '<trkpt lat="37.4" lon="-119.2"><extensions><time>37006</time><ele>9</ele>'
        '<wpt lat="1" lon="1"/></extensions><x:ele>8</x:ele><ele>5</ele></trkpt>'
    )
    reading = read_file(write(tmp_path, gpx(odd)))
    assert reading.rows_in == {"logs": 1, "fixes": 1, "waypoints": 0, "route_points": 0}
    assert reading.tables["fixes"]["elevation_m"].tolist() == [5.0]
    assert json.loads(reading.tables["fixes"]["extras"].item()) == {
        "time": "37006", "ele": "9", "wpt@lat": "1", "wpt@lon": "1", "x:ele": "8",
    }  # fmt: skip


@pytest.mark.parametrize("prefix", ["", "gpxtpx:", "ns3:"])
def test_extensions_go_to_their_columns_under_any_prefix_and_the_rest_is_kept_as_text(
    tmp_path: Path, prefix: str
) -> None:
    names = {
        "hr": "131", "atemp": "-2.5", "cad": "84", "speed": "1.4", "course": "271.5", "hAcc": "6.5",
        "battery": "71 %", "vdop": "x",
    }  # fmt: skip
    inside = "".join(f"<{prefix}{n}>{text}</{prefix}{n}>" for n, text in names.items())
    trkpt = (
        '<trkpt lat="37.4" lon="-119.2"><time>2026-02-14T15:40:00Z</time><fix>dgps</fix>'
        f"<sat>7</sat><hdop>1.1</hdop><pdop>2.2</pdop><src>GPS &amp; X</src>"
        f"<extensions>{inside}</extensions></trkpt>"
    )
    reading = read_file(write(tmp_path, gpx(trkpt)))
    row = reading.tables["fixes"].iloc[0]
    assert row[
        ["heart_rate_bpm", "temperature_c", "cadence_rpm", "speed_m_s", "course_deg", "accuracy_m",
         "satellites", "hdop", "pdop"]
    ].tolist() == [131, -2.5, 84, 1.4, 271.5, 6.5, 7, 1.1, 2.2]  # fmt: skip
    assert row["fix_kind"] == "dgps"
    assert json.loads(row["extras"]) == {
        "src": "GPS & X", f"{prefix}battery": "71 %", "vdop": "x",
    }  # fmt: skip
    assert np.isnan(row["vdop"])
    assert any("vdop left out where it is no such number (1: 'x')" in n for n in reading.notes)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1", "cp1252"])
def test_names_are_read_in_any_encoding(encoding: str, tmp_path: Path) -> None:
    stated = {"utf-8-sig": "utf-8"}.get(encoding, encoding)
    name = '<wpt lat="1" lon="2"><name><![CDATA[Ca\u00f1\u00f3n & <Wash>]]></name></wpt>'
    text = f'<?xml version="1.0" encoding="{stated}"?>' + gpx(*three_points(), before=name)
    reading = read_file(write(tmp_path, text.encode(encoding)))
    assert reading.tables["waypoints"]["name"].item() == "Ca\u00f1\u00f3n & <Wash>"
    assert reading.rows_kept["fixes"] == 3


def test_a_prefix_or_an_odd_namespace_does_not_matter(tmp_path: Path) -> None:
    text = gpx(*three_points(), head='<gpx xmlns="http://example.com/odd">')
    prefixed = text.replace("</", "</q:").replace("<", "<q:").replace("<q:/q:", "</q:")
    assert read_file(write(tmp_path, text)).rows_kept["fixes"] == 3
    assert read_file(write(tmp_path, prefixed)).rows_kept["fixes"] == 3


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress])
def test_a_packed_log_is_unpacked_and_a_cut_one_gives_what_it_has(pack, tmp_path: Path) -> None:
    points = [POINT.format(37.4, -119.2 + i / 1e5, "2026-02-14T15:40:00Z") for i in range(2000)]
    packed = pack(gpx(*points).encode())
    reading = read_file(write(tmp_path, packed, "walk.gpx.gz"))
    assert reading.rows_kept["fixes"] == 2000
    assert reading.tables["logs"]["log"].item() == "walk"
    if pack is gzip.compress:
        reading = read_file(write(tmp_path, packed[: len(packed) // 2], "cut.gpx.gz"))
        assert 500 < reading.rows_kept["fixes"] < 1500
        assert any("cut short or damaged" in note for note in reading.notes)


def test_a_bomb_is_refused_before_it_fills_the_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("carnivore_sign.intake.source.MAX_UNPACKED_BYTES", 100_000)
    with pytest.raises(FileUnreadable, match="unpacks to more than"):
        read_file(write(tmp_path, gzip.compress(b"<gpx>" + b" " * 10_000_000)))


def test_every_cut_of_a_file_keeps_all_points_before_the_cut(tmp_path: Path) -> None:
    text = gpx(*three_points(), before="<metadata><name>Day</name></metadata>")
    for end in range(len("<gpx>"), len(text)):
        piece = text[:end]
        try:
            reading = read_any(open_source(write(tmp_path, piece)))
        except InputError:
            assert piece.count(">") == 0
            continue
        assert reading.rows_kept["fixes"] == piece.count("</trkpt>")
        begun = piece.count("<trkpt ") + piece.endswith("<trkpt")
        assert reading.rows_in["fixes"] == begun
        assert any("cut short" in note for note in reading.notes)


def test_reading_goes_on_after_a_fault(tmp_path: Path) -> None:
    points = three_points()
    bad_name = '<wpt lat="1" lon="2"><name>Cat & dog</name></wpt>'
    good_name = '<wpt lat="1" lon="2"><name>Gate</name></wpt>'
    cases = {
        gpx(*points, before=bad_name + good_name): (3, 0, 1, 1),
        gpx(points[0], points[1].replace("</ele>", ""), points[2]): (2, 1, 0, 0),
        gpx(points[0], points[1].replace("lat=", 'lon="1" lat='), points[2]): (2, 1, 0, 0),
        gpx(points[0], "\x02", *points[1:]): (3, 0, 0, 0),
    }
    for text, (fixes, fixes_aside, marks, marks_aside) in cases.items():
        reading = read_file(write(tmp_path, text))
        assert reading.rows_kept["fixes"] == fixes, text
        assert reading.rows_set_aside["fixes"] == fixes_aside
        assert reading.rows_kept["waypoints"] == marks
        assert reading.rows_set_aside["waypoints"] == marks_aside
        assert any("broken at line 1" in note for note in reading.notes)
        assert reading.tables["fixes"]["part"].eq(0).all()


def test_a_file_full_of_faults_ends_in_bounded_time_and_adds_up(tmp_path: Path) -> None:
    bad = '<trkpt lat="1" lon="2"><ele>&</ele></trkpt>'
    reading = read_any(open_source(write(tmp_path, gpx(*[bad] * 5000))))
    assert reading.rows_in["fixes"] == 5000
    assert reading.rows_set_aside["fixes"] == 5000


def test_missing_empty_and_pointless_files_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(FileUnreadable, match="no such file") as told:
        read_file(tmp_path / "gone.gpx")
    assert "gone.gpx" in str(told.value)
    with pytest.raises(FileUnreadable, match="the file is empty"):
        read_file(write(tmp_path, ""))
    with pytest.raises(FileUnreadable, match="it holds no point"):
        read_file(write(tmp_path, "<gpx></gpx>"))
    with pytest.raises(FileUnreadable, match="this is a folder"):
        read_file(tmp_path)
    with pytest.raises(FileUnreadable, match="root element is <html>"):
        read_file(write(tmp_path, "<html><body/></html>"), kind="gpx")
    with pytest.raises(UnknownKind, match="not a GPS log"):
        read_log(write(tmp_path, "sign,time,kind\na,2026-02-14T15:40Z,scat\n"))


def test_values_agree_with_a_general_purpose_reader(real_files: Path) -> None:
    # Source: gpxpy, a general-purpose reference library.
    reference = pytest.importorskip("gpxpy")
    names = ["qgis__layers", "mapbox__run", "gpxpy__korita-zbevnica", "georust__wikipedia_example"]
    for name in names:
        path = real_files / "gpx" / f"{name}.gpx"
        parsed = reference.parse(path.read_text(encoding="utf-8-sig"))
        points = [p for track in parsed.tracks for part in track.segments for p in part.points]
        fixes = read_file(path).tables["fixes"]
        want = np.array([(p.longitude, p.latitude) for p in points])
        assert np.array_equal(shapely.get_coordinates(fixes.geometry), want), name
        height = np.array([np.nan if p.elevation is None else p.elevation for p in points])
        np.testing.assert_array_equal(fixes["elevation_m"], height)
        times = pd.Series(pd.to_datetime([p.time for p in points], utc=True))
        assert fixes["time"].equals(times.astype(fixes["time"].dtype)), name
