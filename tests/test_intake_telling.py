"""Telling: what an import says of files and rows agrees with itself, and with what was done."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import geopandas as gpd
import pytest
from shapely import LineString

from carnivore_sign.chain import answer, summarise_import
from carnivore_sign.chain.importing import ImportSummary
from carnivore_sign.cli import main
from carnivore_sign.errors import InputError
from carnivore_sign.intake import import_files
from carnivore_sign.records.season import Season


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text)
    return path


def told(season: Season, *paths: Path) -> ImportSummary:
    return summarise_import(season, import_files(season, paths))


def shapefile(folder: Path) -> list[Path]:
    """Write a shapefile with everything that a GIS leaves beside it."""
    lines = [LineString([(-119.2, 37.4), (-119.21, 37.41)])]
    gpd.GeoDataFrame({"transect": ["T1"]}, geometry=lines, crs="EPSG:4326").to_file(
        folder / "roads.shp"
    )
    (folder / "roads.sbn").write_bytes(b"\x00\x00\x27\x0a" + bytes(96))
    (folder / "roads.shp.xml").write_text("<metadata/>")
    return sorted(folder.glob("roads*"))


def test_what_lies_beside_a_shapefile_is_passed_over_with_one_note(
    season: Season, tmp_path: Path
) -> None:
    files = shapefile(tmp_path)
    assert len(files) >= 6
    summary = told(season, *files)
    assert not summary.problems
    assert summary.receipts["outcome"].tolist() == ["imported", "passed over"]
    (line,) = [line for line in summary.lines() if "passed over" in line]
    assert all(file.name in line for file in files if file.suffix != ".shp")
    assert "parts of the shapefile roads.shp" in line
    assert season.read("transects")["transect"].tolist() == ["T1"]
    assert len(season.read("receipts")) == 1


def test_a_part_of_a_shapefile_alone_names_what_is_missing(season: Season, tmp_path: Path) -> None:
    files = [file for file in shapefile(tmp_path) if file.suffix != ".shp"]
    summary = told(season, *files)
    assert set(summary.receipts["outcome"]) == {"refused"}
    assert len(summary.problems) == len(files)
    assert all("Import roads.shp with it" in problem for problem in summary.problems)


def test_set_aside_rows_stand_in_the_order_of_files_and_rows(
    season: Season, tmp_path: Path
) -> None:
    head = "sign,date,time,kind\n"
    bad = [f"{name},{day},08:00,{kind}\n" for name, day, kind in (
        ("a", "2026-02-14", "poem"), ("b", "soon", "scat"), ("", "2026-02-14", "scat"),
        ("a", "2026-02-14", "scat"),
    )]  # fmt: skip
    files = [
        write(tmp_path, "z.csv", head + "".join(bad)),
        write(tmp_path, "a.csv", head + "".join(reversed(bad))),
    ]
    summary = told(season, *files)
    found = list(zip(summary.set_aside["file"], summary.set_aside["source_row"], strict=True))
    assert found == [(name, row) for name in ("z.csv", "a.csv") for row in (2, 3, 4, 5)]
    lines = [line for line in summary.lines() if line.startswith("  set aside")]
    assert lines[0].startswith("  set aside, z.csv, row 2: kind: not one of track")
    assert lines[1].startswith("  set aside, z.csv, row 3: time: not a date: write the date as")


def test_lines_name_files_without_their_folder_and_json_with_it(
    season: Season, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    far = tmp_path / "far"
    far.mkdir()
    files = [
        write(far, "empty.gpx", ""),
        write(far, "wrong.csv", "colour,weight\nred,3\n"),
        write(far, "sign.csv", "sign,date,time,kind\na,soon,08:00,scat\n"),
    ]
    command = ["intake", str(season.path), *map(str, files)]
    assert main(command) == 2
    out = capsys.readouterr().out
    assert str(far) not in out
    for name in (
        "empty.gpx: the file is empty",
        "wrong.csv: no table",
        "sign.csv: its only row could",
    ):
        assert f"  problem: {name}" in out
    assert main([*command, "--json"]) == 2
    plain = json.loads(capsys.readouterr().out)
    assert [row["path"] for row in plain["receipts"]] == list(map(str, files))
    assert any(str(files[0]) in problem for problem in plain["problems"])


def test_a_log_without_a_usable_fix_is_told_as_it_was_counted(
    season: Season, tmp_path: Path
) -> None:
    log = (
        '<gpx><trk><trkseg><trkpt lat="95" lon="0"/><trkpt lat="1" lon="200"/></trkseg></trk></gpx>'
    )
    summary = told(season, write(tmp_path, "walk.gpx", log))
    lines = summary.lines()
    assert "  logs: 1 read, 1 kept" in lines
    assert "  fixes: 2 read, 0 kept, 2 set aside" in lines
    (problem,) = summary.problems
    assert problem == (
        "walk.gpx: none of its 2 points could be used; each was set aside; the season has the "
        "log without a point."
    )


def test_each_file_that_needs_a_library_is_named(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "fitdecode", None)
    head = bytes([14, 16, 0, 0, 0, 0, 0, 0]) + b".FIT" + bytes(8)
    files = [tmp_path / name for name in ("one.fit", "two.fit")]
    for number, file in enumerate(files):
        file.write_bytes(head + bytes([number]))
    lines = told(season, *files).lines()
    assert [line for line in lines if "problem" in line] == [
        f"  problem: {name}: fitdecode is needed to read FIT files. Install it with: pip install "
        "fitdecode"
        for name in ("one.fit", "two.fit")
    ]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_an_incident_that_was_set_aside_is_named_with_its_reason(
    season: Season, tmp_path: Path, separator: str
) -> None:
    rows = ["incident,found,count", "L1,2026-02-14 08:00,1", "L2,soon,2", "L22,2026-02-14 08:00,1"]
    text = "\n".join(rows).replace(",", separator)
    import_files(season, [write(tmp_path, "losses.csv", text)])
    with pytest.raises(InputError, match="no incident 'L2'") as error:
        answer(season, "L2", tmp_path / "out")
    message = str(error.value)
    assert "losses.csv, row 3: found: not a time: write 2014-08-22 18:53" in message
    assert "carnivore-sign set-aside" in message
    with pytest.raises(InputError, match=r"It has: L1, L22\. Import a table"):
        answer(season, "L3", tmp_path / "out")
