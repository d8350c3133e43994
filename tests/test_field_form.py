"""The field form: valid by pyxform, from the library's own words, asking what applies.

Outside check: pyxform, the general-purpose converter of the XLSForm standard to XForms, makes
the form and is trusted for what it refers to; a stand-in for a client evaluates its expressions.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest
from field_client import FORMS, Client
from lxml import etree
from pyxform.xls2xform import convert

from carnivore_sign.cli import main
from carnivore_sign.errors import InputError, LibraryMissing
from carnivore_sign.field import form_sheets, write_field_form
from carnivore_sign.field.form import list_of
from carnivore_sign.field.words import CHARACTER_WORDS, QUESTIONS, label_of
from carnivore_sign.records.form import FORM_ID, FORM_PARTS, FORM_VERSION, NOT_ASKED_OF
from carnivore_sign.records.vocabularies import CHARACTERS, NOT_VISIBLE, TAXA

TRANSECTS = ["MESA", "O'Brien & Sons road", "=1+1"]
NOON = datetime(2031, 3, 8, 12, 0, tzinfo=UTC)
WALK = {"observer": "A. Quill", "transect": "MESA", "started": "2031-03-08T07:00:00+00:00",
        "logged": "yes", "found_sign": "yes"}  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    path = write_field_form(tmp_path_factory.mktemp("form") / "f.xlsx", transects=TRANSECTS)
    warnings: list[str] = []
    result = convert(path, warnings=warnings)
    assert warnings == []
    return result


@pytest.fixture
def client(made) -> Client:
    return Client(made.xform, NOON)


def sign(*prints: dict[str, object], **answers: object) -> dict[str, object]:
    return {"sign_time": "2031-03-08T08:00:00+00:00", "kind": "track", "print_seen": list(prints),
            **answers}  # fmt: skip


def asked(client: Client, *found: dict[str, object], **walk: object) -> set[str]:
    """Return the names of what is left of the form when it is filled in so."""
    filled = client.fill(WALK | walk | {"sign_found": list(found)}, instance="uuid:1")
    return {etree.QName(one).localname for one in etree.fromstring(filled).iter()}


def test_pyxform_makes_a_form_of_that_name_with_a_bind_for_every_question(made) -> None:
    tree = etree.fromstring(made.xform.encode())
    root = tree.find(f".//{FORMS}instance")[0]
    assert (root.get("id"), root.get("version")) == (FORM_ID, FORM_VERSION)
    binds = {bind.get("nodeset"): bind for bind in tree.findall(f".//{FORMS}bind")}
    types = {"text": "string", "choice": "string", "number": "decimal", "count": "string",
             "moment": "dateTime", "place": "geopoint", "photo": "binary"}  # fmt: skip
    for part in FORM_PARTS.values():
        for field in part.fields:
            places = [path for path in binds if path.endswith(f"/{field.name}")]
            assert len(places) == 1, field.name
            assert binds[places[0]].get("type") == types[field.kind], field.name
            within = part.table.name == "walks" or f"/{part.element}/" in places[0]
            assert within, field.name


def test_every_question_fills_a_column_there_is_and_names_are_used_once() -> None:
    names = [field.name for part in FORM_PARTS.values() for field in part.fields]
    assert len(names) == len(set(names))
    for part in FORM_PARTS.values():
        columns = {*part.table.names, "geometry", ""}
        assert {field.column for field in part.fields} <= columns
        needed = {column.name for column in part.table.columns if column.required}
        filled = {field.column for field in part.fields}
        assert needed - filled == {"receipt"}
    asked_for = {f.name for part in FORM_PARTS.values() for f in part.fields if f.asked}
    assert asked_for <= set(QUESTIONS)


def test_answers_are_the_words_of_the_vocabularies_with_not_visible_as_one_of_its_own(made) -> None:
    tree = etree.fromstring(made.xform.encode())
    lists = {
        one.get("id"): [name.text for name in one.iter(f"{FORMS}name")]
        for one in tree.findall(f".//{FORMS}instance[@id]")
    }
    for part in FORM_PARTS.values():
        for field in part.fields:
            if field.words:
                assert lists[list_of(field.name)] == list(field.words)
    for name, states in CHARACTERS.items():
        assert lists[name] == [*states, NOT_VISIBLE]
        assert set(CHARACTER_WORDS[name].states) == set(states)
    assert lists["named_as"] == [*TAXA, "unknown"]
    assert lists["transect"] == [*TRANSECTS, "not_in_this_list"]


def test_every_answer_has_a_label_of_plain_words_and_no_two_of_a_list_are_alike() -> None:
    choices = form_sheets()["choices"]
    assert not choices["label"].str.contains("_").any()
    assert not choices.duplicated(["list_name", "label"]).any()
    assert label_of(NOT_VISIBLE, "claws") == "not visible"


def test_prints_are_asked_for_at_tracks_only(client: Client) -> None:
    assert "print_seen" in asked(client, sign({"claws": "none"}))
    at_scat = asked(client, sign({"claws": "none"}, kind="scat"))
    assert "print_seen" not in at_scat
    assert {"stride_mm", "direction_deg"} & at_scat == set()
    assert "sign_found" not in asked(client, sign(), found_sign="no")


def test_a_character_that_a_foot_does_not_have_is_not_asked_for(client: Client) -> None:
    of_bear = asked(client, sign({"claws": "none"}, named_as="black_bear"))
    of_puma = asked(client, sign({"claws": "none"}, named_as="puma"))
    unnamed = asked(client, sign({"claws": "none"}))
    assert set(CHARACTERS) <= of_puma
    assert set(CHARACTERS) <= unnamed
    assert set(CHARACTERS) - of_bear == set(NOT_ASKED_OF["black_bear"])


def test_certainty_is_asked_of_who_named_an_animal_and_distance_of_who_has_no_log(client) -> None:
    assert "certainty_percent" in asked(client, sign(named_as="dog"))
    assert "certainty_percent" not in asked(client, sign(named_as="unknown"))
    assert "certainty_percent" not in asked(client, sign())
    assert {"distance_km", "back"} <= asked(client, logged="no")
    assert not {"distance_km", "back"} & asked(client, logged="yes")
    assert "transect_other" in asked(client, transect="not_in_this_list")
    assert "transect_other" not in asked(client)
    assert "surface_wiped" not in asked(client, was_wiped="no", surface_wiped=[{}])


def test_cautions_stand_where_they_are_needed(client: Client) -> None:
    assert {"caution_puma", "caution_scene"} <= asked(client, sign(kind="kill"))
    assert "caution_gloves" in asked(client, sign(kind="scat"))
    assert not {"caution_puma", "caution_gloves"} & asked(client, sign())


@pytest.mark.parametrize("table", FORM_PARTS)
def test_limits_are_those_of_the_record_in_the_unit_of_the_form(client: Client, table: str) -> None:
    part = FORM_PARTS[table]
    numbers = [field for field in part.fields if field.kind == "number"]
    for field in numbers:
        low, high = part.limits(field)
        for value, sound in (
            (low, True),
            (high, True),
            (low - 1, False),
            (high and high + 1, False),
        ):
            if value is None:
                continue
            one = {"prints": sign({field.name: value}, named_as="puma"),
                   "sign": sign(named_as="puma", **{field.name: value})}  # fmt: skip
            walk = {field.name: value, "logged": "no"} if table == "walks" else {}
            asked(client, one.get(table, sign()), **walk)
            assert client.broken == ([] if sound else [field.name]), (field.name, value)


def test_times_and_ages_must_be_in_order(client: Client) -> None:
    asked(client, sign(age_min_h=5, age_max_h=4), ended="2031-03-08T06:59:00+00:00")
    assert client.broken == ["age_max_h", "ended"]
    asked(client, sign(age_min_h=5, age_max_h=5), ended="2031-03-08T07:00:00+00:00")
    assert client.broken == []
    wiped = {"wiped_by": "rain", "wiped_where": "all", "wiped_at": "2031-03-08T12:00:01+00:00"}
    asked(client, was_wiped="yes", surface_wiped=[wiped])
    assert client.broken == ["wiped_at"]


def test_what_the_record_needs_is_required(client: Client) -> None:
    asked(client, {"kind": ""})
    assert client.missing == ["sign_time", "kind"]
    client.fill({}, instance="uuid:1")
    assert {"observer", "transect", "started", "logged"} <= set(client.missing)


def test_walks_and_sign_are_named_by_the_form_once_for_good(client: Client) -> None:
    filled = etree.fromstring(client.fill(WALK | {"sign_found": [sign(), sign()]}, instance="u"))
    walk = filled.findtext("{*}form_walk")
    names = [one.text for one in filled.iter("{*}form_sign")]
    assert walk.startswith("20310308-")
    assert names == [f"{walk}-1-120000", f"{walk}-2-120000"]
    kept = client.fill(WALK | {"form_walk": "as-it-was"}, instance="u")
    assert etree.fromstring(kept).findtext("{*}form_walk") == "as-it-was"


def test_without_a_season_the_transect_is_typed(tmp_path: Path) -> None:
    warnings: list[str] = []
    form = convert(write_field_form(tmp_path / "f.xlsx"), warnings=warnings)
    assert warnings == []
    typed = Client(form.xform, NOON).fill(WALK | {"transect": "Anywhere"}, instance="uuid:1")
    assert etree.fromstring(typed).findtext(".//{*}walk_transect") == "Anywhere"


def test_no_cell_of_the_workbook_is_a_formula(tmp_path: Path) -> None:
    book = openpyxl.load_workbook(write_field_form(tmp_path / "f.xlsx", transects=TRANSECTS))
    assert book.sheetnames == ["survey", "choices", "settings"]
    kinds = {cell.data_type for sheet in book for row in sheet for cell in row}
    assert kinds <= {"s", "n"}
    assert "=1+1" in [cell.value for cell in book["choices"]["B"]]


@pytest.mark.parametrize("names", [["A", "A"], ["A", " "]])
def test_transects_without_a_name_of_their_own_are_refused(names: list[str]) -> None:
    with pytest.raises(InputError, match="name of its own"):
        form_sheets(transects=names)


def test_a_form_that_is_no_workbook_is_refused_and_openpyxl_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(InputError, match=r"ends in \.xlsx"):
        write_field_form(tmp_path / "form.csv")
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    with pytest.raises(LibraryMissing, match="pip install openpyxl"):
        write_field_form(tmp_path / "form.xlsx")


def test_without_openpyxl_the_kit_has_its_pages_and_says_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    assert main(["field-kit", str(tmp_path), "--paper", "a4"]) == 2
    names = {"field_sheet_a4.pdf", "scale_card_a4.pdf", "character_key_a4.pdf"}
    assert {path.name for path in tmp_path.iterdir()} == names
    told = capsys.readouterr().err
    assert "the form for the phone is missing" in told
    assert "pip install openpyxl" in told
    assert all(name in told for name in names)
