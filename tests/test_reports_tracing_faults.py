"""The tracing page and what is wrong: said in the words of the library, and nothing runs amok."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely
from shapely import affinity
from tracing_drawing import PLAIN, PUMA, RULER_MM, SQUARE_MM, Tracer, measured, straight_down
from tracing_drawing import take_photo as take

from carnivore_sign.identify import check_outlines, read_outlines
from carnivore_sign.identify.scale import SCALE_FAULTS
from carnivore_sign.records.outline_checks import FAULTS
from carnivore_sign.records.vocabularies import PRINT_PARTS
from carnivore_sign.reports.tracing import SCRIPTS, tracing_page, write_tracing_page
from carnivore_sign.reports.tracing_photo import Picture, read_picture


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return take(tmp_path_factory.mktemp("photo") / "print.png", PUMA, straight_down)


@pytest.fixture
def tracer(page: Any, photo: Path) -> Tracer:
    return Tracer.on(page, photo)


# --- what is wrong is said, in the words of the library ----------------------------------------


def test_scales_that_are_none_are_refused_in_the_words_of_the_library(tracer: Tracer) -> None:
    mirrored = SQUARE_MM[::-1]
    cases = [
        ("length", ((0, 0), (0, 0)), (100,), SCALE_FAULTS["zeroScale"]),
        ("length", RULER_MM, (0,), "no number above 0"),
        ("length", RULER_MM, ("ten",), "no number above 0"),
        ("corners", mirrored, (60, 60), SCALE_FAULTS["mirrored"]),
        ("corners", ((0, 0), (10, 0), (20, 0), (20, 20)), (60, 60), SCALE_FAULTS["inLine"]),
        ("rulers", ((0, 0), (50, 0), (0, 10), (50, 10)), (50, 50), SCALE_FAULTS["sameWay"]),
        ("rulers", ((0, 0), (50, 0), (0, 0), (0, -40)), (50, 50), SCALE_FAULTS["mirrored"]),
    ]
    for way, places, lengths, said in cases:
        tracer.set_scale(way, places, *lengths)
        assert said in tracer.scale_state().lower(), (way, said)
    tracer.press("w")
    assert SCALE_FAULTS["mirrored"] in tracer.step().lower()  # nothing is saved without a scale


def test_a_mirrored_photo_is_mirrored_back_with_all_that_was_clicked(
    tracer: Tracer, tmp_path: Path
) -> None:
    tracer.set_ruler()
    tracer.trace_all(PLAIN, step=2)
    tracer.page.select_option("#foot", "left_front")
    tracer.page.locator("#stage").focus()
    before = measured(tracer.saved(tmp_path))
    assert any(FAULTS["otherFoot"] in note.lower() for note in tracer.notes())
    assert FAULTS["otherFoot"] in before["notes"]
    tracer.press("m")
    after = measured(tracer.saved(tmp_path))
    for name in ("length_mm", "width_mm", "toe_3_lead_mm"):
        assert after[name] == pytest.approx(before[name], abs=0.01)
    assert after["notes"] == ""
    assert tracer.notes() == ["Nothing stands out."]


BOW = shapely.Polygon([(-9, -9), (9, 9), (9, -9), (-9, 9)])
SPECK = affinity.scale(PLAIN["geometry"][0], 0.1, 0.1)
#: Prints with one fault each, the faulty mark last.
FAULTY = {
    "crossing": PLAIN.assign(geometry=[*PLAIN["geometry"][:4], BOW]),
    "twice": pd.concat([PLAIN, PLAIN.iloc[[2]].assign(part="toe")], ignore_index=True),
    "misnumbered": PLAIN.assign(part=["toe_2", "toe_4", "toe_3", "toe_5", "pad"]),
    "oddSize": PLAIN.assign(geometry=[SPECK, *PLAIN["geometry"][1:]]).iloc[[1, 2, 3, 4, 0]],
}


@pytest.mark.parametrize("fault", FAULTY)
def test_a_faulty_outline_is_named_on_the_page_and_by_the_library_alike(
    tracer: Tracer, tmp_path: Path, fault: str
) -> None:
    drawn = FAULTY[fault]
    tracer.set_ruler()
    tracer.trace_all(drawn.iloc[:-1])
    if fault == "oddSize":  # too small for the hand: nearer
        tracer.page.mouse.move(*tracer.on_screen((-30, 25))[0])
        tracer.page.mouse.wheel(0, -800)
        tracer.settle()
    tracer.trace_all(drawn.iloc[-1:])
    saved = tracer.saved(tmp_path)
    assert FAULTS[fault] in " ".join(tracer.notes()).lower()
    assert FAULTS[fault] in measured(saved)["notes"]
    assert len(saved) == len(drawn)  # nothing that was drawn is lost


def test_what_is_open_missing_or_in_another_unit_is_told_and_saved_nevertheless(
    tracer: Tracer, tmp_path: Path
) -> None:
    tracer.set_ruler()
    tracer.trace_all(PLAIN.iloc[1:])
    tracer.press("2")
    tracer.click(*list(PLAIN["geometry"][0].exterior.coords)[:4])
    assert any("Toe 2: the outline is open" in note for note in tracer.notes())
    saved = tracer.saved(tmp_path)
    assert "still open" in tracer.step()
    assert check_outlines(saved).faults["fault"].tolist() == [FAULTS["open"]]
    assert measured(saved)["toe_count"] == 3  # the rest is measured
    tracer.press("Delete")
    assert "Not traced: toe 2." in tracer.notes()
    tracer.fill("#length-one", "1000")
    assert any(FAULTS["notMillimetres"] in note.lower() for note in tracer.notes())
    assert FAULTS["notMillimetres"] in measured(tracer.saved(tmp_path))["notes"]
    tracer.press("2", "c")
    assert tracer.step().startswith("No outline is open.")
    tracer.press("p")
    assert "Main pad is chosen" in tracer.step()


# --- nothing runs that should not, nothing leaves the page --------------------------------------

HOSTILE = [
    '"><img src=x onerror="document.body.dataset.ran=1">.png',
    "</script><script>document.body.dataset.ran=1</script>",
    "{{ 7*7 }}{% raw %}'-document.body.setAttribute('data-ran',1)-'",
    "a\u202egnp.\u0007\n.png",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_text(page: Any, photo: Path, tmp_path: Path, name: str) -> None:
    file = tmp_path / "page.html"
    picture = read_picture(photo, max_side_px=200)
    file.write_text(tracing_page(name, picture, sign=name), encoding="utf-8")
    page.goto(file.as_uri())
    page.wait_for_selector("body[data-ready]")
    heading = page.locator("h1").evaluate("node => node.firstChild.textContent")
    assert heading == name.replace("\u202e", "\ufffd").replace("\u0007\n", "\ufffd\ufffd")
    assert page.input_value("#sign") == heading
    tracer = Tracer(page)
    for place in ((360, 360), (460, 360), (300, 250), (350, 250), (350, 300)):
        page.mouse.click(*place)
    tracer.press("c")
    path = tracer.save(tmp_path)
    assert "/" not in path.name
    assert path.name.isprintable()
    tracer.open(path, until="1 outlines read")
    assert read_outlines(path)["print"].tolist() == [f"{heading}/1"]
    assert page.locator("img").count() == 1
    assert page.locator("body").get_attribute("data-ran") is None


def test_the_policy_of_the_page_forbids_every_way_out(browser: Any, photo: Path) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(write_tracing_page(photo).as_uri())
        page.wait_for_selector("body[data-ready]")
        blocked = page.evaluate(
            """async () => {
              const [seen, away] = [[], "https://example.invalid/"];
              const made = (name, rest) => Object.assign(document.createElement(name), rest);
              addEventListener("securitypolicyviolation", one => seen.push(one.effectiveDirective));
              await fetch(away).catch(() => 0);
              const form = made("form", { action: away });
              const script = made("script", { textContent: "document.body.dataset.ran = 1" });
              document.body.append(made("img", { src: away }), script, form);
              form.submit();
              for (let turn = 0; turn < 100 && seen.length < 4; turn += 1) {
                await new Promise(done => setTimeout(done, 50));
              }
              return seen.sort();
            }"""
        )
        assert blocked == ["connect-src", "form-action", "img-src", "script-src-elem"]
        assert page.locator("body").get_attribute("data-ran") is None


def test_the_page_asks_for_nothing_and_holds_every_script() -> None:
    text = tracing_page("print.jpg", Picture("data:image/jpeg;base64,", 40, 30, "0" * 64))
    assert "://" not in text
    folder = Path(__file__).parents[1] / "carnivore_sign" / "reports" / "templates" / "tracing"
    assert {file.stem for file in folder.glob("*.js")} == set(SCRIPTS)
    assert all((folder / f"{name}.js").read_text(encoding="utf-8") in text for name in SCRIPTS)


def test_every_action_has_a_key_and_every_part_a_button(tracer: Tracer) -> None:
    page = tracer.page
    told = page.locator("button").evaluate_all(
        "all => all.map(one => [one.title, one.getAttribute('aria-keyshortcuts')])"
    )
    assert len(told) > 25
    assert all(title and keys for title, keys in told)
    parts = page.locator("[data-part]").evaluate_all("all => all.map(one => one.dataset.part)")
    assert set(parts) == set(PRINT_PARTS)
    tracer.press("?")
    assert page.locator("#key-list").is_visible()
    keys = page.locator("#key-list kbd").all_inner_texts()
    assert len(keys) == len(set(keys)) > 40
    page.locator("#unit").focus()
    tracer.press("Tab")
    outline = page.evaluate("() => getComputedStyle(document.activeElement).outlineWidth")
    assert outline == "3px"
