"""The time line of an incident: when the loss was, when each trail was made, who walked when."""

from __future__ import annotations

from typing import Final

import matplotlib.dates as mdates
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from carnivore_sign.incidents import IncidentFindings
from carnivore_sign.incidents.words import percent
from carnivore_sign.maps.key import style_panel
from carnivore_sign.maps.lettering import (
    drawable,
    font,
    inches_of,
    new_figure,
    place_text,
    put_text,
    text_width_in,
)
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
from carnivore_sign.records.vocabularies import TAXA

#: The most trails that a time line shows: those that may be of that time, then the nearest.
MOST_TRAILS: Final = 12

_ROW_IN = 0.24
_LEFT_IN = 2.1
_WIDE_IN = 8.3
_HEAD_IN = 0.42
_FOOT_IN = 0.85
#: A time line shorter than this many days has the hour at its ticks.
_HOURS_BELOW_DAYS: Final = 5


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

    Examples
    --------
    >>> from carnivore_sign.example import example_answer
    >>> len(timeline(example_answer().findings).axes) > 0
    True
    """
    trails = findings.telling_trails(MOST_TRAILS)
    rows = len(trails) + 2
    tall = rows * _ROW_IN + _HEAD_IN + _FOOT_IN
    figure = new_figure(_WIDE_IN, tall)
    put_text(
        figure,
        f"When: the loss, the trails near, the walks{_so_many(trails, findings)}",
        at_in=(0.25, tall - 0.06),
        width_in=_WIDE_IN - 0.5,
        size_pt=12,
        bold=True,
        lines=1,
    )
    ax = figure.add_axes(
        (
            _LEFT_IN / _WIDE_IN,
            _FOOT_IN / tall,
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
    _mark_days(ax, findings.time_zone)
    style_panel(ax)
    for label in ax.get_yticklabels():
        label.set(fontproperties=font(TEXT_PT), color=INK, parse_math=False)
    if len(trails):
        _write_key(figure, findings)
    return figure


def _mark_days(ax: Axes, zone: str) -> None:
    """Write the day and the month under every tick, and the year under the first."""
    locator = mdates.AutoDateLocator(maxticks=8, tz=zone)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(locator)
    shown = mdates.num2date(ax.get_xlim(), tz=zone)  # type: ignore[no-untyped-call]
    hours = " %H:%M" if (shown[1] - shown[0]).days < _HOURS_BELOW_DAYS else ""
    ax.xaxis.set_major_formatter(
        mdates.DateFormatter(f"%d %b{hours}", tz=zone)  # type: ignore[no-untyped-call]
    )
    years = dict.fromkeys(f"{time:%Y}" for time in shown)
    ax.set_xlabel(
        f"{' to '.join(years)}, local time ({zone})",
        fontproperties=font(SMALL_PT),
        color=QUIET,
        loc="right",
    )


def _so_many(trails: pd.DataFrame, findings: IncidentFindings) -> str:
    """Say how many of the trails are shown, where that is not all of them."""
    if len(trails) == len(findings.trails):
        return ""
    return f" ({len(trails)} of {len(findings.trails)} trails shown)"


def _write_key(figure: Figure, findings: IncidentFindings) -> None:
    """Write what the fill of a bar means, in one line at the foot."""
    x, y = _LEFT_IN, 0.16
    text = f"probability of {TAXA[findings.taxon]}:"
    place_text(figure, 0.25, y - 0.04, text, font(SMALL_PT), color=INK)
    x = max(x, 0.35 + text_width_in(figure, text, font(SMALL_PT)))
    for style in TRAILS:
        bar = Rectangle(
            (x, y - 0.05), 0.32, 0.11, facecolor=style.fill, edgecolor=style.edge, linewidth=1.0
        )
        bar.set_transform(inches_of(figure))
        figure.add_artist(bar)
        place_text(figure, x + 0.4, y - 0.04, style.label, font(SMALL_PT), color=INK)
        x += 0.75 + text_width_in(figure, style.label, font(SMALL_PT))


def _numbered(trails: pd.DataFrame) -> list[tuple[int, object]]:
    return [(int(trail.Index) + 1, trail) for trail in trails.itertuples()]


def _label(number: int, trail: object, findings: IncidentFindings) -> str:
    return drawable(f"trail {number}: {TAXA[findings.taxon]} {percent(trail.p_taxon)}")  # type: ignore[attr-defined]


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
