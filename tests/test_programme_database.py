"""Seasons in a real PostgreSQL with PostGIS: in and out as they were, with two who write."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from pandas.testing import assert_frame_equal
from postgres import binaries, server

from carnivore_sign import create_season, import_files
from carnivore_sign.errors import (
    InputError,
    LibraryMissing,
    SeasonError,
    SeasonMissing,
    SeasonVersion,
)
from carnivore_sign.programme import (
    database,
    extract_database,
    list_database,
    postgis,
    read_database,
    remove_from_database,
    write_database,
)
from carnivore_sign.records.check import conform
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES

DEMO = Path(__file__).parents[1] / "data" / "demo"


@pytest.fixture(scope="module")
def address():
    """Return the address of a database; tests are skipped where there is no PostGIS."""
    pytest.importorskip("psycopg")
    programs = binaries()
    if programs is None:
        pytest.skip("no PostgreSQL with PostGIS on this machine")
    with server(programs) as address:
        yield address


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """Return a season of some logs and all notes of the demo, and a note that needs care."""
    path = tmp_path_factory.mktemp("season") / "spring.gpkg"
    made = create_season(path, name="Spring, سفلى", time_zone="America/Los_Angeles")
    logs = sorted((DEMO / "logs").glob("*.gpx"))[::13]
    import_files(made, [*logs, *DEMO.glob("*.csv"), *DEMO.glob("*.geojson")])
    odd = pd.DataFrame(
        {
            "receipt": "odd", "sign": [r"a\N", "", "tab\tline\nend\r\\", "下牧場 🐾"],
            "kind": "track", "time": pd.Timestamp("2026-02-03T04:05:06.789Z"),
            "notes": ["\\N", "", None, "'; DROP TABLE sign; --"],
            "stride_m": [0.1, -0.0, 1e-300, None],
        }
    )  # fmt: skip
    shapes = [shapely.Point(0.1 + 0.2, 1 / 3), None, shapely.Point(180, -90), None]
    made.append({"sign": gpd.GeoDataFrame(odd, geometry=shapes, crs=4326)})
    return made


@pytest.fixture(scope="module")
def filled(address, season) -> str:
    write_database(address, season)
    write_database(address, season, season_id="again")
    return address


def test_a_season_comes_out_as_it_went_in_row_by_row(filled, season, tmp_path):
    again = extract_database(filled, "spring", tmp_path / "again.gpkg")
    assert (again.name, again.time_zone) == (season.name, season.time_zone)
    for name in SEASON_TABLES:
        assert_frame_equal(pd.DataFrame(again.read(name)), pd.DataFrame(season.read(name)))
    assert list_database(filled)["season"].tolist() == ["again", "spring"]


def test_rows_of_some_seasons_and_some_country_are_read(filled, season):
    everywhere = read_database(filled, "sign", seasons=["spring", "again"])
    assert everywhere["season"].drop_duplicates().tolist() == ["spring", "again"]
    one = everywhere[everywhere["season"] == "again"].drop(columns="season")
    assert_frame_equal(pd.DataFrame(one.reset_index(drop=True)), pd.DataFrame(season.read("sign")))
    fixes = season.read("fixes")
    west, south, east, north = fixes.total_bounds
    box = (west, south, (west + east) / 2, north)
    inside = fixes[shapely.intersects(fixes.geometry.to_numpy(), shapely.box(*box))]
    some = read_database(filled, "fixes", seasons=["spring"], bounds=box)
    assert 0 < len(some) < len(fixes)
    assert some.geometry.geom_equals(inside.geometry.reset_index(drop=True)).all()


def test_any_client_of_the_database_finds_times_places_and_keys(filled, season):
    import psycopg

    with psycopg.connect(filled) as connection:
        (length,) = connection.execute(
            "SELECT sum(ST_Length(geometry::geography)) FROM carnivore_sign.transects "
            "WHERE season = 'spring'"
        ).fetchone()
        ellipsoidal = season.read("transects").geometry.map(gpd_length).sum()
        assert length == pytest.approx(ellipsoidal, rel=1e-6)  # PostGIS and PROJ, both geodesic
        with pytest.raises(psycopg.errors.UniqueViolation):
            connection.execute(
                "INSERT INTO carnivore_sign.sign (season, row, sign) "
                "SELECT season, 999999, sign FROM carnivore_sign.sign LIMIT 1"
            )


def gpd_length(line: shapely.Geometry) -> float:
    from pyproj import Geod

    return Geod(ellps="WGS84").geometry_length(line)


def test_of_two_who_write_one_season_one_is_told_and_nothing_is_mixed(address, season):
    told: list[BaseException | str] = []

    def write() -> None:
        try:
            told.append(write_database(address, season, season_id="both"))
        except SeasonError as error:
            told.append(error)

    writers = [threading.Thread(target=write) for _ in range(2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert sorted(map(type, told), key=str) == [SeasonError, str]
    assert len(read_database(address, "fixes", seasons=["both"])) == len(season.read("fixes"))


def test_two_who_write_different_seasons_both_complete(address, season):
    names = ["north", "south", "east"]
    writers = [
        threading.Thread(target=write_database, args=(address, season), kwargs={"season_id": name})
        for name in names
    ]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    found = read_database(address, "prints", seasons=names)["season"].value_counts()
    assert found.to_dict() == dict.fromkeys(names, len(season.read("prints")))


def test_replacing_keeps_the_earlier_one_until_the_later_is_whole(filled, season, monkeypatch):
    with pytest.raises(SeasonError, match="replace=True"):
        write_database(filled, season)

    def broken(*_):
        raise OSError("the line is dead")

    before = len(read_database(filled, "fixes", seasons=["again"]))
    with monkeypatch.context() as patched:
        patched.setattr(database, "_copy_in", broken)
        with pytest.raises(OSError, match="line is dead"):
            write_database(filled, season, season_id="again", replace=True)
        with pytest.raises(OSError, match="line is dead"):
            write_database(filled, season, season_id="never")
    assert len(read_database(filled, "fixes", seasons=["again"])) == before
    assert "never" not in list_database(filled)["season"].tolist()
    write_database(filled, season, season_id="again", replace=True)
    assert len(read_database(filled, "fixes", seasons=["again"])) == before


def test_a_row_that_was_changed_in_the_database_is_found_before_it_comes_out(
    address, season, tmp_path
):
    import psycopg

    write_database(address, season, season_id="touched")
    with psycopg.connect(address) as connection:
        connection.execute(
            "UPDATE carnivore_sign.sign SET confidence = 0.5 WHERE season = 'touched' AND row = 0"
        )
    with pytest.raises(SeasonError, match="'sign' of season 'touched' is not what was put"):
        extract_database(address, "touched", tmp_path / "out.gpkg")
    assert not (tmp_path / "out.gpkg").exists()
    remove_from_database(address, "touched")
    with pytest.raises(SeasonMissing, match="no season 'touched'"):
        read_database(address, "sign", seasons=["touched"])


def test_a_letter_that_cannot_be_stored_is_told_with_its_row(address, season, tmp_path):
    odd = create_season(tmp_path / "odd.gpkg", name="Odd", time_zone="UTC")
    rows = season.read("sign").iloc[:2]
    odd.append({"sign": conform(rows.assign(notes=["good", "a\x00b"]), SEASON_TABLES["sign"])})
    with pytest.raises(InputError, match=r"row 2: column 'notes' of table 'sign' holds a letter"):
        write_database(address, odd)
    assert "odd" not in list_database(address)["season"].tolist()


def test_what_cannot_be_done_is_told(filled, season, monkeypatch):
    with pytest.raises(InputError, match="no table 'ghosts'"):
        read_database(filled, "ghosts")
    with pytest.raises(InputError, match="has no positions"):
        read_database(filled, "prints", bounds=(0, 0, 1, 1))
    with pytest.raises(SeasonError) as refused:
        list_database("postgresql://me:secret@/none?host=/nowhere")
    assert "secret" not in str(refused.value)
    monkeypatch.setattr(postgis, "SCHEMA_VERSION", 1)
    with pytest.raises(SeasonVersion, match="newer version"):
        read_database(filled, "sign")
    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(LibraryMissing, match=r"pip install 'psycopg\[binary\]'"):
        write_database(filled, season)
