"""Programme: seasons go in and come out as they were, whole or not at all, and damage is told."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pandas.testing import assert_frame_equal

from carnivore_sign import check_season, import_files
from carnivore_sign.errors import (
    FileUnreadable,
    InputError,
    LibraryMissing,
    SeasonError,
    SeasonMissing,
    SeasonVersion,
)
from carnivore_sign.programme import (
    Programme,
    add_season,
    check_programme,
    create_programme,
    extract_season,
    folder,
    open_programme,
    partitions,
    read_programme,
    remove_season,
    seasons,
)
from carnivore_sign.records.check import empty
from carnivore_sign.records.fingerprint import fingerprint
from carnivore_sign.records.season import Season, create_season
from carnivore_sign.records.tables import SEASON_TABLES, SIGN

pytest.importorskip("pyarrow")
DEMO = Path(__file__).parents[1] / "data" / "demo"


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """Return a season of six logs of three months, and all notes of the demo."""
    logs = sorted((DEMO / "logs").glob("*.gpx"))[::7]
    notes = [*DEMO.glob("*.csv"), *DEMO.glob("*.geojson")]
    path = tmp_path_factory.mktemp("season") / "season.gpkg"
    made = create_season(path, name="Spring, سفلى", time_zone="America/Los_Angeles")
    import_files(made, [*logs, *notes])
    return made


@pytest.fixture(scope="module")
def filled(season, tmp_path_factory) -> Programme:
    programme = create_programme(tmp_path_factory.mktemp("p") / "state", name="The state")
    add_season(programme, season, season_id="2026-a")
    add_season(programme, season, season_id="2026-b")
    return programme


@pytest.fixture
def programme(filled, tmp_path) -> Programme:
    """Return a programme of one's own, to be damaged."""
    shutil.copytree(filled.path, tmp_path / "state")
    return open_programme(tmp_path / "state")


def test_a_season_comes_out_as_it_went_in_row_by_row(filled, season, tmp_path):
    again = extract_season(filled, "2026-b", tmp_path / "again.gpkg")
    assert (again.name, again.time_zone) == (season.name, season.time_zone)
    for name, table in SEASON_TABLES.items():
        before, after = season.read(name), again.read(name)
        assert_frame_equal(pd.DataFrame(after), pd.DataFrame(before))
        assert fingerprint(after, table) == fingerprint(before, table)
    assert check_season(again.path).sound == check_season(season.path).sound


def test_rows_lie_parted_by_month_and_area_and_any_parquet_reader_finds_them(filled, season):
    parts = partitions(filled, "fixes", seasons=["2026-a"])
    fixes = season.read("fixes")
    by_month = fixes["time"].dt.strftime("%Y-%m").value_counts()
    assert parts.groupby("month")["rows"].sum().to_dict() == by_month.to_dict()
    rows = gpd.read_parquet(parts["path"].iloc[0])
    assert rows.crs.to_epsg() == 4326
    assert set(rows["time"].dt.strftime("%Y-%m")) == {parts["month"].iloc[0]}
    place = rows.geometry.iloc[0]
    lat, lon = int(np.floor(place.y)), int(np.floor(place.x))
    assert parts["area"].iloc[0] == f"N{lat:03d}W{-lon:03d}"
    if "Parquet" in pyogrio.list_drivers():
        assert len(pyogrio.read_dataframe(parts["path"].iloc[0])) == len(rows)


def test_months_and_country_are_read_without_the_rest(filled, season):
    fixes = season.read("fixes")
    march = read_programme(filled, "fixes", months=["2026-03"])
    assert len(march) == 2 * fixes["time"].dt.strftime("%Y-%m").eq("2026-03").sum()
    west, south, east, north = fixes.total_bounds
    box = (west, south, (west + east) / 2, north)
    some = read_programme(filled, "fixes", seasons=["2026-a"], bounds=box)
    inside = fixes[shapely.intersects(fixes.geometry.to_numpy(), shapely.box(*box))]
    assert 0 < len(some) < len(fixes)
    assert_frame_equal(
        pd.DataFrame(some.drop(columns="season")), pd.DataFrame(inside.reset_index(drop=True))
    )
    nowhere = read_programme(filled, "fixes", bounds=(0, 0, 1, 1))
    assert nowhere.empty
    assert list(nowhere.columns) == list(march.columns)


