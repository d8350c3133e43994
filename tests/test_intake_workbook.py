"""Workbooks: the same rows as the same table in CSV; nothing is computed, nothing is lost."""

from __future__ import annotations

import datetime
import io
import sys
import zipfile
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import FileUnreadable, LibraryMissing, UnknownKind
from carnivore_sign.intake import Reading, read_file, read_table

openpyxl = pytest.importorskip("openpyxl")

HEAD = ["Sign", "Date", "Time", "Kind", "Species", "Confidence", "Lat", "Lon", "Notes"]
SHEET = "xl/worksheets/sheet1.xml"
DAY = datetime.datetime(2026, 2, 14)
ROW = ["S1", DAY, datetime.time(7, 40), "track", "puma", 0.8, 37.4216, -119.2034, "by the gate"]


def book(*rows: list[Any], sheets: dict[str, list[list[Any]]] | None = None) -> bytes:
    made = openpyxl.Workbook()
    first = made.active
    first.title = "Notebook"
    for row in rows:
        first.append(row)
    for name, others in (sheets or {}).items():
        sheet = made.create_sheet(name)
        for row in others:
            sheet.append(row)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def read(folder: Path, data: bytes, **options: Any) -> Reading:
    path = folder / "season.xlsx"
    path.write_bytes(data)
    return read_file(path, time_zone="America/Los_Angeles", **options)


