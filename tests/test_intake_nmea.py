"""NMEA 0183: every sentence of every real log is used, told, or set aside with a reason."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake import Reading, import_files, read_file, read_log, repair_rollover
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.nmea import degrees_from_text
from carnivore_sign.intake.nmea_sentences import checksum, find_sentences
from carnivore_sign.intake.rollover import rollover_notes
from carnivore_sign.intake.source import as_utf8, open_source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES


def framed(body: str) -> str:
    return f"${body}*{checksum(body.encode()):02X}\r\n"


def gga(clock: str, lat: str = "4807.038,N", lon: str = "01131.000,E", quality: int = 1) -> str:
    return framed(f"GPGGA,{clock},{lat},{lon},{quality},08,0.9,545.4,M,46.9,M,,")


def rmc(clock: str, date: str, status: str = "A", place: str = "4807.038,N,01131.000,E") -> str:
    return framed(f"GPRMC,{clock},{status},{place},022.4,084.4,{date},003.1,W")


def read(folder: Path, *sentences: str | bytes) -> Reading:
    path = folder / "walk.nmea"
    path.write_bytes(b"".join(s if isinstance(s, bytes) else s.encode() for s in sentences))
    return read_log(path)


def test_the_worked_example_of_the_checksum() -> None:
    # Source: the example sentences that receiver manuals repeat, from memory.
    assert checksum(b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,") == 0x47
    assert checksum(b"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W") == 0x6A


def test_degrees_and_minutes_become_degrees() -> None:
    # Source: the same examples, from memory: 48 deg 07.038' N is 48.1173, 11 deg 31.000' E.
    lat = degrees_from_text(["4807.038", "-4807.038", "4860.0", "48", ""], ["N"] * 5, "N", "S")
    assert lat.tolist()[:2] == [48.1173, -48.1173]
    assert np.isnan(lat[2:]).all()
    lon = degrees_from_text(["01131.000", "01131.000"], ["W", "N"], "E", "W")
    assert lon[0] == pytest.approx(-(11 + 31 / 60), abs=1e-9)
    assert np.isnan(lon[1])


def test_the_sentences_of_a_moment_are_one_fix(tmp_path: Path) -> None:
    gsa = framed("GPGSA,A,3,,,,,,,,,,,,,4.9,1.6,4.5")
    reading = read(tmp_path, rmc("123519", "140226"), gga("123519"), gsa, gga("123520.25"))
    assert reading.kind == "nmea"
    fixes = reading.tables["fixes"]
    assert fixes["time"].tolist() == [
        pd.Timestamp("2026-02-14T12:35:19Z"), pd.Timestamp("2026-02-14T12:35:20.250Z"),
    ]  # fmt: skip
    first = fixes.iloc[0]
    assert (first.geometry.y, first["elevation_m"], first["hdop"]) == (48.1173, 545.4, 0.9)
    assert fixes["source_row"].tolist() == [1, 4]
    assert any("GSA (1)" in note for note in reading.notes)
    assert any("1 moments was carried" in note for note in reading.notes)


@pytest.mark.parametrize("before", [True, False])
def test_dates_are_carried_over_midnight_in_both_directions(tmp_path: Path, before: bool) -> None:
    clocks = ["235958", "235959", "000000", "000001"]
    date = framed(f"GPZDA,{clocks[0] if before else clocks[-1]},{28 if before else 1:02d},"
                  f"{2 if before else 3:02d},2026,00,00")  # fmt: skip
    sentences = [gga(clock) for clock in clocks]
    sentences.insert(0 if before else len(sentences), date)
    times = read(tmp_path, *sentences).tables["fixes"]["time"]
    assert [f"{time:%m-%dT%H%M%S}" for time in times] == [
        "02-28T235958", "02-28T235959", "03-01T000000", "03-01T000001",
    ]  # fmt: skip


def test_without_a_date_there_is_no_time_and_that_is_told(tmp_path: Path) -> None:
    reading = read(tmp_path, gga("123519"), gga("123520"))
    assert reading.tables["fixes"]["flags"].tolist() == ["no_time", "no_time"]
    assert any("no sentence states a date" in note and "123519" in note for note in reading.notes)


def test_what_is_void_made_up_or_damaged_is_set_aside(tmp_path: Path) -> None:
    reading = read(
        tmp_path,
        rmc("120000", "140226"),
        rmc("120001", "140226", status="V"),
        gga("120002", quality=0),
        gga("120003", quality=8),
        gga("120004").replace("4807", "4907"),
        "$GPGGA,120005,4807*39\r\n".replace("*39", f"*{checksum(b'GPGGA,120005,4807'):02X}"),
        gga("120006", lat="9907.038,N"),
        gga("120007", lat="4867.038,N"),
        "GPGGA,120008,4807.038,N\r\n",
    )
    assert reading.rows_in["fixes"] == 9
    assert reading.rows_kept["fixes"] == 1
    told = reading.set_aside.set_index("source_row")["reason"].to_dict()
    wanted = {
        2: "no fix", 3: "no fix", 4: "simulator", 5: "checksum is wrong", 6: "cut short",
        7: "latitude out of range", 8: "cannot be read", 9: "no beginning",
    }  # fmt: skip
    assert told.keys() == wanted.keys()
    assert all(words in told[row] for row, words in wanted.items())
    assert reading.set_aside["content"].str.contains("GGA|RMC").all()


def test_marks_of_the_receiver_are_waypoints(tmp_path: Path) -> None:
    reading = read(tmp_path, gga("120000"), framed("GPWPL,3558.322,N,08708.082,W,S014"))
    (mark,) = reading.tables["waypoints"].to_dict("records")
    assert mark["name"] == "S014"
    assert mark["geometry"].x == pytest.approx(-(87 + 8.082 / 60))


def test_binary_messages_between_the_sentences_do_no_harm(tmp_path: Path) -> None:
    junk = bytes(range(128, 256)) + b"\xb5b\x01\x07\n"
    reading = read(tmp_path, junk, rmc("120000", "140226"), junk, rmc("120001", "140226"))
    assert reading.rows_kept["fixes"] == 2
    assert any("hold no sentence" in note for note in reading.notes)


def test_a_week_number_begun_again_is_told() -> None:
    # Source: US Naval Observatory, notes on the GPS week number rollover: 1024 weeks.
    (note,) = rollover_notes(pd.Series(pd.to_datetime(["1999-08-22T00:00Z", "2026-01-01T00:00Z"])))
    assert note.startswith("1 fixes have dates that an old receiver writes 1024 weeks early")
    assert "that was 2019-04-07" in note
    assert rollover_notes(pd.Series(pd.to_datetime(["2026-01-01T00:00Z"]))) == []


def test_another_datum_is_flagged_from_the_sentence_that_names_it(tmp_path: Path) -> None:
    # Source: NMEA 0183, sentence DTM: datum in use, W84 for WGS84. The code NAS: from memory.
    def dtm(code: str) -> bytes:
        body = f"GPDTM,{code},,0.0,N,0.0,E,0.0,W84".encode()
        return b"$" + body + f"*{checksum(body):02X}".encode()

    lines = (rmc("120000", "140226"), dtm("W84"), rmc("120001", "140226"), dtm("NAS"),
             rmc("120002", "140226"))  # fmt: skip
    flags = read(tmp_path, *lines).tables["fixes"]["flags"].fillna("")
    assert ["unknown_datum" in flag for flag in flags] == [False, False, True]


def test_no_sentence_is_a_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("nothing of the kind\n")
    with pytest.raises(FileUnreadable, match="no position sentence"):
        read_file(path, kind="nmea")


def test_a_log_is_imported_with_its_fixes(tmp_path: Path, season: Season) -> None:
    path = tmp_path / "walk.log"
    path.write_text(rmc("120000", "140226") + rmc("120001", "140226"))
    told = import_files(season, [path])
    assert set(told["outcome"]) == {"imported"}
    assert len(season.read("fixes")) == 2


def real(real_files: Path) -> dict[Path, dict[str, int]]:
    table = pd.read_csv(real_files / "MANIFEST.csv", dtype=str)
    table = table.loc[table["file"].str.startswith("nmea/")]
    counts = [dict(pair.split("=") for pair in row.split("; ")) for row in table["other_counts"]]
    return {
        real_files / file: {name: int(count) for name, count in row.items()}
        for file, row in zip(table["file"], counts, strict=True)
    }


def sentence_counts(path: Path) -> dict[str, int]:
    data = open_source(path).data
    found = find_sentences(as_utf8(data)[0] if data[:2] == b"\xff\xfe" else data)
    kinds = Counter(one.kind for one in found.used)
    damaged = Counter(text[3:6] for _, text, _ in found.damaged)
    return {
        **{name: kinds[name.upper()] + damaged[name.upper()] for name in ("rmc", "gga", "gll")},
        "wpl": kinds["WPL"],
        "badck": sum("checksum" in reason for _, _, reason in found.damaged),
    }


def test_every_real_log_has_the_sentences_of_the_manifest(real_files: Path) -> None:
    # Source: independent counts by pattern and exclusive or, in the manifest beside the files.
    logs = real(real_files)
    assert len(logs) == 30
    for path, wanted in logs.items():
        got = sentence_counts(path)
        assert got == {name: wanted[name] for name in got}, path.name


def test_every_real_log_gives_a_fix_for_each_valid_moment(real_files: Path) -> None:
    simulated = {"gpsd__GPSmap-76S.log"}  # every position of it is a simulator's
    split = {  # sentences of one moment with clocks that differ a little
        "gpsd__ublox-8.log": 72,  # one more RMC is cut short
        "gpsbabel__nmea+ms.nmea": 37,
        "gpsd__eXplorist210.log": 8,
        "gpsbabel__amod-nmea.nmea": 4,
        "gpsd__bundg_zeus_9.log": 150,
        "gpsd__neo-m8n.log": 24,
        "gpsd__gp-320fw-2019-04-07-coldboot.log": 2,
    }
    for path, wanted in real(real_files).items():
        source = open_source(path)
        assert recognise(source) == "nmea"
        reading = read_any(source)
        valid = max(wanted["rmc_A"], wanted["gga_fix"])
        kept = 0 if path.name in simulated else split.get(path.name, valid)
        assert (path.name, reading.rows_kept["fixes"]) == (path.name, kept)
        assert reading.rows_kept["waypoints"] == wanted["wpl"]
        for name, frame in reading.tables.items():
            assert find_faults(frame, SEASON_TABLES[name]).empty
            pd.testing.assert_frame_equal(
                pd.DataFrame(frame), pd.DataFrame(conform(frame, SEASON_TABLES[name]))
            )


def test_a_log_agrees_with_its_twin_in_gpx(real_files: Path) -> None:
    twin = read_log(real_files / "gpx" / "gpsbabel__nmea+ms.gpx").tables["fixes"].iloc[1:]
    fixes = read_log(real_files / "nmea" / "gpsbabel__nmea+ms.nmea").tables["fixes"]
    mine = fixes.drop_duplicates("time").set_index("time").geometry
    assert len(twin) > 20
    for time, place in zip(twin["time"], twin.geometry, strict=True):
        assert (mine[time].x, mine[time].y) == pytest.approx((place.x, place.y), abs=5e-6)


def test_a_log_cut_short_keeps_what_is_whole(real_files: Path) -> None:
    reading = read_log(real_files / "broken" / "pynmeagps__pygpsdata-badeof.log")
    assert reading.rows_kept["fixes"] == 1
    assert reading.tables["fixes"]["time"].item() == pd.Timestamp("2021-03-06T10:36:07Z")


@given(
    st.floats(-90, 90), st.floats(-180, 179.9999),
    st.datetimes(pd.Timestamp("1980-01-06"), pd.Timestamp("2079-12-31")),
)  # fmt: skip
@settings(max_examples=80, deadline=None)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory, lat: float, lon: float, when: pd.Timestamp
) -> None:
    def written(value: float, width: int) -> str:
        degrees, minutes = divmod(round(abs(value) * 60e6), 60_000_000)
        return f"{degrees:0{width}d}{minutes / 1e6:09.6f}"

    place = f"{written(lat, 2)},{'NS'[lat < 0]},{written(lon, 3)},{'EW'[lon < 0]}"
    clock = f"{when:%H%M%S}.{when.microsecond // 1000:03d}"
    reading = read(tmp_path_factory.mktemp("n"), rmc(clock, f"{when:%d%m%y}", place=place))
    (fix,) = reading.tables["fixes"].to_dict("records")
    assert (fix["geometry"].x, fix["geometry"].y) == pytest.approx((lon, lat), abs=2e-8)
    assert fix["time"] == pd.Timestamp(when, tz="UTC").floor("ms")


def test_a_date_1024_weeks_early_is_flagged_and_repaired_when_asked(
    tmp_path: Path, season: Season
) -> None:
    # Source: US Naval Observatory, notes on the GPS week number rollover (7168 days).
    reading = read(tmp_path, rmc("120000", "010705") + gga("120001"))
    assert reading.tables["fixes"]["flags"].str.contains("week_rollover").all()
    assert any("that was 2025-02-14" in note for note in reading.notes)
    fixes = repair_rollover(reading).tables["fixes"]
    assert [f"{time:%Y-%m-%d %H%M%S}" for time in fixes["time"]] == [
        "2025-02-14 120000", "2025-02-14 120001",
    ]  # fmt: skip
    assert not fixes["flags"].fillna("").str.contains("week_rollover").any()
    told = import_files(season, [tmp_path / "walk.nmea"], rollover_repaired=True)
    assert any("2 dates were put 1024 weeks later" in note for note in told["notes"])
    assert season.read("fixes")["time"].dt.year.eq(2025).all()


def test_a_long_log_is_read_in_pieces_and_every_line_is_numbered(tmp_path: Path) -> None:
    text = "".join(rmc(f"{n // 3600:02d}{n // 60 % 60:02d}{n % 60:02d}", "140226")
                   + gga(f"{n // 3600:02d}{n // 60 % 60:02d}{n % 60:02d}")
                   for n in range(9000))  # fmt: skip
    assert len(text) > 1.1 * 2**20
    lines = text.splitlines(keepends=True)
    lines[17_000] = lines[17_000].replace("*", "*F", 1)
    reading = read(tmp_path, "".join(lines))
    assert reading.rows_kept["fixes"] == 9000
    assert reading.set_aside["source_row"].tolist() == [17_001]
    assert reading.tables["fixes"]["source_row"].tolist()[:8500] == list(range(1, 17_000, 2))
    one = read(tmp_path, "".join(lines).replace("\r\n", "").replace("\n", ""))
    assert one.rows_kept["fixes"] == 9000
