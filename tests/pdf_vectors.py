"""What is drawn on a page of a PDF: lines, filled shapes and grey levels, in mm on paper.

Only what a page needs: the operators of paths, colours, the graphics state and forms within.
Source: ISO 32000-1, clause 8 (graphics).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pypdf
from pypdf.generic import ContentStream

MM_PER_POINT = 25.4 / 72
_PATH = ("m", "l", "c", "v", "y", "h", "re")
_COLOURS = ("g", "G", "rg", "RG", "k", "K", "sc", "scn", "SC", "SCN")
_STROKE = ("S", "s", "B", "B*", "b", "b*")
_FILL = ("f", "F", "f*", "B", "B*", "b", "b*")
_PAINT = (*_STROKE, *_FILL, "n")


@dataclass
class Drawn:
    """Paths in mm from the lower left corner of the page, and the colours that were set."""

    stroked: list[np.ndarray] = field(default_factory=list)
    filled: list[np.ndarray] = field(default_factory=list)
    colours: set[tuple[float, ...]] = field(default_factory=set)

    def lines(self, *, upright: bool) -> list[tuple[float, float, float, float]]:
        """Return straight lines of two points: x, y of the lower left end, length, place across."""
        found = []
        for path in self.stroked:
            if len(path) == 2:
                (x0, y0), (x1, y1) = path
                across, along = (
                    (abs(x1 - x0), abs(y1 - y0)) if upright else (abs(y1 - y0), abs(x1 - x0))
                )
                if across < 1e-6 < along:
                    found.append((min(x0, x1), min(y0, y1), along, x0 if upright else y0))
        return found


def drawn_on(page: pypdf.PageObject) -> Drawn:
    """Read what a page draws."""
    drawn = Drawn()
    _read(page.get_contents(), page["/Resources"], np.eye(3), drawn, page.pdf)
    return drawn


def page_mm(page: pypdf.PageObject) -> tuple[float, float]:
    """Return width and height of a page."""
    box = page.mediabox
    return float(box.width) * MM_PER_POINT, float(box.height) * MM_PER_POINT


def _read(content: Any, resources: Any, start: np.ndarray, drawn: Drawn, pdf: Any) -> None:
    matrix, kept = start, []
    path: list[list[tuple[float, float]]] = []
    for operands, operator in ContentStream(content, pdf).operations:
        name = operator.decode("latin-1")
        if name == "q":
            kept.append(matrix)
        elif name == "Q":
            matrix = kept.pop()
        elif name == "cm":
            matrix = _matrix(operands) @ matrix
        elif name in _PATH:
            _draw(path, name, [float(one) for one in operands])
        elif name in _COLOURS:
            drawn.colours.add(tuple(float(one) for one in operands if not hasattr(one, "lstrip")))
        elif name in _PAINT:
            placed = [_placed(one, matrix) for one in path]
            drawn.stroked += placed if name in _STROKE else []
            drawn.filled += placed if name in _FILL else []
            path = []
        elif name == "Do" and resources["/XObject"][operands[0]]["/Subtype"] == "/Form":
            form = resources["/XObject"][operands[0]]
            within = _matrix(form.get("/Matrix", [1, 0, 0, 1, 0, 0])) @ matrix
            _read(form, form.get("/Resources", resources), within, drawn, pdf)


def _matrix(numbers: Any) -> np.ndarray:
    a, b, c, d, e, f = map(float, numbers)
    return np.array([[a, b, 0], [c, d, 0], [e, f, 1]])


def _draw(path: list[list[tuple[float, float]]], name: str, numbers: list[float]) -> None:
    if name == "m":
        path.append([(numbers[0], numbers[1])])
    elif name == "re":
        x, y, w, h = numbers
        path.append([(x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y)])
    elif name == "h":
        path[-1].append(path[-1][0])
    else:
        path[-1].append((numbers[-2], numbers[-1]))


def _placed(points: list[tuple[float, float]], matrix: np.ndarray) -> np.ndarray:
    xy = np.column_stack([np.array(points), np.ones(len(points))]) @ matrix
    return xy[:, :2] * MM_PER_POINT
