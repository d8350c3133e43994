"""The season on one sheet: a small map of each month, all of one country at one scale."""

from __future__ import annotations

import math
from typing import Final

import geopandas as gpd
import pandas as pd
import pyproj
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.words import percent, percent_range
from carnivore_sign.maps.areas import are_areas
from carnivore_sign.maps.furniture import (
    Frame,
    beside,
    draw_north,
    draw_scale_bar,
    frame_around,
    lay_out,
)
from carnivore_sign.maps.key import (
    Column,
    key_of_parcels,
    key_of_states,
    key_of_trails,
    key_of_weight,
    share_used,
)
from carnivore_sign.maps.layers import weight_scale
from carnivore_sign.maps.lettering import new_figure, put_text, text_height_in
from carnivore_sign.maps.monthly import SheetWords, draw_month
from carnivore_sign.maps.style import QUIET, SMALL_PT, TEXT_PT, TITLE_PT
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import project, working_crs

_WIDE_IN: Final = 8.3
_SIDE_IN: Final = 0.3
_GAP_IN: Final = 0.18
_HEAD_IN: Final = 0.44
_TOP_IN: Final = 0.95
_KEY_IN: Final = 2.95
#: Lower edge of the foot, and its width.
_BELOW_IN: Final = 0.15
_FOOT_WIDTH_IN: Final = _WIDE_IN - 2 * _SIDE_IN
#: Size of the marks of trails against those of a sheet of one month.
_MARKS: Final = 0.6
#: Most months on one sheet: two years.
MOST_MONTHS: Final = 24
#: A panel is no higher than this many times its width, and no lower.
_HIGHEST, _LOWEST = 1.15, 0.62


def plot_months(
    months: gpd.GeoDataFrame,
    *,
    taxon: str,
    words: SheetWords | None = None,
    trails: gpd.GeoDataFrame | None = None,
    transects: gpd.GeoDataFrame | None = None,
    parcels: gpd.GeoDataFrame | None = None,
    crs: pyproj.CRS | str | None = None,
    shares: dict[str, tuple[float, float, float]] | None = None,
) -> Figure:
    """Draw every month from the first to the last of a season as small maps on one sheet.

    Parameters
    ----------
    months : GeoDataFrame
        MONTHLY of several periods; rows of other taxa are passed over. A month between them
        without rows has an empty map that says so.
    taxon : str
        Key of `TAXA`.
    words : SheetWords, optional
        Title, season, note, the noun for a unit, and the units of length.
    trails : GeoDataFrame, optional
        TRAILS with a column ``period``, each drawn in its month.
    transects, parcels : GeoDataFrame, optional
        TRANSECTS and PARCELS, drawn in every month.
    crs : CRS, optional
        Projected CRS in metres; by default the UTM zone of the data.
    shares : dict, optional
        Share of units used with its limits, by period; by default as on a sheet of one month.

    Returns
    -------
    matplotlib.figure.Figure
        Needs no display; `save_png` writes it.

    Raises
    ------
    InputError
        If there is no row of the taxon, or there are more than `MOST_MONTHS` months.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> months = analysis.season_presence.table
    >>> len(plot_months(months, taxon="puma").axes) >= 3
    True
    """
    words = words or SheetWords()
    months = months[months["taxon"].eq(taxon).to_numpy(dtype=bool)]
    periods = _periods(months, taxon)
    crs = working_crs(months) if crs is None else pyproj.CRS(crs)
    months = project(months, crs)
    fixed = {
        name: project(layer, crs)
        for name, layer in (("transects", transects), ("parcels", parcels))
        if layer is not None and len(layer)
    }
    trails = None if trails is None or trails.empty else project(trails, crs)
    country = pd.concat([months.geometry, *_beside(fixed, months)])
    foot_in = text_height_in(_foot(words), width_in=_FOOT_WIDTH_IN, size_pt=SMALL_PT)
    figure, panels, frame = _open(
        gpd.GeoDataFrame(geometry=country), periods, words, taxon, foot_in=foot_in
    )
    for period, ax in zip(periods, panels, strict=True):
        lay_out(ax, frame)
        _without_ticks(ax)
        rows = months[months["period"].eq(period).to_numpy(dtype=bool)]
        _head(ax, period, rows, words, (shares or {}).get(period))
        if rows.empty:
            continue
        layers = dict(fixed)
        if trails is not None:
            layers["trails"] = trails[trails["period"].eq(period).to_numpy(dtype=bool)]
        draw_month(ax, rows, taxon=taxon, marks=_MARKS, **layers)
    draw_scale_bar(panels[0], crs, below_pt=12.0, at_most=0.5, measures=words.measures)
    draw_north(panels[0], crs, at=(0.95, 0.9))
    key_in = foot_in + _KEY_IN
    _write_key(
        figure, panels[0], months, words=words, taxon=taxon, drawn=(trails, fixed), top_in=key_in
    )
    put_text(
        figure, _foot(words), at_in=(_SIDE_IN, foot_in + _BELOW_IN), width_in=_FOOT_WIDTH_IN,
        size_pt=SMALL_PT, color=QUIET,
    )  # fmt: skip
    return figure


def _beside(fixed: dict[str, gpd.GeoDataFrame], months: gpd.GeoDataFrame) -> list[gpd.GeoSeries]:
    """Outlines of the parcels beside the surveyed country, which no panel may cut."""
    return [beside(fixed[name], months).geometry for name in ("parcels",) if name in fixed]


