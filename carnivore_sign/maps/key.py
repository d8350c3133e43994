"""The column beside a map: its key, the share of units used, and what the sheet rests on.

The column flows from top to bottom, each entry under the last, so that nothing can overlap
however long a name or a note is.
"""

from __future__ import annotations

import math
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle

from carnivore_sign.incidents.words import percent, percent_range
from carnivore_sign.maps.layers import DOT_PT, DOTTED, FADED, arrow_heads
from carnivore_sign.maps.lettering import font, inches_of, put_text
from carnivore_sign.maps.style import (
    AREA_EDGE,
    ARROW_PT,
    HAIRLINE,
    HEADING_PT,
    INCIDENT,
    INK,
    PAPER,
    PARCEL,
    PLAIN_PT,
    QUIET,
    RING_PT,
    SMALL_PT,
    STATE_LABELS,
    STATES,
    TALLY_PT,
    TEXT_PT,
    TRAILS,
    WEDGE,
    WEDGE_PT,
    WEIGHTS,
)

_SAMPLE_IN = 0.46
_GAP_IN = 0.12


class Column:
    """A column of entries on a sheet; positions in inches from its lower left corner."""

    def __init__(self, figure: Figure, *, left_in: float, top_in: float, width_in: float) -> None:
        self.figure = figure
        self.left, self.y, self.width = left_in, top_in, width_in

    def heading(self, text: str) -> None:
        """Write a heading with room above it."""
        self.y -= _GAP_IN
        self.y = put_text(
            self.figure,
            text,
            at_in=(self.left, self.y),
            width_in=self.width,
            size_pt=HEADING_PT,
            bold=True,
            lines=2,
        )
        self.y -= 0.03

    def text(self, words: str, *, lines: int = 8, quiet: bool = False) -> None:
        """Write a paragraph."""
        self.y = put_text(
            self.figure,
            words,
            at_in=(self.left, self.y),
            width_in=self.width,
            size_pt=SMALL_PT if quiet else TEXT_PT,
            lines=lines,
            color=QUIET if quiet else INK,
        )

    def entry(self, words: str) -> float:
        """Write words beside a sample and return the height of the middle of the sample."""
        middle = self.y - (0.72 * 1.32 - 0.36) * TEXT_PT / 72
        self.y = (
            put_text(
                self.figure,
                words,
                at_in=(self.left + _SAMPLE_IN + 0.1, self.y),
                width_in=self.width - _SAMPLE_IN - 0.1,
                lines=3,
            )
            - 0.03
        )
        return middle

    def panel(self, high_in: float) -> Axes:
        """Return axes of this height in the flow of the column."""
        wide, high = self.figure.get_size_inches()
        self.y -= high_in
        return self.figure.add_axes(
            (self.left / wide, self.y / high, self.width / wide, high_in / high)
        )

    def line(self, y: float, color: str, width_pt: float, *, dotted: bool = False) -> None:
        """Draw a sample line at a height."""
        self._stroke(
            (0, _SAMPLE_IN), (y, y), color, width_pt, style=(0, (1, 1.4)) if dotted else "-"
        )

    def area(self, y: float, color: str, share: float, *, edge: tuple[str, float] | None) -> None:
        """Draw a sample area at a height: its core, and a pale edge of a color and a share."""
        wide, high = _SAMPLE_IN * 0.62, 0.15
        parts = [(PAPER, 1.0)] if edge is None else [(PAPER, 1.0), edge]
        for at, (fill, filled) in enumerate([*parts, (color, share)]):
            side = math.sqrt(filled)
            self._add(
                Rectangle(
                    (self.left + (_SAMPLE_IN - wide * side) / 2, y - high * side / 2),
                    wide * side,
                    high * side,
                    facecolor=fill,
                    edgecolor=AREA_EDGE if at == 0 else "none",
                    linewidth=0.6,
                )
            )

    def crossed(self, y: float) -> None:
        """Draw a sample of an area that nobody walked."""
        self.area(y, PAPER, 0.5, edge=None)
        wide, high = _SAMPLE_IN * 0.62, 0.15
        x = (_SAMPLE_IN - wide) / 2
        self._stroke((x, x + wide), (y - high / 2, y + high / 2), QUIET, 0.8)

    def not_looked(self, y: float) -> None:
        """Draw a sample of a line that nobody walked."""
        self._stroke((0, _SAMPLE_IN), (y, y), QUIET, 0.6)
        self._stroke((0, _SAMPLE_IN), (y, y), STATES["not_looked"].color, PLAIN_PT, style=DOTTED)

    def tallies(self, y: float, marks: int) -> None:
        """Draw sample tally marks beside a sample line, at a height."""
        self.line(y - 0.03, STATES["not_found"].color, WEIGHTS[0].width_pt)
        for mark in range(marks):
            x = _SAMPLE_IN / 2 + (mark - (marks - 1) / 2) * 2.6 / 72
            foot = y - 0.03 + (WEIGHTS[0].width_pt / 2 + 1.4) / 72
            self._stroke((x, x), (foot, foot + TALLY_PT / 72), INK, 0.8)

    def arrow(self, y: float, fill: str, edge: str, *, faded: bool = False) -> None:
        """Draw a sample trail at a height as on the map: one with a direction, one without."""
        alpha = FADED if faded else 1.0
        self._stroke((0.0, 0.3), (y, y), edge, 1.0, alpha=alpha)
        at = np.array([[self.left + 0.15, y]])
        self._add(
            Polygon(
                arrow_heads(at, np.array([np.pi / 2]), ARROW_PT / 72)[0],
                facecolor=fill,
                edgecolor=edge,
                linewidth=0.9,
                alpha=alpha,
            )
        )
        self.dot(y, fill, edge, alpha=alpha)

    def dot(self, y: float, fill: str, edge: str, *, alpha: float = 1.0) -> None:
        """Draw the sample dot of a trail of unknown direction."""
        self._add(
            Line2D(
                [self.left + 0.42],
                [y],
                marker="o",
                color=fill,
                markersize=DOT_PT,
                markeredgecolor=edge,
                markeredgewidth=0.9,
                linestyle="none",
                alpha=alpha,
            )
        )

    def ring(self, y: float) -> None:
        """Draw the ring that sets a trail apart, at a height."""
        self._add(
            Line2D(
                [self.left + 0.25],
                [y],
                marker="o",
                color="none",
                markersize=RING_PT * 0.75,
                markeredgecolor=INCIDENT,
                markeredgewidth=1.5,
                linestyle="none",
            )
        )

    def outline(self, y: float, edge: str, fill: str) -> None:
        """Draw a sample outline at a height."""
        self._add(
            Rectangle(
                (self.left + 0.08, y - 0.05),
                0.34,
                0.1,
                facecolor=fill,
                edgecolor=edge,
                linewidth=0.9,
                linestyle=(0, (5, 2)),
            )
        )

    def wedge(self, y: float, color: str, *, up: int) -> None:
        """Draw the wedge of a change in the middle of a sample."""
        corners = np.array(WEDGE) * WEDGE_PT / 72 * (1, up) + (self.left + _SAMPLE_IN / 2, y)
        self._add(Polygon(corners, facecolor=color, edgecolor=PAPER, linewidth=1.1, zorder=3))

    def star(self, y: float) -> None:
        """Draw the mark of an incident at a height."""
        self._add(
            Line2D(
                [self.left + 0.25],
                [y],
                marker="X",
                color=INCIDENT,
                markersize=8,
                markeredgecolor="white",
                linestyle="none",
            )
        )

    def _stroke(
        self,
        x: tuple[float, float],
        y: tuple[float, float],
        color: str,
        width_pt: float,
        *,
        style: Any = "-",
        alpha: float = 1.0,
    ) -> None:
        self._add(
            Line2D(
                np.add(x, self.left),
                y,
                color=color,
                alpha=alpha,
                linewidth=width_pt,
                linestyle=style,
                solid_capstyle="butt",
            )
        )

    def _add(self, artist: Line2D | Polygon | Rectangle) -> None:
        artist.set_transform(inches_of(self.figure))
        self.figure.add_artist(artist)


