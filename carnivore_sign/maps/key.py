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
from carnivore_sign.maps.lettering import font, put_text
from carnivore_sign.maps.style import (
    HAIRLINE,
    HEADING_PT,
    INCIDENT,
    INK,
    PARCEL,
    PLAIN_PT,
    QUIET,
    SMALL_PT,
    STATES,
    TALLY_PT,
    TEXT_PT,
    TRAILS,
    line_width_pt,
)

_SAMPLE_IN = 0.5
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

    def line(self, y: float, color: str, width_pt: float, *, dotted: bool = False) -> None:
        """Draw a sample line at a height."""
        self._stroke(
            (0, _SAMPLE_IN), (y, y), color, width_pt, style=(0, (1, 1.4)) if dotted else "-"
        )

    def tallies(self, y: float, marks: int) -> None:
        """Draw sample tally marks at a height."""
        for mark in range(marks):
            x = _SAMPLE_IN / 2 + (mark - (marks - 1) / 2) * 2.6 / 72
            self._stroke((x, x), (y - TALLY_PT / 144, y + TALLY_PT / 144), INK, 0.7)

    def arrow(self, y: float, fill: str, edge: str) -> None:
        """Draw a sample trail at a height."""
        self._stroke((0.1, 0.4), (y, y), edge, 1.0)
        shape = np.array([(0.07, 0), (-0.05, 0.045), (-0.02, 0), (-0.05, -0.045)])
        self._add(
            Polygon(
                shape + np.array([self.left + 0.27, y]),
                facecolor=fill,
                edgecolor=edge,
                linewidth=0.9,
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
    ) -> None:
        self._add(
            Line2D(
                np.add(x, self.left),
                y,
                color=color,
                linewidth=width_pt,
                linestyle=style,
                solid_capstyle="butt",
            )
        )

    def _add(self, artist: Line2D | Polygon | Rectangle) -> None:
        artist.set_transform(self.figure.dpi_scale_trans)
        self.figure.add_artist(artist)


def key_of_states(column: Column, monthly: gpd.GeoDataFrame, scale: float) -> None:
    """Write the states with the number of units in each; `scale` is that of the map's lines."""
    counts = monthly["state"].value_counts()
    for state, style in STATES.items():
        cut_off = f" ({style.cut_off})" if style.cut_off else ""
        y = column.entry(f"{style.label}{cut_off}: {counts.get(state, 0)}")
        width = PLAIN_PT if style.dotted else scale * line_width_pt(0.6)
        column.line(y, style.color, width, dotted=style.dotted)


def key_of_weight(column: Column, scale: float, *, drawn: bool) -> None:
    """Write what the weight of a line and its pale edge mean, or that there is no estimate."""
    if not drawn:
        column.text("no estimate this month; all lines have one weight", quiet=True)
        return
    style = STATES["not_found"]
    for share in (0.1, 0.5, 0.9):
        y = column.entry(f"{share * 100:.0f} %")
        column.line(y, style.color, scale * line_width_pt(share))
    y = column.entry("10 %, upper 95 % limit 70 %")
    column.line(y, style.edge, scale * line_width_pt(0.7))
    column.line(y, style.color, scale * line_width_pt(0.1))


def key_of_effort(column: Column, *, drawn: bool) -> None:
    """Write what the tally marks mean, or that there was no room for them."""
    if not drawn:
        column.text("no room for marks of visits at this scale", quiet=True)
        return
    column.tallies(column.entry("visits: one mark each, up to five"), 3)


def key_of_trails(column: Column) -> None:
    """Write what the marks of trails mean."""
    for style in TRAILS:
        column.arrow(column.entry(style.label), style.fill, style.edge)


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
