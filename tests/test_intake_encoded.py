"""Encoded logs: what goes from a worker into the season is what the tables of the reading say."""

from __future__ import annotations

import pickle
import sqlite3
import subprocess
import sys
from concurrent.futures import Future
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from carnivore_sign import intake
from carnivore_sign.intake import parallel, read_file, writing
from carnivore_sign.intake.encoded import encode_log
from carnivore_sign.intake.log_tables import NO_TIME, KeptPoints, LogTables
from carnivore_sign.intake.parallel import FileRead, Options
from carnivore_sign.intake.repair import repair_rollover
from carnivore_sign.records.encoding import Rows, encode_rows, insert_rows
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import FIXES

POINT = '<trkpt lat="{}" lon="{}">{}</trkpt>'
TIME = "<time>2026-02-14T15:40:{:02d}Z</time>"
LOG = (
    '<gpx version="1.1" creator="Made"><wpt lat="37.41" lon="-119.21"><name>S\'1</name>'
    "<time>2026-02-14T16:00:00Z</time></wpt><rte><rtept lat='1' lon='2'/></rte><trk><name>a</name>"
    "<trkseg>{}</trkseg><trkseg>{}</trkseg></trk></gpx>"
)


def points(count: int, inside: str = TIME, lat: float = 37.4) -> str:
    return "".join(
        POINT.format(f"{lat + number / 1e4:.5f}", "-119.2", inside.format(number))
        for number in range(count)
    )


LOGS = {
    "plain": LOG.format(points(5), points(3, TIME, 37.5)),
    "no times at all": LOG.format(points(4, "<ele>{}.5</ele>"), ""),
    "some times": LOG.format(points(4), points(2, "<hdop>{}</hdop>")),
    "fractions": LOG.format(points(4, "<time>2026-02-14T15:40:{:02d}.123Z</time>"), points(1)),
    "two days": LOG.format(points(3), points(3, "<time>2026-02-15T00:00:{:02d}Z</time>")),
    "flags and extras": LOG.format(
        points(3, TIME + "<name>'n'</name><q:x>é;it</q:x>"), points(3, "<hdop>99</hdop>", 0.0)
    ),
    "some set aside": LOG.format(points(3), points(2, TIME, 91.0)),
    "none kept": "<gpx><trk><trkseg>" + points(2, TIME, 91.0) + "</trkseg></trk></gpx>",
    "no point": "<gpx><trk/></gpx>",
    "an old date": LOG.format(points(3, "<time>2005-07-01T15:40:{:02d}Z</time>"), ""),
}


def options() -> Options:
    return Options(crs=None, observer="A", time_zone="UTC")


def read(folder: Path, text: str) -> FileRead:
    """Read a log as a worker does, and hand it over as between processes."""
    path = folder / "walk.gpx"
    path.write_text(text, encoding="utf-8")
    return pickle.loads(pickle.dumps(parallel.read_one(path, options())))


@pytest.mark.parametrize("name", LOGS)
def test_the_season_holds_what_the_tables_of_the_reading_say(
    season: Season, tmp_path: Path, name: str
) -> None:
    log = read(tmp_path, LOGS[name]).reading
    reading = parallel.read_any(
        parallel.open_source(tmp_path / "walk.gpx"), observer="A", time_zone="UTC"
    )
    with writing.SeasonWriter(season) as writer:
        writer.add_log(log)
        assert writer.receipts_of(log.sha256)["rows_in"].tolist() == [*reading.rows_in.values()]
    for table, frame in reading.tables.items():
        assert_frame_equal(season.read(table), frame, check_exact=True)
    assert_frame_equal(season.read("set_aside"), reading.set_aside)
    kept = season.read("receipts")
    told = reading.receipts(imported_at=kept["imported_at"].iloc[0])
    assert_frame_equal(kept, told)


def test_a_repaired_log_is_encoded_as_its_tables_say(season: Season, tmp_path: Path) -> None:
    path = tmp_path / "walk.gpx"
    path.write_text(LOGS["an old date"])
    reading = repair_rollover(read_file(path))
    with writing.SeasonWriter(season) as writer:
        writer.add_log(encode_log(reading))
    assert season.read("logs")["start"].item().year == 2025
    for table, frame in reading.tables.items():
        assert_frame_equal(season.read(table), frame, check_exact=True)


def test_tables_of_a_log_are_made_when_they_are_asked_for(tmp_path: Path) -> None:
    path = tmp_path / "walk.gpx"
    path.write_text(LOGS["plain"])
    tables = read_file(path).tables
    assert isinstance(tables, LogTables)
    assert not tables._made
    assert list(tables) == ["logs", "fixes", "waypoints", "route_points"]
    assert tables.counts == {"logs": 1, "fixes": 8, "waypoints": 1, "route_points": 1}
    assert "fixes" in tables
    assert "sign" not in tables
    assert not tables._made
    assert {name: len(frame) for name, frame in tables.items()} == tables.counts
    assert tables["fixes"] is tables["fixes"]
    with pytest.raises(KeyError):
        tables["sign"]


def test_a_log_of_a_taken_name_is_renamed_in_every_table(season: Season, tmp_path: Path) -> None:
    log = read(tmp_path, LOGS["plain"]).reading.renamed("walk-1")
    assert log.name == "walk-1"
    with writing.SeasonWriter(season) as writer:
        writer.add_log(log)
    for table in ("logs", "fixes", "waypoints", "route_points"):
        assert set(season.read(table)["log"]) == {"walk-1"}
    assert (
        season.read("receipts")["notes"]
        .str.endswith("called walk, so that this one is walk-1")
        .all()
    )


