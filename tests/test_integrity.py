"""Integrity: a whole season is sound, and each of the faults planted in a copy of it is found."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from carnivore_sign import check_season, create_season, import_files, reimport_set_aside
from carnivore_sign.cli import main
from carnivore_sign.errors import InputError, SeasonMissing
from carnivore_sign.intake import list_set_aside, write_set_aside
from carnivore_sign.integrity import FAULTS

DEMO = Path(__file__).parents[1] / "data" / "demo"
NOTES = ("sign.csv", "prints.csv", "clearings.csv", "incidents.csv", "carcasses.csv")
LOG = (
    '<gpx><trk><trkseg><trkpt lat="37.4" lon="-119.2"><time>2026-02-03T15:00:00Z</time></trkpt>'
    '<trkpt lat="95" lon="-119.2"><time>2026-02-03T15:00:10Z</time></trkpt></trkseg></trk></gpx>'
)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a season of a few logs and all notes, with one row corrected and one set aside."""
    folder = tmp_path_factory.mktemp("whole")
    season = create_season(folder / "season.gpkg", name="Spring", time_zone="America/Los_Angeles")
    logs = sorted((DEMO / "logs").glob("*.gpx"))[:3]
    broken = folder / "broken.gpx"
    broken.write_text(LOG)
    aside = folder / "late_sign.csv"
    aside.write_text(
        "sign,time,kind,latitude,longitude\nX1,2026-03-01T10:00:00Z,tracks,37.4,-119.2\n"
        "X2,yesterday,tracks,37.4,-119.2\nX3,noon,tracks,37.4,-119.2\n"
    )
    layers = [DEMO / name for name in ("transects.geojson", "parcels.geojson")]
    notes = [DEMO / name for name in NOTES]
    import_files(season, [*logs, broken, aside, *layers, *notes])
    path = write_set_aside(season, folder / "aside.csv")
    rows = pd.read_csv(path, dtype="str", keep_default_na=False)
    mended = rows["content"].str.contains("X2")
    rows["corrected"] = np.where(
        mended, rows["content"].str.replace("yesterday", "2026-03-01T10:00Z"), ""
    )
    rows.to_csv(path, index=False)
    reimport_set_aside(season, path)
    assert len(list_set_aside(season)) == 2
    return season.path


def test_a_whole_season_is_sound_and_no_row_is_left_out(whole):
    check = check_season(whole)
    assert check.sound, check.lines()
    with sqlite3.connect(whole) as connection:
        for table, rows in check.rows.items():
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (rows,)
    connection.close()
    assert {"receipts", "fixes", "sign", "prints", "transects", "settled"} <= set(check.rows)


def test_names_of_rows_still_on_their_way_are_loose_ends_and_no_damage(whole):
    findings = check_season(whole).findings
    assert set(findings["fault"]) <= {"loose_tie"}
    told = findings.set_index(["table_name", "column"])["told"]
    assert "waypoints" in told["sign", "waypoint"]  # most logs were not imported


def test_a_loose_end_is_named_as_written_with_its_file_and_row(tmp_path):
    season = create_season(tmp_path / "s.gpkg", name="Spring", time_zone="America/Denver")
    (tmp_path / "late.csv").write_text(
        "sign,time,kind,waypoint\nX0,noon,track,WP98\nX1,2026-03-01T10:00:00Z,track,WP99\n"
    )
    (tmp_path / "more.csv").write_text("sign,time,kind,waypoint\nX2,2026-03-02T10:00Z,track,wp7\n")
    import_files(season, [tmp_path / "late.csv", tmp_path / "more.csv"])
    (found,) = check_season(season.path).findings.to_dict("records")
    assert "WP99" in found["told"]
    assert found["where"] == "late.csv, row 3; more.csv, row 2"
    assert "into a new season" in found["remedy"]


def srs_of_mars(blob: bytes) -> bytes:
    return blob[:4] + (104905).to_bytes(4, "little") + blob[8:]


def bow_tie() -> bytes:
    shape = shapely.Polygon([(-119.2, 37.4), (-119.1, 37.5), (-119.1, 37.4), (-119.2, 37.5)])
    return b"GP\x00\x01" + (4326).to_bytes(4, "little") + shapely.to_wkb(shape, byte_order=1)


def far_north() -> bytes:
    return (
        b"GP\x00\x01"
        + (4326).to_bytes(4, "little")
        + shapely.to_wkb(shapely.Point(-119.2, 95), byte_order=1)
    )


def rewrite(blob: Callable[[bytes], bytes], table: str) -> Callable[[sqlite3.Connection], None]:
    def plant(connection: sqlite3.Connection) -> None:
        (old,) = connection.execute(f"SELECT geometry FROM {table} WHERE fid = 1").fetchone()
        connection.execute(f"UPDATE {table} SET geometry = ? WHERE fid = 1", (blob(old),))

    return plant


