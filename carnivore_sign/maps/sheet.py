"""The month on one sheet: map, key, share of units used, and what it all rests on."""

from __future__ import annotations

import io
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.maps.furniture import (
    Frame,
    corners,
    draw_north,
    draw_scale_bar,
    frame_around,
    lay_out,
)
from carnivore_sign.maps.key import (
    Column,
    draw_share,
    key_of_effort,
    key_of_parcels,
    key_of_states,
    key_of_trails,
    key_of_weight,
    share_used,
)
from carnivore_sign.maps.layers import (
    draw_parcels,
    draw_segments,
    draw_tally,
    draw_trails,
    draw_transects,
    has_tally,
    weight_scale,
)
from carnivore_sign.maps.lettering import font, new_figure, place_text, put_text, sheet_of
from carnivore_sign.maps.names import draw_names
from carnivore_sign.maps.style import QUIET, SMALL_PT, TITLE_PT
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import project, working_crs

#: The map stands above its key, so that the sheet fills the width of a page in print and its
#: smallest type is still 7 points there.
SHEET_IN = (8.3, 9.85)
_MAP_LEFT_IN, _MAP_BOTTOM_IN, _MAP_WIDTH_IN = 0.72, 4.15, 7.38
_COLUMN_LEFT_IN, _COLUMN_WIDTH_IN, _COLUMN_STEP_IN = 0.3, 2.5, 2.66
_COLUMN_TOP_IN = _MAP_BOTTOM_IN - 0.82
_FOOT_LEFT_IN, _FOOT_WIDTH_IN = 0.3, SHEET_IN[0] - 0.6
_TOP_IN = SHEET_IN[1] - 0.2


def draw_month(
    monthly: gpd.GeoDataFrame,
    *,
    taxon: str,
    season: str | None = None,
    title: str | None = None,
    trails: gpd.GeoDataFrame | None = None,
    transects: gpd.GeoDataFrame | None = None,
    parcels: gpd.GeoDataFrame | None = None,
    crs: pyproj.CRS | str | None = None,
    share: tuple[float, float, float] | None = None,
    note: str | None = None,
) -> Figure:
    """Draw one month of one taxon as a finished sheet.

    Parameters
    ----------
    monthly : GeoDataFrame
        MONTHLY of one period; rows of other taxa are passed over.
    taxon : str
        Key of `TAXA`.
    season : str, optional
        Name of the season, printed under the title.
    title : str, optional
        Heading of the sheet, in any script; by default the taxon and the month.
    trails, transects, parcels : GeoDataFrame, optional
        TRAILS of that month, TRANSECTS, PARCELS; each is drawn if it is given.
    crs : CRS, optional
        Projected CRS in metres; by default the UTM zone of the data.
    share : tuple of float, optional
        Share of units used, with its lower and upper 95 % limit; by default the mean of
        `p_presence` and of its limits.
    note : str, optional
        A line or two of your own under the facts.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    InputError
        If there is no row of the taxon, or more than one period.
    GeographicCrs
        If `crs` is not a projected CRS in metres.
    """
    monthly = one_month(monthly, taxon)
    crs = working_crs(monthly) if crs is None else pyproj.CRS(crs)
    monthly = project(monthly, crs)
    drawn = {
        name: project(layer, crs)
        for name, layer in (("trails", trails), ("transects", transects), ("parcels", parcels))
        if layer is not None and len(layer)
    }
    period = str(monthly["period"].iloc[0])
    month = pd.Period(period, freq="M").strftime("%B %Y")
    figure, ax = open_sheet(
        title or f"{TAXA[taxon].capitalize()}, {month}",
        ", ".join(filter(None, [season, date_range(period)])),
    )
    around = [monthly, *(drawn[name] for name in ("trails", "transects") if name in drawn)]
    if "parcels" in drawn:
        around.append(_beside(drawn["parcels"], monthly))
    furnish(ax, around, crs)
    if "transects" in drawn:
        draw_transects(ax, drawn["transects"])
    if "parcels" in drawn:
        draw_parcels(ax, drawn["parcels"])
    draw_segments(ax, monthly)
    draw_tally(ax, monthly)
    if "trails" in drawn:
        draw_trails(ax, drawn["trails"], taxon_column(taxon))
    draw_names(
        ax,
        transects=drawn.get("transects"),
        parcels=drawn.get("parcels"),
        clear_of=[drawn[name] for name in ("trails",) if name in drawn] + [monthly],
    )
    columns = open_columns(figure)
    _write_key(columns, ax, monthly, drawn, taxon)
    columns[0].heading("Share of those walked, used")
    draw_share(columns[0], share_used(monthly) if share is None else share)
    rests = _sample_sizes(monthly, len(drawn.get("trails", ())))
    write_foot(figure, columns, " ".join(filter(None, [rests, note])))
    return figure


def _write_key(
    columns: list[Column],
    ax: Axes,
    monthly: gpd.GeoDataFrame,
    drawn: dict[str, gpd.GeoDataFrame],
    taxon: str,
) -> None:
    states, weight, trails = columns
    states.heading("Segments in each state")
    key_of_states(states, monthly)
    weight.heading("How probable use is: weight")
    key_of_weight(
        weight, weight_scale(ax, monthly), drawn=bool(monthly["p_presence"].notna().any())
    )
    if (monthly["visits"] > 0).any():
        weight.heading("Effort")
        key_of_effort(weight, drawn=has_tally(ax))
    if "trails" in drawn:
        trails.heading(f"Trails: probability of {TAXA[taxon]}")
        key_of_trails(trails)
    if "parcels" in drawn:
        trails.heading("Land")
        key_of_parcels(trails)


