"""Chain: what stands for a unit of the month - a segment, a grid cell or a management unit."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.records.check import check_table, conform
from carnivore_sign.records.tables import DETECTIONS, SEGMENTS, VISITS
from carnivore_sign.space import STORED_CRS, stored
from carnivore_sign.survey import Gathered, grid_cells, search_detections
from carnivore_sign.units import lengths_from_text

if TYPE_CHECKING:
    from carnivore_sign.chain.options import AnalysisOptions

_CELLS: Final = re.compile(r"^\s*(?:(?P<shape>square|hexagon)s?(?:\s+of)?\s+)?(?P<size>.*?)\s*$")
#: Columns of a file of areas that may hold their names, the first that is there.
_NAMES: Final = ("unit", "name", "area")
_POLYGONS: Final = (3, 6)


class Cells(NamedTuple):
    """Size and shape of grid cells."""

    size_m: float
    shape: Literal["square", "hexagon"]

    @property
    def words(self) -> str:
        """The cells in words."""
        return f"{self.shape}s of {self.size_m / 1000:g} km"


def cells_from_text(text: str) -> Cells:
    """Read what is written for grid cells: ``2 km``, or ``hexagons of 2 km``.

    Raises
    ------
    InputError
        If there is no length with its unit in it.

    Examples
    --------
    >>> cells_from_text("2 km"), cells_from_text("hexagon 1 mi").shape
    (Cells(size_m=2000.0, shape='square'), 'hexagon')
    """
    parts = _CELLS.match(text.lower())
    size_m, faults = lengths_from_text(pd.Series([parts["size"] if parts else ""]))
    if parts is None or len(faults) or not size_m[0] > 0:
        raise InputError(
            f"'{text}' is not the size of a cell",
            remedy="Write '2 km' for squares with sides of 2 km, or 'hexagon 2 km'.",
        )
    hexagon = parts["shape"] == "hexagon"
    return Cells(float(size_m[0]), "hexagon" if hexagon else "square")


def areas_of(
    options: AnalysisOptions, transects: gpd.GeoDataFrame, fixes: gpd.GeoDataFrame
) -> gpd.GeoDataFrame | None:
    """Return the areas that stand for units, none where segments do.

    Parameters
    ----------
    options : AnalysisOptions
        Which cells, or which file of areas.
    transects, fixes : GeoDataFrame
        TRANSECTS and FIXES: cells are laid where a transect passes, and where a log does if walks
        off transects count.

    Returns
    -------
    GeoDataFrame or None
        ``unit`` and polygons, degrees.
    """
    if options.cells:
        cells = cells_from_text(options.cells)
        lines = transects[["geometry"]]
        if options.free_search:
            lines = pd.concat([lines, fixes[["geometry"]]], ignore_index=True)
        return grid_cells(lines, size_m=cells.size_m, shape=cells.shape)
    return read_areas(options.areas) if options.areas else None


def read_areas(path: str | Path) -> gpd.GeoDataFrame:
    """Read management units from a vector file of polygons.

    Returns
    -------
    GeoDataFrame
        ``unit`` (from a column ``unit``, ``name`` or ``area``) and polygons, degrees.

    Raises
    ------
    FileUnreadable
        If no polygons can be read from it.
    InputError
        If no column names them, or something is no polygon.
    """
    try:
        layer = gpd.read_file(path)
    except (pyogrio.errors.DataSourceError, OSError) as error:
        raise FileUnreadable(
            "no layer can be read from it",
            file=path,
            remedy="Give a GeoJSON, GeoPackage or other vector file of polygons.",
        ) from error
    named = {str(name).lower(): name for name in layer.columns}
    column = next((named[name] for name in _NAMES if name in named), None)
    if column is None:
        raise InputError(
            "no column names the areas", file=path, remedy=f"Name them in '{_NAMES[0]}'."
        )
    kinds = shapely.get_type_id(layer.geometry.to_numpy())
    wrong = np.flatnonzero(~np.isin(kinds, _POLYGONS))
    if len(wrong):
        raise InputError(
            "an area is no polygon", file=path, row=int(wrong[0]) + 1, remedy="Draw its border."
        )
    return stored(layer[[column, "geometry"]].rename(columns={column: "unit"}), "the areas")


def with_searches(
    gathered: Gathered,
    incidental: pd.DataFrame,
    searches: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    *,
    found_on: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, pd.Series],
) -> tuple[Gathered, pd.DataFrame]:
    """Add walks off transects to units, and the sign that was found on them.

    Parameters
    ----------
    gathered : Gathered
        From `gather_units`.
    incidental : DataFrame
        Sign that makes no detection on a transect.
    searches : DataFrame
        From `search_visits`.
    areas : GeoDataFrame
        ``unit`` and polygons.
    found_on : (SIGN, TRAILS, Series)
        The sign, the trails, and the walk of each sign.

    Returns
    -------
    gathered : Gathered
        A unit without a transect has its border for a line, and the longest search for its
        length.
    incidental : DataFrame
        The sign that is left.
    """
    sign, trails, walks = found_on
    detections, rest = search_detections(incidental, sign, trails, searches, areas, walks=walks)
    longest_m = searches.groupby("segment")["covered_m"].max()
    new = areas[areas["unit"].isin(longest_m.index)]
    new = new[~new["unit"].isin(gathered.units["segment"])]
    length_m = new["unit"].astype("object").map(longest_m)
    added = gpd.GeoDataFrame(
        {
            "segment": new["unit"], "transect": new["unit"], "from_m": 0.0, "to_m": length_m,
            "length_m": length_m,
        },
        geometry=new.geometry.boundary, crs=new.crs,
    )  # fmt: skip
    units = pd.concat([gathered.units, conform(added, SEGMENTS)], ignore_index=True)
    visits = pd.concat([gathered.visits, searches], ignore_index=True)
    found = pd.concat([gathered.detections, detections], ignore_index=True)
    visits = visits.sort_values(["start", "visit"], kind="stable", ignore_index=True)
    return Gathered(units, check_table(visits, VISITS), check_table(found, DETECTIONS)), rest


def unit_noun(options: AnalysisOptions) -> str:
    """Return what a unit is called: *segment*, *cell*, or just *unit* for the user's areas."""
    if options.cells:
        return "cell"
    return "unit" if options.areas else "segment"


def line_noun(options: AnalysisOptions) -> str:
    """Return what the effort is summed by: *transect*, *cell* or *unit*."""
    return "transect" if unit_noun(options) == "segment" else unit_noun(options)


def in_words_of(message: str, options: AnalysisOptions) -> str:
    """Call segments in a message what they are here: cells, or units.

    Examples
    --------
    >>> from carnivore_sign.chain.options import AnalysisOptions
    >>> in_words_of("neighbouring segments are alike", AnalysisOptions(cells="2 km"))
    'neighbouring cells are alike'
    """
    return re.sub(r"\bsegment(?=s?\b)", unit_noun(options), message)


def as_areas(table: gpd.GeoDataFrame, areas: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Give rows of units the polygons of their areas, in place of the lines walked in them."""
    if areas is None:
        return table
    shapes: Any = areas.set_index(areas["unit"].astype("object")).geometry
    return gpd.GeoDataFrame(
        table.drop(columns="geometry"),
        geometry=shapes.reindex(table["segment"].astype("object")).to_numpy(),
        crs=STORED_CRS,
    )
