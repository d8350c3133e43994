"""FIT: every record of every real file is kept or set aside; damage costs what is behind it."""

from __future__ import annotations

import struct
import sys
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import FileUnreadable, LibraryMissing
from carnivore_sign.intake import Reading, import_files, read_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES

pytest.importorskip("fitdecode")

EPOCH_S = 631065600  # 1989-12-31T00:00:00Z in seconds since 1970
NO_POSITION = 0x7FFFFFFF
START = int(pd.Timestamp("2026-02-14T15:40:00Z").timestamp()) - EPOCH_S
# Global message number and (field, size, base type) of each message that is written.
FILE_ID = (0, [(0, 1, 0x00), (1, 2, 0x84)])
RECORD = (20, [(253, 4, 0x86), (0, 4, 0x85), (1, 4, 0x85), (2, 2, 0x84), (31, 1, 0x02)])
EVENT = (21, [(253, 4, 0x86), (0, 1, 0x00), (1, 1, 0x00)])
COURSE_POINT = (32, [(1, 4, 0x86), (2, 4, 0x85), (3, 4, 0x85), (6, 8, 0x07)])
FORMATS = {0x00: "B", 0x02: "B", 0x84: "H", 0x85: "i", 0x86: "I"}
CRC = (0x0000, 0xCC01, 0xD801, 0x1400, 0xF001, 0x3C00, 0x2800, 0xE401,
       0xA001, 0x6C00, 0x7800, 0xB401, 0x5000, 0x9C01, 0x8801, 0x4400)  # fmt: skip


def crc(data: bytes) -> int:
    """Checksum of the FIT protocol."""
    value = 0
    for byte in data:
        for nibble in (byte & 0xF, byte >> 4):
            value = (value >> 4) ^ CRC[value & 0xF] ^ CRC[nibble]
    return value


def message(kind: tuple[int, list[tuple[int, int, int]]], *values: object) -> bytes:
    """Write the definition and the data of one message."""
    number, fields = kind
    body = struct.pack("<BBBHB", 0x40, 0, 0, number, len(fields))
    body += b"".join(struct.pack("BBB", *one) for one in fields) + b"\x00"
    for (_, size, base), value in zip(fields, values, strict=True):
        raw = str(value).encode().ljust(size, b"\0") if base == 0x07 else None
        body += raw or struct.pack("<" + FORMATS[base], value)
    return body


def fit(*messages: bytes, kind: int = 4) -> bytes:
    data = message(FILE_ID, kind, 1) + b"".join(messages)
    head = struct.pack("<BBHI4s", 14, 0x10, 2100, len(data), b".FIT")
    whole = head + struct.pack("<H", crc(head)) + data
    return whole + struct.pack("<H", crc(whole))


def record(second: int, lat: float | None = 37.4, lon: float = -119.2) -> bytes:
    def semicircles(degrees: float) -> int:
        return round(degrees / 180 * 2**31)

    place = (NO_POSITION, NO_POSITION) if lat is None else (semicircles(lat), semicircles(lon))
    return message(RECORD, START + second, *place, (600 + 500) * 5, 4)


def read(folder: Path, data: bytes) -> Reading:
    path = folder / "walk.fit"
    path.write_bytes(data)
    return read_log(path)


def test_records_are_fixes(tmp_path: Path) -> None:
    pause = message(EVENT, START + 1, 0, 4) + message(EVENT, START + 60, 0, 0)
    reading = read(tmp_path, fit(record(0), record(1, None), record(2), pause, record(61)))
    assert reading.kind == "fit"
    assert (reading.rows_in["fixes"], reading.rows_kept["fixes"]) == (4, 3)
    assert reading.set_aside["source_row"].tolist() == [2]
    assert reading.set_aside["reason"].item() == "no position"
    fixes = reading.tables["fixes"]
    assert fixes["part"].tolist() == [0, 0, 1]
    first = fixes.iloc[0]
    assert (first.geometry.x, first.geometry.y) == pytest.approx((-119.2, 37.4), abs=1e-7)
    assert (first["elevation_m"], first["accuracy_m"]) == (600, 4)
    assert first["time"] == pd.Timestamp("2026-02-14T15:40:00Z")
    assert "garmin" in reading.tables["logs"]["device"].item()


def test_a_course_is_a_plan_and_its_points_are_waypoints(tmp_path: Path) -> None:
    mark = message(COURSE_POINT, START, round(37.5 / 180 * 2**31), 0, "S014")
    reading = read(tmp_path, fit(record(0), mark, kind=6))
    assert (reading.rows_kept["fixes"], reading.rows_kept["route_points"]) == (0, 1)
    assert reading.tables["waypoints"]["name"].tolist() == ["S014"]
    assert reading.tables["waypoints"].geometry.y.item() == pytest.approx(37.5, abs=1e-7)
    assert any("a course is a plan" in note for note in reading.notes)


