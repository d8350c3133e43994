"""A season that goes out as a Darwin Core Archive and comes back is the same season."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import pandas as pd
import pytest
import shapely
from exchange_examples import analysed, archive_of, content, drawn, members

from carnivore_sign.chain import Analysis
from carnivore_sign.cli import main
from carnivore_sign.exchange import Content, write_archive
from carnivore_sign.intake import import_files, read_file, stated_season
from carnivore_sign.integrity import check_season
from carnivore_sign.records.check import empty
from carnivore_sign.records.season import Season, create_season, open_season
from carnivore_sign.records.tables import SEASON_TABLES

MADE_ON = dt.date(2026, 6, 1)


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return drawn()


@pytest.fixture(scope="module")
def archive(analysis: Analysis, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("out") / "archive.zip"
    return write_archive(path, content(analysis), made_on=MADE_ON)


@pytest.fixture(scope="module")
def back(archive: Path) -> tuple[Season, pd.DataFrame]:
    """Return the season that the archive was read into, and what was told of it."""
    season = create_season(
        archive.with_name("back.gpkg"), name="back", time_zone="America/Los_Angeles"
    )
    return season, import_files(season, [archive])


@pytest.fixture
def fresh(tmp_path: Path) -> Season:
    return create_season(tmp_path / "back.gpkg", name="back", time_zone="America/Los_Angeles")


def rows_of(season: Season, name: str) -> pd.DataFrame:
    """Return a table with its places as bytes, and without the receipts of archives."""
    frame = season.read(name)
    if "geometry" in frame:
        shapes = shapely.to_wkb(frame.geometry.to_numpy())
        frame = pd.DataFrame(frame).assign(geometry=shapes)
    if name == "receipts":
        frame = frame.loc[frame["kind"].ne("darwin_core")].reset_index(drop=True)
    return pd.DataFrame(frame)


def assert_same(first: Season, second: Season) -> None:
    for name in SEASON_TABLES:
        pd.testing.assert_frame_equal(rows_of(first, name), rows_of(second, name), obj=name)


def test_every_table_comes_back_column_by_column(
    analysis: Analysis, back: tuple[Season, pd.DataFrame]
) -> None:
    season, told = back
    for name in SEASON_TABLES:
        assert len(analysis.season.read(name)), f"nothing in {name} to lose"
    assert_same(analysis.season, season)
    assert told["outcome"].eq("imported").all()
    assert told["rows_set_aside"].sum() == 0
    count = len(analysis.season.read("sign"))
    note = told["notes"].iloc[0]
    assert note.startswith("rows that came with receipts of their own: ")
    assert f"sign {count}" in note


def test_the_books_of_the_season_that_comes_back_agree(
    back: tuple[Season, pd.DataFrame],
) -> None:
    """The integrity room counts rows against receipts without a word from intake."""
    told = check_season(back[0].path)
    wrong = [one for one in told.lines() if "receipt" in one and "damage" in one]
    assert wrong == []


def test_the_analysis_of_what_came_back_is_the_same(
    analysis: Analysis, back: tuple[Season, pd.DataFrame]
) -> None:
    again = analysed(back[0])
    pd.testing.assert_frame_equal(again.visits, analysis.visits)
    pd.testing.assert_frame_equal(
        pd.DataFrame(again.trails.drop(columns="geometry")),
        pd.DataFrame(analysis.trails.drop(columns="geometry")),
    )


def test_once_more_it_changes_nothing_and_into_its_own_season_neither(
    analysis: Analysis, archive: Path, back: tuple[Season, pd.DataFrame], tmp_path: Path
) -> None:
    before = back[0].path.read_bytes()
    assert set(import_files(back[0], [archive])["outcome"]) == {"known"}
    assert back[0].path.read_bytes() == before
    own = open_season(shutil.copy(analysis.season.path, tmp_path / "own.gpkg"))
    told = import_files(own, [archive])
    assert_same(analysis.season, own)
    assert "rows are of files that the season has already" in told["notes"].iloc[0]


def test_into_a_season_that_holds_other_rows_the_books_move_on(
    analysis: Analysis, archive: Path, tmp_path: Path
) -> None:
    """Rows set aside are known by number: settled no. 2 of the archive becomes no. 3 here."""
    season = create_season(tmp_path / "other.gpkg", name="other", time_zone="UTC")
    table = tmp_path / "sign.csv"
    table.write_text(
        "sign,time,kind,lat,lon\nZ1,never,track,33,-129\nZ2,2026-03-01 10:00,track,33,-129\n"
    )
    log = tmp_path / f"{analysis.season.read('logs')['log'].iloc[0]}.gpx"
    log.write_text(
        '<gpx version="1.1"><trk><trkseg><trkpt lat="1" lon="2"><time>2020-01-01T00:00:00Z</time>'
        "</trkpt></trkseg></trk></gpx>"
    )
    import_files(season, [table, log])
    told = import_files(season, [archive])
    aside = season.read("set_aside")
    assert len(aside) == 1 + len(analysis.season.read("set_aside"))
    assert season.read("settled")["set_aside_no"].tolist() == [3]
    assert len(season.read("sign")) == 1 + len(analysis.season.read("sign"))
    logs = season.read("logs")
    assert logs["log"].is_unique
    assert len(logs) == 1 + len(analysis.season.read("logs"))
    renamed = set(logs["log"]) - set(analysis.season.read("logs")["log"])
    assert season.read("fixes")["log"].isin(renamed).sum() > 1
    assert "renamed" in told["notes"].iloc[0]
    assert [
        one for one in check_season(season.path).lines() if "fewer" in one or "more row" in one
    ] == []


def test_what_another_program_changed_in_the_archive_is_read_as_changed(
    archive: Path, tmp_path: Path, fresh: Season
) -> None:
    """The terms of the standard are what is read, and no copy of the season beside them."""
    files = members(archive)
    text = files["occurrence.csv"].decode()
    assert ",S001," in text
    files["occurrence.csv"] = text.replace(",S001,", ",S999,").encode()
    del files["record_fixes.csv"]
    changed = archive_of(tmp_path / "changed.zip", files)
    told = import_files(fresh, [changed])
    assert "'record_fixes.csv' is named in meta.xml and missing" in told["notes"].iloc[0]
    assert "S999" in fresh.read("sign")["sign"].tolist()
    assert "S001" not in fresh.read("sign")["sign"].tolist()


def test_a_reading_counts_every_row(archive: Path) -> None:
    reading = read_file(archive)
    assert reading.kind == "darwin_core"
    assert reading.rows_in == reading.rows_kept
    assert not len(reading.set_aside)


def test_a_large_table_is_cut_into_files_that_are_read_as_one(
    analysis: Analysis, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = content(analysis)
    fixes = whole.tables["fixes"].iloc[:1700]
    nothing = {name: empty(table) for name, table in SEASON_TABLES.items()}
    few = Content(whole.season, whole.edition, "puma", {**nothing, "fixes": fixes})
    monkeypatch.setattr("carnivore_sign.exchange.star.ROWS_AT_ONCE", 500)
    path = write_archive(tmp_path / "cut.zip", few, made_on=MADE_ON)
    names = {f"record_fixes_{number}.csv" for number in (1, 2, 3, 4)}
    assert names <= set(members(path))
    assert "record_fixes.csv" not in members(path)
    back = read_file(path).tables["fixes"]
    pd.testing.assert_frame_equal(
        pd.DataFrame(back.drop(columns="geometry")),
        pd.DataFrame(fixes.drop(columns="geometry")),
    )
    assert back.geometry.geom_equals_exact(fixes.geometry, 0).all()


def test_the_same_season_gives_the_same_bytes(analysis: Analysis, archive: Path) -> None:
    again = write_archive(archive.with_name("again.zip"), content(analysis), made_on=MADE_ON)
    assert again.read_bytes() == archive.read_bytes()


def test_a_season_without_effort_is_exported_as_the_record_alone(
    analysis: Analysis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season = create_season(tmp_path / "few.gpkg", name="few", time_zone="UTC")
    kept = {"sign": analysis.season.read("sign"), "prints": analysis.season.read("prints")}
    season.append(kept)
    assert main(["export", str(season.path), "--out", str(tmp_path / "out"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["messages"][0].startswith("The record alone: ")
    back = create_season(tmp_path / "back.gpkg", name="back", time_zone="UTC")
    assert main(["intake", str(back.path), told["files"]["Darwin Core Archive"]]) == 0
    same = ["sign", "prints"]
    for name in same:
        columns = [c for c in SEASON_TABLES[name].names if c not in ("receipt", "source_row")]
        pd.testing.assert_frame_equal(
            pd.DataFrame(back.read(name))[columns], pd.DataFrame(season.read(name))[columns]
        )
    assert main(["export", str(season.path), "--for", "public", "--out", str(tmp_path / "p")]) == 2


def test_a_season_made_from_an_archive_has_the_name_and_the_zone_that_it_states(
    analysis: Analysis, archive: Path, tmp_path: Path
) -> None:
    (tmp_path / "notes.csv").write_text("no archive")
    (tmp_path / "broken.zip").write_bytes(b"PK\x03\x04 and no more")
    whole = analysis.season
    files = [tmp_path / "notes.csv", tmp_path / "broken.zip", archive]
    assert stated_season(files) == (whole.name, whole.time_zone)
    assert stated_season(files[:2]) == (None, None)
    assert main(["intake", str(tmp_path / "back.gpkg"), str(archive)]) == 0
    back = open_season(tmp_path / "back.gpkg")
    assert (back.name, back.time_zone) == (whole.name, whole.time_zone)
    words = ["--zone", "America/Denver", "--name", "Mine"]
    assert main(["intake", str(tmp_path / "mine.gpkg"), str(archive), *words]) == 0
    mine = open_season(tmp_path / "mine.gpkg")
    assert (mine.name, mine.time_zone) == ("Mine", "America/Denver")
