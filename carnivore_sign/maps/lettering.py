"""Lettering: text that fits its column, in whatever script it is written.

Figures are drawn without pyplot, so that there is no global state. Fonts are tried in order;
a character that no installed font has is drawn as a hollow box, never left out in silence.
"""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, fontManager, get_font
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, Transform

from carnivore_sign.errors import InputError
from carnivore_sign.maps.style import GROUND, INK, PAPER, TEXT_PT

#: Fonts that are used where they are installed, first to last; the first comes with matplotlib.
_WANTED: Final = (
    "DejaVu Sans",
    "Noto Sans",
    "Noto Sans CJK JP",
    "Noto Sans CJK SC",
    "Noto Sans Arabic",
    "Noto Sans Hebrew",
    "Noto Sans Devanagari",
    "Noto Sans Thai",
    "WenQuanYi Zen Hei",
    "Microsoft YaHei",
    "Hiragino Sans",
    "PingFang SC",
    "Arial Unicode MS",
)
_BOX: Final = "\u25af"
_MORE: Final = "\u2026"


def new_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty sheet that can be measured and saved without a display."""
    figure = Figure(figsize=(width_in, height_in), facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def sheet_of(ax: Axes) -> Figure:
    """Return the sheet that a map lies on."""
    figure = ax.get_figure()
    if not isinstance(figure, Figure):
        raise InputError("the axes lie on no figure", remedy="Make them with figure.add_axes().")
    return figure


def map_units_per_point(ax: Axes) -> float:
    """Map units that one printer's point takes on the sheet."""
    west, east = ax.get_xlim()
    figure = sheet_of(ax)
    return float((east - west) / (ax.get_position().width * figure.get_size_inches()[0] * 72))


@cache
def font_families() -> tuple[str, ...]:
    """Names of the fonts that are used, in order."""
    installed = set(fontManager.get_font_names())
    return tuple(name for name in _WANTED if name in installed) or ("DejaVu Sans",)


@cache
def _covered() -> frozenset[int]:
    """Code points that one of the fonts can draw."""
    points: set[int] = set()
    for family in font_families():
        path = fontManager.findfont(family)
        points |= set(get_font(path).get_charmap())
    return frozenset(points)


def drawable(text: object) -> str:
    r"""Return `text` on one line, with a hollow box for each character no font can draw.

    Examples
    --------
    >>> drawable("Upper\nPasture $x$")
    'Upper Pasture $x$'
    """
    words = " ".join(str(text).split())
    plain = (c for c in words if not unicodedata.category(c).startswith("C"))
    return "".join(c if ord(c) in _covered() else _BOX for c in plain)


def font(size_pt: float, *, bold: bool = False) -> FontProperties:
    """Return the font of all maps at a size in points."""
    weight = "bold" if bold else "normal"
    return FontProperties(family=list(font_families()), size=size_pt, weight=weight)


def plate() -> dict[str, object]:
    """Return the pale plate that letters stand on where any colour may lie under them."""
    return {"boxstyle": "square,pad=0.15", "facecolor": GROUND, "edgecolor": "none"}


def text_width_in(figure: Figure, text: str, properties: FontProperties) -> float:
    """Width of `text` on the sheet in inches."""
    size, weight = properties.get_size_in_points(), str(properties.get_weight())
    return _width_px(text, size, weight == "bold", figure.dpi) / figure.dpi


@lru_cache(maxsize=4096)
def _width_px(text: str, size_pt: float, bold: bool, dpi: float) -> float:
    """Width of a text in pixels; the same words stand on every sheet of a season."""
    properties = font(size_pt, bold=bold)
    width, _, _ = _measuring(dpi).get_text_width_height_descent(  # type: ignore[no-untyped-call]
        text, properties, False
    )
    return float(width)


@cache
def _measuring(dpi: float) -> RendererAgg:
    return RendererAgg(1, 1, dpi)  # type: ignore[no-untyped-call]


def wrapped(
    figure: Figure, text: object, properties: FontProperties, *, width_in: float, lines: int
) -> list[str]:
    """Break `text` into at most `lines` lines of `width_in` inches; more ends in an ellipsis."""
    broken = [""]
    for word in drawable(text).split(" "):
        for piece in _pieces(figure, word, properties, width_in):
            longer = f"{broken[-1]} {piece}".strip()
            if text_width_in(figure, longer, properties) <= width_in:
                broken[-1] = longer
            else:
                broken.append(piece)
    broken = [line for line in broken if line] or [""]
    if len(broken) > lines:
        last = broken[lines - 1]
        while last and text_width_in(figure, last + _MORE, properties) > width_in:
            last = last[:-1]
        broken = [*broken[: lines - 1], last.rstrip() + _MORE]
    return broken


def text_height_in(text: str, *, width_in: float, size_pt: float) -> float:
    """Height in inches that `put_text` needs for all of a text; 0 for none."""
    if not text:
        return 0.0
    scratch = new_figure(width_in, 1.0)
    lines = wrapped(scratch, text, font(size_pt), width_in=width_in, lines=len(text))
    return len(lines) * _leading_in(size_pt)


def _leading_in(size_pt: float) -> float:
    """From one line to the next."""
    return size_pt * 1.32 / 72


def _pieces(figure: Figure, word: str, properties: FontProperties, width_in: float) -> list[str]:
    """Cut a word that is longer than a line into pieces that are not."""
    if text_width_in(figure, word, properties) <= width_in:
        return [word]
    per_piece = max(1, int(len(word) * width_in / text_width_in(figure, word, properties)) - 1)
    return [word[at : at + per_piece] for at in range(0, len(word), per_piece)]


def put_text(
    figure: Figure,
    text: object,
    *,
    at_in: tuple[float, float],
    width_in: float,
    size_pt: float = TEXT_PT,
    bold: bool = False,
    lines: int = 40,
    color: str = INK,
) -> float:
    """Write `text` in a column and return where it ends.

    Parameters
    ----------
    figure : Figure
        The sheet.
    text : object
        Anything that can be printed; dollar signs are only dollar signs.
    at_in : tuple of float
        Left edge and top of the column, inches from the lower left corner of the sheet.
    width_in : float
        Width of the column in inches.
    size_pt, bold, color
        The type.
    lines : int
        The most lines it may take.

    Returns
    -------
    float
        Height of the lower edge of the text, inches from the bottom of the sheet.
    """
    properties = font(size_pt, bold=bold)
    left, top = at_in
    leading = _leading_in(size_pt)
    for line in wrapped(figure, text, properties, width_in=width_in, lines=lines):
        top -= leading
        place_text(figure, left, top + 0.28 * leading, line, properties, color=color)
    return top


def inches_of(figure: Figure) -> Transform:
    """Return the transform of inches from the lower left corner of a figure.

    It goes by the figure and not by its resolution, so that it also holds where a figure is cropped
    to what is drawn, as notebooks do.
    """
    width_in, height_in = figure.get_size_inches()
    return Affine2D().scale(1 / width_in, 1 / height_in) + figure.transFigure


def place_text(
    figure: Figure, x_in: float, y_in: float, text: str, properties: FontProperties, **look: Any
) -> Text:
    """Write one line with its base line at a place in inches; nothing in it is mathematics."""
    width, height = figure.get_size_inches()
    return figure.text(
        x_in / width, y_in / height, text, fontproperties=properties, parse_math=False, **look
    )
