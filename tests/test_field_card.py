"""The scale card: true to size on both papers, and its marks serve the scale of the tracing.

Outside check: lengths are read back out of the drawing operators of the PDF (ISO 32000-1) and
held against a ruler's own definition: 10 mm to the centimetre, 25.4 mm to the inch.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pypdf
import pytest
from pdf_vectors import Drawn, drawn_on, page_mm

from carnivore_sign.errors import InputError
from carnivore_sign.field import scale_card, write_page
from carnivore_sign.field.card import CHECK_INCHES, CHECK_MM, SQUARE_MM, WINDOW_MM
from carnivore_sign.identify.scale import scale_from_square

TRUE_WITHIN_MM = 0.2
MM_PER_INCH = 25.4
PAPERS = {"a4": (210.0, 297.0), "letter": (8.5 * MM_PER_INCH, 11 * MM_PER_INCH)}


@pytest.fixture(scope="module", params=list(PAPERS))
def page(request: pytest.FixtureRequest) -> tuple[str, pypdf.PageObject]:
    (one,) = pypdf.PdfReader(io.BytesIO(scale_card(paper=request.param))).pages
    return request.param, one


@pytest.fixture(scope="module")
def drawn(page) -> Drawn:
    return drawn_on(page[1])


def ticks(drawn: Drawn, *, upright: bool, long_mm: float | None = None) -> list[np.ndarray]:
    """Return where ticks stand along the rulers before and behind the window, in a direction."""
    (window,) = [one for one in np.unique(rectangles(drawn).round(3), axis=0)
                 if one[2] == one[3] == pytest.approx(WINDOW_MM, abs=0.1)]  # fmt: skip
    low, high = window[1 if upright else 0], window[1 if upright else 0] + WINDOW_MM
    before, behind = [], []
    for x, y, long, place in drawn.lines(upright=upright):
        start = y if upright else x
        if long_mm is not None and abs(long - long_mm) > 0.01:
            continue
        if abs(start + long - low) < 0.01:
            before.append(place)
        elif abs(start - high) < 0.01:
            behind.append(place)
    return [np.sort(before), np.sort(behind)]


def rectangles(drawn: Drawn) -> np.ndarray:
    """Return x, y, width and height of every filled or drawn rectangle."""
    found = [np.r_[one.min(axis=0), np.ptp(one, axis=0)] for one in [*drawn.filled, *drawn.stroked]
             if len(one) == 5]  # fmt: skip
    return np.array(found)


def marks(drawn: Drawn) -> np.ndarray:
    """Return the middles of the four marks, where their black wedges meet."""
    wedges = [one for one in drawn.filled if len(one) > 8 and abs(np.ptp(one[:, 0]) - 10) < 0.1]
    wedges += [one for one in drawn.filled if abs(np.ptp(one[:, 0]) - 5) < 0.1 and len(one) > 8]
    return np.unique(np.round([one[0] for one in wedges], 3), axis=0)


def test_the_page_has_the_size_of_its_paper(page) -> None:
    assert page_mm(page[1]) == pytest.approx(PAPERS[page[0]], abs=0.01)


def test_the_rulers_in_millimetres_are_true(drawn: Drawn) -> None:
    along_x, _ = ticks(drawn, upright=True)
    along_y, _ = ticks(drawn, upright=False)
    for places in (along_x, along_y):
        assert len(places) == WINDOW_MM + 1
        assert np.abs(places - places[0] - np.arange(WINDOW_MM + 1)).max() < TRUE_WITHIN_MM


def test_the_rulers_in_inches_are_true(drawn: Drawn) -> None:
    _, along_x = ticks(drawn, upright=True)
    _, along_y = ticks(drawn, upright=False)
    for places in (along_x, along_y):
        assert len(places) == int(WINDOW_MM / MM_PER_INCH * 8) + 1
        wanted = np.arange(len(places)) * MM_PER_INCH / 8
        assert np.abs(places - places[0] - wanted).max() < TRUE_WITHIN_MM
    _, whole = ticks(drawn, upright=True, long_mm=5.0)
    assert np.diff(whole) == pytest.approx(MM_PER_INCH, abs=TRUE_WITHIN_MM)


def test_the_numbers_stand_at_their_ticks(page) -> None:
    text = page[1].extract_text().split()
    for number in range(0, int(WINDOW_MM) + 1, 10):
        assert text.count(str(number)) >= 2


def test_the_bars_to_check_with_a_ruler_are_true(page, drawn: Drawn) -> None:
    lengths = rectangles(drawn)[:, 2]
    for wanted in (CHECK_MM, CHECK_INCHES * MM_PER_INCH):
        assert np.abs(lengths - wanted).min() < TRUE_WITHIN_MM
    words = " ".join(page[1].extract_text().split())
    assert "100 mm, from end to end" in words
    assert "4 inches, from end to end" in words
    assert "Check with a ruler" in words
    assert "Print at 100 %" in words


def test_the_marks_are_the_corners_of_a_square(drawn: Drawn) -> None:
    corners = marks(drawn)
    assert len(corners) == 4
    assert np.ptp(corners, axis=0) == pytest.approx([SQUARE_MM] * 2, abs=TRUE_WITHIN_MM)
    apart = np.hypot(*(corners[:, None] - corners[None]).T)
    assert apart.max() == pytest.approx(SQUARE_MM * np.sqrt(2), abs=TRUE_WITHIN_MM)


def test_a_tilted_photo_of_the_card_is_measured_by_its_marks(page, drawn: Drawn) -> None:
    width, height = PAPERS[page[0]]
    camera = np.array([[11.0, 0.9, 150], [-0.7, 10.2, 210], [0.0007, -0.0011, 1.0]])

    def photographed(mm: np.ndarray) -> np.ndarray:
        down = np.column_stack([mm[:, 0], height - mm[:, 1], np.ones(len(mm))])  # y of a photo
        seen = down @ camera.T
        return seen[:, :2] / seen[:, 2:]

    west, south = marks(drawn).min(axis=0)
    east, north = marks(drawn).max(axis=0)
    clockwise = np.array([[west, north], [east, north], [east, south], [west, south]])
    scale = scale_from_square(photographed(clockwise), side_mm=SQUARE_MM)
    places, _ = ticks(drawn, upright=True)
    low = rectangles(drawn)[:, 1].min()
    ruler = scale.to_mm(photographed(np.column_stack([places, np.full(len(places), low)])))
    measured = np.hypot(*(ruler - ruler[0]).T)
    assert np.abs(measured - np.arange(len(places))).max() < TRUE_WITHIN_MM
    assert 0 < west < east < width


def test_everything_stands_on_the_paper_in_black_and_white(page, drawn: Drawn) -> None:
    width, height = PAPERS[page[0]]
    points = np.concatenate([*drawn.stroked, *drawn.filled])
    assert points.min() > 5  # printers leave a margin of about 5 mm (common practice, no source)
    assert (np.array([width, height]) - points > 5).all()
    assert drawn.colours <= {(0.0,), (1.0,)}


def test_a_card_is_a_pdf_on_a_paper_that_is_known(tmp_path: Path) -> None:
    body = scale_card(paper="letter")
    assert write_page(tmp_path / "card.pdf", body).read_bytes() == body
    with pytest.raises(InputError, match=r"ends in \.pdf"):
        write_page(tmp_path / "card.png", body)
    with pytest.raises(InputError, match="'a3' is no paper"):
        scale_card(paper="a3")  # type: ignore[arg-type]