def test_seconds_since_the_device_was_switched_on_are_no_time(tmp_path: Path) -> None:
    reading = read(tmp_path, fit(record(-START + 1000)))
    assert reading.tables["fixes"]["flags"].tolist() == ["no_time"]


def test_damage_costs_what_is_behind_it_and_is_told(tmp_path: Path) -> None:
    whole = fit(*(record(second) for second in range(20)))
    reading = read(tmp_path, whole[:-60])
    assert 17 <= reading.rows_kept["fixes"] < 20
    assert any("the file is damaged behind message" in note for note in reading.notes)
    wrong_sum = read(tmp_path, whole[:-1] + bytes([whole[-1] ^ 1]))
    assert wrong_sum.rows_kept["fixes"] == 20
    assert any("CRC" in note for note in wrong_sum.notes)
    with pytest.raises(FileUnreadable, match="cannot be decoded as FIT"):
        read(tmp_path, whole[:20])


def test_without_the_library_the_install_command_is_told(
    tmp_path: Path, season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "fitdecode", None)
    with pytest.raises(LibraryMissing, match=r"\.fit: .*pip install fitdecode$"):
        read(tmp_path, fit(record(0)))
    (told,) = import_files(season, [tmp_path / "walk.fit"]).to_dict("records")
    assert told["outcome"] == "refused"
    assert told["problem"].endswith(
        "walk.fit: fitdecode is needed to read FIT files. Install it with: pip install fitdecode"
    )
    (tmp_path / "other.fit").write_bytes(fit(record(0), record(1)))
    both = import_files(season, [tmp_path / "walk.fit", tmp_path / "other.fit"])["problem"]
    assert both.str.extract(r"(\w+)\.fit:")[0].tolist() == ["walk", "other"]


def wanted(real_files: Path) -> dict[Path, dict[str, str]]:
    table = pd.read_csv(real_files / "MANIFEST.csv", dtype=str)
    table = table.loc[table["file"].str.endswith(".fit")]
    return {
        real_files / file: dict(pair.split("=", 1) for pair in row.split("; "))
        for file, row in zip(table["file"], table["other_counts"], strict=True)
    }


def test_every_real_file_gives_the_records_of_the_manifest(real_files: Path) -> None:
    # Source: an independent reader of the format, counts in the manifest beside the files;
    # the damaged ones up to where that reader stopped as well.
    files = wanted(real_files)
    assert len(files) == 17
    for path, counts in files.items():
        source = open_source(path)
        assert recognise(source) == "fit"
        reading = read_any(source)
        assert reading.rows_in["fixes"] == int(counts["records"]), path.name
        assert reading.rows_kept["fixes"] == int(counts["with_position"]), path.name
        if counts["first"] != "None":
            place = reading.tables["fixes"].geometry.iloc[0]
            assert str((round(place.y, 6), round(place.x, 6))) == counts["first"]
        damaged = any("damaged behind message" in note for note in reading.notes)
        assert damaged == (path.parent.name == "broken")
        for name, frame in reading.tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty
            pd.testing.assert_frame_equal(
                pd.DataFrame(frame), pd.DataFrame(conform(frame, SEASON_TABLES[name]))
            )


def test_saved_places_have_the_heights_that_their_names_tell(real_files: Path) -> None:
    marks = read_log(real_files / "fit" / "gpsbabel__Lctns_Instinct.fit").tables["waypoints"]
    heights = marks.set_index("name")["elevation_m"]
    assert heights["Greenwich ele46"] == 46
    assert heights["North pole ele2"] == 2
    assert heights["South pole 2835"] == 2835
    assert marks.set_index("name").geometry["South pole 2835"].y == pytest.approx(-90, abs=1e-5)


@given(st.floats(-90, 90), st.floats(-180, 179.9999), st.integers(0, 10**8))
@settings(max_examples=60, deadline=None)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, lat: float, lon: float, second: int
) -> None:
    reading = read(tmp_path_factory.mktemp("f"), fit(record(second, lat, lon)))
    (fix,) = reading.tables["fixes"].to_dict("records")
    assert (fix["geometry"].x, fix["geometry"].y) == pytest.approx((lon, lat), abs=5e-8)
    assert fix["time"] == pd.Timestamp("2026-02-14T15:40:00Z") + pd.Timedelta(seconds=second)
