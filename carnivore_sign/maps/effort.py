"""The effort of a season at a glance: who walked which transect when, and where nobody did.

A row is a transect, and time runs to the right. A bar is one walk: as tall as the share of the
transect that it covered, in the colour of who walked. A month in which nobody walked a transect
is dotted: what was not looked for was not found, and says nothing.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import matplotlib.dates as mdates
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from carnivore_sign.errors import NothingSurveyed
from carnivore_sign.maps.key import style_panel
from carnivore_sign.maps.lettering import (
    drawable,
    font,
    inches_of,
    new_figure,
    place_text,
    put_text,
    sheet_of,
    text_width_in,
    wrapped,
)
from carnivore_sign.maps.measures import METRIC, Measures
from carnivore_sign.maps.style import (
    GROUND,
    HAIRLINE,
    INK,
    PARTIES,
    QUIET,
    SMALL_PT,
    STATES,
    TEXT_PT,
)
from carnivore_sign.survey import effort_table

#: The most transects that are drawn: the longest ones.
MOST_TRANSECTS: Final = 30
#: Said of the parties beyond those that have a colour, and of walks without a name.
OTHERS: Final = "others"

_WIDE_IN: Final = 8.3
_LEFT_IN: Final = 1.75
_RIGHT_IN: Final = 0.85
_ROW_IN: Final = 0.3
_HEAD_IN: Final = 0.88
_FOOT_IN: Final = 0.95
_TALLEST: Final = 0.8
_BAR_PT: Final = 3.2


def plot_effort(
    visits: pd.DataFrame,
    segments: gpd.GeoDataFrame,
    *,
    season: str,
    time_zone: str,
    names: bool = True,
    measures: Measures = METRIC,
    noun: str = "transect",
) -> Figure:
    """Draw who walked which transect when.

    Parameters
    ----------
    visits : DataFrame
        VISITS of the season.
    segments : GeoDataFrame
        SEGMENTS: what there was to walk.
    season : str
        Name that the sheet bears.
    time_zone : str
        IANA name of the local zone.
    names : bool
        Whether observers are named; without, all walks have one colour.
    measures : Measures
        How lengths are printed.
    noun : str
        What a row is called: transect, or cell where cells are the units.

    Returns
    -------
    matplotlib.figure.Figure
        Needs no display; `save_png` writes it.

    Raises
    ------
    NothingSurveyed
        If there are no visits.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> sheet = plot_effort(
    ...     analysis.visits, analysis.segments, season="North", time_zone="America/Los_Angeles"
    ... )
    >>> len(sheet.axes)
    1
    """
    if visits.empty:
        raise NothingSurveyed("there are no visits; import GPS logs")
    table = effort_table(visits, segments)
    lengths = segments.groupby("transect", sort=False, observed=True)["length_m"].sum()
    shown = lengths.index[lengths.rank(ascending=False, method="first") <= MOST_TRANSECTS]
    walks = _walks(visits, lengths, time_zone, names)
    tall = len(shown) * _ROW_IN + _HEAD_IN + _FOOT_IN
    figure = new_figure(_WIDE_IN, tall)
    told = _told(table, len(shown), measures, noun)
    title = drawable(f"Effort: {season}")
    place_text(figure, 0.25, tall - 0.3, title, font(14, bold=True), color=INK)
    put_text(figure, told, at_in=(0.25, tall - 0.42), width_in=_WIDE_IN - 0.5, lines=2)
    wide = _WIDE_IN - _LEFT_IN - _RIGHT_IN
    box = (_LEFT_IN / _WIDE_IN, _FOOT_IN / tall, wide / _WIDE_IN, len(shown) * _ROW_IN / tall)
    ax = figure.add_axes(box)
    ax.set_facecolor(GROUND)
    _draw_gaps(ax, table, shown)
    _draw_walks(ax, walks, shown)
    _write_axes(ax, table, shown, measures)
    _write_key(figure, walks, names=names, noun=noun)
    return figure


def _walks(visits: pd.DataFrame, lengths: pd.Series, time_zone: str, names: bool) -> pd.DataFrame:
    """List walk and transect: the local day as a number, the share covered, the party."""
    by = visits.groupby(["walk", "transect"], sort=False, observed=True)
    walks = by.agg(start=("start", "min"), covered_m=("covered_m", "sum")).reset_index()
    local = walks["start"].dt.tz_convert(time_zone).dt.tz_localize(None)
    source = by["effort_source"].first().to_numpy() if "effort_source" in visits else "measured"
    party = by["observer"].first().to_numpy() if names else None
    known = pd.Series(party, index=walks.index, dtype="object").fillna(OTHERS)
    by_effort = walks.groupby(known)["covered_m"].sum().drop(OTHERS, errors="ignore")
    chief = by_effort.sort_values(ascending=False, kind="stable").index[: len(PARTIES)]
    share = walks["covered_m"] / walks["transect"].map(lengths).astype(float)
    return walks.assign(
        day=mdates.date2num(local.to_numpy()),  # type: ignore[no-untyped-call]
        share=share.clip(upper=1.0),
        stated=np.equal(source, "stated"),
        party=known.where(known.isin(chief), OTHERS),
    )


def _told(table: pd.DataFrame, shown: int, measures: Measures, noun: str) -> str:
    """Say when and how much was walked, and how much was not."""
    first, last = (pd.Period(table["period"].agg(how), freq="M") for how in ("min", "max"))
    when = f"{first:%B %Y}" if first == last else f"{first:%B %Y} to {last:%B %Y}"
    total, gaps = table["effort_km"].sum(), int(table["gap"].sum())
    told = f"{when}. {measures.told(total)} walked"
    stated = float(table["stated_km"].sum())
    if stated > 0:
        told += f", of which {measures.told(stated)} are stated and not measured"
    lines, months = table["transect"].nunique(), table["period"].nunique()
    told += f". {lines} {noun}s in {_months(months)} make {_months(len(table))} to fill: "
    told += f"{gaps} {'was' if gaps == 1 else 'were'} not walked." if gaps else "all were walked."
    if shown < lines:
        told += f" The {shown} longest {noun}s are drawn."
    return told


def _months(count: int) -> str:
    return f"{count} month{'' if count == 1 else 's'}"


def _draw_gaps(ax: Axes, table: pd.DataFrame, shown: pd.Index) -> None:
    """Dot the months in which nobody walked a transect, and part the months by hairlines."""
    rows = {name: len(shown) - 1 - n for n, name in enumerate(shown)}
    for row in table[table["gap"] & table["transect"].isin(shown)].itertuples():
        low, high = _month(str(row.period))
        ax.add_patch(
            Rectangle(
                (low, rows[row.transect] - 0.5), high - low, 1.0, facecolor="none",
                edgecolor=STATES["not_looked"].color, hatch="....", linewidth=0, zorder=1,
            )
        )  # fmt: skip
    for period in sorted(set(table["period"])):
        ax.axvline(_month(period)[0], color=HAIRLINE, linewidth=0.8, zorder=0)
    for row in range(len(shown) + 1):
        ax.axhline(row - 0.5, color=HAIRLINE, linewidth=0.6, zorder=0)


def _draw_walks(ax: Axes, walks: pd.DataFrame, shown: pd.Index) -> None:
    rows = pd.Series(range(len(shown) - 1, -1, -1), index=shown)
    here = walks[walks["transect"].isin(shown)]
    foot = here["transect"].map(rows).astype(float) - _TALLEST / 2
    for (party, stated), some in here.groupby(["party", "stated"]):
        ax.vlines(
            some["day"],
            foot[some.index],
            foot[some.index] + _TALLEST * some["share"],
            color=_color(party, walks),
            linewidth=_BAR_PT,
            linestyles=(0, (0.6, 0.5)) if stated else "solid",
            zorder=3,
        )


def _color(party: str, walks: pd.DataFrame) -> str:
    """Colour of a party: they stand in the order of their names."""
    if party == OTHERS:
        return QUIET
    return PARTIES[_parties(walks).index(party)]


def _parties(walks: pd.DataFrame) -> list[str]:
    return sorted(set(walks["party"]) - {OTHERS})


def _month(period: str) -> tuple[float, float]:
    """First and last moment of a month, as matplotlib counts days."""
    month = pd.Period(period, freq="M")
    low, high = (mdates.date2num(p.start_time) for p in (month, month + 1))  # type: ignore[no-untyped-call]
    return float(low), float(high)


def _write_axes(ax: Axes, table: pd.DataFrame, shown: pd.Index, measures: Measures) -> None:
    """Write the transects, their km, and the km of each month."""
    periods = sorted(set(table["period"]))
    ax.set_xlim(_month(periods[0])[0], _month(periods[-1])[1])
    ax.set_ylim(-0.5, len(shown) - 0.5)
    step = -(-len(periods) // 12)
    of_month = table.groupby("period")["effort_km"].sum()
    middles = [sum(_month(period)) / 2 for period in periods[::step]]
    labels = [
        f"{pd.Period(period, freq='M'):%b %Y}\n{measures.told(of_month[period])}"
        if step == 1
        else f"{pd.Period(period, freq='M'):%b %Y}"
        for period in periods[::step]
    ]
    ax.set_xticks(middles, labels)
    ax.set_yticks(range(len(shown)), [_label(ax, name) for name in shown[::-1]])
    style_panel(ax)
    ax.tick_params(length=0)
    for label in ax.get_yticklabels():
        label.set(fontproperties=font(TEXT_PT), color=INK, parse_math=False)
    of_transect = table.groupby("transect")["effort_km"].sum()
    low, high = ax.get_xlim()
    for n, name in enumerate(shown[::-1]):
        ax.text(
            high + (high - low) * 0.015, n, measures.told(of_transect[name]),
            fontproperties=font(SMALL_PT), color=INK if of_transect[name] else QUIET,
            va="center", clip_on=False,
        )  # fmt: skip


def _label(ax: Axes, name: str) -> str:
    """Name of a transect, cut off where it is longer than its column."""
    room_in = _LEFT_IN - 0.35
    return wrapped(sheet_of(ax), name, font(TEXT_PT), width_in=room_in, lines=1)[0]


def _write_key(figure: Figure, walks: pd.DataFrame, *, names: bool, noun: str) -> None:
    """Write who has which colour, and what a bar and the dots mean."""
    x, y = 0.25, 0.3
    named = [(name, _color(name, walks)) for name in _parties(walks)] if names else []
    if OTHERS in set(walks["party"]):
        named.append((OTHERS if names else "one walk", QUIET))
    for name, color in named:
        label = drawable(name)
        width = 0.32 + text_width_in(figure, label, font(SMALL_PT))
        if x + width > _WIDE_IN - 0.2:
            break
        figure.add_artist(_swatch(figure, x, y, color))
        place_text(figure, x + 0.12, y, label, font(SMALL_PT), color=INK)
        x += width
    told = f"A bar is a walk, as tall as the share of the {noun} that it covered; dotted months: "
    told += "nobody walked it."
    if walks["stated"].any():
        told += " Broken bars: distance stated, not measured."
    place_text(figure, 0.25, 0.1, told, font(SMALL_PT), color=QUIET)


def _swatch(figure: Figure, x: float, y: float, color: str) -> Rectangle:
    swatch = Rectangle((x, y - 0.01), 0.06, 0.13, facecolor=color, linewidth=0)
    swatch.set_transform(inches_of(figure))
    return swatch