def without_its_key(connection: sqlite3.Connection) -> None:
    """Make the table of sign anew, without the rule that a name stands there once."""
    connection.executescript(
        "CREATE TABLE other AS SELECT * FROM sign; DROP TABLE sign;"
        "ALTER TABLE other RENAME TO sign;"
        "UPDATE sign SET sign = (SELECT sign FROM sign WHERE fid = 1) WHERE fid = 2;"
    )


#: What is planted: the fault that must be found, in which table and column, and how to plant it.
PLANTED = {
    "a row of a log is gone": ("rows_lost", "fixes", "receipt", "DELETE FROM fixes WHERE fid = 7"),
    "a table is emptied": ("rows_lost", "clearings", "receipt", "DELETE FROM clearings"),
    "a row set aside is gone": ("rows_lost", "set_aside", "receipt",
        "DELETE FROM set_aside WHERE fid = 1"),
    "a row was added": ("rows_added", "prints", "receipt",
        "INSERT INTO prints (receipt, source_row, sign, print_no) "
        "SELECT receipt, 99999, sign, 77 FROM prints WHERE fid = 1"),
    "a row of nowhere": ("no_receipt", "sign", "receipt",
        "UPDATE sign SET receipt = 'abcdefabcdef' WHERE fid = 3"),
    "a receipt is gone": ("no_receipt", "logs", "receipt",
        "DELETE FROM receipts WHERE table_name = 'logs' AND fid = "
        "(SELECT min(fid) FROM receipts WHERE table_name = 'logs')"),
    "a receipt was changed": ("sums_differ", "receipts", "rows_in",
        "UPDATE receipts SET rows_in = rows_in + 1 WHERE table_name = 'fixes'"),
    "a hash was changed": ("receipt_misnamed", "receipts", "receipt",
        "UPDATE receipts SET sha256 = 'f' || substr(sha256, 2) WHERE fid = 1"),
    "a row is there twice": ("repeated_row", "fixes", "source_row",
        "UPDATE fixes SET source_row = 0, receipt = (SELECT receipt FROM fixes WHERE fid = 1) "
        "WHERE fid IN (1, 2)"),
    "a correction of nothing": ("settled_nothing", "settled", "set_aside_no",
        "UPDATE settled SET set_aside_no = 4711"),
    "a name twice": ("repeated_key", "sign", "sign", without_its_key),
    "a name is blank": ("breaks_schema", "sign", "sign",
        "UPDATE sign SET sign = NULL WHERE fid = 1"),
    "a word that is none": ("breaks_schema", "sign", "kind",
        "UPDATE sign SET kind = 'ufo' WHERE fid = 1"),
    "a value out of range": ("breaks_schema", "sign", "confidence",
        "UPDATE sign SET confidence = 7 WHERE fid = 2"),
    "a word for a number": ("breaks_schema", "prints", "length_mm",
        "UPDATE prints SET length_mm = 'long' WHERE fid = 2"),
    "a time that is none": ("breaks_schema", "fixes", "time",
        "UPDATE fixes SET time = 'noon' WHERE fid = 2"),
    "a place off the earth": ("breaks_schema", "fixes", "geometry",
        rewrite(lambda _: far_north(), "fixes")),
    "a place that is cut short": ("unreadable_shape", "fixes", "geometry",
        rewrite(lambda blob: blob[:15], "fixes")),
    "a place that is text": ("unreadable_shape", "parcels", "geometry",
        "UPDATE parcels SET geometry = 'here' WHERE fid = 1"),
    "a place in another system": ("other_reference", "fixes", "geometry",
        rewrite(srs_of_mars, "fixes")),
    "a parcel that crosses itself": ("invalid_shape", "parcels", "geometry",
        rewrite(lambda _: bow_tie(), "parcels")),
    "a log is gone": ("torn_tie", "fixes", "log",
        "DELETE FROM logs WHERE fid = 1"),
    "a print of no sign": ("loose_tie", "prints", "sign",
        "UPDATE prints SET sign = 'Q9' WHERE fid = 3"),
    "a carcass of no loss": ("loose_tie", "carcasses", "incident",
        "UPDATE carcasses SET incident = 'I99'"),
    "a clearing of no transect": ("loose_tie", "clearings", "transects",
        "UPDATE clearings SET transects = 'T1;nowhere' WHERE fid = 1"),
    "a loss on no parcel": ("loose_tie", "incidents", "parcel",
        "UPDATE incidents SET parcel = 'P99'"),
    "ages reversed": ("times_reversed", "sign", "age_min_h",
        "UPDATE sign SET age_min_h = 50, age_max_h = 2 WHERE fid = 4"),
    "a loss found before": ("times_reversed", "incidents", "last_seen_well",
        "UPDATE incidents SET last_seen_well = '2031-01-01T00:00:00.000Z'"),
    "a fix outside its log": ("log_times_differ", "logs", "start",
        "UPDATE fixes SET time = '1999-01-01T00:00:00.000Z' WHERE fid = 5"),
    "a flag that is none": ("unknown_flag", "fixes", "flags",
        "UPDATE fixes SET flags = 'gap;moonshine' WHERE fid = 6"),
    "a table is gone": ("missing_table", "waypoints", "", "DROP TABLE waypoints"),
    "a column is gone": ("missing_column", "clearings", "cause",
        "ALTER TABLE clearings DROP COLUMN cause"),
    "a layer is not listed": ("unlisted_layer", "sign", "",
        "DELETE FROM gpkg_contents WHERE table_name = 'sign'"),
}  # fmt: skip