def changed(data: bytes, name: str, old: bytes, new: bytes) -> bytes:
    """Return a workbook with something replaced in one of its parts."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as source, zipfile.ZipFile(
        stream, "w", zipfile.ZIP_DEFLATED
    ) as target:  # fmt: skip
        for entry in source.namelist():
            content = source.read(entry)
            if entry == name:
                assert old in content
                content = content.replace(old, new)
            target.writestr(entry, content)
    return stream.getvalue()


def test_a_workbook_gives_the_rows_of_the_same_csv(tmp_path: Path) -> None:
    reading = read(tmp_path, book(HEAD, ROW, [None] * 9, ["S2", *ROW[1:5], "much", *ROW[6:]]))
    assert reading.kind == "sign"
    assert (reading.rows_in["sign"], reading.rows_kept["sign"]) == (2, 1)
    assert reading.set_aside["source_row"].tolist() == [4]  # "much" is no share
    csv = tmp_path / "season.csv"
    cells = ["S1", "2026-02-14", "07:40", "track", "puma", "0.8", "37.4216", "-119.2034", ROW[8]]
    csv.write_text(",".join(HEAD) + "\n" + ",".join(cells) + "\n")
    same = read_table(csv, time_zone="America/Los_Angeles").tables["sign"]
    mine = reading.tables["sign"]
    assert mine["time"].item() == pd.Timestamp("2026-02-14T15:40:00Z")
    pd.testing.assert_frame_equal(
        pd.DataFrame(mine.drop(columns="receipt")), pd.DataFrame(same.drop(columns="receipt"))
    )
    assert any("read from sheet 'Notebook'" in note for note in reading.notes)


def test_a_time_with_its_date_in_one_cell(tmp_path: Path) -> None:
    moment = datetime.datetime(2026, 2, 14, 7, 40, 30)
    reading = read(tmp_path, book(["sign", "time", "kind"], ["S1", moment, "scat"]))
    assert reading.tables["sign"]["time"].item() == pd.Timestamp("2026-02-14T15:40:30Z")


def test_the_sheet_with_the_names_is_read_and_the_others_are_told(tmp_path: Path) -> None:
    title = ["Season 2026, northern washes"]
    data = book(["read me"], ["first"], sheets={"Sign": [title, [], HEAD, ROW], "Old": [["x"]]})
    reading = read(tmp_path, data)
    assert reading.rows_kept == {"sign": 1}
    assert reading.tables["sign"]["source_row"].tolist() == [4]
    assert any("sheets not read: Notebook, Old" in note for note in reading.notes)
    assert any("1 rows above the header" in note for note in reading.notes)


def test_a_kind_that_is_stated_chooses_the_sheet(tmp_path: Path) -> None:
    prints = [["Sign", "Print", "Length mm"], ["S1", 1, 80.5]]
    data = book(HEAD, ROW, sheets={"Prints": prints})
    assert read(tmp_path, data).kind == "sign"
    reading = read(tmp_path, data, kind="prints")
    assert reading.tables["prints"]["length_mm"].tolist() == [80.5]


def test_formulas_count_by_their_value_and_are_never_computed(tmp_path: Path) -> None:
    data = book(HEAD, [*ROW[:6], "=37+0.4216", *ROW[7:]], [*["S2", *ROW[1:8]], "=1+1"])
    bare = read(tmp_path, data)
    assert bare.rows_kept["sign"] == 1
    assert "came: =37+0.4216" in bare.set_aside["reason"].item()
    assert bare.tables["sign"]["notes"].item() == "=1+1"
    assert any("2 formulas have no value" in note for note in bare.notes)
    value = b"<f>37+0.4216</f><v>37.4216</v>"
    data = changed(data, SHEET, b"<f>37+0.4216</f><v></v>", value)
    assert read(tmp_path, data).tables["sign"].geometry.y.tolist()[0] == 37.4216


def test_text_that_looks_like_a_formula_is_text(tmp_path: Path) -> None:
    note = '=HYPERLINK("http://example.org","click")'
    made = openpyxl.load_workbook(io.BytesIO(book(HEAD, ROW)))
    made.active["I2"].value = note
    made.active["I2"].data_type = "s"
    stream = io.BytesIO()
    made.save(stream)
    assert read(tmp_path, stream.getvalue()).tables["sign"]["notes"].item() == note


def test_a_workbook_is_read_within_bounds(tmp_path: Path) -> None:
    data = book(HEAD, ROW)
    bomb = changed(data, SHEET, b"</sheetData>", b" " * 2**23 + b"</sheetData>")
    with pytest.raises(FileUnreadable, match="as a bomb would"):
        read(tmp_path, bomb)
    entity = b"<!DOCTYPE a [<!ENTITY b 'c'>]><worksheet "
    with pytest.raises(FileUnreadable, match="declares XML entities"):
        read(tmp_path, changed(data, SHEET, b"<worksheet ", entity))
    far = changed(data, SHEET, b'r="I2"', b'r="XFD1048576"')
    reading_or_reason = None
    try:
        reading_or_reason = read(tmp_path, far)
    except FileUnreadable as error:
        assert "cells" in str(error)  # noqa: PT017
    assert reading_or_reason is None or sum(reading_or_reason.rows_in.values()) >= 1


def test_a_damaged_sheet_keeps_the_rows_before_the_damage(tmp_path: Path) -> None:
    data = book(HEAD, ROW, ["S2", *ROW[1:]], ["S3", *ROW[1:]])
    reading = read(tmp_path, changed(data, SHEET, b"<t>S3</t>", b"<t>S3<t>"))
    assert reading.tables["sign"]["sign"].tolist() == ["S1", "S2"]
    assert any("damaged behind row 3" in note for note in reading.notes)


def test_what_is_no_workbook_is_told(tmp_path: Path) -> None:
    data = book(HEAD, ROW)
    with pytest.raises(FileUnreadable, match="the archive is damaged"):
        read(tmp_path, data[: len(data) // 2])
    old = tmp_path / "old.xls"
    old.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600))
    with pytest.raises(UnknownKind, match="old kind"):
        read_file(old)
    with pytest.raises(UnknownKind, match="no table has these columns: a, b"):
        read(tmp_path, book(["a", "b"], [1, 2]))
    with pytest.raises(FileUnreadable, match="no rows under its header"):
        read(tmp_path, book(HEAD))


def test_without_the_library_the_install_command_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = book(HEAD, ROW)
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(LibraryMissing, match=r"\.xlsx: .*pip install openpyxl$"):
        read(tmp_path, data)


printable = st.text(st.characters(min_codepoint=32, exclude_categories=["C", "Z"]), max_size=30)


@given(
    st.floats(-90, 90).map(lambda value: round(value, 9)),
    st.datetimes(pd.Timestamp("1950-01-01"), pd.Timestamp("2100-01-01")),
    printable,
)
@settings(max_examples=30, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, lat: float, when: datetime.datetime, note: str
) -> None:
    moment = when.replace(microsecond=when.microsecond // 1000 * 1000)
    row = ["S1", moment, "track", lat, -119.25, "n " + note]
    path = tmp_path_factory.mktemp("w") / "a.xlsx"
    path.write_bytes(book(["sign", "time", "kind", "lat", "lon", "notes"], row))
    reading = read_file(path, time_zone="UTC")
    (sign,) = reading.tables["sign"].to_dict("records")
    assert abs(sign["time"] - pd.Timestamp(moment, tz="UTC")) <= pd.Timedelta(milliseconds=1)
    assert (sign["geometry"].x, sign["geometry"].y) == (-119.25, lat)
    assert sign["notes"] == ("n " + note).strip()