def open_sheet(title: str, subtitle: str) -> tuple[Figure, Axes]:
    """Return a sheet with its title, and the axes of its map."""
    figure = new_figure(*SHEET_IN)
    wide = SHEET_IN[0] - 0.55
    top = put_text(
        figure, title, at_in=(0.3, _TOP_IN), width_in=wide, size_pt=TITLE_PT, bold=True, lines=2
    )
    top = put_text(figure, subtitle, at_in=(0.3, top), width_in=wide, size_pt=11, lines=1) - 0.14
    ax = figure.add_axes(
        (
            _MAP_LEFT_IN / SHEET_IN[0],
            _MAP_BOTTOM_IN / SHEET_IN[1],
            _MAP_WIDTH_IN / SHEET_IN[0],
            (top - _MAP_BOTTOM_IN) / SHEET_IN[1],
        )
    )
    return figure, ax


def open_columns(figure: Figure) -> list[Column]:
    """Return the three columns under the map."""
    return [
        Column(
            figure,
            left_in=_COLUMN_LEFT_IN + at * _COLUMN_STEP_IN,
            top_in=_COLUMN_TOP_IN,
            width_in=_COLUMN_WIDTH_IN,
        )
        for at in range(3)
    ]


def write_foot(figure: Figure, columns: list[Column], words: str) -> None:
    """Write what a sheet rests on under its columns, over the whole width."""
    foot = Column(
        figure,
        left_in=_FOOT_LEFT_IN,
        top_in=min(column.y for column in columns) - 0.02,
        width_in=_FOOT_WIDTH_IN,
    )
    foot.heading("What this rests on")
    room = max(1, int((foot.y - 0.06) / (SMALL_PT * 1.32 / 72)))
    foot.text(words, lines=room, quiet=True)


def furnish(ax: Axes, around: list[gpd.GeoDataFrame], crs: pyproj.CRS) -> Frame:
    """Give a map its window around the layers, grid, scale bar, north arrow and CRS."""
    figure = sheet_of(ax)
    box = ax.get_position()
    frame = frame_around(around, aspect=box.width * SHEET_IN[0] / (box.height * SHEET_IN[1]))
    lay_out(ax, frame)
    draw_scale_bar(ax, crs)
    draw_north(ax, crs)
    code = f" (EPSG:{crs.to_epsg()})" if crs.to_epsg() else ""
    datum = crs.datum.name if crs.datum is not None else "not stated"
    notes = (f"Grid: {crs.name}{code}.", f"Datum: {datum}.", corners(ax, crs))
    for line, note in enumerate(notes):
        place_text(
            figure,
            _MAP_LEFT_IN + _MAP_WIDTH_IN,
            _MAP_BOTTOM_IN - 0.5 - 0.145 * line,
            note,
            font(SMALL_PT),
            color=QUIET,
            ha="right",
        )
    return frame


def save_png(figure: Figure, path: str | Path, *, dpi: int = 150) -> Path:
    """Save a sheet as PNG; the same sheet gives the same bytes."""
    path = Path(path)
    path.write_bytes(png_bytes(figure, dpi=dpi))
    return path


def png_bytes(figure: Figure, *, dpi: int = 150) -> bytes:
    """Return a sheet as the bytes of a PNG, without date or program in it."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=dpi, metadata={"Software": None})
    return buffer.getvalue()


def one_month(monthly: gpd.GeoDataFrame, taxon: str) -> gpd.GeoDataFrame:
    """Return the rows of `taxon`, or raise if they are none or of several months."""
    rows = monthly[monthly["taxon"].eq(taxon).to_numpy(dtype=bool)]
    periods = sorted(rows["period"].unique())
    if len(periods) == 1:
        return rows
    if not periods:
        raise InputError(
            f"there is no row of '{taxon}' to draw",
            remedy="Compute the month first: monthly_presence(..., taxon=...).",
        )
    raise InputError(
        f"{len(periods)} months came ({periods[0]} to {periods[-1]}), and a sheet shows one",
        remedy="Pick one: monthly[monthly['period'] == '2031-05'].",
    )


def date_range(period: str) -> str:
    """Write the days of a month.

    Examples
    --------
    >>> date_range("2031-02")
    '1 to 28 February 2031'
    """
    month = pd.Period(period, freq="M")
    return f"1 to {month.days_in_month} {month.strftime('%B %Y')}"


def _beside(parcels: gpd.GeoDataFrame, monthly: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the parcels beside the surveyed country; one far away must not shrink the map."""
    west, south, east, north = monthly.total_bounds
    reach = 0.15 * max(east - west, north - south, 1.0)
    country = shapely.box(west - reach, south - reach, east + reach, north + reach)
    return parcels[parcels.geometry.covered_by(country)]


def _sample_sizes(monthly: gpd.GeoDataFrame, trails: int) -> str:
    looked = int((monthly["visits"] > 0).sum())
    drawn = f" {trails} {'trail' if trails == 1 else 'trails'} drawn." if trails else ""
    return (
        f"{monthly['visits'].sum()} visits to {looked} of {len(monthly)} segments, "
        f"{monthly['effort_km'].sum():.1f} km walked.{drawn}"
    )
