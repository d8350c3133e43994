"""TCX: every point of every real file is kept or set aside, and a plan is never effort."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake import Reading, read_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.tables import SEASON_TABLES

POINT = (
    "<Trackpoint><Time>{}</Time><Position><LatitudeDegrees>{}</LatitudeDegrees>"
    "<LongitudeDegrees>{}</LongitudeDegrees></Position><AltitudeMeters>612.5</AltitudeMeters>"
    "<HeartRateBpm><Value>120</Value></HeartRateBpm></Trackpoint>"
)
INDOORS = "<Trackpoint><Time>2026-02-14T15:41:00Z</Time></Trackpoint>"
MARK = (
    "<CoursePoint><Name>S014</Name><Time>2026-02-14T15:41:00Z</Time><Position>"
    "<LatitudeDegrees>37.5</LatitudeDegrees><LongitudeDegrees>-119.3</LongitudeDegrees>"
    "</Position><PointType>Generic</PointType><Notes>by the gate</Notes></CoursePoint>"
)


def activity(*points: str, prefix: str = "") -> str:
    text = (
        "<TrainingCenterDatabase><Activities><Activity Sport='Other'><Lap><Track>"
        f"{''.join(points)}</Track></Lap><Creator><Name>Watch</Name></Creator></Activity>"
        "</Activities></TrainingCenterDatabase>"
    )
    return text.replace("</", f"</{prefix}").replace("<", f"<{prefix}").replace(
        f"<{prefix}/{prefix}", f"</{prefix}"
    )  # fmt: skip


def course(*points: str) -> str:
    return (
        "<TrainingCenterDatabase><Courses><Course><Name>Loop</Name><Track>"
        f"{''.join(points)}</Track>{MARK}</Course></Courses></TrainingCenterDatabase>"
    )


def good(number: int) -> str:
    return POINT.format(f"2026-02-14T15:40:{number:02d}Z", 37.4 + number / 1000, -119.2)


def read(folder: Path, text: str) -> Reading:
    path = folder / "walk.tcx"
    path.write_text(text, encoding="utf-8")
    return read_log(path)


@pytest.mark.parametrize("prefix", ["", "ns3:"])
def test_an_activity_gives_fixes(tmp_path: Path, prefix: str) -> None:
    reading = read(tmp_path, activity(good(0), INDOORS, good(1), prefix=prefix))
    assert reading.kind == "tcx"
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (3, 2)
    assert reading.set_aside["source_row"].tolist() == [2]
    assert reading.set_aside["reason"].item() == "no latitude; no longitude"
    assert "15:41:00Z" in reading.set_aside["content"].item()
    first = reading.tables["fixes"].iloc[0]
    assert (first.geometry.x, first.geometry.y, first["elevation_m"]) == (-119.2, 37.4, 612.5)
    assert first["time"] == pd.Timestamp("2026-02-14T15:40:00Z")
    assert reading.tables["logs"]["device"].item() == "Watch"
    assert any("HeartRateBpm (2)" in note for note in reading.notes)


def test_a_course_is_a_plan_and_never_effort(tmp_path: Path) -> None:
    reading = read(tmp_path, course(good(0), good(1)))
    assert reading.rows_kept["fixes"] == 0
    assert reading.rows_kept["route_points"] == 2
    (mark,) = reading.tables["waypoints"].to_dict("records")
    assert (mark["name"], mark["comment"], mark["symbol"]) == ("S014", "by the gate", "Generic")
    assert reading.tables["logs"]["name"].item() == "Loop"
    assert any("a course is a plan" in note for note in reading.notes)


def test_a_broken_file_keeps_the_points_before_the_fault(tmp_path: Path) -> None:
    text = activity(good(0), good(1), good(2), good(3))
    cut = text[: text.index("15:40:02Z")]
    reading = read(tmp_path, cut)
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (3, 2)
    assert "cut short at line 1" in reading.set_aside["reason"].item()
    broken = text.replace("15:40:02Z", "15:40:02Z<&>")
    reading = read(tmp_path, broken)
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (4, 3)
    assert reading.set_aside["source_row"].tolist() == [3]
    assert reading.set_aside["content"].item().startswith("<Trackpoint><Time>2026-02-14T15:40:02Z<")


def test_reading_goes_on_behind_a_fault(tmp_path: Path) -> None:
    text = activity(*map(good, range(5)))
    cases = {  # what is broken: the points that are set aside
        text.replace("15:40:02Z</Time>", "15:40:02Z"): [3],
        text.replace("</Trackpoint>", "", 1): [1],
        text.replace("<Trackpoint>", "<Trackpoint <", 2): [1, 2],
        text.replace("<Lap>", "<Lap <"): [],
        text.replace("<Track>", "<Track &>"): [],
        text.replace("<Trackpoint><Time>2026-02-14T15:40:03Z", "\x02<Trackpoint><Time>&"): [4],
    }
    for broken, aside in cases.items():
        reading = read(tmp_path, broken)
        assert reading.rows_in["fixes"] == 5, broken
        assert reading.set_aside["source_row"].tolist() == aside, broken
        assert reading.tables["fixes"]["part"].eq(0).all()
        assert any("broken at line 1" in note for note in reading.notes)
        assert len(set(reading.set_aside["content"])) == len(aside)
    planned = read(tmp_path, course(*map(good, range(4))).replace("15:40:02Z", "&"))
    assert (planned.rows_in["route_points"], planned.rows_kept["route_points"]) == (4, 3)
    assert (planned.rows_kept["waypoints"], planned.rows_in["fixes"]) == (1, 0)


def test_a_file_full_of_faults_ends_in_bounded_time_and_adds_up(tmp_path: Path) -> None:
    reading = read(tmp_path, activity(good(0), *["<Trackpoint><Time>&</Time></Trackpoint>"] * 5000))
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (5001, 1)
    assert any("in more places" in note for note in reading.notes)


def test_depth_is_bounded(tmp_path: Path) -> None:
    reading = read(tmp_path, activity(good(0), "<Trackpoint>" + "<a>" * 5000))
    assert reading.rows_kept["fixes"] == 1
    assert "nested deeper" in reading.set_aside["reason"].item()


def test_entities_are_refused(real_files: Path) -> None:
    with pytest.raises(FileUnreadable, match="declares XML entities"):
        read_log(real_files / "broken" / "made__bomb_billion_laughs.tcx")


def test_bad_values_are_set_aside_with_what_came(real_files: Path) -> None:
    reading = read_log(real_files / "broken" / "placemark__bad.tcx")
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (4, 2)
    assert reading.set_aside["reason"].str.contains("undefined").all()
    assert reading.tables["fixes"]["flags"].fillna("").str.contains("zero_island").any()


def test_every_real_file_gives_the_points_of_the_manifest(real_files: Path) -> None:
    # Source: independent counts by local name of element, in the manifest beside the files.
    table = pd.read_csv(real_files / "MANIFEST.csv", dtype=str).set_index("file")["other_counts"]
    files = [file for file in table.index if file.startswith("tcx/")]
    assert len(files) == 12
    for file in files:
        wanted = {key: int(n) for key, n in (pair.split("=") for pair in table[file].split("; "))}
        source = open_source(real_files / file)
        assert recognise(source) == "tcx"
        reading = read_any(source)
        came, kept = reading.rows_in, reading.rows_kept
        assert came["fixes"] + came["route_points"] == wanted["Trackpoint"], file
        assert kept["fixes"] + kept["route_points"] == wanted["Position"], file
        assert kept["waypoints"] == wanted["CoursePoint"], file
        for name, frame in reading.tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty
            pd.testing.assert_frame_equal(
                pd.DataFrame(frame), pd.DataFrame(conform(frame, SEASON_TABLES[name]))
            )


@given(
    st.floats(-90, 90), st.floats(-180, 179.999),
    st.datetimes(pd.Timestamp("1990-01-01"), pd.Timestamp("2100-01-01")),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, lat: float, lon: float, when: pd.Timestamp
) -> None:
    text = activity(POINT.format(when.isoformat() + "Z", repr(lat), repr(lon)))
    (fix,) = read(tmp_path_factory.mktemp("t"), text).tables["fixes"].to_dict("records")
    assert (fix["geometry"].x, fix["geometry"].y) == (lon, lat)
    assert fix["time"] == pd.Timestamp(when, tz="UTC").round("ms")
