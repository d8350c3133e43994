"""The month on one sheet: map, key, share of units used, and what it all rests on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd
import pyproj
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from carnivore_sign.errors import InputError
from carnivore_sign.maps.areas import are_areas, draw_units, has_names_written, has_visits_written
from carnivore_sign.maps.basemap import Basemap, draw_basemap
from carnivore_sign.maps.furniture import Frame, beside
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
    draw_trails,
    draw_transects,
    has_tally,
    weight_scale,
)
from carnivore_sign.maps.lettering import text_height_in
from carnivore_sign.maps.measures import METRIC, Measures
from carnivore_sign.maps.names import draw_names
from carnivore_sign.maps.sheet import (
    FOOT_WIDTH_IN,
    furnish,
    open_columns,
    open_map_alone,
    open_sheet,
    write_foot,
)
from carnivore_sign.maps.style import FOUND_AND_USED, QUIET, SMALL_PT
from carnivore_sign.maps.terrain import draw_terrain
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.space import project, working_crs

#: The most trails off a map that its note names one by one.
_MOST_NAMED: Final = 3
#: Height for notes in the foot of a sheet as it is, beside its sums, inches.
_FOOT_IN: Final = 0.4


@dataclass(frozen=True)
class SheetWords:
    """What is written on a sheet besides what its data say.

    Attributes
    ----------
    season : str, optional
        Name of the season, printed under the title.
    title : str, optional
        Heading of the sheet, in any script; by default the taxon and the month.
    note : str, optional
        A line or two of your own under the facts.
    unit : str
        What a unit is called: segment, transect, cell, hexagon, management unit.
    made_for : str
        For whom it is made, and what was done to its places, as a sentence.
    measures : Measures
        Units that lengths are printed in.
    elevation : path-like, optional
        The user's own elevation file, drawn as hillshade and contours under the map.
    basemap : Basemap, optional
        Tiles of a server, fetched and drawn pale under the map. None is asked unless given.
    on_page : bool
        Whether the sheet stands on a page that has its title, its share and what it rests on
        already; these are then left out.
    """

    season: str | None = None
    title: str | None = None
    note: str | None = None
    unit: str = "segment"
    made_for: str = ""
    measures: Measures = METRIC
    elevation: str | Path | None = None
    basemap: Basemap | None = None
    on_page: bool = False


def plot_month(
    monthly: gpd.GeoDataFrame,
    *,
    taxon: str,
    words: SheetWords | None = None,
    trails: gpd.GeoDataFrame | None = None,
    transects: gpd.GeoDataFrame | None = None,
    parcels: gpd.GeoDataFrame | None = None,
    crs: pyproj.CRS | str | None = None,
    share: tuple[float, float, float] | None = None,
) -> Figure:
    """Draw one month of one taxon as a finished sheet.

    Parameters
    ----------
    monthly : GeoDataFrame
        MONTHLY of one period; rows of other taxa are passed over. Units are lines (segments,
        transects) or areas (cells, hexagons, management units), or both.
    taxon : str
        Key of `TAXA`.
    words : SheetWords, optional
        Title, season, note, the noun for a unit, and the units of length.
    trails, transects, parcels : GeoDataFrame, optional
        TRAILS of that month, TRANSECTS, PARCELS; each is drawn if it is given.
    crs : CRS, optional
        Projected CRS in metres; by default the UTM zone of the data.
    share : tuple of float, optional
        Share of units used, with its lower and upper 95 % limit; by default the mean of
        `p_presence` and of its limits.

    Returns
    -------
    matplotlib.figure.Figure
        Needs no display; `save_png` writes it.

    Raises
    ------
    InputError
        If there is no row of the taxon, or more than one period.
    GeographicCrs
        If `crs` is not a projected CRS in metres.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> march = analysis.presence("2026-03").table
    >>> len(plot_month(march, taxon="puma").axes) > 0
    True
    """
    words = words or SheetWords()
    monthly = one_month(monthly, taxon)
    crs = working_crs(monthly) if crs is None else pyproj.CRS(crs)
    monthly = project(monthly, crs)
    drawn = {
        name: project(layer, crs)
        for name, layer in (("trails", trails), ("transects", transects), ("parcels", parcels))
        if layer is not None and len(layer)
    }
    fixed = FOUND_AND_USED if monthly["p_presence"].notna().any() else ""
    fixed = " ".join(filter(None, [fixed, words.note]))
    needed_in = text_height_in(fixed, width_in=FOOT_WIDTH_IN, size_pt=SMALL_PT)
    period = str(monthly["period"].iloc[0])
    figure, ax = _open(words, taxon, period, foot_in=max(needed_in - _FOOT_IN, 0.0))
    around = [monthly, *(drawn[name] for name in ("transects",) if name in drawn)]
    around += [beside(drawn[name], monthly) for name in ("trails", "parcels") if name in drawn]
    frame = furnish(ax, around, crs, measures=words.measures)
    off = ""
    if "trails" in drawn:
        drawn["trails"], off = _on_the_map(drawn["trails"], frame)
    tiled = words.basemap is not None and draw_basemap(ax, words.basemap, crs)
    step = float("nan")
    if words.elevation is not None:
        step = draw_terrain(ax, words.elevation, crs, measures=words.measures)
    draw_month(ax, monthly, taxon=taxon, **drawn)
    draw_names(
        ax,
        transects=drawn.get("transects"),
        parcels=drawn.get("parcels"),
        clear_of=_lines_to_clear(monthly, drawn),
        on_areas=bool(are_areas(monthly).any()),
    )
    columns = open_columns(ax)
    _write_key(columns, ax, monthly, drawn, taxon=taxon, unit=words.unit)
    if step > 0:
        columns[2].text(f"Contours every {step:g} {words.measures.short}.", quiet=True)
    if tiled and words.basemap is not None:
        columns[2].text(f"Basemap: {words.basemap.credit}", quiet=True)
    if off and words.on_page:
        columns[2].text(off)
    if words.made_for:
        columns[2].heading("Made for whom")
        columns[2].text(words.made_for)
    if not words.on_page:
        columns[0].heading("Share of those walked, used")
        draw_share(columns[0], share_used(monthly) if share is None else share)
        rests = _sample_sizes(monthly, len(drawn.get("trails", ())), words)
        write_foot(figure, columns, " ".join(filter(None, [rests, off, fixed])))
    return figure


def draw_month(
    ax: Axes,
    monthly: gpd.GeoDataFrame,
    *,
    taxon: str,
    trails: gpd.GeoDataFrame | None = None,
    transects: gpd.GeoDataFrame | None = None,
    parcels: gpd.GeoDataFrame | None = None,
    marks: float = 1.0,
) -> Axes:
    """Draw the layers of one month on a map; all are in its CRS. `marks` scales those of trails.

    Parameters
    ----------
    ax : Axes
        To draw on, in a projected CRS; layers are in the same.
    monthly : GeoDataFrame
        MONTHLY of one period and taxon.
    taxon : str
        Key of `TAXA`.
    trails, transects, parcels : GeoDataFrame, optional
        TRAILS, TRANSECTS and PARCELS; each is drawn if it is given.
    marks : float
        Size of the marks of trails, 1 as on a sheet.

    Returns
    -------
    Axes
        The same.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> march = analysis.presence("2026-03").table.to_crs("EPSG:32609")
    >>> ax = Figure().add_subplot()
    >>> draw_month(ax, march, taxon="puma") is ax
    True
    """
    if transects is not None:
        draw_transects(ax, transects, on_areas=bool(are_areas(monthly).any()))
    if parcels is not None:
        draw_parcels(ax, parcels)
    draw_units(ax, monthly)
    if trails is not None:
        draw_trails(ax, trails, taxon_column(taxon), size=marks)
    return ax


def _open(words: SheetWords, taxon: str, period: str, *, foot_in: float) -> tuple[Figure, Axes]:
    if words.on_page:
        return open_map_alone()
    month = pd.Period(period, freq="M").strftime("%B %Y")
    return open_sheet(
        words.title or f"{TAXA[taxon].capitalize()}, {month}",
        ", ".join(filter(None, [words.season, date_range(period)])),
        foot_in=foot_in,
    )


def _lines_to_clear(
    monthly: gpd.GeoDataFrame, drawn: dict[str, gpd.GeoDataFrame]
) -> list[gpd.GeoDataFrame]:
    """Layers that names keep clear of; areas cover the map, and names stand on them."""
    return [*(drawn[name] for name in ("trails",) if name in drawn), monthly[~are_areas(monthly)]]


def _write_key(
    columns: list[Column],
    ax: Axes,
    monthly: gpd.GeoDataFrame,
    drawn: dict[str, gpd.GeoDataFrame],
    *,
    taxon: str,
    unit: str,
) -> None:
    areas = are_areas(monthly)
    states, weight, trails = columns
    states.heading(f"{unit.capitalize()}s in each state")
    key_of_states(states, monthly, areas=bool(areas.all()))
    if areas.any() and not areas.all():
        states.text("Cells show the same by colour and by how much is filled.", quiet=True)
    weight.heading(f"How probable use is: {'fill' if areas.all() else 'weight'}")
    estimated = bool(monthly["p_presence"].notna().any())
    scale = weight_scale(ax, monthly[~areas])
    key_of_weight(weight, scale, drawn=estimated, areas=bool(areas.all()))
    if (monthly["visits"] > 0).any():
        weight.heading("Effort")
        if not areas.all():
            key_of_effort(weight, drawn=has_tally(ax))
        if has_visits_written(ax):
            weight.text("visits to each, written in it")
        elif areas.any():
            weight.text("no room for the visits to each at this scale", quiet=True)
    if areas.any() and not has_names_written(ax):
        weight.text("names of areas: in the tables and the interactive map", quiet=True)
    if "trails" in drawn:
        trails.heading(f"Trails: probability of {TAXA[taxon]}")
        key_of_trails(trails)
    on_areas = areas.any() and "transects" in drawn
    if "parcels" in drawn or on_areas:
        trails.heading("Land")
    if on_areas:
        trails.line(trails.entry("transect"), QUIET, 1.1)
    if "parcels" in drawn:
        key_of_parcels(trails)


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


def _on_the_map(trails: gpd.GeoDataFrame, frame: Frame) -> tuple[gpd.GeoDataFrame, str]:
    """Return the trails within a frame, and say how many lie off it; nothing where none does."""
    window = shapely.box(frame.west, frame.south, frame.east, frame.north)
    shapes = trails.geometry.to_numpy()
    placed = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    off = placed & ~shapely.intersects(shapes, window)
    if not off.any():
        return trails, ""
    count = int(off.sum())
    return trails[~off], (
        f"{count} {'trail lies' if count == 1 else 'trails lie'} off this map and "
        f"{'is' if count == 1 else 'are'} not drawn: {_listed(trails.loc[off, 'trail'])}. Check "
        "the positions of the sign."
    )


def _listed(names: pd.Series) -> str:
    """Name the first few."""
    more = len(names) - _MOST_NAMED
    return ", ".join(map(str, names.head(_MOST_NAMED))) + (f" and {more} more" if more > 0 else "")


def _sample_sizes(monthly: gpd.GeoDataFrame, trails: int, words: SheetWords) -> str:
    looked = int((monthly["visits"] > 0).sum())
    drawn = f" {trails} {'trail' if trails == 1 else 'trails'} drawn." if trails else ""
    return (
        f"{monthly['visits'].sum()} visits to {looked} of {len(monthly)} {words.unit}s, "
        f"{words.measures.told(monthly['effort_km'].sum())} walked.{drawn}"
    )
