"""Tables of positions: every row of what loggers wrote is kept or set aside with a reason."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from carnivore_sign.errors import InputError, UnknownKind
from carnivore_sign.intake import Reading, import_files, read_file, read_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES


def read(folder: Path, *lines: str, time_zone: str | None = "UTC") -> Reading:
    path = folder / "points.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    return read_log(path, time_zone=time_zone)


def test_rows_without_a_name_are_fixes_and_those_with_one_waypoints(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        "Latitude,N/S,Longitude,E/W,Height (ft),Date,Time,Name,Speed",
        "37.4,N,119.2,W,1000,2026/02/14,15:40:00,,3",
        "37.5,S,119.3,W,-10,2026/02/14,15:41:00.250,S014,3",
    )
    assert reading.kind == "points"
    (fix,) = reading.tables["fixes"].to_dict("records")
    assert (fix["geometry"].x, fix["geometry"].y) == (-119.2, 37.4)
    assert fix["elevation_m"] == pytest.approx(304.8)
    assert (fix["time"], fix["source_row"]) == (pd.Timestamp("2026-02-14T15:40:00Z"), 2)
    (mark,) = reading.tables["waypoints"].to_dict("records")
    assert (mark["name"], mark["geometry"].y) == ("S014", -37.5)
    assert mark["elevation_m"] == pytest.approx(-3.048)
    assert any("columns not kept: Speed" in note for note in reading.notes)


def test_counts_of_seconds_since_1970_are_utc(tmp_path: Path) -> None:
    # Source: 1 000 000 000 s is 2001-09-09T01:46:40Z, a fact of the POSIX clock, from memory.
    rows = ["1,2,1000000000", "1,2,1000000000250"]
    times = read(tmp_path, "lat,lon,time", *rows, time_zone=None).tables["fixes"]["time"]
    assert times[0] == pd.Timestamp("2001-09-09T01:46:40Z")
    assert times[1] == pd.Timestamp("2001-09-09T01:46:40.250Z")


def test_what_cannot_be_read_is_set_aside(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        "lat,lon,time,hdop",
        "37.4,-119.2,2026-02-14 07:40,1.5",
        ",,2026-02-14 07:41,",
        "95,-119.2,2026-02-14T07:42Z,",
        "37.4,-119.2,2026-02-14T07:43Z,high",
        time_zone=None,
    )
    assert reading.rows_in["fixes"] == 4
    assert reading.tables["fixes"]["source_row"].tolist() == [5]
    reasons = reading.set_aside.set_index("source_row")["reason"]
    assert "without a zone" in reasons[2]
    assert "no position" in reasons[3]
    assert "out of range" in reasons[4]
    assert any("hdop left out" in note for note in reading.notes)


def test_a_notebook_that_lacks_a_column_is_never_taken_as_a_log(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("sign,time,lat,lon\nS1,2026-02-14T07:40Z,37.4,-119.2\n")
    with pytest.raises(InputError, match="no column 'kind'"):
        read_file(path)


def test_places_in_one_column_and_in_a_workbook(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    made = openpyxl.Workbook()
    for row in (["Position", "Name"], ["11 north 302345 4145678", "Gate"], ["11SLB0234545678", 7]):
        made.active.append(row)
    stream = io.BytesIO()
    made.save(stream)
    (tmp_path / "a.xlsx").write_bytes(stream.getvalue())
    marks = read_log(tmp_path / "a.xlsx").tables["waypoints"]
    assert marks["name"].tolist() == ["Gate", "7"]
    assert marks.geometry.x.tolist() == pytest.approx([marks.geometry.x[0]] * 2, abs=1e-5)
    assert marks.geometry.y.tolist() == pytest.approx([marks.geometry.y[0]] * 2, abs=1e-5)


#: Rows kept of the rows that there are, and why the others are not.
REAL = {
    "gpsbabel__bike_unicsv.csv": (1812, None),
    "gpsbabel__garminconnect.csv": (68, None),
    "gpsbabel__heightcheck.csv": (1024, None),
    "gpsbabel__humantodec1.csv": (19, None),
    "gpsbabel__humantodec2.csv": (19, None),
    "gpsbabel__iblue747.csv": (747, None),
    "gpsbabel__interptrack.csv": (35, None),
    "gpsbabel__mtk_logger_bt-qt1000xt.csv": (585, None),
    "gpsbabel__pretty_degree.csv": (8, None),
    "gpsbabel__pretty_degree2.csv": (8, None),
    "gpsbabel__headerdetection.unicsv.csv": (5, None),
    "gpsbabel__tcxdata.csv": (4, None),
    "gpsbabel__unicsv_encoding.csv": (1, None),
    "gpsbabel__unidelim.csv": (1, None),
    "gpsbabel__unicsv-local.csv": (2, "time"),
    "gpsbabel__24173415.CSV": (742, None),
    "gpsbabel__grid-utm.csv": (39, None),
    "gpsbabel__utm_subsecond_track.csv": (11, "no position"),  # two lines of comment
}
REFUSED = {
    "gpsbabel__dotnet.csv": UnknownKind,
    "gpsbabel__iblue747_csv.csv": UnknownKind,
    "gpsbabel__strptime.csv": UnknownKind,
    "gpsbabel__grid-bng.csv": InputError,
    "gpsbabel__grid-swiss.csv": InputError,
}


def test_every_row_of_every_real_table_is_accounted_for(real_files: Path) -> None:
    # Source: lines that are not blank, counted in the manifest beside the files.
    table = pd.read_csv(real_files / "MANIFEST.csv", dtype=str).set_index("file")["other_counts"]
    names = [file for file in table.index if file.startswith("csv/")]
    assert {Path(name).name for name in names} == set(REAL) | set(REFUSED)
    for file, (kept, reason) in REAL.items():
        source = open_source(real_files / "csv" / file)
        assert recognise(source) == "points"
        reading = read_any(source, time_zone="UTC")
        rows = int(table[f"csv/{file}"].partition("=")[2]) - 1
        assert reading.rows_in["fixes"] + reading.rows_in["waypoints"] == rows, file
        assert reading.rows_kept["fixes"] + reading.rows_kept["waypoints"] == kept, file
        assert reason is None or reading.set_aside["reason"].str.contains(reason).all()
        for name, frame in reading.tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty
            pd.testing.assert_frame_equal(
                pd.DataFrame(frame), pd.DataFrame(conform(frame, SEASON_TABLES[name]))
            )
    for file, error in REFUSED.items():
        with pytest.raises(error):
            read_file(real_files / "csv" / file, time_zone="UTC")


def test_a_table_is_imported_as_a_log(tmp_path: Path, season: Season) -> None:
    path = tmp_path / "a.csv"
    path.write_text("lat,lon,time\n37.4,-119.2,2026-02-14T07:40Z\n")
    assert set(import_files(season, [path])["outcome"]) == {"imported"}
    assert len(season.read("fixes")) == 1


@pytest.mark.parametrize(
    ("name", "twin"),
    [("24173415.CSV", "24173415.gpx"), ("grid-utm.csv", "grid-utm_csv.gpx")],
)
def test_tables_of_loggers_agree_with_the_same_points_as_gpx(
    real_files: Path, name: str, twin: str
) -> None:
    """Dates of six digits and band letters in columns of their own, as another program read them.

    The logger kept local time, seven hours behind UTC, and the GPX file has fewer of its points.
    """
    ours = read_log(real_files / "csv" / f"gpsbabel__{name}", time_zone="America/Los_Angeles")
    theirs = read_log(real_files / "gpx" / f"gpsbabel__{twin}")
    table = "waypoints" if "utm" in name else "fixes"
    keys = ["name"] if "utm" in name else ["time"]
    here, there = (reading.tables[table].drop_duplicates(keys) for reading in (ours, theirs))
    both = here.merge(there, on=keys)
    assert len(both) == len(there) > 30
    for axis in ("x", "y"):
        first, second = (getattr(both[f"geometry_{side}"].array, axis) for side in ("x", "y"))
        np.testing.assert_allclose(first, second, atol=1e-6)


def table_of_days(folder: Path, *days: str) -> Path:
    path = folder / "a.csv"
    path.write_text("date,time,lat,lon\n" + "".join(f"{day},074015,37.4,-119.2\n" for day in days))
    return path


@pytest.mark.parametrize(
    ("days", "expected", "told"),
    [
        (["250731"], ["2025-07-31"], "read as year, month, day: 250731 as 2025-07-31"),
        (["310725", "010825"], ["2025-07-31", "2025-08-01"], "read as day, month, year"),
        (["073125"], ["2025-07-31"], "read as month, day, year: 073125 as 2025-07-31"),
        (["250724"], ["2025-07-24"], "by day, month, year it would be 2024-07-25"),
        (["990724"], ["1999-07-24"], "year, month, day"),
    ],
)
def test_dates_of_six_digits_are_settled_by_the_whole_column(
    tmp_path: Path, days: list[str], expected: list[str], told: str
) -> None:
    reading = read_log(table_of_days(tmp_path, *days), time_zone="UTC")
    assert reading.tables["fixes"]["time"].dt.strftime("%Y-%m-%d").tolist() == expected
    assert reading.tables["fixes"]["time"].dt.strftime("%H:%M:%S").eq("07:40:15").all()
    assert any(told in note for note in reading.notes)


def test_dates_of_six_digits_that_no_order_reads_are_set_aside(tmp_path: Path) -> None:
    reading = read_log(table_of_days(tmp_path, "310799", "010825", "329999"), time_zone="UTC")
    assert len(reading.tables["fixes"]) == 0
    assert reading.set_aside["reason"].str.contains("not a date: write the date as").all()


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("zone_letter,utm_zone,easting,northing", "S,11,302345,4145678"),
        ("hemisphere,utm_zone,easting,northing", "N,11,302345,4145678"),
        ("hemisphere,utm_zone,easting,northing", "north,11,302345,4145678"),
        ("hemisphere,utm_zone,easting,northing", "N,11S,302345,4145678"),
    ],
)
def test_the_band_or_the_hemisphere_may_stand_in_a_column_of_its_own(
    tmp_path: Path, header: str, row: str
) -> None:
    path = tmp_path / "a.csv"
    other = "" if header.startswith("hemi") else "R,11,302345,3145678\n"  # shows they are bands
    path.write_text(f"{header}\n{row}\n{other}")
    place = read_log(path).tables["fixes"].geometry.iloc[0]
    assert (place.x, place.y) == pytest.approx((-119.2341, 37.4368), abs=1e-4)


def test_a_hemisphere_that_is_none_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("hemisphere,utm_zone,easting,northing\nQQ,11,302345,4145678\n")
    assert "there is no band QQ" in read_log(path).set_aside["reason"].item()


@pytest.mark.parametrize(
    "header", ["time (UTC)", "time_utc", "UTC time", "utc_time", "Time [GMT]", "UTC_T"]
)
def test_a_column_that_says_utc_is_not_read_in_the_local_zone(tmp_path: Path, header: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(f"lat,lon,{header}\n37.4,-119.2,2026-02-14 07:40:00\n")
    fixes = read_log(path, time_zone="America/Los_Angeles").tables["fixes"]
    assert fixes["time"].item() == pd.Timestamp("2026-02-14T07:40:00Z")
