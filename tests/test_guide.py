"""The pages of the guide say what the code does: words, columns, functions, links and examples."""

from __future__ import annotations

import doctest
import importlib
import inspect
import re
from pathlib import Path

import pytest

from carnivore_sign.cli import main
from carnivore_sign.errors import InputError
from carnivore_sign.guide import GUIDE_PAGES, read_guide
from carnivore_sign.identify import CERTAINTY_CLASSES
from carnivore_sign.incidents import PROBABILITY_WORDS
from carnivore_sign.incidents.words import CANNOT_BE_TOLD, ProbabilityWord
from carnivore_sign.presence.models import RECORD_PARTS
from carnivore_sign.records.tables import TABLES
from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    FOUND_LIKELY_FROM,
    LIKELY_FROM,
    MAP_STATES,
    SIGN_KINDS,
    SURE_FROM,
    UNLIKELY_BELOW,
)

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "carnivore_sign" / "guide"
FORMULA_ROOMS = ("identify", "trails", "survey", "presence", "incidents")

#: Columns whose name says all that there is to say: who, when, where, which file.
PLAIN_COLUMNS = {
    "accuracy_m", "along_m", "across_m", "back", "cadence_rpm", "camera_time", "clock_behind_s",
    "clock_offset_s", "clock_source", "comment", "content", "course_deg", "device",
    "direction_ref", "dop", "elevation_m", "end", "examined_by", "extras", "file", "found_at",
    "gap_s", "heading", "heart_rate_bpm", "height_px", "imported_at", "kind", "length_m",
    "library_version", "name", "notes", "observer", "outline_mm", "owner_reference", "parts",
    "photo", "position_source", "reason", "replaces", "route", "rows_in", "rows_kept",
    "rows_known", "rows_set_aside", "satellites", "scale_error_fraction", "set_aside_no",
    "sha256", "source_row", "span_m", "start", "submission", "symbol", "table_name",
    "temperature_c", "time", "time_source", "told", "tracks", "waypoint", "width_px", "x_m",
    "y_m",
}  # fmt: skip

#: Public functions that read, lay out or arrange, and compute no statistic.
WITHOUT_FORMULA = {
    "add_stated_walks", "assign_followed", "assign_stated_walks", "assign_walks", "check_answers",
    "check_outlines", "chunks_of", "cut_by_areas", "cut_segments", "gather_units", "grid_cells",
    "join_traced",
    "lines_of_logs", "logs_in_season", "make_detections", "make_visits_in_chunks", "months_of",
    "note_conditions", "outings_of_day", "outlines_from_table", "percent", "place_of_incident",
    "probability_word", "read_answers", "read_outlines", "regions", "search_detections",
    "to_geojson", "trails_with_tracks", "visits_in", "walk_summary", "words_of_range",
}  # fmt: skip

#: Words of the trade that stand on maps and pages; each has its entry in the glossary.
TERMS_ON_PAGES = (
    "age of sign", "bits", "clearing", "detection rate", "effort",
    "explanation", "incidental", "index of tracks", "likelihood ratio", "limits", "look-alike",
    "not visible", "occupancy", "passage", "presence", "prior", "range", "segment", "sign",
    "stride", "trail", "transect", "visit", "walk",
)  # fmt: skip


def entries() -> dict[str, str]:
    """Return the entries of the glossary: term to text."""
    parts = re.split(r"^### (.+)\n", read_guide("glossary"), flags=re.MULTILINE)[1:]
    texts = [re.split(r"^## ", text, flags=re.MULTILINE)[0] for text in parts[1::2]]
    return dict(zip(parts[::2], texts, strict=True))


def columns_named() -> set[str]:
    lines = re.findall(r"^Columns: (.+)\.$", read_guide("glossary"), flags=re.MULTILINE)
    return set(re.findall(r"`(\w+)`", " ".join(lines)))


def cells(page: str, heading: str) -> dict[str, str]:
    """Return the rows of the table under a heading: first cell to second."""
    part = read_guide(page).split(f"## {heading}\n", 1)[1].split("\n## ")[0]
    rows = [line.strip("| ").split(" | ") for line in part.splitlines() if line.startswith("| ")]
    return {row[0]: row[1] for row in rows[2:]}


@pytest.mark.parametrize("page", GUIDE_PAGES)
def test_the_command_line_prints_a_page(page: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["guide", page]) == 0
    assert capsys.readouterr().out == read_guide(page)


@pytest.mark.parametrize("page", GUIDE_PAGES)
def test_every_link_leads_somewhere(page: str) -> None:
    links = re.findall(r"\]\(([^)]+)\)", read_guide(page))
    assert links
    assert [link for link in links if not (FOLDER / link).is_file()] == []


def test_every_page_that_lies_there_is_in_the_guide() -> None:
    assert {path.stem for path in FOLDER.glob("*.md")} == set(GUIDE_PAGES)
    with pytest.raises(InputError, match="Read one of: glossary, formulas, words"):
        read_guide("recipes")


def test_the_examples_of_the_formulas_give_what_they_say() -> None:
    failed, tried = doctest.testfile(str(FOLDER / "formulas.md"), module_relative=False)
    assert tried > 80
    assert failed == 0


