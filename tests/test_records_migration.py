"""Migration: a season of an older version opens, keeps every row, and leaves a copy as it was.

``data/season_version_1.gpkg.gz`` was written by the library when its schema was version 1: one log,
one with a row set aside, and notes of the demo.
"""

from __future__ import annotations

import gzip
import shutil
import sqlite3
import warnings
from contextlib import closing
from pathlib import Path

import pytest

from carnivore_sign import check_season, import_files, open_season
from carnivore_sign.cli import main
from carnivore_sign.errors import SeasonMigrated, SeasonVersion
from carnivore_sign.records import migration
from carnivore_sign.records.layout import SCHEMA_VERSION
from carnivore_sign.records.tables import SEASON_TABLES

WRITTEN = Path(__file__).parent / "data" / "season_version_1.gpkg.gz"


@pytest.fixture
def old(tmp_path) -> Path:
    """Return a season of version 1."""
    path = tmp_path / "season.gpkg"
    with gzip.open(WRITTEN) as packed, path.open("wb") as file:
        shutil.copyfileobj(packed, file)
    return path


def rows_of(path: Path) -> dict[str, list[tuple[object, ...]]]:
    """Return every row of every table of a file but those that describe the file itself."""
    with closing(sqlite3.connect(path)) as connection:
        listed = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
        names = [name for (name,) in listed if name in SEASON_TABLES]
        return {
            name: connection.execute(f"SELECT * FROM {name} ORDER BY fid").fetchall()
            for name in names
        }


def version(path: Path) -> str:
    with closing(sqlite3.connect(path)) as connection:
        said = connection.execute("SELECT value FROM season WHERE key = 'schema_version'")
        return str(said.fetchone()[0])


def test_an_older_season_opens_with_every_row_and_leaves_a_copy_as_it_was(old):
    before = rows_of(old)
    with pytest.warns(SeasonMigrated, match=r"kept in season\.version-1\.gpkg"):
        season = open_season(old)
    copy = old.with_name("season.version-1.gpkg")
    assert rows_of(copy) == before
    assert version(copy) == "1"
    assert version(old) == str(SCHEMA_VERSION)
    after = rows_of(old)
    assert set(after) == set(SEASON_TABLES)
    for name, rows in before.items():
        assert [row[: len(rows[0])] for row in after[name]] == rows if rows else not after[name]
    assert check_season(old).sound
    assert len(season.read("fixes")) == 312
    assert season.read("carcasses").empty


def test_it_is_brought_up_once_and_goes_on_as_any_other(old, tmp_path):
    with pytest.warns(SeasonMigrated):
        open_season(old)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        season = open_season(old)
    table = tmp_path / "carcasses.csv"
    table.write_text("incident,carcass,covering\nI1,1,covered\n")
    receipts = import_files(season, [table])
    assert receipts["problem"].isna().all(), receipts["problem"].tolist()
    assert len(season.read("carcasses")) == 1
    assert check_season(old).sound
    assert len(list(tmp_path.glob("*.gpkg"))) == 2


def test_a_copy_never_replaces_another_file(old):
    other = old.with_name("season.version-1.gpkg")
    other.write_bytes(b"mine")
    with pytest.warns(SeasonMigrated, match="version-1-2"):
        open_season(old)
    assert other.read_bytes() == b"mine"
    assert version(old.with_name("season.version-1-2.gpkg")) == "1"


def test_a_step_that_fails_leaves_the_season_as_it_was_and_can_be_taken_again(old, monkeypatch):
    before = rows_of(old)

    def half_a_step(connection: sqlite3.Connection) -> None:
        connection.execute("DELETE FROM fixes")
        connection.execute("ALTER TABLE sign ADD COLUMN odd TEXT")
        raise OSError("the light went out")

    with monkeypatch.context() as patched:
        patched.setitem(migration.STEPS, 1, half_a_step)
        with pytest.raises(OSError, match="light"):
            open_season(old)
    assert rows_of(old) == before
    assert version(old) == "1"
    with pytest.warns(SeasonMigrated):
        assert len(open_season(old).read("fixes")) == 312


def test_whoever_comes_second_does_nothing(old):
    with pytest.warns(SeasonMigrated):
        open_season(old)
    with closing(sqlite3.connect(old)) as connection:
        assert migration.migrate(connection, old) is None


@pytest.mark.parametrize("stated", ["99", "0", "soon"])
def test_a_newer_or_unknown_version_is_refused_with_a_reason_and_not_touched(old, stated, capsys):
    with closing(sqlite3.connect(old)) as connection:
        connection.execute("UPDATE season SET value = ? WHERE key = 'schema_version'", (stated,))
        connection.commit()
    before = old.read_bytes()
    with pytest.raises(SeasonVersion, match="Install the version of the library that wrote it"):
        open_season(old)
    assert main(["month", str(old), "2026-02", "--out", str(old.parent / "out")]) == 2
    assert "this library reads 1 to" in capsys.readouterr().err
    assert old.read_bytes() == before
    assert list(old.parent.glob("*.gpkg")) == [old]


def test_every_version_before_this_one_has_its_step():
    assert sorted(migration.STEPS) == list(range(1, SCHEMA_VERSION))
