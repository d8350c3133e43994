"""The season file: a GeoPackage that changes whole or not at all."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carnivore_sign.errors import (
    InputError,
    SeasonBusy,
    SeasonError,
    SeasonMissing,
    SeasonVersion,
    TableFaults,
)
from carnivore_sign.records import connecting
from carnivore_sign.records import season as season_module
from carnivore_sign.records.check import check_table, empty
from carnivore_sign.records.season import Season, create_season, open_season
from carnivore_sign.records.tables import FIXES, SEASON_TABLES


def fixes(n: int = 3) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame(
        {
            "receipt": "abc",
            "source_row": range(1, n + 1),
            "log": "log1",
            "part": 0,
            "time": pd.date_range("2026-03-08T09:59:59.125Z", periods=n, freq="1s"),
            "elevation_m": np.linspace(-3.25, 100, n),
        },
        geometry=gpd.points_from_xy(np.linspace(-129, -128.9, n), np.linspace(33, 33.1, n)),
        crs=4326,
    )
    return check_table(frame, FIXES)


def test_what_is_written_is_read_again(season: Season) -> None:
    season.append({"fixes": fixes()})
    assert_geodataframe_equal(season.read("fixes"), fixes())
    season.append({"fixes": fixes(2)})
    assert len(season.read("fixes")) == 5


@pytest.mark.parametrize("table", SEASON_TABLES)
def test_every_table_starts_empty_with_its_schema(season: Season, table: str) -> None:
    frame = season.read(table)
    assert len(frame) == 0
    assert list(frame.columns) == list(empty(SEASON_TABLES[table]).columns)


def test_the_file_opens_with_gdal_and_says_the_same(season: Season) -> None:
    # pyogrio (GDAL) is the general-purpose reference for GeoPackage.
    season.append({"fixes": fixes()})
    assert {layer for layer, _ in pyogrio.list_layers(season.path)} >= set(SEASON_TABLES)
    theirs = gpd.read_file(season.path, layer="fixes")
    assert theirs.crs == "EPSG:4326"
    assert theirs.geometry.geom_equals(fixes().geometry).all()
    pd.testing.assert_series_equal(
        pd.to_datetime(theirs["time"], utc=True).astype("datetime64[ms, UTC]"), fixes()["time"]
    )
    np.testing.assert_array_equal(theirs["elevation_m"], fixes()["elevation_m"])
    info = pyogrio.read_info(season.path, layer="fixes")
    assert info["total_bounds"] == pytest.approx((-129, 33, -128.9, 33.1))


def test_the_header_follows_the_standard(season: Season) -> None:
    # OGC GeoPackage: application_id 0x47504B47 ("GPKG") at byte 68 of the SQLite header.
    header = season.path.read_bytes()[:100]
    assert header[:16] == b"SQLite format 3\x00"
    assert header[68:72] == b"GPKG"
    with sqlite3.connect(season.path) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []


def test_a_faulty_frame_leaves_the_season_as_it_was(season: Season) -> None:
    bad = fixes()
    bad.loc[1, "log"] = None
    with pytest.raises(TableFaults, match="row 1, log: missing"):
        season.append({"waypoints": empty(SEASON_TABLES["waypoints"]), "fixes": bad})
    assert len(season.read("fixes")) == 0


def test_a_write_that_fails_half_way_leaves_nothing(
    season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = season_module._insert

    def fail_on_sign(connection, table, frame):
        if table.name == "receipts":
            raise KeyboardInterrupt
        whole(connection, table, frame)

    monkeypatch.setattr(season_module, "_insert", fail_on_sign)
    receipt = pd.DataFrame(
        {
            "receipt": ["abc"], "file": ["a.gpx"], "sha256": ["00"], "kind": ["gpx"],
            "table_name": ["fixes"], "rows_in": [3], "rows_kept": [3], "rows_set_aside": [0],
            "imported_at": pd.to_datetime(["2026-03-01T00:00Z"]), "library_version": ["0"],
        }
    )  # fmt: skip
    with pytest.raises(KeyboardInterrupt):
        season.append({"fixes": fixes(), "receipts": receipt})
    assert len(season.read("fixes")) == 0


def test_a_second_writer_waits_or_is_told(season: Season, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connecting, "_BUSY_SECONDS", 0.05)
    holder = sqlite3.connect(season.path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    try:
        with pytest.raises(SeasonBusy, match="another process"):
            season.append({"fixes": fixes()})
    finally:
        holder.execute("ROLLBACK")
        holder.close()
    season.append({"fixes": fixes()})
    assert len(season.read("fixes")) == 3


def test_two_writers_lose_no_rows(season: Season) -> None:
    def write() -> None:
        for _ in range(5):
            season.append({"fixes": fixes(10)})

    writers = [threading.Thread(target=write) for _ in range(2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert len(season.read("fixes")) == 100


def test_creating_says_what_is_wrong(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not a time zone"):
        create_season(tmp_path / "a.gpkg", name="A", time_zone="Mars/Olympus")
    with pytest.raises(InputError, match=r"\.gpkg"):
        create_season(tmp_path / "a.zip", name="A", time_zone="UTC")
    with pytest.raises(InputError, match="folder"):
        create_season(tmp_path / "none" / "a.gpkg", name="A", time_zone="UTC")
    create_season(tmp_path / "a.gpkg", name="A", time_zone="UTC")
    with pytest.raises(SeasonError, match="open_season"):
        create_season(tmp_path / "a.gpkg", name="A", time_zone="UTC")
    assert [p.name for p in tmp_path.iterdir()] == ["a.gpkg"]


def test_a_season_of_an_earlier_version_gets_the_columns_and_tables_that_came_since(
    season: Season,
) -> None:
    with sqlite3.connect(season.path) as connection:
        connection.execute("ALTER TABLE fixes DROP COLUMN hdop")
        for name in ("gpkg_geometry_columns", "gpkg_contents"):
            connection.execute(f"DELETE FROM {name} WHERE table_name = 'photos'")
        connection.execute("DROP TABLE photos")
    assert season.read("photos").empty
    assert list(season.read("fixes").columns) == [*FIXES.names, "geometry"]
    season.append({"fixes": fixes().assign(hdop=[1.5, np.nan, 2.0])})
    assert season.read("fixes")["hdop"].tolist()[::2] == [1.5, 2.0]


@pytest.mark.parametrize("rows", [1, 99, 100, 101, 250])
def test_any_number_of_rows_with_any_words_comes_back(season: Season, rows: int) -> None:
    words = pd.Series(["it's", "nul\0byte", "?", "", None] * 50, dtype="object")[:rows]
    frame = fixes(rows).assign(log="it's; DROP TABLE fixes", flags=words.to_numpy())
    season.append({"fixes": frame})
    assert_geodataframe_equal(season.read("fixes"), check_table(frame, FIXES))


def test_a_write_that_the_disk_refuses_is_told(
    season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(season_module, "_insert", full)
    with pytest.raises(SeasonError, match=r"disk is full"):
        season.append({"fixes": fixes()})


def test_opening_says_what_is_wrong(tmp_path: Path, season: Season) -> None:
    with pytest.raises(SeasonMissing, match="create_season"):
        open_season(tmp_path / "none.gpkg")
    other = tmp_path / "text.gpkg"
    other.write_text("not a database, " * 20)
    with pytest.raises(SeasonError, match="not a season"):
        open_season(other)
    plain = tmp_path / "plain.gpkg"
    fixes().to_file(plain, layer="x")
    with pytest.raises(SeasonError, match="not a season"):
        open_season(plain)
    with sqlite3.connect(season.path) as connection:
        connection.execute("UPDATE season SET value = '99' WHERE key = 'schema_version'")
    with pytest.raises(SeasonVersion, match="schema 99"):
        open_season(season.path)


def test_an_opened_season_knows_its_name_and_zone(season: Season) -> None:
    assert open_season(season.path) == season
    assert season.zone.key == "America/Los_Angeles"


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    rows=st.lists(
        st.tuples(
            st.floats(-180, 180),
            st.floats(-90, 90),
            st.one_of(st.none(), st.text(st.characters(exclude_categories=["Cs"]), max_size=20)),
            st.one_of(st.none(), st.datetimes()),
            st.one_of(st.none(), st.floats(-500, 9000)),
        ),
        min_size=1,
        max_size=5,
    )
)
def test_generated_rows_come_back_as_they_went_in(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple]
) -> None:
    lon, lat, names, times, heights = zip(*rows, strict=True)
    safe = [t if t is None or 1700 < t.year < 2200 else None for t in times]
    frame = gpd.GeoDataFrame(
        {
            "receipt": "r", "log": "l", "name": pd.Series(names, dtype="object"),
            "time": pd.to_datetime(pd.Series(safe, dtype="datetime64[us]"), utc=True),
            "elevation_m": pd.Series(heights, dtype="float64"),
        },
        geometry=shapely.points(lon, lat),
        crs=4326,
    )  # fmt: skip
    checked = check_table(frame, SEASON_TABLES["waypoints"])
    path = tmp_path_factory.mktemp("s") / "s.gpkg"
    season = create_season(path, name="S", time_zone="UTC")
    season.append({"waypoints": checked})
    assert_geodataframe_equal(season.read("waypoints"), checked)


@pytest.mark.parametrize(
    ("said", "kind", "words"),
    [
        ("database is locked", SeasonBusy, "Try again"),
        ("attempt to write a readonly database", SeasonError, "right to write"),
        ("unable to open database file", SeasonError, "rights"),
        ("database or disk is full", SeasonError, "disk is full"),
        ("file is not a database", SeasonError, "SEASON --zone"),
    ],
)
def test_each_refusal_of_the_file_is_told_in_plain_words(
    season: Season, said: str, kind: type[Exception], words: str
) -> None:
    told = connecting.as_season_error(season.path, sqlite3.OperationalError(said))
    assert type(told) is kind
    assert words in str(told)


def test_a_locked_season_is_busy_and_not_broken(
    season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connecting, "_BUSY_SECONDS", 0.05)
    holder = sqlite3.connect(season.path, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(SeasonBusy):
            open_season(season.path)
    finally:
        holder.execute("ROLLBACK")
        holder.close()