def test_both_sides_of_a_formula_agree() -> None:
    """Where an example sets a function beside its formula, as (function, formula)."""
    pairs = re.findall(r"^\((-?[\d.]+), (-?[\d.]+)\)$", read_guide("formulas"), re.MULTILINE)
    assert len(pairs) >= 25
    rounded_up = ("9", "8.4")  # whole visits
    assert [pair for pair in pairs if float(pair[0]) != float(pair[1])] == [rounded_up]


def test_every_function_named_is_there() -> None:
    named = re.findall(r"`(\w+)\.(\w+)`", read_guide("formulas"))
    assert len(named) > 100
    homes = {room: importlib.import_module(f"carnivore_sign.{room}") for room in FORMULA_ROOMS}
    assert [f"{room}.{name}" for room, name in named if name not in homes[room].__all__] == []


@pytest.mark.parametrize("room", FORMULA_ROOMS)
def test_every_public_function_has_its_formula_or_needs_none(room: str) -> None:
    home = importlib.import_module(f"carnivore_sign.{room}")
    public = {name for name in home.__all__ if inspect.isfunction(getattr(home, name))}
    named = set(re.findall(rf"`{room}\.(\w+)`", read_guide("formulas")))
    assert public - named - WITHOUT_FORMULA == set()


def test_every_formula_names_a_function_and_a_source() -> None:
    parts = re.split(r"^### ", read_guide("formulas"), flags=re.MULTILINE)[1:]
    assert len(parts) > 35
    assert [part.splitlines()[0] for part in parts if "\nSource: " not in part] == []
    assert [part.splitlines()[0] for part in parts if not re.search(r"\nFunctions?: `", part)] == []


def test_every_model_of_occupancy_is_on_the_page() -> None:
    rows = cells("formulas", "Presence: occupancy when detection is imperfect")
    assert {row.strip("`") for row in rows} == set(RECORD_PARTS)


def test_every_column_of_the_trade_is_in_the_glossary() -> None:
    every = {column.name for table in TABLES.values() for column in table.columns}
    assert every - columns_named() - PLAIN_COLUMNS == set()


def test_no_column_is_named_that_is_not_there() -> None:
    every = {column.name for table in TABLES.values() for column in table.columns}
    assert columns_named() - every == set()
    assert PLAIN_COLUMNS - every == set()


def test_the_glossary_is_in_order_and_every_entry_has_a_source() -> None:
    sections = re.split(r"^## ", read_guide("glossary"), flags=re.MULTILINE)[1:]
    for section in sections:
        terms = re.findall(r"^### (.+)$", section, flags=re.MULTILINE)
        assert terms == sorted(terms, key=str.lower)
    assert [term for term, text in entries().items() if "\nSource: " not in text] == []


def test_the_terms_of_the_pages_are_in_the_glossary() -> None:
    terms = {term.lower() for term in entries()}
    assert [term for term in TERMS_ON_PAGES if term not in terms] == []
    said = " ".join(
        path.read_text(encoding="utf-8").lower()
        for room in ("reports", "maps", "chain", "incidents")
        for path in (ROOT / "carnivore_sign" / room).glob("*.py")
    )
    assert [term for term in TERMS_ON_PAGES if term.replace(" of sign", "") not in said] == []
    text = read_guide("glossary").lower()
    assert [kind for kind in SIGN_KINDS if kind not in text] == []
    assert [name for name in CHARACTERS if f"`{name}`" not in text] == []


def test_the_words_for_probabilities_are_those_of_the_code() -> None:
    told = cells("words", "Of a loss, of having passed, of presence near a place")
    untold = (
        f"no number, or a range from under {UNLIKELY_BELOW:.0%} to over {LIKELY_FROM:.0%}"
    ).replace("%", " %")
    words = {word.word: word.range_text for word in PROBABILITY_WORDS}
    assert told == {**words, CANNOT_BE_TOLD: untold}


def test_the_words_for_trails_are_those_of_the_code() -> None:
    bounds = (0.0, UNLIKELY_BELOW, LIKELY_FROM, SURE_FROM, float("inf"))
    ranges = [
        ProbabilityWord(word, low, high).range_text
        for word, low, high in zip(CERTAINTY_CLASSES, bounds[:-1], bounds[1:], strict=True)
    ]
    told = cells("words", "Of a print, a sign or a trail")
    assert told == dict(zip(CERTAINTY_CLASSES, ranges, strict=True))


def test_the_states_of_the_map_are_those_of_the_code() -> None:
    told = cells("words", "Of a segment on the map")
    assert list(told) == list(MAP_STATES.values())
    sure = ProbabilityWord("", SURE_FROM, float("inf")).range_text
    likely = ProbabilityWord("", FOUND_LIKELY_FROM, SURE_FROM).range_text
    assert told["found, sure"].endswith(f"with {sure}")
    assert told["found, likely"].endswith(f"with {likely}")
    blank = f"no trail reaches {FOUND_LIKELY_FROM * 100:.0f} %"
    assert told["looked for, not found"].endswith(blank)
