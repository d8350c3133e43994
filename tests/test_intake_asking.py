"""Columns of tables, matched by name, by a given mapping, or by asking."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import openpyxl
import pytest

import carnivore_sign as cs
from carnivore_sign.cli import main
from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.intake import read_table

NAMED = "sign,date,time,kind,lat,lon,stride (in)\n"
FOREIGN = "Spur Nr.,Tag,Uhrzeit,Art,Breite,Laenge,Schritt\n"
ROWS = "S1,2026-02-14,07:40,track,37.4,-119.2,40\nS2,2026-02-14,07:50,track,37.4,-119.2,41\n"
SAID = {
    "Spur Nr.": "sign", "Tag": "date", "Uhrzeit": "time", "Art": "kind",
    "Breite": "lat", "Laenge": "lon", "Schritt": "stride_in",
}  # fmt: skip


def table(folder: Path, head: str, name: str = "a.csv") -> Path:
    path = folder / name
    path.write_text(head + ROWS)
    return path


def check(season: cs.Season) -> None:
    sign = season.read("sign")
    assert sign["sign"].tolist() == ["S1", "S2"]
    assert sign["stride_m"].tolist() == pytest.approx([1.016, 1.0414])
    assert sign.geometry.x.tolist() == [-119.2, -119.2]


def test_columns_are_matched_by_name(season: cs.Season, tmp_path: Path) -> None:
    cs.import_files(season, [table(tmp_path, NAMED)])
    check(season)


def test_columns_are_matched_by_a_given_mapping(season: cs.Season, tmp_path: Path) -> None:
    path = table(tmp_path, FOREIGN)
    assert cs.import_files(season, [path])["outcome"].tolist() == ["refused"]
    told = cs.import_files(season, [path], columns=SAID, workers=1)
    assert told["outcome"].tolist() == ["imported"]
    check(season)
    reading = read_table(path, columns=SAID, time_zone="UTC")
    assert reading.kind == "sign"
    assert reading.rows_kept == {"sign": 2}


def test_a_mapping_serves_workbooks_and_corrections_too(season: cs.Season, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for line in (FOREIGN + ROWS.replace("S2,2026-02-14", "S2,2026-02-31")).splitlines():
        book.active.append(line.split(","))
    stream = io.BytesIO()
    book.save(stream)
    (tmp_path / "a.xlsx").write_bytes(stream.getvalue())
    cs.import_files(season, [tmp_path / "a.xlsx"], columns=SAID)
    assert len(cs.list_set_aside(season)) == 1
    path = cs.write_set_aside(season, tmp_path / "aside.csv")
    path.write_text(
        path.read_text(encoding="utf-8-sig").replace("\t2026-02-31\t", "\t2026-02-14\t")
    )
    told = cs.reimport_set_aside(season, path)
    assert told["rows_kept"].tolist() == [1]
    check(season)


@pytest.mark.parametrize("column", ["spoor", "length_lightyears"])
def test_a_mapping_to_no_column_is_refused(season: cs.Season, tmp_path: Path, column: str) -> None:
    with pytest.raises(InputError, match=f"'Tag' is said to be '{column}', and no table has"):
        cs.import_files(season, [table(tmp_path, FOREIGN)], columns={"Tag": column})


class Person:
    """Somebody who answers questions, and keeps them."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.asked: list[str] = []

    def __call__(self, question: str) -> str:
        self.asked.append(question)
        return self.answers.pop(0)


def test_columns_are_matched_by_asking(season: cs.Season, tmp_path: Path) -> None:
    path = table(tmp_path, FOREIGN)
    person = Person("what?", "sign", *SAID.values())
    said = cs.ask_columns(path, ask=person)
    assert said == SAID
    assert person.asked[:2] == [person.asked[0]] * 2  # asked again, for 'what?' is no table
    assert "which table is this" in person.asked[0]
    assert "which column is 'Spur Nr.'" in person.asked[2]
    assert "Free are sign, date," in person.asked[2]
    assert "sign" not in person.asked[3].partition("Free are ")[2].split(", ")
    cs.import_files(season, [path], columns=said)
    check(season)


def test_only_what_is_not_recognised_is_asked_and_a_blank_answer_is_none(tmp_path: Path) -> None:
    head = NAMED.replace("stride (in)", "Schritt").replace("kind", "Kindd")
    person = Person("date", "kind", "")
    assert cs.ask_columns(table(tmp_path, head), kind="sign", ask=person) == {"Kindd": "kind"}
    assert "perhaps 'kind'" in person.asked[0]
    assert len(person.asked) == 3  # 'date' is taken, and asked again
    none = Person()
    assert cs.ask_columns(table(tmp_path, NAMED), ask=none) == {}
    assert none.asked == []


def test_nothing_is_asked_of_what_is_no_table(tmp_path: Path) -> None:
    log = tmp_path / "a.gpx"
    log.write_text('<gpx><trk><trkseg><trkpt lat="1" lon="2"/></trkseg></trk></gpx>')
    assert cs.ask_columns(log, ask=Person()) == {}
    assert cs.ask_columns(table(tmp_path, FOREIGN), ask=Person("")) == {}
    with pytest.raises(FileUnreadable, match="there is no such file"):
        cs.ask_columns(tmp_path / "gone.csv", ask=Person())


def test_the_command_takes_a_mapping(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["intake", str(tmp_path / "s.gpkg"), "--zone", "UTC", str(table(tmp_path, FOREIGN))]
    pairs = [word for pair in SAID.items() for word in ("--column", "=".join(pair))]
    assert main([*words, *pairs]) == 0
    assert "sign: 2 read, 2 kept" in capsys.readouterr().out
    check(cs.open_season(tmp_path / "s.gpkg"))
    assert main([*words, "--column", "Tag"]) == 2


def test_the_command_asks_who_sits_at_the_terminal(tmp_path: Path) -> None:
    path = table(tmp_path, FOREIGN)
    words = ["intake", tmp_path / "s.gpkg", "--zone", "UTC", path, "--ask"]
    words += ["--column", "Spur Nr.=sign"]
    answers = "\n".join(["sign", *list(SAID.values())[1:]]) + "\n"
    run = subprocess.run(
        [sys.executable, "-m", "carnivore_sign", *map(str, words)],
        input=answers, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "which column is 'Tag'" in run.stderr
    assert "which column is 'Spur Nr.'" not in run.stderr
    check(cs.open_season(tmp_path / "s.gpkg"))
