"""The field sheet, the character key and the kit: what they say, and that they can be printed."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pypdf
import pytest
from lxml import etree
from pdf_vectors import Drawn, drawn_on, page_mm

from carnivore_sign.cli import main
from carnivore_sign.demo import demo_folder
from carnivore_sign.errors import InputError
from carnivore_sign.field import (
    character_key,
    field_sheet,
    key_table,
    write_field_kit,
)
from carnivore_sign.field.cautions import FIELD_CAUTIONS
from carnivore_sign.field.drawings import draw_state
from carnivore_sign.field.key import odds_words
from carnivore_sign.field.sheet import PRINTS, SIGN_ROWS
from carnivore_sign.field.words import CHARACTER_WORDS, label_of
from carnivore_sign.identify import load_evidence, weigh_characters
from carnivore_sign.intake import import_files, read_table
from carnivore_sign.records.season import create_season
from carnivore_sign.records.vocabularies import CHARACTERS, SIGN_KINDS, SURFACES, TAXA

PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
STATES = [(name, state) for name, states in CHARACTERS.items() for state in states]


def pages_of(body: bytes) -> list[pypdf.PageObject]:
    return list(pypdf.PdfReader(io.BytesIO(body)).pages)


def words_of(page: pypdf.PageObject) -> str:
    return " ".join(page.extract_text().replace("\u200b", "").split())


def boxes(drawn: Drawn) -> int:
    """Count the boxes to tick: squares of 2.7 mm."""
    sizes = [np.ptp(one, axis=0) for one in drawn.stroked if len(one) == 5]
    return sum(bool(np.abs(size - 2.7).max() < 0.05) for size in sizes)


@pytest.fixture(scope="module", params=list(PAPERS))
def sheet(request: pytest.FixtureRequest) -> tuple[str, list[pypdf.PageObject]]:
    return request.param, pages_of(field_sheet(paper=request.param, season_name="Coldwater 2031"))


@pytest.fixture(scope="module", params=list(PAPERS))
def key(request: pytest.FixtureRequest) -> tuple[str, list[pypdf.PageObject]]:
    return request.param, pages_of(character_key(paper=request.param))


def test_the_sheet_is_both_sides_of_one_paper_across(sheet) -> None:
    paper, pages = sheet
    assert len(pages) == 2
    for page in pages:
        assert page_mm(page) == pytest.approx(PAPERS[paper][::-1], abs=0.1)


def test_the_front_asks_for_the_walk_and_every_column_of_sign(sheet) -> None:
    told = words_of(sheet[1][0])
    for name in ("Transect", "Date", "Start", "End", "Observers", "GPS log", "Any sign found",
                 "Surface shows tracks", "Last wiped by", "Sure %", "Stride mm", "Photos",
                 "Coldwater 2031"):  # fmt: skip
        assert name in told, name
    for word in (*SIGN_KINDS, *SURFACES, *TAXA):
        assert label_of(word) in told, word
    lines = drawn_on(sheet[1][0]).lines(upright=False)
    rows = {round(place) for _, _, long, place in lines if long > 5}
    assert len(rows) > SIGN_ROWS


def test_the_sheet_says_the_cautions_in_short(sheet) -> None:
    told = words_of(sheet[1][0])
    for caution in FIELD_CAUTIONS.values():
        assert caution in told
    assert "Never run" in told
    assert "call the wildlife agency" in told
    assert not re.search(r"\b(kill|shoot|trap|poison) (it|the|a) ", told)


def test_the_back_has_a_box_for_every_state_and_for_not_visible(sheet) -> None:
    told = words_of(sheet[1][1])
    for name, words in CHARACTER_WORDS.items():
        assert words.name in told
        for state in CHARACTERS[name]:
            assert told.count(label_of(state, name)) >= PRINTS, (name, state)
    assert told.count("not visible") == PRINTS * len(CHARACTERS)
    states = sum(len(some) + 1 for some in CHARACTERS.values())
    assert boxes(drawn_on(sheet[1][1])) == PRINTS * (states + 4)  # and left, right, front, hind
    assert "No single character decides" in told


def test_what_the_sheet_calls_things_can_be_typed_into_a_notebook(tmp_path: Path) -> None:
    longest = max(map(len, CHARACTERS.values()))
    prints = {"sign": "S1", "print": range(1, longest + 2)} | {
        name: [*(label_of(state, name) for state in states), *["not visible"] * 9][: longest + 1]
        for name, states in CHARACTERS.items()
    }
    pd.DataFrame(prints).to_csv(tmp_path / "prints.csv", index=False)
    read = read_table(tmp_path / "prints.csv")
    assert not len(read.set_aside)
    for name, states in CHARACTERS.items():
        assert read.tables["prints"][name].tolist()[: len(states) + 1] == [*states, "not_visible"]
    longest = len(TAXA)
    lists = {"kind": SIGN_KINDS, "surface": SURFACES, "named_as": tuple(TAXA)}
    words = {name: [*some, *[some[0]] * longest][:longest] for name, some in lists.items()}
    sign = {"sign": range(longest), "time": "2031-03-08T08:00:00Z"} | {
        name: [label_of(word) for word in some] for name, some in words.items()
    }
    pd.DataFrame(sign).to_csv(tmp_path / "sign.csv", index=False)
    told = read_table(tmp_path / "sign.csv").tables["sign"]
    assert {name: told[name].tolist() for name in lists} == words


def test_the_key_is_one_page_that_says_every_state_and_how_strongly(key) -> None:
    paper, pages = key
    (page,) = pages
    assert page_mm(page) == pytest.approx(PAPERS[paper], abs=0.1)
    told = words_of(page)
    assert "No single character decides" in told
    assert "not visible" in told
    assert "odds are tempered for what observers and prints share" in told
    table = key_table()
    for row in table.itertuples():
        assert CHARACTER_WORDS[row.character].name in told
        assert label_of(row.state, row.character) in told
        odds = odds_words(row.log10_odds)
        side = "puma" if row.log10_odds > 0 else "dog"
        assert (f"for {side} {odds}" if odds else "for neither") in told
    for source in table["source"].unique():
        assert source in told
    assert "De Angelo" in told
    assert "not estimates" in told


def test_the_key_says_what_the_library_weighs() -> None:
    evidence = load_evidence()
    table = key_table(evidence)
    assert list(zip(table["character"], table["state"], strict=True)) == STATES
    for row in table.itertuples():
        one = pd.DataFrame({row.character: [row.state]})
        said = weigh_characters(one, evidence)
        odds = (said["puma"] - said["dog"]).item() / np.log(10)
        assert row.log10_odds == pytest.approx(odds, abs=1e-12)
        assert row.puma == evidence.characters.loc[(row.character, row.state), "puma"]
    # Elbroch, Kresky & Evans 2012: a C between pad and toes in cats, an H in dogs.
    odds = table.set_index(["character", "state"])["log10_odds"]
    assert odds["negative_space", "c_shape"] > 0 > odds["negative_space", "h_shape"]
    assert odds["claws", "fine_apart"] == pytest.approx(0, abs=0.04)


def test_the_odds_of_the_key_are_those_of_its_bars_or_less_as_it_says() -> None:
    """Bars of 80 and 20 are 4 to 1; the frame beside them says less, and the page says why."""
    table = key_table()
    bars = np.log10(table["puma"] / table["dog"])
    same_side = table["log10_odds"] * bars
    assert (same_side >= -1e-9).all()
    assert (table["log10_odds"].abs() <= bars.abs() + 1e-9).all()
    leads = table["character"].eq("leading_toe") & table["state"].eq("one_leads")
    assert 10 ** bars[leads].item() == pytest.approx(4.0)
    assert odds_words(table.loc[leads, "log10_odds"].item()) == "3.2 to 1"


def test_no_character_decides_in_the_numbers_either() -> None:
    table = key_table()
    assert (10 ** table["log10_odds"].abs()).max() < 20


def test_the_key_follows_the_evidence_that_is_handed_in() -> None:
    evidence = load_evidence()
    swapped = evidence.characters.rename(columns={"puma": "dog", "dog": "puma"})
    other = replace(evidence, characters=swapped[evidence.characters.columns])
    assert key_table(other)["log10_odds"].to_numpy() == pytest.approx(
        -key_table()["log10_odds"].to_numpy()
    )
    told = words_of(pages_of(character_key(evidence=other))[0])
    assert "one leads for dog 3.2 to 1" in told


@pytest.mark.parametrize("paper", PAPERS)
def test_pages_are_black_white_and_grey_and_stand_within_the_paper(paper: str) -> None:
    some = [*pages_of(field_sheet(paper=paper)), *pages_of(character_key(paper=paper))]
    for page in some:
        drawn = drawn_on(page)
        for colour in drawn.colours:
            assert len(set(colour)) <= 1, colour
        points = np.concatenate([*drawn.stroked, *drawn.filled])
        assert points.min() > 5
        assert (np.array(page_mm(page)) - points > 4.9).all()


def test_every_state_has_a_drawing_of_its_own_with_something_black_in_it() -> None:
    drawings = {pair: draw_state(*pair) for pair in STATES}
    for name, states in CHARACTERS.items():
        assert len({drawings[name, state] for state in states}) == len(states), name
    for pair, svg in drawings.items():
        tree = etree.fromstring(svg.encode())
        black = [one for one in tree if "#111111" in (one.get("fill"), one.get("stroke"))]
        assert black, pair
        assert len(tree) >= 5


def test_a_drawing_holds_only_shapes_and_lies_within_its_frame() -> None:
    for pair in STATES:
        tree = etree.fromstring(draw_state(*pair).encode())
        west, north, wide, high = map(float, tree.get("viewBox").split())
        assert {etree.QName(one).localname for one in tree} == {"path"}
        for path in tree:
            numbers = [float(one) for one in re.findall(r"-?\d+\.\d+", path.get("d"))]
            points = np.array(numbers).reshape(-1, 2)
            assert (points >= [west, north]).all()
            assert (points <= [west + wide, north + high]).all()


def test_the_kit_holds_form_and_pages_for_the_transects_of_a_season(tmp_path: Path) -> None:
    season = create_season(tmp_path / "s.gpkg", name="Coldwater", time_zone="UTC")
    import_files(season, [demo_folder() / "transects.geojson"])
    kit = write_field_kit(tmp_path / "kit", season=season, paper="letter")
    assert kit.transects == len(season.read("transects")) > 0
    assert {page.name for page in kit.pages} == {
        "field_sheet_letter.pdf", "scale_card_letter.pdf", "character_key_letter.pdf",
    }  # fmt: skip
    assert all(page.read_bytes().startswith(b"%PDF-") for page in kit.pages)
    assert "Coldwater" in words_of(pages_of(kit.pages[0].read_bytes())[0])
    assert f"{kit.transects} transects to choose from" in kit.lines()[0]


def test_the_command_writes_the_kit_and_tells_where(tmp_path: Path, capsys) -> None:
    assert main(["field-kit", str(tmp_path / "kit"), "--paper", "a4", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert Path(told["form"]).is_file()
    assert [Path(page).is_file() for page in told["pages"]] == [True] * 3
    assert main(["field-kit", str(tmp_path / "k"), "--season", str(tmp_path / "no.gpkg")]) == 2


def test_unknown_papers_and_endings_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no paper"):
        write_field_kit(tmp_path / "kit", paper="a3")  # type: ignore[arg-type]
    assert not (tmp_path / "kit").exists()