@pytest.fixture(scope="module")
def before(whole) -> pd.DataFrame:
    """Return what is found in the season before anything is planted."""
    return check_season(whole).findings


@pytest.fixture
def damaged(whole, tmp_path):
    """Return a way to plant a fault in a copy of the season."""

    def plant(fault: str | Callable[[sqlite3.Connection], None]) -> Path:
        copy = tmp_path / "copy.gpkg"
        shutil.copy(whole, copy)
        connection = sqlite3.connect(copy)
        if callable(fault):
            fault(connection)
        else:
            assert connection.execute(fault).rowcount != 0, "nothing was planted"
        connection.commit()
        connection.close()
        return copy

    return plant


@pytest.mark.parametrize("planted", PLANTED)
def test_each_planted_fault_is_found_where_it_was_planted(damaged, before, planted):
    fault, table, column, plant = PLANTED[planted]
    check = check_season(damaged(plant))
    found = check.findings
    fresh = found.merge(before, how="left", indicator=True).query("_merge == 'left_only'")
    here = fresh[(fresh["fault"] == fault) & (fresh["table_name"] == table)]
    assert column in here["column"].tolist(), fresh.to_string()
    assert (fault != "loose_tie") == (not check.sound)
    assert here["remedy"].str.len().gt(10).all()


def test_more_than_twenty_kinds_of_place_are_planted_and_most_kinds_of_fault():
    assert len(PLANTED) >= 20
    elsewhere = {"damaged_file", "input_changed", "input_missing"}  # in the tests below
    assert {fault for fault, *_ in PLANTED.values()} == set(FAULTS) - elsewhere


def test_a_file_with_bytes_overwritten_is_told_and_not_raised(whole, tmp_path):
    body = bytearray(whole.read_bytes())
    half = len(body) // 2
    body[half : half + 40_000] = b"\xa5" * 40_000
    path = tmp_path / "torn.gpkg"
    path.write_bytes(bytes(body))
    check = check_season(path)
    assert not check.sound
    assert "damaged_file" in set(check.findings["fault"])


@pytest.mark.parametrize("body", [b"", b"no database at all" * 999, b"SQLite format 3\0" * 99])
def test_a_file_that_is_no_season_is_told_and_not_raised(tmp_path, body):
    path = tmp_path / "other.gpkg"
    path.write_bytes(body)
    assert not check_season(path).sound


def test_a_season_that_is_not_there_is_an_error(tmp_path):
    with pytest.raises(SeasonMissing, match="no such season"):
        check_season(tmp_path / "none.gpkg")


def test_inputs_are_held_against_their_hashes(whole, tmp_path):
    folder = tmp_path / "inputs"
    shutil.copytree(DEMO, folder / "deep")
    for name in ("broken.gpx", "late_sign.csv"):
        shutil.copy(whole.parent / name, folder)
    check = check_season(whole, inputs=[folder])
    assert not check.findings["weight"].eq("input").any()
    assert check.inputs_checked == 12
    log = min((folder / "deep" / "logs").glob("*.gpx"))
    log.write_bytes(log.read_bytes() + b" ")
    (folder / "broken.gpx").unlink()
    findings = check_season(whole, inputs=[folder]).findings.set_index("fault")
    assert findings.loc["input_changed", "told"].startswith(log.name)
    assert "broken.gpx" in " ".join(findings.loc[["input_missing"], "told"])
    with pytest.raises(InputError, match="no such file or folder"):
        check_season(whole, inputs=[tmp_path / "nowhere"])


def test_the_check_changes_nothing(whole):
    before = whole.read_bytes()
    check_season(whole)
    assert whole.read_bytes() == before


def test_the_command_tells_what_it_found_and_ends_with_its_status(whole, damaged, capsys):
    assert main(["check", str(whole)]) == 0
    assert "sound" in capsys.readouterr().out
    copy = damaged("DELETE FROM fixes WHERE fid = 7")
    assert main(["check", str(copy), "--json"]) == 2
    told = json.loads(capsys.readouterr().out)
    assert told["sound"] is False
    assert told["findings"][0]["fault"] == "rows_lost"
