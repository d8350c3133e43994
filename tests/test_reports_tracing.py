"""The tracing page in a real browser: what is clicked is what `measure_print` measures."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely
from tracing_drawing import (
    PLAIN,
    PUMA,
    RULER_MM,
    SQUARE_MM,
    Tracer,
    content,
    measured,
    straight_down,
    take_photo,
    tilted,
)

from carnivore_sign.identify import (
    read_outlines,
    scale_from_length,
    scale_from_rulers,
    scale_from_square,
)
from carnivore_sign.simulate import draw_prints

DOG = draw_prints(["dog"], length_mm=82.0, foot="left_front")
SIZES = ["length_mm", "width_mm", "pad_width_mm", "pad_length_mm", "length_to_width",
         "toes_in_pad_ratio", "length_with_claws_mm"]  # fmt: skip


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return take_photo(tmp_path_factory.mktemp("photo") / "S14 print.png", PUMA, straight_down)


@pytest.fixture
def tracer(page: Any, photo: Path) -> Tracer:
    return Tracer.on(page, photo)


# --- what is traced is what was drawn ---------------------------------------------------------


@pytest.mark.parametrize(
    ("drawn", "lens"),
    [(PUMA, straight_down), (DOG, tilted)],
    ids=["a puma from straight above by a ruler", "a dog at a slant by a square"],
)
def test_a_traced_print_measures_as_it_was_drawn_within_two_per_cent(
    page: Any, tmp_path: Path, drawn: pd.DataFrame, lens: Any
) -> None:
    tracer = Tracer.on(page, take_photo(tmp_path / "print.png", drawn, lens), lens=lens)
    if lens is straight_down:
        tracer.set_ruler()
    else:
        tracer.set_scale("corners", SQUARE_MM, 60, 60)
    tracer.trace_all(drawn, step=2)
    shown, saved, truth = tracer.shown(), measured(tracer.saved(tmp_path)), measured(drawn)
    assert set(SIZES) <= set(shown)
    for name in SIZES:
        assert saved[name] == pytest.approx(truth[name], rel=0.02), name
    assert saved["toe_3_lead_mm"] == pytest.approx(truth["toe_3_lead_mm"], abs=0.5)
    for name, value in shown.items():  # the page rounds to what it shows
        digits = 2 if name == "length_to_width" else 1
        assert value == pytest.approx(saved[name], abs=0.5 * 10**-digits + 2e-3), name
    assert saved["notes"] == ""
    assert tracer.notes() == ["Nothing stands out."]


def test_a_ruler_alone_on_a_slanting_photo_errs_and_a_square_mends_it(
    page: Any, tmp_path: Path
) -> None:
    tracer = Tracer.on(page, take_photo(tmp_path / "p.png", PUMA, tilted), lens=tilted)
    tracer.set_ruler()
    tracer.trace_all(PLAIN, step=2)
    marks = [shapely.Polygon(list(one.exterior.coords)[:-1:2]) for one in PLAIN["geometry"]]
    truth = measured(PLAIN.assign(geometry=marks))["length_to_width"]
    askew = tracer.shown()["length_to_width"]
    tracer.set_scale("corners", SQUARE_MM, 60, 60)
    assert tracer.shown()["length_to_width"] == pytest.approx(truth, rel=0.01)
    assert abs(askew / truth - 1) > 0.05


def test_the_page_scales_as_the_library_does_in_all_three_ways_and_all_agree(
    tracer: Tracer, tmp_path: Path
) -> None:
    rulers = ((-40, -20), (40, -20), (-40, -20), (-40, 50))
    library = {
        "length": lambda p: scale_from_length(p, length_mm=100),
        "corners": lambda p: scale_from_square(p, side_mm=60),
        "rulers": lambda p: scale_from_rulers(p[:2], p[2:], first_mm=80, second_mm=70),
    }
    ways = {"length": (RULER_MM, 100), "corners": (SQUARE_MM, 60, 60), "rulers": (rulers, 80, 70)}
    square = shapely.box(-20, -20, 20, 20)
    for way, (places, *lengths) in ways.items():
        tracer.set_scale(way, places, *lengths)
        scale = library[way](np.array(straight_down(places)))
        assert f"{100 * scale.error_fraction:.1f} %" in tracer.scale_state(), way
        if way == "length":
            tracer.trace(square, "pad")
        assert tracer.saved(tmp_path).area.iloc[0] == pytest.approx(square.area, rel=0.005), way


def test_a_card_and_units_other_than_millimetres_scale_as_well(
    tracer: Tracer, tmp_path: Path
) -> None:
    card = ((-30, 60), (30, 60), (30, 30), (-30, 30))
    tracer.page.select_option("#unit", "cm")
    tracer.set_scale("corners", card, 6, 3)
    tracer.trace(shapely.box(-20, -20, 20, 20), "pad")
    assert tracer.saved(tmp_path).area.iloc[0] == pytest.approx(1600, rel=0.005)
    tracer.page.select_option("#unit", "in")
    tracer.set_scale("length", RULER_MM, 100 / 25.4)
    assert tracer.saved(tmp_path).area.iloc[0] == pytest.approx(1600, rel=0.005)
    tracer.fill("#length-one", "3,937")  # a decimal comma
    assert tracer.saved(tmp_path).area.iloc[0] == pytest.approx(1600, rel=0.005)


# --- ways of working ---------------------------------------------------------------------------


def test_a_print_can_be_traced_and_saved_by_keys_alone(tracer: Tracer, tmp_path: Path) -> None:
    box = tracer.page.locator("#stage").bounding_box()
    cross = np.array([box["x"] + box["width"] / 2, box["y"] + box["height"] / 2])

    def go_to(place: tuple[float, float]) -> None:
        off = np.array(tracer.on_screen(place)[0]) - cross
        for axis, keys in enumerate((("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"))):
            key = keys[int(off[axis] > 0)]
            tens, ones = divmod(round(abs(off[axis])), 10)
            tracer.press(*[key] * tens, *[f"Shift+{key}"] * ones)
            cross[axis] += np.sign(off[axis]) * (10 * tens + ones)
        tracer.press("Enter")

    marks = [shapely.Polygon(list(one.exterior.coords)[:-1:2]) for one in PLAIN["geometry"]]
    for place in RULER_MM:
        go_to(place)
    for part, mark in zip(PLAIN["part"], marks, strict=True):
        tracer.press("p" if part == "pad" else part[-1])
        for place in list(mark.exterior.coords)[:-1]:
            go_to(place)
        tracer.press("c")
    truth, saved = measured(PLAIN.assign(geometry=marks)), measured(tracer.saved(tmp_path))
    for name in ("length_mm", "width_mm", "pad_width_mm"):
        assert saved[name] == pytest.approx(truth[name], rel=0.02), name


def test_every_change_is_undone_and_done_again(tracer: Tracer, tmp_path: Path) -> None:
    tracer.set_ruler()
    tracer.trace_all(PLAIN.iloc[:2], step=2)
    tracer.press("Delete")  # nothing is chosen: nothing happens
    whole = tracer.saved(tmp_path)
    tracer.press("]", "Delete")
    assert len(tracer.saved(tmp_path)) == 1
    tracer.press("z")
    assert tracer.saved(tmp_path).geometry.equals(whole.geometry)
    tracer.press(*["Control+z"] * 16)
    assert tracer.scale_state() == "0 of 2 points clicked."
    assert tracer.page.locator('[data-command="undo"]').first.is_disabled()
    tracer.press(*["y"] * 16)
    assert len(tracer.saved(tmp_path)) == 1  # the deletion is done again
    tracer.press("z")
    assert tracer.saved(tmp_path).geometry.equals(whole.geometry)


def test_points_are_dragged_inserted_and_taken_back(tracer: Tracer, tmp_path: Path) -> None:
    tracer.set_ruler()
    tracer.trace(shapely.box(-20, -20, 20, 20), "pad")
    tracer.press("e")
    tracer.click((0, 0))
    tracer.drag((20, 20), (30, 30))  # a corner
    tracer.drag((0, -20), (0, -30))  # an edge: a new point
    mended = shapely.Polygon([(-20, -20), (0, -30), (20, -20), (30, 30), (-20, 20)])
    assert tracer.saved(tmp_path).area.iloc[0] == pytest.approx(mended.area, rel=0.01)
    tracer.press("z", "z")
    assert tracer.saved(tmp_path).area.iloc[0] == pytest.approx(1600.0, rel=0.01)
    tracer.press("Escape", "i")
    assert "Choose a point first" in tracer.step()
    tracer.press("]", ".", "i", "Backspace", "Backspace")
    points = shapely.get_num_coordinates(tracer.saved(tmp_path).geometry)
    assert points.tolist() == [4]  # a triangle, closed


def test_wheel_and_drag_move_the_photo_and_set_no_point(tracer: Tracer) -> None:
    (before,) = tracer.on_screen((20, 20))
    whole = tracer.zoom()
    tracer.page.mouse.move(*before)
    tracer.page.mouse.wheel(0, -240)
    tracer.settle()
    assert tracer.zoom() > 1.5 * whole
    assert tracer.on_screen((20, 20))[0] == pytest.approx(before, abs=1)  # it stays put
    tracer.drag((20, 20), (30, 40))
    tracer.settle()
    assert tracer.on_screen((20, 20))[0] != pytest.approx(before, abs=20)
    tracer.press("-", "0")
    tracer.settle()
    assert tracer.zoom() == pytest.approx(whole)
    assert tracer.scale_state() == "0 of 2 points clicked."


def test_fingers_tap_drag_and_pinch(tracer: Tracer, tmp_path: Path) -> None:
    driver = tracer.page.context.new_cdp_session(tracer.page)
    driver.send("Emulation.setTouchEmulationEnabled", {"enabled": True, "maxTouchPoints": 2})

    def touch(kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": at} for at, (x, y) in enumerate(places)]
        driver.send("Input.dispatchTouchEvent", {"type": f"touch{kind}", "touchPoints": points})

    def tap(*places_mm: tuple[float, float]) -> None:
        for place in tracer.on_screen(*places_mm):
            touch("Start", place)
            touch("End")

    tap(*RULER_MM)
    middle = np.array(tracer.on_screen((0, 0))[0])
    touch("Start", tuple(middle - 60), tuple(middle + 60))
    touch("Move", tuple(middle - 90), tuple(middle + 90))
    touch("End")
    tracer.settle()
    assert tracer.on_screen((0, 0))[0] == pytest.approx(tuple(middle), abs=1.5)
    tracer.press("p")
    tap((-20, -20), (20, -20), (20, 20), (-20, 20), (-20, -20))
    assert tracer.saved(tmp_path).area.tolist() == pytest.approx([1600.0], rel=0.01)
    ((x, y),) = tracer.on_screen((0, 30))
    touch("Start", (x, y))
    touch("Move", (x + 30, y + 20))
    touch("Move", (x + 50, y + 30))
    touch("End")
    tracer.settle()
    assert tracer.on_screen((0, 30))[0] == pytest.approx((x + 50, y + 30), abs=1)
    assert len(tracer.saved(tmp_path)) == 1  # a drag moves the photo and sets no point


def test_a_narrow_screen_has_a_cross_and_a_button_that_sets_points_under_it(
    tracer: Tracer,
) -> None:
    tracer.page.set_viewport_size({"width": 390, "height": 780})
    tracer.settle()
    assert tracer.page.locator("#stage").bounding_box()["height"] > 300
    assert tracer.page.evaluate("document.documentElement.scrollWidth") <= 390
    button = tracer.page.locator('[data-command="place"]')
    assert button.bounding_box()["height"] >= 44
    button.click()
    assert tracer.scale_state() == "1 of 2 points clicked."


# --- saved, opened again, kept ------------------------------------------------------------------


def test_several_prints_are_saved_kept_opened_again_and_gone_on_with(
    tracer: Tracer, tmp_path: Path
) -> None:
    tracer.set_ruler()
    tracer.fill("#sign", "S14")
    tracer.trace_all(PLAIN.iloc[:2], step=2)
    tracer.press("n")
    tracer.page.select_option("#foot", "left_hind")
    tracer.page.locator("#stage").focus()
    tracer.trace(PLAIN["geometry"][4], "pad", step=2)
    path = tracer.save(tmp_path)
    outlines, told = read_outlines(path), content(path)
    assert outlines["print"].tolist() == ["S14/1", "S14/1", "S14/2"]
    assert outlines["foot"].dropna().tolist() == ["left_hind"]
    assert {one["properties"]["unit"] for one in told["features"]} == {"mm"}
    assert told["tracing"]["photo"] == "S14 print.png"
    assert "crs" not in told

    tracer.page.reload()
    tracer.page.wait_for_selector("body[data-ready]")
    tracer.settle()
    assert "earlier work" in tracer.step()
    assert tracer.saved(tmp_path).geometry.equals(outlines.geometry)
    tracer.press("Control+Delete")
    assert tracer.scale_state() == "0 of 2 points clicked."
    tracer.open(path, until="3 outlines read.")
    tracer.trace(PLAIN["geometry"][2], "toe_4", step=2)
    again = tracer.saved(tmp_path)
    assert again["print"].tolist() == ["S14/1", "S14/1", "S14/1", "S14/2"]
    assert again.geometry.iloc[[0, 1, 3]].tolist() == outlines.geometry.tolist()

    tracer.press("b")
    tracer.fill("#no", "1")
    tracer.press("w")
    assert "Two prints have one name" in tracer.step()


def test_outlines_of_other_hands_are_read_and_what_cannot_be_is_told(
    tracer: Tracer, tmp_path: Path
) -> None:
    ring = [[0, 0], [2, 0], [2, 2], [0, 2], [0, 0]]

    def feature(part: str, unit: str, rings: Any) -> dict[str, Any]:
        shape = {"type": "Polygon", "coordinates": rings}
        return {"type": "Feature", "properties": {"part": part, "unit": unit}, "geometry": shape}

    features = [feature("Heel-Pad", "Centimetres", [ring]), feature("tail", "mm", [ring]),
                feature("toe_2", "fathom", [ring]), feature("toe_3", "mm", None),
                feature("toString", "mm", [ring]), feature("toe_4", "valueOf", [ring])]  # fmt: skip
    file = tmp_path / "by hand.geojson"
    file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    tracer.open(file, until="Set the scale first")
    tracer.set_ruler()
    tracer.open(file, until="1 outlines read; 5 could not be read")
    assert tracer.saved(tmp_path).area.tolist() == pytest.approx([400.0])
    file.write_text("no JSON")
    tracer.open(file, until="This is no GeoJSON")
    assert len(tracer.saved(tmp_path)) == 1


@pytest.mark.parametrize(
    "kept",
    [
        "{",
        "[]",
        '{"marks": [{"print": 9}], "scale": {}}',
        '{"marks": [1], "prints": [], "scale": 2}',
    ],
)
def test_what_was_kept_and_makes_no_sense_is_passed_over(page: Any, photo: Path, kept: str) -> None:
    page.add_init_script(f"Storage.prototype.getItem = () => {json.dumps(kept)};")
    tracer = Tracer.on(page, photo)
    assert tracer.step() == "Click one end of a known length."


def test_the_page_works_where_the_browser_keeps_nothing(
    page: Any, photo: Path, tmp_path: Path
) -> None:
    page.add_init_script(
        "Object.defineProperty(window, 'localStorage', { get() { throw new Error('no'); } });"
    )
    tracer = Tracer.on(page, photo)
    tracer.set_ruler()
    tracer.trace(shapely.box(-20, -20, 20, 20), "pad")
    assert len(tracer.saved(tmp_path)) == 1
