"""Photos of drawn prints with a scale beside them, and a hand that traces them on their page."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from PIL import Image, ImageDraw

from carnivore_sign.identify import measure_print, read_outlines
from carnivore_sign.reports.tracing import write_tracing_page
from carnivore_sign.simulate import draw_prints

Place = tuple[float, float]
Lens = Callable[[Iterable[Place]], list[Place]]

PX_PER_MM = 7.0
#: Ends of a ruler of 100 mm, and corners of a square of 60 mm clockwise as seen on the ground.
RULER_MM: tuple[Place, ...] = ((-50, -40), (50, -40))
SQUARE_MM: tuple[Place, ...] = ((-30, 60), (30, 60), (30, 0), (-30, 0))
PUMA = draw_prints(["puma"], length_mm=88.0)
KEYS = {"pad": "p", "dewclaw": "1", "carpal_pad": "k", "toe": "t", "claw": "l"}


def octagon(part: str, x: float, y: float, size: float = 9.0) -> dict[str, Any]:
    return {"part": part, "geometry": shapely.Point(x, y).buffer(size, quad_segs=2)}


#: A print of octagons: quick to click, and of a plausible size.
PLAIN = pd.DataFrame(
    [octagon("toe_2", -30, 25), octagon("toe_3", -11, 45), octagon("toe_4", 11, 43),
     octagon("toe_5", 30, 22), octagon("pad", 0, 0, 20)]
)  # fmt: skip


def straight_down(places: Iterable[Place]) -> list[Place]:
    """Return the pixels of places in mm, seen from straight above."""
    return [(500 + PX_PER_MM * x, 560 - PX_PER_MM * y) for x, y in places]


def tilted(places: Iterable[Place]) -> list[Place]:
    """Return the pixels of places in mm, seen by a pinhole that looks down at a slant of 28 deg."""
    lean, far = np.radians(28.0), 320.0
    seen = []
    for x, y in places:
        near = PX_PER_MM * far / (far + y * np.sin(lean))
        seen.append((500 + near * x, 560 - near * y * np.cos(lean)))
    return seen


def take_photo(path: Path, drawn: pd.DataFrame, lens: Lens) -> Path:
    """Draw marks, a ruler and a square on a photo; return its path."""
    image = Image.new("RGB", (1000, 900), (186, 160, 128))
    pen = ImageDraw.Draw(image)
    for outline in drawn["geometry"]:
        pen.polygon(lens(outline.exterior.segmentize(1.0).coords), fill=(96, 78, 60))
    pen.line(lens(RULER_MM), fill=(255, 255, 255), width=4)
    pen.line(lens([*SQUARE_MM, SQUARE_MM[0]]), fill=(240, 240, 240), width=2)
    image.save(path)
    return path


def measured(outlines: pd.DataFrame) -> pd.Series:
    """Measure the first print of a table, as the library does."""
    named = outlines if "print" in outlines else outlines.assign(print="A")
    return measure_print(named, retracings=0).iloc[0]


def content(path: Path) -> dict[str, Any]:
    return dict(json.loads(path.read_text(encoding="utf-8")))


@dataclass
class Tracer:
    """A hand on the page: it clicks on places of the ground, given in mm."""

    page: Any
    lens: Lens = straight_down

    @classmethod
    def on(cls, page: Any, photo: Path, *, lens: Lens = straight_down) -> Tracer:
        """Open the page of a photo."""
        page.goto(write_tracing_page(photo).as_uri())
        page.wait_for_selector("body[data-ready]")
        tracer = cls(page, lens)
        tracer.settle()
        return tracer

    def settle(self) -> None:
        """Wait until what was asked for is drawn."""
        self.page.evaluate(
            "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
        )

    def zoom(self) -> float:
        return float(self.page.locator("#stage").get_attribute("data-zoom"))

    def on_screen(self, *places_mm: Place) -> list[Place]:
        """Return where on the screen places of the ground are seen."""
        box = self.page.locator("#stage").bounding_box()
        shown = self.page.evaluate("() => ({...document.getElementById('stage').dataset})")
        zoom, left, top = (float(shown[name]) for name in ("zoom", "left", "top"))
        seen = self.lens(places_mm)
        return [(box["x"] + left + x * zoom, box["y"] + top + y * zoom) for x, y in seen]

    def click(self, *places_mm: Place) -> None:
        for x, y in self.on_screen(*places_mm):
            self.page.mouse.click(x, y)

    def drag(self, *places_mm: Place) -> None:
        """Press at the first place, move over the others, and let go at the last."""
        first, *others = self.on_screen(*places_mm)
        self.page.mouse.move(*first)
        self.page.mouse.down()
        for place in others:
            self.page.mouse.move(*place, steps=2)
        self.page.mouse.up()

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def fill(self, field: str, text: str) -> None:
        """Type into a field, and leave it by Enter, which leads back to the photo."""
        self.page.fill(field, text)
        self.page.press(field, "Enter")

    def set_scale(self, way: str, places_mm: Iterable[Place], *lengths: float) -> None:
        self.page.select_option("#way", way)
        for field, length in zip(("#length-one", "#length-two"), lengths, strict=False):
            self.fill(field, str(length))
        self.page.locator("#stage").focus()
        self.press("s")
        self.click(*places_mm)

    def set_ruler(self) -> None:
        self.click(*RULER_MM)

    def trace(self, outline: shapely.Polygon, part: str, *, step: int = 1) -> None:
        """Choose a part, click round its outline, and close it."""
        shift = "Shift+" if part.startswith("claw_") else ""
        self.press(KEYS.get(part) or f"{shift}{part[-1]}")
        self.click(*list(outline.exterior.coords)[:-1:step])
        self.press("c")

    def trace_all(self, drawn: pd.DataFrame, *, step: int = 1) -> None:
        for part, outline in zip(drawn["part"], drawn["geometry"], strict=True):
            self.trace(outline, part, step=step)

    def shown(self) -> dict[str, float]:
        """Return the measurements that the page shows; those it does not are left out."""
        found = {}
        for output in self.page.locator("output").all():
            text = output.inner_text().split("\u202f")[0]
            if text != "\u2013":
                found[output.get_attribute("data-measure")] = float(text)
        return found

    def step(self) -> str:
        return str(self.page.locator("#step").inner_text())

    def scale_state(self) -> str:
        return str(self.page.locator("#scale-state").inner_text())

    def notes(self) -> list[str]:
        return [str(note) for note in self.page.locator("#notes li").all_inner_texts()]

    def save(self, folder: Path) -> Path:
        """Save the outlines; return the file."""
        with self.page.expect_download() as waiting:
            self.press("w")
        path = folder / waiting.value.suggested_filename
        waiting.value.save_as(path)
        return path

    def saved(self, folder: Path) -> gpd.GeoDataFrame:
        return read_outlines(self.save(folder))

    def open(self, path: Path, *, until: str) -> None:
        """Open a saved file, and wait until the page says something of it."""
        self.page.set_input_files("#file", path)
        self.page.locator("#step", has_text=until).wait_for()