def key_of_states(column: Column, monthly: gpd.GeoDataFrame, *, areas: bool = False) -> None:
    """Write the states with the number of units in each; `areas` says how they are drawn."""
    counts = monthly["state"].value_counts()
    for state, style in STATES.items():
        y = column.entry(f"{STATE_LABELS[state]}: {counts.get(state, 0)}")
        if areas and style.dotted:
            column.crossed(y)
        elif areas:
            column.area(y, style.color, WEIGHTS[3].core_share, edge=None)
        elif style.dotted:
            column.not_looked(y)
        else:
            column.line(y, style.color, WEIGHTS[2].width_pt)


def key_of_weight(column: Column, scale: float, *, drawn: bool, areas: bool = False) -> None:
    """Write what the weight of a line and its pale edge mean, or that there is no estimate.

    `scale` is that of the lines of the map; `areas` says that units are drawn as areas.
    """
    if not drawn:
        column.text("no estimate this month; all units are drawn alike", quiet=True)
        return
    style = STATES["not_found"]
    for step in WEIGHTS:
        y = column.entry(step.label)
        if areas:
            column.area(y, style.color, step.core_share, edge=None)
        else:
            column.line(y, style.color, scale * step.width_pt)
    y = column.entry(f"{WEIGHTS[0].label}, upper 95 % limit {WEIGHTS[2].label}")
    if areas:
        edge = (style.edge, WEIGHTS[2].core_share)
        column.area(y, style.color, WEIGHTS[0].core_share, edge=edge)
        return
    column.line(y, style.edge, scale * WEIGHTS[2].width_pt)
    column.line(y, style.color, scale * WEIGHTS[0].width_pt)