def _foot(words: SheetWords) -> str:
    return " ".join(filter(None, [words.made_for, words.note]))


def _periods(months: gpd.GeoDataFrame, taxon: str) -> list[str]:
    if months.empty:
        raise InputError(
            f"there is no row of '{taxon}' to draw",
            remedy="Compute the months first: season_presence(..., taxon=...).",
        )
    span = pd.period_range(months["period"].min(), months["period"].max(), freq="M")
    if len(span) > MOST_MONTHS:
        raise InputError(
            f"{len(span)} months came, and a sheet holds {MOST_MONTHS}",
            remedy="Draw a year at a time: months[months['period'].str.startswith('2031')].",
        )
    return [str(period) for period in span]


def _open(
    country: gpd.GeoDataFrame,
    periods: list[str],
    words: SheetWords,
    taxon: str,
    *,
    foot_in: float,
) -> tuple[Figure, list[Axes], Frame]:
    """Return the sheet, an axes for each month, and the window that they share."""
    across = min(len(periods), 3 if len(periods) <= 9 else 4)
    down = math.ceil(len(periods) / across)
    wide = (_WIDE_IN - 2 * _SIDE_IN - (across - 1) * _GAP_IN) / across
    west, south, east, north = country.total_bounds
    ratio = (north - south) / max(east - west, 1.0)
    high = wide * min(max(ratio, _LOWEST), _HIGHEST)
    sheet_in = _TOP_IN + down * (high + _HEAD_IN + _GAP_IN) + _KEY_IN + foot_in
    figure = new_figure(_WIDE_IN, sheet_in)
    title = words.title or f"{TAXA[taxon].capitalize()}, month by month"
    top = put_text(
        figure, title, at_in=(_SIDE_IN, sheet_in - 0.15), width_in=_WIDE_IN - 0.6,
        size_pt=TITLE_PT, bold=True, lines=1,
    )  # fmt: skip
    span = " to ".join(dict.fromkeys(_name(period) for period in (periods[0], periods[-1])))
    under = ", ".join(filter(None, [words.season, span]))
    put_text(figure, under, at_in=(_SIDE_IN, top), width_in=_WIDE_IN - 0.6, size_pt=11, lines=1)
    panels = []
    for at in range(len(periods)):
        row, column = divmod(at, across)
        left = _SIDE_IN + column * (wide + _GAP_IN)
        bottom = sheet_in - _TOP_IN - row * (high + _HEAD_IN + _GAP_IN) - _HEAD_IN - high
        panels.append(
            figure.add_axes((left / _WIDE_IN, bottom / sheet_in, wide / _WIDE_IN, high / sheet_in))
        )
    return figure, panels, frame_around([country], aspect=wide / high)


def _without_ticks(ax: Axes) -> None:
    ax.tick_params(length=0, labelbottom=False, labelleft=False)
    ax.set_xlabel("")
    ax.set_ylabel("")


def _head(
    ax: Axes,
    period: str,
    rows: pd.DataFrame,
    words: SheetWords,
    share: tuple[float, float, float] | None,
) -> None:
    """Write the month over its map, with who looked and the share used."""
    figure = ax.get_figure()
    assert isinstance(figure, Figure)
    wide, high = figure.get_size_inches()
    box = ax.get_position()
    at = box.x0 * wide, box.y1 * high + _HEAD_IN - 0.02
    width = box.width * wide
    below = put_text(
        figure, _name(period), at_in=at, width_in=width, size_pt=TEXT_PT, bold=True, lines=1
    )
    put_text(
        figure, _told(rows, words, share), at_in=(at[0], below + 0.02), width_in=width,
        size_pt=SMALL_PT - 1.0, lines=1, color=QUIET,
    )  # fmt: skip


def _told(rows: pd.DataFrame, words: SheetWords, share: tuple[float, float, float] | None) -> str:
    looked = int((rows["visits"] > 0).sum()) if len(rows) else 0
    if not looked:
        return "nobody looked"
    best, low, high = share or share_used(rows)
    said = f"{looked} of {len(rows)} looked at"
    return (
        said if math.isnan(best) else f"{said}; {percent(best)} used ({percent_range(low, high)})"
    )


def _write_key(
    figure: Figure,
    ax: Axes,
    months: gpd.GeoDataFrame,
    *,
    words: SheetWords,
    taxon: str,
    drawn: tuple[gpd.GeoDataFrame | None, dict[str, gpd.GeoDataFrame]],
    top_in: float,
) -> None:
    trails, fixed = drawn
    areas = are_areas(months)
    states, weight, marks = (
        Column(figure, left_in=_SIDE_IN + at * 2.66, top_in=top_in - 0.35, width_in=2.5)
        for at in range(3)
    )
    states.heading(f"{words.unit.capitalize()}s and months in each state")
    key_of_states(states, months, areas=bool(areas.all()))
    weight.heading(f"How probable use is: {'fill' if areas.all() else 'weight'}")
    estimated = bool(months["p_presence"].notna().any())
    scale = weight_scale(ax, months[~areas])
    key_of_weight(weight, scale, drawn=estimated, areas=bool(areas.all()))
    if trails is not None:
        marks.heading(f"Trails: probability of {TAXA[taxon]}")
        key_of_trails(marks)
    if "parcels" in fixed:
        marks.heading("Land")
        key_of_parcels(marks)


def _name(period: str) -> str:
    return pd.Period(period, freq="M").strftime("%B %Y")