def test_lines_are_found_from_every_country_that_they_touch(filled, season):
    """A partition is named for the middle of its rows, and asked by their box."""
    transects = season.read("transects")
    line = transects.geometry.iloc[0]
    x, y = line.coords[0]
    found = read_programme(
        filled, "transects", seasons=["2026-a"], bounds=(x - 1e-5, y - 1e-5, x + 1e-5, y + 1e-5)
    )
    assert transects["transect"].iloc[0] in found["transect"].tolist()


@pytest.mark.parametrize("on", ["threads", "processes"])
def test_files_read_elsewhere_give_the_same_rows(filled, on):
    here = read_programme(filled, "sign")
    assert here["season"].drop_duplicates().tolist() == ["2026-a", "2026-b"]
    assert_frame_equal(read_programme(filled, "sign", on=on), here)


def test_a_season_of_that_id_is_replaced_only_when_that_is_said(programme, season):
    with pytest.raises(SeasonError, match="replace=True"):
        add_season(programme, season, season_id="2026-a")
    add_season(programme, season, season_id="2026-a", replace=True)
    assert programme.seasons == ("2026-a", "2026-b")
    assert check_programme(programme).empty
    remove_season(programme, "2026-b")
    assert programme.seasons == ("2026-a",)
    with pytest.raises(SeasonMissing, match=r"no season '2026-b'\. It has: 2026-a"):
        remove_season(programme, "2026-b")


def test_a_season_that_could_not_be_written_leaves_nothing(programme, season, monkeypatch):
    def full(rows, path):
        raise OSError(28, "No space left on device")

    before = sorted(programme.path.rglob("*"))
    monkeypatch.setattr(seasons, "write_rows", full)
    with pytest.raises(OSError, match="No space"):
        add_season(programme, season, season_id="2026-c")
    with pytest.raises(OSError, match="No space"):
        add_season(programme, season, season_id="2026-a", replace=True)
    assert sorted(programme.path.rglob("*")) == before


@pytest.mark.parametrize("moved", [False, True])
def test_a_move_that_was_broken_off_is_finished_by_whoever_opens_it(programme, moved):
    """A killed process may leave the earlier season aside, with or without the later in place."""
    place = programme.folder_of("2026-a")
    if moved:
        shutil.copytree(place, programme.path / ".old-2026-a")
    else:
        place.rename(programme.path / ".old-2026-a")
    assert open_programme(programme.path).seasons == ("2026-a", "2026-b")
    assert not list(programme.path.glob(".old-*"))
    assert check_programme(programme).empty


def one_file(programme: Programme, table: str = "sign") -> Path:
    return partitions(programme, table, seasons=["2026-a"])["path"].iloc[0]


