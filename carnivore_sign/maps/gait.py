"""A trail in plan with its feet drawn, and its steps and angles along it.

Front feet are filled, hind feet open; a foot that is told with less than four chances in five is
grey. A direct register is a filled foot in an open ring: the front print lies under the hind.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.collections import EllipseCollection, LineCollection
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.maps.key import style_panel
from carnivore_sign.maps.lettering import drawable, font, new_figure, place_text, put_text
from carnivore_sign.maps.style import (
    HAIRLINE,
    INK,
    PAPER,
    QUIET,
    SMALL_PT,
    STATES,
    TEXT_PT,
    TITLE_PT,
)
from carnivore_sign.records.vocabularies import LIKELY_FROM
from carnivore_sign.trails import DEFINITIONS, GaitSequence

FloatArray = npt.NDArray[np.float64]

#: Length in metres of a foot as it is drawn where prints are not measured.
FOOT_M: Final = 0.10
#: The most prints that are numbered.
MOST_NUMBERS: Final = 60

#: Parts of a foot of length 1 that points along x: its middle (along, across), length, width.
_PARTS: Final = (
    (-0.22, 0.0, 0.50, 0.56),
    (0.16, 0.34, 0.30, 0.20),
    (0.36, 0.13, 0.32, 0.21),
    (0.36, -0.13, 0.32, 0.21),
    (0.16, -0.34, 0.30, 0.20),
)
#: What is drawn along a trail: its label, and the factor to the unit of the label.
_STEPS: Final[dict[str, tuple[str, float]]] = {
    "step_m": ("step, cm", 100.0),
    "stride_m": ("stride, cm", 100.0),
    "pace_angulation_deg": ("angulation, \u00b0", 1.0),
    "hind_on_front_m": ("hind past front, cm", 100.0),
    "straddle_m": ("straddle, cm", 100.0),
}
_WIDE_IN: Final = 10.0
_LEFT_IN: Final = 0.75
_CHART_IN: Final = 1.62


def draw_trail_plan(ax: Axes, sequence: GaitSequence, name: object | None = None) -> Axes:
    """Draw the prints of a sequence in plan, from left to right, with steps between them.

    Parameters
    ----------
    ax : Axes
        The same.
        An empty panel; its units are metres, alike along both axes.
    sequence : GaitSequence
        From `gait_sequence`.
    name : object, optional
        Which of its sequences; the only one if it has one.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.trails import gait_sequence
    >>> x = np.arange(8) * 0.48
    >>> walk = gait_sequence(pd.DataFrame({"x_m": x, "y_m": np.tile([0.08, -0.08], 4)}))
    >>> ax = Figure().add_subplot()
    >>> draw_trail_plan(ax, walk) is ax
    True
    """
    prints = _rows(sequence, name)
    xy, turn = _turned(prints)
    heading = np.radians(90.0 - prints["heading_deg"].to_numpy(dtype=float)) - turn
    _draw_steps(ax, prints, xy)
    sure = _sure(prints)
    front = _front(prints)
    direct = prints["p_direct_register"].to_numpy(dtype=float) >= 0.5
    for chosen, face, edge in (
        (sure & front, INK, INK),
        (sure & ~front & ~direct, PAPER, INK),
        (sure & direct, INK, INK),
        (~sure, HAIRLINE, QUIET),
    ):
        _draw_feet(ax, xy[chosen], heading[chosen], face, edge)
    _draw_rings(ax, xy[sure & direct])
    if len(prints) <= MOST_NUMBERS:
        _draw_numbers(ax, prints, xy, heading)
    margin = 2.2 * FOOT_M
    ax.set_xlim(xy[:, 0].min() - margin, xy[:, 0].max() + margin)
    ax.set_ylim(xy[:, 1].min() - margin, xy[:, 1].max() + margin)
    ax.set_aspect("equal", adjustable="box")
    ax.set_xlabel("metres", fontproperties=font(SMALL_PT), color=QUIET, loc="right")
    style_panel(ax)
    return ax


def draw_step_chart(
    ax: Axes, sequence: GaitSequence, measure: str = "step_m", name: object | None = None
) -> Axes:
    """Draw one length or angle along the trail, with its middle and robust spread.

    Parameters
    ----------
    ax : Axes
        The same.
        An empty panel.
    sequence : GaitSequence
        From `gait_sequence`.
    measure : str
        One of the columns of its prints: ``step_m``, ``pace_angulation_deg``, ...
    name : object, optional
        Which of its sequences; the only one if it has one.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.trails import gait_sequence
    >>> x = np.arange(8) * 0.48
    >>> walk = gait_sequence(pd.DataFrame({"x_m": x, "y_m": np.tile([0.08, -0.08], 4)}))
    >>> draw_step_chart(Figure().add_subplot(), walk).get_ylabel()
    'step, cm'
    """
    if measure not in _STEPS:
        raise InputError(f"'{measure}' is not drawn", remedy=f"One of {', '.join(_STEPS)}.")
    prints = _rows(sequence, name)
    words, factor = _STEPS[measure]
    along = prints["along_m"].to_numpy(dtype=float)
    values = prints[measure].to_numpy(dtype=float) * factor
    known = np.isfinite(values)
    if known.any():
        _draw_middle(ax, values[known], words)
        ax.vlines(along[known], np.median(values[known]), values[known], color=HAIRLINE, lw=1.0)
        filled = _front(prints) | (prints["p_direct_register"].to_numpy(dtype=float) >= 0.5)
        sure = _sure(prints)
        marks = ((sure & filled, INK, INK), (sure & ~filled, PAPER, INK), (~sure, HAIRLINE, QUIET))
        for chosen, face, edge in marks:
            rows = known & chosen
            ax.plot(along[rows], values[rows], "o", ms=4.2, mfc=face, mec=edge, mew=0.9, zorder=3)
    else:
        ax.set_yticks([])
        ax.text(
            0.5, 0.5, "not measured", transform=ax.transAxes, ha="center", va="center",
            fontproperties=font(TEXT_PT), color=QUIET,
        )  # fmt: skip
    ax.set_xlim(along.min() - 2.2 * FOOT_M, along.max() + 2.2 * FOOT_M)
    ax.margins(y=0.25)
    ax.set_ylabel(words, fontproperties=font(SMALL_PT), color=QUIET)
    style_panel(ax)
    return ax


def gait_sheet(sequence: GaitSequence, name: object | None = None) -> Figure:
    """Draw one sequence on a sheet: the plan, steps and angles along it, and what they are.

    Parameters
    ----------
    sequence : GaitSequence
        From `gait_sequence`.
    name : object, optional
        Which of its sequences; the only one if it has one.

    Returns
    -------
    matplotlib.figure.Figure
        Needs no display; `save_png` writes it.

    Examples
    --------
    >>> from carnivore_sign.trails import gait_sequence
    >>> x = np.arange(8) * 0.48
    >>> walk = gait_sequence(pd.DataFrame({"x_m": x, "y_m": np.tile([0.08, -0.08], 4)}))
    >>> len(gait_sheet(walk).axes)
    7
    """
    prints = _rows(sequence, name)
    xy, _ = _turned(prints)
    margin = 4.4 * FOOT_M
    wide = _WIDE_IN - _LEFT_IN - 0.35
    plan_in = float(
        np.clip(wide * (np.ptp(xy[:, 1]) + margin) / (np.ptp(xy[:, 0]) + margin), 0.6, 4.0)
    )
    tall = 1.0 + plan_in + 0.45 + 2 * _CHART_IN + 0.95
    figure = new_figure(_WIDE_IN, tall)
    title = f"Trail {prints['sequence'].iloc[0]}: the prints in plan, and the steps along them"
    put_text(
        figure, title, at_in=(0.25, tall - 0.1), width_in=_WIDE_IN - 0.5, size_pt=0.7 * TITLE_PT,
        bold=True, lines=1,
    )  # fmt: skip
    _draw_key(figure, tall - 0.62)
    below = tall - 0.85 - plan_in
    draw_trail_plan(_panel(figure, below, plan_in), sequence, name)
    measures = ("step_m", "pace_angulation_deg")
    if prints["step_m"].isna().all():  # feet come in groups, and take no turns
        measures = ("stride_m", "hind_on_front_m")
    for number, measure in enumerate(measures, start=1):
        panel = _panel(figure, below - 0.35 - _CHART_IN * number, 1.15)
        draw_step_chart(panel, sequence, measure, name)
    panel.set_xlabel(
        "metres along the trail", fontproperties=font(SMALL_PT), color=QUIET, loc="right"
    )
    said = [
        f"{m.rpartition('_')[0].replace('_', ' ').capitalize()}: {DEFINITIONS[m]}."
        for m in measures
    ]
    said.append("Line and band: median and robust spread.")
    put_text(
        figure, " ".join(said), at_in=(_LEFT_IN, 0.5), width_in=_WIDE_IN - 2.0, size_pt=SMALL_PT,
        color=QUIET, lines=2,
    )  # fmt: skip
    return figure


def _panel(figure: Figure, bottom_in: float, tall_in: float) -> Axes:
    width, height = figure.get_size_inches()
    across = (width - _LEFT_IN - 0.35) / width
    return figure.add_axes((_LEFT_IN / width, bottom_in / height, across, tall_in / height))


def _rows(sequence: GaitSequence, name: object | None) -> pd.DataFrame:
    names = sequence.prints["sequence"].unique()
    if name is None and len(names) > 1:
        raise InputError(
            f"there are {len(names)} sequences",
            remedy=f"Name the one to draw, such as {names[0]!r}.",
        )
    rows = sequence.prints[sequence.prints["sequence"].eq(names[0] if name is None else name)]
    if rows.empty:
        raise InputError(f"there is no sequence {name!r}", remedy=f"One of {list(names[:5])}.")
    return rows


def _front(prints: pd.DataFrame) -> npt.NDArray[np.bool_]:
    return prints["foot"].astype(str).str.endswith("front").to_numpy(dtype=bool)


def _sure(prints: pd.DataFrame) -> npt.NDArray[np.bool_]:
    return prints["foot_probability"].to_numpy(dtype=float) >= LIKELY_FROM


def _turned(prints: pd.DataFrame) -> tuple[FloatArray, float]:
    """Turn the prints so that the trail goes from left to right; return the turn in radians."""
    xy = prints[["x_m", "y_m"]].to_numpy(dtype=float)
    ahead = xy[-1] - xy[0]
    turn = float(np.arctan2(ahead[1], ahead[0]))
    moved = xy - xy[0]
    cosine, sine = np.cos(turn), np.sin(turn)
    return np.column_stack(
        [moved[:, 0] * cosine + moved[:, 1] * sine, moved[:, 1] * cosine - moved[:, 0] * sine]
    ), turn


def _draw_steps(ax: Axes, prints: pd.DataFrame, xy: FloatArray) -> None:
    """Join the prints of each pair of feet by thin lines: the steps."""
    front = _front(prints)
    for pair in (front, ~front):
        places = xy[pair]
        lines = (
            np.stack([places[:-1], places[1:]], axis=1) if len(places) > 1 else np.zeros((0, 2, 2))
        )
        ax.add_collection(LineCollection(list(lines), colors=HAIRLINE, linewidths=1.0, zorder=1))


def _draw_feet(ax: Axes, xy: FloatArray, heading: FloatArray, face: str, edge: str) -> None:
    """Draw a pad and four toes at each place, pointing along the course."""
    if not len(xy):
        return
    ahead = np.column_stack([np.cos(heading), np.sin(heading)])
    beside = np.column_stack([-ahead[:, 1], ahead[:, 0]])
    for along, across, length, width in _PARTS:
        middle = xy + FOOT_M * (along * ahead + across * beside)
        size = np.full(len(xy), FOOT_M)
        ax.add_collection(
            EllipseCollection(
                length * size, width * size, np.degrees(heading), units="xy", offsets=middle,
                offset_transform=ax.transData, facecolors=face, edgecolors=edge, linewidths=0.7,
                zorder=3,
            )
        )  # fmt: skip


def _draw_rings(ax: Axes, xy: FloatArray) -> None:
    if not len(xy):
        return
    size = np.full(len(xy), 1.35 * FOOT_M)
    ax.add_collection(
        EllipseCollection(
            size, size, np.zeros(len(xy)), units="xy", offsets=xy, offset_transform=ax.transData,
            facecolors="none", edgecolors=STATES["not_found"].color, linewidths=1.1, zorder=2,
        )
    )  # fmt: skip


def _draw_numbers(ax: Axes, prints: pd.DataFrame, xy: FloatArray, heading: FloatArray) -> None:
    """Write the number of each print on the outer side of the trail, clear of the feet."""
    left = np.where(prints["across_m"].to_numpy(dtype=float) >= 0, 1.0, -1.0)
    places = xy + 1.25 * FOOT_M * left[:, None] * np.column_stack(
        [-np.sin(heading), np.cos(heading)]
    )
    for (x, y), number in zip(places, prints["print_no"], strict=True):
        ax.text(
            x, y, drawable(number), ha="center", va="center", fontproperties=font(SMALL_PT),
            color=QUIET, parse_math=False, clip_on=True,
        )  # fmt: skip


def _draw_middle(ax: Axes, values: FloatArray, words: str) -> None:
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    ax.axhspan(middle - spread, middle + spread, color=STATES["not_found"].edge, alpha=0.5, lw=0)
    ax.axhline(middle, color=STATES["not_found"].color, lw=1.4, zorder=2)
    unit = words.rpartition(", ")[2]
    ax.annotate(
        f"median {middle:.0f} {unit}, spread {spread:.0f}, {len(values)} measured", (1.0, 1.0),
        xycoords="axes fraction", xytext=(0, 3), textcoords="offset points", ha="right",
        fontproperties=font(SMALL_PT), color=QUIET,
    )  # fmt: skip


def _draw_key(figure: Figure, base_in: float) -> None:
    """Write what the marks mean, in one row."""
    entries = (
        ("front foot", INK, INK, False),
        ("hind foot", PAPER, INK, False),
        ("hind in the front print", INK, INK, True),
        (f"foot told with less than {LIKELY_FROM * 100:.0f} %", HAIRLINE, QUIET, False),
    )
    width, height = figure.get_size_inches()
    rect = (0.0, (base_in - 0.1) / height, 1.0, 0.3 / height)
    left = _LEFT_IN
    for words, face, edge, ring in entries:
        place = np.array([[left / 0.16 * FOOT_M, 0.15 / 0.16 * FOOT_M]])
        inner = figure.add_axes(rect)
        inner.set_xlim(0, width / 0.16 * FOOT_M)
        inner.set_ylim(0, 0.3 / 0.16 * FOOT_M)
        inner.set_axis_off()
        _draw_feet(inner, place, np.zeros(1), face, edge)
        if ring:
            _draw_rings(inner, place)
        text = place_text(figure, left + 0.18, base_in + 0.02, words, font(SMALL_PT), color=QUIET)
        renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
        left += 0.45 + text.get_window_extent(renderer).width / figure.dpi