def test_known_fixes_are_left_out_and_counted(season: Season, tmp_path: Path) -> None:
    log = read(tmp_path, LOGS["plain"]).reading
    known = np.array([True, False, False, True, True, False, True, False])
    fewer = log.without_known(known, "some are known")
    with writing.SeasonWriter(season) as writer:
        writer.add_log(fewer)
    assert len(fewer.fixes) == 4
    assert season.read("fixes")["source_row"].tolist() == [2, 3, 6, 8]
    receipts = season.read("receipts").set_index("table_name")
    assert receipts["rows_known"].to_dict() == {
        "logs": 0, "fixes": 4, "waypoints": 0, "route_points": 0,
    }  # fmt: skip
    assert receipts["rows_kept"]["fixes"] == 8
    assert receipts["notes"].eq("some are known").all()
    assert len(log.fixes) == 8


def kept_points(count: int, seed: int) -> KeptPoints:
    rng = np.random.default_rng(seed)
    times = rng.integers(0, 2 * 10**12, count)
    words = rng.choice(np.array([None, "zero_island", "it's"], dtype=object), count)
    return KeptPoints(
        table=FIXES,
        lon=rng.uniform(-180, 180, count),
        lat=rng.uniform(-90, 90, count),
        columns={
            "source_row": np.arange(1, count + 1),
            "part": rng.integers(0, 2, count),
            "time": np.where(rng.random(count) < 0.2, NO_TIME, times),
            "elevation_m": np.where(rng.random(count) < 0.3, np.nan, rng.normal(size=count)),
            "hdop": np.full(count, np.nan),
            "flags": words,
            "fix_kind": np.full(count, None, dtype=object),
        },
        same={"receipt": "0" * 12, "log": "a 'walk'"},
    )


def stored(rows: Rows) -> list[tuple[object, ...]]:
    """Return what SQLite holds of rows."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.execute(f"CREATE TABLE fixes (geometry, {', '.join(FIXES.names)})")
        insert_rows(connection, FIXES, rows)
        return connection.execute("SELECT * FROM fixes").fetchall()


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 250), st.integers(0, 99))
def test_columns_and_tables_are_encoded_alike(count: int, seed: int) -> None:
    kept = kept_points(count, seed)
    of_columns, of_table = kept.rows(), encode_rows(FIXES, kept.frame())
    assert stored(of_columns) == stored(of_table)
    assert of_columns.edges == of_table.edges


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 250), st.integers(0, 99), st.floats(0, 1))
def test_rows_taken_are_those_rows_and_no_other(count: int, seed: int, share: float) -> None:
    kept = kept_points(count, seed)
    some = np.random.default_rng(seed).random(count) < share
    taken = kept.rows().taken(some)
    assert len(taken) == some.sum()
    assert stored(taken) == [
        row for row, wanted in zip(stored(kept.rows()), some, strict=True) if wanted
    ]
    if not some.any():
        assert taken.edges is None
        return
    west, south, east, north = taken.edges
    assert (west, east) == (kept.lon[some].min(), kept.lon[some].max())
    assert (south, north) == (kept.lat[some].min(), kept.lat[some].max())


class NoPool:
    """A pool that reads when it is asked for the result, and counts what waits."""

    def __init__(self) -> None:
        self.submitted: list[list[Path]] = []
        self.taken = 0

    def submit(self, read, chunk, options):
        self.submitted.append(chunk)
        done: Future[list[FileRead]] = Future()
        done.set_result(read(chunk, options))
        return done


def test_files_are_handed_out_in_chunks_and_come_back_in_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [tmp_path / f"{number:02d}.gpx" for number in range(30)]
    for path in paths:
        path.write_bytes(b"x" * 100)
    monkeypatch.setattr(parallel, "_CHUNK_BYTES", 300)
    monkeypatch.setattr(parallel, "_AHEAD_BYTES", 1000)
    monkeypatch.setattr(parallel, "read_one", lambda path, options: FileRead(path))
    pool = NoPool()
    came = parallel._share_out(pool, iter([*paths, tmp_path / "gone.gpx"]), options(), 2)
    assert next(came).path == paths[0]
    assert [len(chunk) for chunk in pool.submitted] == [3, 3, 3, 3]
    assert [one.path for one in came] == [*paths[1:], tmp_path / "gone.gpx"]
    assert [len(chunk) for chunk in pool.submitted] == [3] * 10 + [1]


def test_many_small_files_make_a_chunk(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    paths = [tmp_path / f"{number}.gpx" for number in range(45)]
    chunks = list(parallel._chunks(iter(paths)))
    assert [len(chunk) for _, chunk in chunks] == [20, 20, 5]
    assert [path for _, chunk in chunks for path in chunk] == paths


def test_rows_without_a_value_that_varies_are_all_there() -> None:
    frame = pd.DataFrame({"receipt": ["a"] * 3, "log": ["b"] * 3})
    rows = Rows({"receipt": "a", "log": "b"}, {}, 3)
    names = [FIXES.names.index(name) + 1 for name in frame]
    assert [[row[place] for place in names] for row in stored(rows)] == frame.to_numpy().tolist()


def test_a_worker_starts_without_what_reads_no_log() -> None:
    code = "import sys, carnivore_sign.intake.parallel; print('scipy' in sys.modules)"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "False"


def test_every_name_of_the_room_is_there() -> None:
    assert set(intake.__all__) == set(intake._HOMES) <= set(dir(intake))
    for name in intake.__all__:
        assert getattr(intake, name) is not None
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = intake.nothing