def test_damage_is_found_and_named_and_nothing_is_extracted(programme, tmp_path):
    assert check_programme(programme).empty
    path = one_file(programme)
    rows = gpd.read_parquet(path)
    rows.iloc[1:].to_parquet(path)
    body = bytearray(one_file(programme, "fixes").read_bytes())
    body[len(body) // 2] ^= 255
    one_file(programme, "fixes").write_bytes(bytes(body))
    one_file(programme, "prints").unlink()
    stranger = path.parents[1] / "area=N000E000" / "rows.parquet"
    stranger.parent.mkdir()
    shutil.copy(path, stranger)
    found = check_programme(programme)
    assert set(found["season"]) == {"2026-a"}
    assert dict(zip(found["table_name"], found["told"], strict=True)) == {
        "sign": "the file is not what was written",
        "fixes": "the file is not what was written",
        "prints": "the file is gone",
        "": "nobody put this file there",
    }
    with pytest.raises((SeasonError, FileUnreadable)):
        extract_season(programme, "2026-a", tmp_path / "again.gpkg")
    assert not list(tmp_path.glob("*.gpkg"))


def test_a_value_that_was_changed_is_found_though_the_counts_agree(programme, tmp_path):
    path = one_file(programme)
    rows = gpd.read_parquet(path)
    rows.loc[0, "confidence"] = 0.123
    rows.to_parquet(path)
    with pytest.raises(SeasonError, match="'sign' of season '2026-a' is not what was put in"):
        extract_season(programme, "2026-a", tmp_path / "again.gpkg")


def test_an_empty_season_goes_in_and_out(programme, tmp_path):
    bare = create_season(tmp_path / "bare.gpkg", name="Bare", time_zone="UTC")
    assert add_season(programme, bare) == "bare"
    again = extract_season(programme, "bare", tmp_path / "again.gpkg")
    assert again.read("sign").empty


def test_what_cannot_be_done_is_told(programme, season, tmp_path, monkeypatch):
    with pytest.raises(InputError, match="no table 'ghosts'"):
        read_programme(programme, "ghosts")
    with pytest.raises(InputError, match="has no positions"):
        read_programme(programme, "prints", bounds=(0, 0, 1, 1))
    with pytest.raises(SeasonMissing, match="no season 'x'"):
        read_programme(programme, "sign", seasons=["x"])
    for name in ("../x", "", ".x", "a/b", "a b"):
        with pytest.raises(InputError, match="cannot be the id"):
            add_season(programme, season, season_id=name)
    with pytest.raises(SeasonError, match="something already"):
        create_programme(programme.path, name="again")
    with pytest.raises(SeasonMissing, match="no programme"):
        open_programme(tmp_path / "nowhere")
    (programme.path / "programme.json").write_text("{}")
    with pytest.raises(SeasonError, match="not a programme"):
        open_programme(programme.path)


def test_newer_versions_are_refused(programme, monkeypatch):
    monkeypatch.setattr("carnivore_sign.programme.reading.SCHEMA_VERSION", 1)
    with pytest.raises(SeasonVersion, match="is of schema"):
        read_programme(programme, "sign")
    monkeypatch.setattr(folder, "LAYOUT_VERSION", 0)
    with pytest.raises(SeasonVersion, match="its layout is of version 1"):
        open_programme(programme.path)


def test_without_pyarrow_the_way_to_get_it_is_told(programme, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(LibraryMissing, match=r"pip install pyarrow$"):
        read_programme(programme, "sign")


def test_without_pyarrow_no_empty_programme_is_left(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    with pytest.raises(LibraryMissing, match=r"pip install pyarrow$"):
        create_programme(tmp_path / "state", name="The state")
    assert not (tmp_path / "state").exists()


def test_fingerprints_tell_rows_apart_and_pass_over_columns_that_came_later():
    rows = empty(SIGN)
    one = pd.DataFrame(
        {
            "receipt": ["r"],
            "sign": ["S1"],
            "kind": ["track"],
            "time": [pd.Timestamp("2026-01-01T00:00Z")],
        }
    )
    rows = gpd.GeoDataFrame(one, geometry=gpd.points_from_xy([-119.2], [37.4]), crs=4326)
    same = fingerprint(rows, SIGN)
    assert fingerprint(rows.assign(notes=None, confidence=np.nan), SIGN) == same
    for column, value in (("notes", ""), ("confidence", 0.0), ("observer", "A")):
        assert fingerprint(rows.assign(**{column: value}), SIGN) != same
    moved = rows.set_geometry(rows.geometry.translate(1e-9))
    assert fingerprint(moved, SIGN) != same
