"""Readings add up or cannot be made; clocks and sources do what they say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import InputError
from carnivore_sign.intake import Reading, read_file
from carnivore_sign.intake.clocks import day_and_clock, times_from_text
from carnivore_sign.intake.reading import MAX_CONTENT, rows_set_aside
from carnivore_sign.intake.source import as_utf8
from carnivore_sign.records.check import find_faults
from carnivore_sign.records.tables import PRINTS, RECEIPTS, SEASON_TABLES


def made(tmp_path: Path) -> Reading:
    path = tmp_path / "a.gpx"
    path.write_text('<gpx><wpt lat="1" lon="2"/><wpt lat="95" lon="2"/></gpx>')
    return read_file(path)


def test_a_reading_that_does_not_add_up_cannot_be_made(tmp_path: Path) -> None:
    reading = made(tmp_path)
    with pytest.raises(InputError, match="3 rows came, and 1 kept and 1 set aside"):
        replace(reading, rows_in={**reading.rows_in, "waypoints": 3})
    with pytest.raises(InputError, match="2 rows came, and 1 kept and 0 set aside"):
        replace(reading, set_aside=reading.set_aside.iloc[:0])
    with pytest.raises(InputError, match="without a count"):
        replace(reading, set_aside=reading.set_aside.assign(table_name="poems"), rows_in={
            name: len(frame) for name, frame in reading.tables.items()
        })  # fmt: skip


def test_receipts_keep_to_their_table(tmp_path: Path) -> None:
    reading = made(tmp_path)
    receipts = reading.receipts(imported_at=pd.Timestamp("2026-02-14T15:40Z"))
    assert find_faults(receipts, RECEIPTS).empty
    row = receipts.set_index("table_name").loc["waypoints"]
    assert (row["rows_in"], row["rows_kept"], row["rows_set_aside"]) == (2, 1, 1)
    assert row["receipt"] == reading.sha256[:12]
    assert row["imported_at"] == pd.Timestamp("2026-02-14T15:40Z")


def test_the_text_of_a_row_set_aside_is_bounded() -> None:
    frame = rows_set_aside("r", "fixes", rows=[1], reasons=["x"], contents=["a" * 10_000])
    assert len(frame["content"].item()) < MAX_CONTENT + 40
    assert "(10000 characters)" in frame["content"].item()


number = st.one_of(
    st.floats(-200, 200).map(lambda value: f"{value:.7f}"),
    st.sampled_from(["", "nan", "95", "-180", "180", "1e400", "1_0", "x", "47,6", " 12 "]),
)
time = st.one_of(
    st.datetimes(pd.Timestamp("1990-01-01"), pd.Timestamp("2100-01-01")).map(
        lambda when: when.isoformat() + "Z"
    ),
    st.sampled_from(["", "2026-02-14T07:40:00", "yesterday", "2026-02-30T00:00:00Z", "2026"]),
)
element = st.sampled_from(["trkpt", "wpt", "rtept"])
point = st.tuples(element, number, number, number, time)


@given(st.lists(point, max_size=12), st.sampled_from(["", "</ele>", "&", "<x>", "\x01"]), st.data())
@settings(max_examples=60, deadline=None)
def test_every_point_of_a_made_log_is_kept_or_set_aside(
    tmp_path_factory: pytest.TempPathFactory,
    points: list[tuple[str, str, str, str, str]],
    junk: str,
    data: st.DataObject,
) -> None:
    texts = [
        f'<{kind} lat="{lat}" lon="{lon}"><ele>{ele}</ele><time>{when}</time></{kind}>'
        for kind, lat, lon, ele, when in points
    ]
    texts.insert(data.draw(st.integers(0, len(texts))), junk)
    path = tmp_path_factory.mktemp("made") / "made.gpx"
    path.write_text(f"<gpx><trk><trkseg>{''.join(texts)}</trkseg></trk></gpx>")
    try:
        reading = read_file(path)
    except InputError:
        assert not points
        return
    counts = pd.Series([kind for kind, *_ in points]).value_counts()
    tables = {"trkpt": "fixes", "wpt": "waypoints", "rtept": "route_points"}
    for kind, table in tables.items():
        assert reading.rows_in[table] == counts.get(kind, 0)
        assert find_faults(reading.tables[table], SEASON_TABLES[table]).empty


@given(st.datetimes(pd.Timestamp("1980-01-06"), pd.Timestamp("2100-01-01")), st.integers(-720, 840))
@settings(max_examples=150, deadline=None)
def test_a_time_with_an_offset_is_read_back(when: pd.Timestamp, minutes: int) -> None:
    local = (
        pd.Timestamp(when)
        .tz_localize("UTC")
        .tz_convert(
            f"{'+' if minutes >= 0 else '-'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
        )
    )
    read, faults, _ = times_from_text(pd.Series([local.isoformat()]))
    assert faults.empty
    assert read.iloc[0] == pd.Timestamp(when).tz_localize("UTC").round("ms")


def test_the_forms_of_a_time_that_are_read() -> None:
    # Source: ISO 8601 forms of one moment.
    text = pd.Series([
        "2026-02-14T15:40:00Z", "2026-02-14T15:40:00+00:00", "2026-02-14T07:40:00-0800",
        "2026-02-14 15:40Z", "2026-02-14T16:40:00.0004+01", "2026-02-14t15:40:00,000z",
    ])  # fmt: skip
    read, faults, notes = times_from_text(text)
    assert faults.empty
    assert not notes
    assert read.eq(pd.Timestamp("2026-02-14T15:40:00Z")).all()
    assert str(read.dtype) == "datetime64[ms, UTC]"


def test_a_time_of_day_is_read_in_the_ways_it_is_written() -> None:
    clock = pd.Series(["7:40", "07.40", "7h40", "7:40 pm", "12:05 am", "07:40:30", "noon"])
    joined = day_and_clock(pd.Series(["2026-02-14"] * len(clock)), clock)
    assert joined.str.slice(11).tolist() == [
        "07:40", "07:40", "07:40", "19:40", "00:05", "07:40:30", "noon",
    ]  # fmt: skip


def test_bytes_are_turned_to_utf8_from_what_they_are() -> None:
    text = '<?xml version="1.0" encoding="{}"?><gpx>Ca\u00f1\u00f3n</gpx>'
    for stated, used in (("UTF-8", "utf-8"), ("ISO-8859-1", "latin-1"), ("windows-1252", "cp1252")):
        data, notes = as_utf8(text.format(stated).encode(used))
        assert "Ca\u00f1\u00f3n" in data.decode()
        assert not notes
    for used in ("utf-16", "utf-16-le", "utf-16-be"):
        assert "Ca\u00f1\u00f3n" in as_utf8(text.format("UTF-16").encode(used))[0].decode()
    data, notes = as_utf8(text.format("UTF-8").encode("latin-1"))
    assert "Ca\u00f1\u00f3n" in data.decode()
    assert "not whole UTF-8" in notes[0]
    for name in ("punycode", "zip", "unicode_escape", "x-klingon"):
        assert "unknown" in as_utf8(text.format(name).encode())[1][0]
    cut = text.format("UTF-16").encode("utf-16")[:-1]
    assert "Ca\u00f1\u00f3n" in as_utf8(cut)[0].decode()


def test_the_checks_of_the_record_tell_a_part_of_a_number_and_a_missing_key() -> None:
    frame = pd.DataFrame(
        {"receipt": "r", "sign": ["a", "a", None, "b"], "print_no": [1, 1, 2, 1.5]}
    )
    told = find_faults(frame, PRINTS).set_index("row")["reason"]
    assert told.to_dict() == {
        1: "stands in the table already",
        2: "missing, and must be there",
        3: "not a whole number",
    }
    assert np.isin(["sign+print_no"], find_faults(frame, PRINTS)["column"]).all()
