"""Notebook tables: what people write is read, and what cannot be read is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import FileUnreadable, InputError, UnknownKind
from carnivore_sign.intake import Reading, read_file, read_table
from carnivore_sign.intake.cells import (
    COMPASS,
    FOOT_NAMES,
    bearings_from_text,
    counts_from_text,
    feet_from_text,
    hours_from_text,
    numbers_from_text,
    shares_from_text,
    taxa_from_text,
)
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.records.vocabularies import CHARACTERS, NOT_VISIBLE

ZONE = "America/Los_Angeles"
SIGN = (
    "sign,date,time,lat,lon,waypoint,observer,kind,named_as,confidence,age_min,age_max,"
    "direction,surface,stride,notes"
)
ROW = "S1,2026-02-14,07:40,37.4,-119.2,,Ana,track,Mountain Lion,80 %,2 h,1 d,NNE,dust,36 in,clear"
BARE = "S2,2026-02-14,8:05,,,s014,Ana,scat,,,,,,,,"


def read(folder: Path, *lines: str, encoding: str = "utf-8", zone: str | None = ZONE) -> Reading:
    path = folder / "notebook.csv"
    path.write_bytes("\r\n".join(lines).encode(encoding))
    return read_file(path, time_zone=zone)


def test_a_row_of_sign_goes_to_the_record(tmp_path: Path) -> None:
    reading = read(tmp_path, SIGN, ROW, BARE)
    assert (reading.kind, reading.rows_in) == ("sign", {"sign": 2})
    first, second = reading.tables["sign"].to_dict("records")
    assert first["time"] == pd.Timestamp("2026-02-14T15:40Z")
    assert (first["geometry"].x, first["geometry"].y) == (-119.2, 37.4)
    assert (first["kind"], first["named_as"], first["confidence"]) == ("track", "puma", 0.8)
    assert (first["age_min_h"], first["age_max_h"], first["direction_deg"]) == (2.0, 24.0, 22.5)
    assert (first["surface"], first["stride_m"], first["notes"]) == ("dust", 0.9144, "clear")
    assert first["source_row"] == 2
    assert second["geometry"] is None
    assert second["waypoint"] == "s014"
    assert second["time"] == pd.Timestamp("2026-02-14T16:05Z")
    assert pd.isna(second["named_as"])
    assert find_faults(reading.tables["sign"], SEASON_TABLES["sign"]).empty


FAULTS = {
    "2026-02-14,07:40,95,-119.2": "lat: out of range",
    "2026-02-14,07:40,37.4,": "one of them stands without the other",
    "2026-02-14,07:40,north,-119.2": "lat: not a number",
    "4/2/2026,07:40,37.4,-119.2": "time: it can be two dates",
    "2026-02-30,07:40,37.4,-119.2": "no such date",
    "2026-02-14,,37.4,-119.2": "a date without time of day",
    "2026-03-08,02:30,37.4,-119.2": "the clocks went forward over it",
    ",,37.4,-119.2": "time: missing",
}


@pytest.mark.parametrize(("cells", "reason"), FAULTS.items())
def test_a_fault_sets_the_row_aside_with_its_number_and_text(
    cells: str, reason: str, tmp_path: Path
) -> None:
    bad = ROW.replace("2026-02-14,07:40,37.4,-119.2", cells)
    reading = read(tmp_path, SIGN, BARE, "", bad, ROW.replace("S1", "S3"))
    assert reading.rows_in == {"sign": 3}
    assert reading.tables["sign"]["sign"].tolist() == ["S2", "S3"]
    (aside,) = reading.set_aside.to_dict("records")
    assert aside["source_row"] == 4
    assert reason in aside["reason"]
    assert aside["content"] == bad


@pytest.mark.parametrize(
    ("old", "new", "reason"),
    [
        ("track", "poem", "kind: not one of track, scat"),
        ("Mountain Lion", "unicorn", "named_as: not one of puma"),
        ("80 %", "120 %", "confidence: not a share"),
        ("2 h", "fresh", "age_min: not an age"),
        ("2 h", "2 d", "youngest age is above the oldest"),
        ("NNE", "400", "direction: not a direction"),
        ("dust", "lava", "surface: not one of dust"),
        (
            "36 in",
            "36",
            "stride: no unit: write it behind the number (82 mm), or in the name of the "
            "column (stride_m, or stride (in))",
        ),
        ("36 in", "3 paces", "stride: unknown unit 'paces'"),
        ("S1", "", "sign: missing"),
        ("clear", "clear,as,day", "more cells than the 16 of the header"),
    ],
)
def test_each_column_tells_its_fault(old: str, new: str, reason: str, tmp_path: Path) -> None:
    reading = read(tmp_path, SIGN, ROW.replace(old, new, 1), BARE)
    assert reading.rows_kept == {"sign": 1}
    assert reason in reading.set_aside["reason"].item()


def test_all_faults_of_a_row_are_told_at_once(tmp_path: Path) -> None:
    reading = read(tmp_path, SIGN, ROW.replace("track", "poem").replace("dust", "lava"), BARE)
    assert "kind:" in reading.set_aside["reason"].item()
    assert "surface:" in reading.set_aside["reason"].item()


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_separator_comma_and_encoding_are_found(
    separator: str, encoding: str, tmp_path: Path
) -> None:
    decimal = '"37,4"' if separator == "," else "37,4"
    row = ROW.replace("37.4", "DECIMAL").replace("Ana", "Nu\u00f1ez").replace(",", separator)
    header = SIGN.upper().replace(",", separator)
    reading = read(tmp_path, header, row.replace("DECIMAL", decimal), encoding=encoding)
    (kept,) = reading.tables["sign"].to_dict("records")
    assert (kept["geometry"].y, kept["observer"]) == (37.4, "Nu\u00f1ez")


def test_names_are_matched_by_alias_and_unknown_columns_go_to_the_notes(tmp_path: Path) -> None:
    header = "Sign No.,Date,Time of day,Latitude,LONG,Species,Type,Stride (cm),Weather,Remarks"
    row = "7,2026-02-14,7.40 pm,37.4,-119.2,cougar,Prints,92,windy,on the bend"
    reading = read(tmp_path, header, row)
    (kept,) = reading.tables["sign"].to_dict("records")
    assert (kept["sign"], kept["kind"], kept["named_as"]) == ("7", "track", "puma")
    assert kept["stride_m"] == pytest.approx(0.92)
    assert kept["time"] == pd.Timestamp("2026-02-15T03:40Z")
    assert kept["notes"] == "on the bend; Weather: windy"


def test_a_full_time_needs_no_date_column_and_no_zone(tmp_path: Path) -> None:
    lines = ("sign,time,kind", "a,2026-02-14T07:40:00-08:00,scat", "b,2026-02-14T07:40,scat")
    reading = read(tmp_path, *lines, zone=None)
    assert reading.tables["sign"]["time"].tolist() == [pd.Timestamp("2026-02-14T15:40Z")]
    assert "without a zone" in reading.set_aside["reason"].item()


def test_the_hour_that_came_twice_is_read_as_the_first_and_noted(tmp_path: Path) -> None:
    reading = read(tmp_path, "sign,date,time,kind", "a,2026-11-01,01:30,scat")
    assert reading.tables["sign"]["time"].item() == pd.Timestamp("2026-11-01T08:30Z")
    assert any("went through twice" in note for note in reading.notes)


def test_prints_are_read_in_any_unit(tmp_path: Path) -> None:
    header = "sign,print,foot,length,width_mm,Pad width (in),leading_toe,claws,shade"
    reading = read(
        tmp_path,
        header,
        "S1,1,LF,3 1/4 in,82,2,one leads,not visible,x",
        'S1,2,right hind,"8,2 cm",7.9 cm,1 7/8,LEVEL,,',
        "S1,3,paw,8,0,,sideways,none,",
        "S1,1.5,LF,,,,,,",
    )
    first, second = reading.tables["prints"].to_dict("records")
    assert first["length_mm"] == pytest.approx(82.55)
    assert (first["width_mm"], first["pad_width_mm"]) == (82.0, pytest.approx(50.8))
    assert second["length_mm"] == pytest.approx(82.0)
    assert second["width_mm"] == pytest.approx(79.0)
    assert second["pad_width_mm"] == pytest.approx(47.625)
    assert (first["foot"], second["foot"]) == ("left_front", "right_hind")
    assert (first["leading_toe"], first["claws"]) == ("one_leads", NOT_VISIBLE)
    assert second["claws"] == NOT_VISIBLE
    assert all(first[name] == NOT_VISIBLE for name in set(CHARACTERS) - {"leading_toe"})
    wrong, half = reading.set_aside["reason"]
    assert "foot:" in wrong
    assert "length: no unit" in wrong
    assert "leading_toe:" in wrong
    assert "not a whole number" in half
    assert "unknown column 'shade' not kept" in reading.notes


def test_a_length_outside_what_a_print_can_be_is_set_aside(tmp_path: Path) -> None:
    reading = read(tmp_path, "sign,print,length", "S1,1,82 mm", "S1,2,82 cm")
    assert "length_mm: above 500" in reading.set_aside["reason"].item()


def test_a_walk_past_midnight_is_read_when_its_end_has_its_date(tmp_path: Path) -> None:
    lines = ("walk,transect,date,start,end", "W1,MESA,2026-02-01,22:00,2026-02-02 00:40")
    walks = read(tmp_path, *lines, "W2,MESA,2026-02-01,22:00,00:40")
    (kept,) = walks.tables["walks"].to_dict("records")
    assert kept["end"] - kept["start"] == pd.Timedelta(minutes=160)
    (reason,) = walks.set_aside["reason"]
    assert "an end after midnight needs its date" in reason
    assert reason.endswith("(came: 22:00, and end 00:40)")


@pytest.mark.parametrize("word", ["pugmark", "Pug mark", "pug-marks"])
def test_a_word_of_the_trade_for_a_print_is_read_as_a_track(tmp_path: Path, word: str) -> None:
    """Trackers of big cats call a footprint a pugmark: common practice, no source."""
    found = read(tmp_path, "sign,date,time,lat,lon,kind", f"A,2026-02-01,08:00,37.4,-119.2,{word}")
    assert found.tables["sign"]["kind"].tolist() == ["track"]


def test_clearings_and_incidents_are_read(tmp_path: Path) -> None:
    lines = ("cause,date,time,transects", "Rain,2026-02-01,06:00,ALL", "drag,2026-02-03,7:00,A; B")
    clearings = read(tmp_path, *lines, "hail,2026-02-03,7:00,A", "wind,2026-02-03,7:00,")
    assert clearings.tables["clearings"]["transects"].tolist() == ["all", "A;B"]
    assert clearings.rows_set_aside == {"clearings": 2}
    incidents = read(
        tmp_path,
        "incident,parcel,last_seen_well,found,livestock,count,lat,lon,carcass_notes",
        "I1,North,2026-02-10 18:00,2026-02-11 07:30,sheep,2,37.4,-119.2,throat",
        "I2,North,2026-02-12 18:00,2026-02-11 07:30,sheep,2,,,",
        "I3,North,,,sheep,2,,,",
    )
    (kept,) = incidents.tables["incidents"].to_dict("records")
    assert kept["last_seen_well"] == pd.Timestamp("2026-02-11T02:00Z")
    assert (kept["count"], kept["geometry"].x) == (2, -119.2)
    late, without = incidents.set_aside["reason"]
    assert "after the loss was found: correct the one that is wrong" in late
    assert late.endswith("(came: 2026-02-12 18:00, and found 2026-02-11 07:30)")
    assert "found: missing" in without


def test_a_table_with_a_wrong_column_says_what_it_saw_and_what_it_needs(tmp_path: Path) -> None:
    with pytest.raises(InputError) as told:
        read(tmp_path, SIGN.replace("kind", "kynd"), ROW)
    message = str(told.value)
    assert "notebook.csv, row 1" in message
    assert "no column 'kind'" in message
    assert "perhaps 'kynd' is 'kind'" in message
    assert "Name the columns" in message
    with pytest.raises(UnknownKind, match="no table has these columns: colour, weight"):
        read(tmp_path, "colour,weight", "red,3")
    with pytest.raises(FileUnreadable, match="no rows under its header"):
        read(tmp_path, SIGN)
    (tmp_path / "x.csv").write_text("<gpx><wpt lat='1' lon='2'/></gpx>")
    with pytest.raises(UnknownKind, match="not a notebook table"):
        read_table(tmp_path / "x.csv")


def values(read: tuple[pd.Series, pd.Series]) -> list[object]:
    return [None if pd.isna(value) else value for value in read[0]]


def test_the_readers_of_cells() -> None:
    text = pd.Series(["80 %", "80%", "0.8", ",8", "80", "1", "-1", "x", "101", "80 mm", ""])
    assert values(shares_from_text(text)) == [0.8] * 5 + [1.0] + [None] * 5
    assert shares_from_text(text)[1].index.tolist() == [6, 7, 8, 9]
    ages = pd.Series(["2 h", "1,5 days", "90 min", "1 wk", "3", "-1 h", "2 moons"])
    assert values(hours_from_text(ages)) == [2.0, 36.0, 1.5, 168.0, 3.0, None, None]
    assert values(counts_from_text(pd.Series(["3", "0", "1.5", "-1", "x"]))) == [
        3, 0, None, None, None,
    ]  # fmt: skip
    taxa = pd.Series(["Puma concolor", "MOUNTAIN  LION", "domestic-dog", "gray_wolf", "dragon"])
    assert values(taxa_from_text(taxa)) == ["puma", "puma", "dog", "wolf", None]


def test_the_sixteen_points_of_the_compass_are_22_5_degrees_apart() -> None:
    # Source: the compass rose; common practice, no source.
    degrees = bearings_from_text(pd.Series([point.lower() for point in COMPASS]))[0]
    assert degrees.tolist() == [22.5 * place for place in range(16)]
    spelled = bearings_from_text(pd.Series(["South", "west-northwest", "east", "-5", "361"]))
    assert values(spelled) == [180.0, 292.5, 90.0, None, None]


def test_feet_are_told_apart_by_side_and_end() -> None:
    for written, foot in FOOT_NAMES.items():
        side = "left" if "left" in foot else "right"
        assert side in written or side[0] in written
    spelled = pd.Series(["LF", "fl", "RH", "rear", "Left Rear", "rr"])
    assert values(feet_from_text(spelled)) == [
        "left_front", "left_front", "right_hind", None, "left_hind", "right_hind",
    ]  # fmt: skip


cell = st.text(
    st.characters(codec="utf-8", exclude_characters="\x00", exclude_categories=["Cs"]), max_size=12
)


@given(st.lists(st.lists(cell, min_size=1, max_size=20), min_size=1, max_size=8), st.data())
@settings(max_examples=40, deadline=None)
def test_rows_in_are_rows_kept_and_set_aside_whatever_is_in_the_cells(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]], data: st.DataObject
) -> None:
    kind = data.draw(st.sampled_from(["sign", "prints", "clearings", "incidents"]))
    header = {
        "sign": SIGN,
        "prints": "sign,print,foot,length,claws",
        "clearings": "cause,time,transects",
        "incidents": "incident,found,count,lat,lon",
    }
    quoted = [",".join('"' + one.replace('"', '""') + '"' for one in row) for row in rows]
    path = tmp_path_factory.mktemp("made") / "made.csv"
    path.write_bytes("\r\n".join([header[kind], *quoted]).encode())
    filled = sum(any(one.strip() for one in row) for row in rows)
    if not filled:
        with pytest.raises(FileUnreadable):
            read_file(path, time_zone=ZONE, kind=kind)
        return
    reading = read_file(path, time_zone=ZONE, kind=kind)
    assert reading.rows_in == {kind: filled}
    assert reading.rows_kept[kind] + len(reading.set_aside) == filled
    assert find_faults(reading.tables[kind], SEASON_TABLES[kind]).empty


@given(st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=1, max_size=20))
@settings(max_examples=50, deadline=None)
def test_numbers_are_read_back_with_point_and_comma(numbers: list[float]) -> None:
    text = pd.Series([f"{number:.6f}" for number in numbers])
    for written in (text, text.str.replace(".", ",")):
        read_back, faults = numbers_from_text(written)
        assert faults.empty
        np.testing.assert_array_equal(read_back, text.astype(float))


def test_every_unknown_column_is_told_with_what_it_may_mean(tmp_path: Path) -> None:
    header = "sign,date,time,kind,confidance,Weather,Day,,lattitude"
    reading = read(tmp_path, header, "a,2026-02-14,08:00,scat,80 %,windy,Monday,x,37.4")
    assert [note for note in reading.notes if "column" in note] == [
        "unknown column 'confidance' kept in notes: did you mean 'confidence'?",
        "unknown column 'Weather' kept in notes",
        "second column for 'date', 'Day', kept in notes",
        "column 8 has no name, kept in notes",
        "unknown column 'lattitude' kept in notes: did you mean 'lat'?",
    ]
    kept = reading.tables["sign"]["notes"].item()
    assert kept == "confidance: 80 %; Weather: windy; Day: Monday; column 8: x; lattitude: 37.4"
    prints = read(tmp_path, "sign,print,lenght (mm),pad width mm", "a,1,82,40")
    assert "unknown column 'lenght (mm)' not kept: did you mean 'length'?" in prints.notes
    assert prints.tables["prints"]["pad_width_mm"].item() == 40
    there = read(tmp_path, "sign,print,length_mm,lenght_mm", "a,1,82,40")
    assert "unknown column 'lenght_mm' not kept" in there.notes
    clean = read(tmp_path, SIGN + ",,", ROW + ",,")
    assert not any("column" in note for note in clean.notes)
