"""The guide to the columns says what the readers do."""

from __future__ import annotations

from pathlib import Path

import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.intake import column_guide, read_table
from carnivore_sign.intake.columns import TABLE_COLUMNS
from carnivore_sign.records.vocabularies import CHARACTERS, SIGN_KINDS


@pytest.mark.parametrize("table", TABLE_COLUMNS)
def test_every_column_is_told_what_it_is_or_how_it_is_written(table: str) -> None:
    guide = column_guide(table)
    assert guide["column"].tolist() == list(TABLE_COLUMNS[table].names)
    silent = guide[guide["what"].eq("") & guide["written"].eq("")]
    assert silent["column"].tolist() == []
    assert guide.loc[guide["needed"].eq("yes"), "column"].tolist() != []


def test_the_words_are_those_of_the_vocabularies() -> None:
    sign = column_guide("sign").set_index("column")
    assert sign.loc["kind", "words"] == ", ".join(SIGN_KINDS)
    prints = column_guide("prints").set_index("column")
    for name, states in CHARACTERS.items():
        assert prints.loc[name, "words"] == ", ".join((*states, "not_visible"))


def test_what_the_guide_says_how_to_write_is_read(tmp_path: Path) -> None:
    path = tmp_path / "sign.csv"
    path.write_text(
        "sign,date,time,lat,lon,kind,confidence,age_max,direction,stride\n"
        "S1,2026-02-14,07:40,33.0,-129.0,track,80 %,1 d,NNE,36 in\n"
    )
    reading = read_table(path, time_zone="America/Los_Angeles")
    (row,) = reading.tables["sign"].itertuples()
    assert str(row.time) == "2026-02-14 15:40:00+00:00"
    assert (row.confidence, row.age_max_h, row.direction_deg) == (0.8, 24.0, 22.5)
    assert row.stride_m == pytest.approx(0.9144)


def test_another_table_is_refused_with_those_there_are() -> None:
    with pytest.raises(InputError, match="clearings"):
        column_guide("fixes")
