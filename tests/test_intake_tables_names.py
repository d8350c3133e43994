"""Names: used twice in a file, or in the season already; nothing may join the wrong animal."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from carnivore_sign.chain import summarise_import
from carnivore_sign.intake import Reading, import_files, read_file
from carnivore_sign.records.season import Season

HEAD = ["sign", "date", "time", "lat", "lon", "kind", "named_as", "notes"]
PUMA = ["A1", "22/08/2014x", "07:40", "37.4", "-119.2", "track", "puma", ""]
DOG = ["A1", "2026-02-14", "08:05", "37.5", "-119.3", "track", "dog", ""]
OTHER = ["A2", "2026-02-14", "08:15", "37.5", "-119.3", "track", "dog", ""]


def write(path: Path, *rows: list[str]) -> Path:
    """Write a table as CSV or as a workbook, by its ending."""
    if path.suffix == ".csv":
        path.write_text("\n".join(",".join(row) for row in rows))
        return path
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    made.save(path)
    return path


@pytest.fixture(params=["csv", "xlsx"])
def ending(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def read(path: Path, *rows: list[str]) -> Reading:
    return read_file(write(path, *rows), time_zone="America/Los_Angeles")


def test_both_rows_of_one_name_are_held_back_whatever_else_is_wrong(
    tmp_path: Path, ending: str
) -> None:
    for first, second in ((PUMA, DOG), (DOG, PUMA), (DOG, [*DOG[:-1], "fresh"])):
        reading = read(tmp_path / f"t.{ending}", HEAD, first, OTHER, second)
        assert reading.tables["sign"]["sign"].tolist() == ["A2"]
        assert reading.set_aside["source_row"].tolist() == [2, 4]
        assert (
            reading.set_aside["reason"]
            .str.contains(
                r"sign A1 stands in the file more than once \(rows 2, 4\) and says different things"
            )
            .all()
        )
    both = read(tmp_path / f"t.{ending}", HEAD, PUMA, DOG)
    assert "not a date" in both.set_aside["reason"].iloc[0]
    assert both.rows_kept == {"sign": 0}


def test_rows_that_are_the_same_word_for_word_are_kept_once(tmp_path: Path, ending: str) -> None:
    reading = read(tmp_path / f"t.{ending}", HEAD, DOG, OTHER, DOG, DOG)
    assert reading.tables["sign"]["sign"].tolist() == ["A1", "A2"]
    assert reading.set_aside["reason"].tolist() == ["the same as row 2, word for word"] * 2


def test_rows_without_a_name_do_not_share_one(tmp_path: Path) -> None:
    reading = read(tmp_path / "t.csv", HEAD, ["", *DOG[1:]], ["", *OTHER[1:]], DOG)
    assert reading.tables["sign"]["sign"].tolist() == ["A1"]
    assert not reading.set_aside["reason"].str.contains("more than once").any()


def test_a_print_that_is_numbered_twice_is_held_back_with_its_twin(tmp_path: Path) -> None:
    head = ["sign", "print", "length_mm"]
    reading = read(
        tmp_path / "t.csv", head, ["A1", "1", "82"], ["A1", "1", "90"], ["A2", "1", "82"]
    )
    assert reading.tables["prints"]["sign"].tolist() == ["A2"]
    assert reading.set_aside["reason"].str.startswith("sign A1, print_no 1").all()


def test_a_mended_table_adds_only_what_is_new(season: Season, tmp_path: Path, ending: str) -> None:
    bad = ["A3", "2026-02-14", "noon", *OTHER[3:]]
    first = import_files(season, [write(tmp_path / f"a.{ending}", HEAD, DOG, OTHER, bad)])
    assert first[["rows_in", "rows_kept", "rows_set_aside", "rows_known"]].to_numpy().tolist() == [
        [3, 2, 1, 0]
    ]
    good = ["A3", "2026-02-14", "12:00", *OTHER[3:]]
    again = import_files(season, [write(tmp_path / f"b.{ending}", HEAD, DOG, OTHER, good)])
    assert again[["rows_in", "rows_kept", "rows_set_aside", "rows_known"]].to_numpy().tolist() == [
        [3, 3, 0, 2]
    ]
    assert season.read("sign")["sign"].tolist() == ["A1", "A2", "A3"]
    lines = summarise_import(season, again).lines()
    assert "  sign: 3 read, 3 kept (2 of them in the season already)" in lines


def test_a_row_of_a_known_name_that_says_otherwise_is_set_aside_with_what_differs(
    season: Season, tmp_path: Path
) -> None:
    import_files(season, [write(tmp_path / "a.csv", HEAD, DOG)])
    changed = ["A1", "2026-02-14", "08:06", "37.6", "-119.3", "track", "puma", "big"]
    told = import_files(season, [write(tmp_path / "b.csv", HEAD, changed, OTHER)])
    assert told["rows_set_aside"].tolist() == [1]
    assert season.read("sign")["named_as"].tolist() == ["dog", "dog"]
    reason = season.read("set_aside")["reason"].item()
    assert "sign A1: the season has one of that name that says otherwise" in reason
    assert "time 2026-02-14 16:05 UTC there, 2026-02-14 16:06 UTC here" in reason
    assert "named_as dog there, puma here" in reason
    assert "carnivore-sign set-aside" in reason
    assert "a row that the season holds is not changed" in reason


def test_clearings_prints_and_layers_are_recognised_row_by_row(
    season: Season, tmp_path: Path
) -> None:
    clearings = [["cause", "date", "time", "transects"], ["rain", "2026-02-01", "06:00", "all"]]
    prints = [["sign", "print", "length_mm"], ["A1", "1", "82"], ["A1", "2", ""]]
    line = '{"type":"FeatureCollection","features":[%s]}'
    one = (
        '{"type":"Feature","properties":{"transect":"%s"},'
        '"geometry":{"type":"LineString","coordinates":[[-119.2,37.4],[-119.21,37.41]]}}'
    )
    files = [
        write(tmp_path / "c.csv", *clearings),
        write(tmp_path / "p.csv", *prints),
        tmp_path / "t.geojson",
    ]
    files[2].write_text(line % (one % "T1"))
    import_files(season, files)
    write(files[0], *clearings, ["drag", "2026-02-03", "06:00", "all"])
    write(files[1], *prints, ["A1", "3", "80"])
    files[2].write_text(line % ",".join([one % "T1", one % "T2"]))
    again = import_files(season, files).set_index("table_name")
    assert again["rows_known"].to_dict() == {"clearings": 1, "prints": 2, "transects": 1}
    assert again["rows_set_aside"].sum() == 0
    assert season.read("clearings")["cause"].tolist() == ["rain", "drag"]
    assert season.read("prints")["print_no"].tolist() == [1, 2, 3]
    assert season.read("transects")["transect"].tolist() == ["T1", "T2"]


def test_what_is_known_and_set_aside_adds_up(season: Season, tmp_path: Path) -> None:
    import_files(season, [write(tmp_path / "a.csv", HEAD, DOG, OTHER)])
    told = import_files(
        season, [write(tmp_path / "b.csv", HEAD, DOG, PUMA, OTHER, ["A4", *OTHER[1:]], [""] * 8)]
    )
    counts = pd.Series(told.iloc[0])
    assert counts["rows_in"] == counts["rows_kept"] + counts["rows_set_aside"] == 4
    assert (counts["rows_known"], counts["rows_set_aside"]) == (1, 2)
    assert season.read("sign")["sign"].tolist() == ["A1", "A2", "A4"]