def key_of_effort(column: Column, *, drawn: bool) -> None:
    """Write what the tally marks mean, or that there was no room for them."""
    if not drawn:
        column.text("no room for marks of visits at this scale", quiet=True)
        return
    column.tallies(column.entry("one mark a visit, up to five"), 3)


def key_of_trails(column: Column, *, faded: bool = False) -> None:
    """Write what the marks of trails mean."""
    for style in TRAILS:
        column.arrow(column.entry(style.label), style.fill, style.edge, faded=faded)
    column.text(
        "Arrow: its way. Dot: way not known. Trails of a kind share a mark where they would crowd.",
        quiet=True,
    )


def key_of_parcels(column: Column, words: str = "holding or pasture", fill: str = "none") -> None:
    """Write what the outline of a parcel means."""
    column.outline(column.entry(words), PARCEL, fill)


def share_used(monthly: pd.DataFrame) -> tuple[float, float, float]:
    """Share of the units looked at that are used: the mean of `p_presence` and of its limits.

    The mean of the limits takes the errors of the units as moving together, which is the
    cautious reading: they come from one fit. NaN where a unit has no estimate at all.
    """
    columns = ["p_presence", "p_presence_low", "p_presence_high"]
    looked = monthly["visits"] > 0
    best, low, high = (monthly[looked] if looked.any() else monthly)[columns].mean().astype(float)
    return float(best), float(low), float(high)


def draw_share(column: Column, share: tuple[float, float, float]) -> None:
    """Draw the share of units used as a bar with its limits, or say that it cannot be told."""
    best, low, high = share
    if math.isnan(best):
        column.text("cannot be told: there is no estimate for this month")
        return
    column.text(f"{percent(best)} (95 % limits {percent_range(low, high)})")
    figure = column.figure
    wide, high_in = figure.get_size_inches()
    column.y -= 0.24
    ax = figure.add_axes(
        (column.left / wide, column.y / high_in, (column.width - 0.15) / wide, 0.16 / high_in)
    )
    ax.set_xlim(0, 100)
    ax.set_ylim(0, 1)
    if not math.isnan(low + high):
        ax.barh(0.5, (high - low) * 100, left=low * 100, height=0.8, color=STATES["not_found"].edge)
    ax.plot([best * 100] * 2, [0.02, 0.98], color=INK, linewidth=2.4, solid_capstyle="butt")
    ax.set_xticks([0, 25, 50, 75, 100], ["0", "25", "50", "75", "100 %"])
    ax.set_yticks([])
    style_panel(ax)
    column.y -= 0.24


def style_panel(ax: Axes) -> None:
    """Give the ticks and the frame of a panel the type and lines of the sheet."""
    for label in (*ax.get_xticklabels(), *ax.get_yticklabels()):
        label.set(fontproperties=font(SMALL_PT), color=QUIET)
    ax.tick_params(color=QUIET, length=3, width=0.6)
    for spine in ax.spines.values():
        spine.set(color=HAIRLINE, linewidth=0.8)
