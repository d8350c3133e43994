"""The time line of an incident: when the loss was, when each trail was made, who walked when."""

from __future__ import annotations

from typing import Final

import matplotlib.dates as mdates
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.incidents import IncidentFindings
from carnivore_sign.incidents.words import percent
from carnivore_sign.maps.key import style_panel
from carnivore_sign.maps.lettering import drawable, font, new_figure, put_text
from carnivore_sign.maps.style import (
    INCIDENT,
    INK,
    QUIET,
    SMALL_PT,
    STATES,
    TEXT_PT,
    TRAILS,
    WINDOW,
)

#: The most trails that a time line shows: those that may be of that time, then the nearest.
MOST_TRAILS: Final = 12

_ROW_IN = 0.24
_LEFT_IN = 2.35
_WIDE_IN = 10.0


def timeline(findings: IncidentFindings) -> Figure:
    """Draw the window of the loss, the span in which each trail was made, and the walks.

    Parameters
    ----------
    findings : IncidentFindings
        From `examine_incident`; its `MOST_TRAILS` telling trails are shown, by nearness.

    Returns
    -------
    matplotlib.figure.Figure
        Times are local to `findings.time_zone`.
    """
    trails = findings.telling_trails(MOST_TRAILS)
    rows = len(trails) + 2
    tall = rows * _ROW_IN + 1.25
    figure = new_figure(_WIDE_IN, tall)
    put_text(
        figure,
        "When: the loss, the trails near, the walks",
        at_in=(0.25, tall - 0.1),
        width_in=_WIDE_IN - 0.5,
        size_pt=12,
        bold=True,
        lines=1,
    )
    ax = figure.add_axes(
        (
            _LEFT_IN / _WIDE_IN,
            0.6 / tall,
            (_WIDE_IN - _LEFT_IN - 0.3) / _WIDE_IN,
            rows * _ROW_IN / tall,
        )
    )
    first, last = _span(findings, trails)
    _draw_window(ax, findings, rows, first)
    for order, trail in enumerate(trails.itertuples(), start=1):
        _draw_trail(ax, trail, rows - 1 - order, first)
    _draw_walks(ax, findings, first, last)
    labels = [
        "walks near",
        *[_label(n, t, findings) for n, t in _numbered(trails)][::-1],
        "the loss",
    ]
    ax.set_yticks(range(rows), labels)
    ax.set_ylim(-0.6, rows - 0.4)
    ax.set_xlim(first, last)
    locator = mdates.AutoDateLocator(maxticks=9, tz=findings.time_zone)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(
        mdates.ConciseDateFormatter(locator, tz=findings.time_zone)  # type: ignore[no-untyped-call]
    )
    ax.set_xlabel(
        f"local time, {findings.time_zone}", fontproperties=font(SMALL_PT), color=QUIET, loc="right"
    )
    style_panel(ax)
    ax.xaxis.get_offset_text().set(fontproperties=font(SMALL_PT), color=QUIET, x=0.0)
    for label in ax.get_yticklabels():
        label.set(fontproperties=font(TEXT_PT), color=INK, parse_math=False)
    return figure


def _numbered(trails: pd.DataFrame) -> list[tuple[int, object]]:
    return [(int(trail.Index) + 1, trail) for trail in trails.itertuples()]


def _label(number: int, trail: object, findings: IncidentFindings) -> str:
    return drawable(f"trail {number}: {findings.taxon.replace('_', ' ')} {percent(trail.p_taxon)}")  # type: ignore[attr-defined]


def _span(findings: IncidentFindings, trails: pd.DataFrame) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return first and last moment shown: the window, what was made near it, and a margin."""
    window = findings.window
    times = [window.end, *trails["made_after"].dropna(), *trails["made_before"].dropna()]
    times += [] if window.start is None else [window.start]
    times += list(findings.looked["start"])
    first = max(min(times), findings.listed.start)
    last = min(max(times), findings.listed.end)
    margin = max((last - first) * 0.06, pd.Timedelta(hours=12))
    return first - margin, last + margin


def _draw_window(ax: Axes, findings: IncidentFindings, rows: int, first: pd.Timestamp) -> None:
    start = first if findings.window.start is None else findings.window.start
    ax.axvspan(start, findings.window.end, color=WINDOW, zorder=0, linewidth=0)
    ax.plot(
        [start, findings.window.end],
        [rows - 1] * 2,
        color=INCIDENT,
        linewidth=7,
        solid_capstyle="butt",
    )
    if findings.window.start is None:
        ax.plot([start], [rows - 1], marker="<", color=INCIDENT, markersize=9, clip_on=False)


def _draw_trail(ax: Axes, trail: object, row: int, first: pd.Timestamp) -> None:
    after, before, p = trail.made_after, trail.made_before, trail.p_taxon  # type: ignore[attr-defined]
    style = next((s for s in TRAILS if p >= s.at_least), TRAILS[-1])
    known = not pd.isna(after)
    start = max(after, first) if known else first
    ax.barh(
        row,
        before - start,
        left=start,
        height=0.3,
        facecolor=style.fill,
        edgecolor=style.edge,
        linewidth=1.0,
        linestyle="-" if known else (0, (3, 2)),
    )
    if not known:
        ax.plot([first], [row], marker="<", color=style.edge, markersize=7, clip_on=False)


def _draw_walks(
    ax: Axes, findings: IncidentFindings, first: pd.Timestamp, last: pd.Timestamp
) -> None:
    if findings.looked.empty:
        ax.text(
            first + (last - first) / 2,
            0,
            "nobody looked",
            fontproperties=font(TEXT_PT),
            color=QUIET,
            ha="center",
            va="center",
        )
        return
    walks = findings.looked.groupby("walk")["start"].min()
    ax.plot(
        walks,
        [0] * len(walks),
        linestyle="none",
        marker="|",
        markersize=13,
        markeredgewidth=2.2,
        color=STATES["not_found"].color,
    )
