"""Readers: for whom a map or page is made, and so how exactly it shows places.

Managers see everything. The public sees a grid of cells in degrees, in place of segments,
trails and holdings. A landowner sees the own holding as it is and the same grid elsewhere. The
grid starts at 0 degrees and never moves with the data, and a cell holds sums alone, so that no
comparison of pages or months tells more of a place than its cell.

Cells follow the categories of sensitivity of Chapman 2020, Current Best Practices for
Generalizing Sensitive Species Occurrence Data, GBIF: places are generalised to a grid and never
moved at random, and the page records what was done.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import empty
from carnivore_sign.records.tables import MONTHLY, PARCELS
from carnivore_sign.space import STORED_CRS, stored, working_crs

#: For whom pages are made, as it stands on them.
READERS: Final[dict[str, str]] = {
    "managers": "managers",
    "landowner": "a landowner",
    "public": "the public",
}

#: Cells to a degree, by category of sensitivity, and the decimals of their names.
CELLS_PER_DEGREE: Final[dict[int, int]] = {1: 1, 2: 10, 3: 100, 4: 1000}
_DECIMALS: Final = {1: 0, 2: 1, 3: 2, 4: 3}

#: States of units, the least telling first.
_RANK: Final = {"not_looked": 0, "not_found": 1, "found_likely": 2, "found_sure": 3}

#: Category unless one is chosen: cells of a tenth of a degree, some ten kilometres.
CATEGORY: Final = 2


@dataclass(frozen=True, eq=False)
class Edition:
    """For whom a page is made.

    Attributes
    ----------
    reader : str
        Key of `READERS`.
    category : int
        Category of sensitivity, 1 (cells of one degree) to 4 (a thousandth of a degree).
    parcel : str, optional
        The holding of the landowner it is made for.
    land : shapely geometry, optional
        Its outline, degrees.
    noun : str
        What a unit of the analysis is called: segment, cell or unit.
    """

    reader: str = "managers"
    category: int = CATEGORY
    parcel: str | None = None
    land: shapely.Geometry | None = None
    noun: str = "segment"

    @property
    def exact(self) -> bool:
        """Whether every place is shown as it is."""
        return self.reader == "managers"

    @property
    def unit(self) -> str:
        """The noun for a unit of its maps and tables."""
        return self.noun if self.exact else "cell"

    @property
    def cell_words(self) -> str:
        """The size of a cell, in words."""
        size = 1 / CELLS_PER_DEGREE[self.category]
        return f"{size:g} degree{'s' if size < 1 else ''}"

    @property
    def made_for(self) -> str:
        """For whom it is made, and what was done to places, as it stands on a map."""
        if self.exact:
            return ""
        return (
            f"Made for {READERS[self.reader]}: places are generalised to cells of "
            f"{self.cell_words} (Chapman 2020)."
        )

    @property
    def withheld(self) -> tuple[str, ...]:
        """Say, as sentences, what the page does not show, and what was done to places."""
        if self.exact:
            return ()
        own = "" if self.land is None else " off the holding"
        return (
            f"Made for {READERS[self.reader]}. Places{own} are generalised to cells of "
            f"{self.cell_words} of latitude and longitude (category {self.category} of Chapman "
            "2020, Current Best Practices for Generalizing Sensitive Species Occurrence Data, "
            "GBIF). The cells lie on a fixed grid; nothing was moved at random.",
            f"Withheld{own}: where segments, trails and transects lie and what they are called; "
            "holdings and who owns them; the observers' names; files, photos and the places they "
            "were taken at; single trails, visits and finds.",
        )


def edition_for(
    reader: str = "managers",
    *,
    category: int = CATEGORY,
    parcels: gpd.GeoDataFrame | None = None,
    parcel: str | None = None,
) -> Edition:
    """Return the edition for a reader.

    Parameters
    ----------
    reader : str
        ``managers``, ``landowner`` or ``public``.
    category : int
        Category of sensitivity, 1 to 4.
    parcels : GeoDataFrame, optional
        PARCELS, of which a landowner's is taken.
    parcel : str, optional
        The holding of the landowner.

    Returns
    -------
    Edition
        For whom, and on which grid.

    Raises
    ------
    InputError
        If there is no such reader, category or parcel.

    Examples
    --------
    >>> edition_for("public").cell_words
    '0.1 degrees'
    """
    if reader not in READERS:
        raise InputError(
            f"nobody is called '{reader}' here", remedy=f"Use one of: {', '.join(READERS)}."
        )
    if category not in CELLS_PER_DEGREE:
        raise InputError(
            f"{category} is no category of sensitivity",
            remedy="Use 1 (cells of 1 degree), 2 (0.1), 3 (0.01) or 4 (0.001).",
        )
    if reader != "landowner":
        return Edition(reader, category)
    known = empty(PARCELS) if parcels is None else parcels
    own = known[known["parcel"].eq(parcel).to_numpy(dtype=bool)]
    if own.empty:
        names = ", ".join(map(str, known["parcel"])) or "none"
        raise InputError(
            "a page for a landowner needs the name of the holding"
            if parcel is None
            else f"there is no holding of the name '{parcel}'",
            remedy=f"Name one with --parcel; the season has: {names}.",
        )
    return Edition(reader, category, parcel, stored(own, "the parcels").geometry.union_all())


@dataclass(frozen=True, eq=False)
class Shown:
    """What a reader may see of a month: layers in degrees, empty where nothing is shown.

    Attributes
    ----------
    units : GeoDataFrame
        MONTHLY: segments, or cells in their place.
    trails, transects, parcels : GeoDataFrame
        Those that may be seen.
    """

    units: gpd.GeoDataFrame
    trails: gpd.GeoDataFrame
    transects: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame


def shown_to(
    edition: Edition,
    monthly: gpd.GeoDataFrame,
    *,
    trails: gpd.GeoDataFrame,
    transects: gpd.GeoDataFrame,
    parcels: gpd.GeoDataFrame,
) -> Shown:
    """Return the layers that the reader of an edition may see.

    Parameters
    ----------
    edition : Edition
        For whom.
    monthly : GeoDataFrame
        MONTHLY of one period and taxon.
    trails, transects, parcels : GeoDataFrame
        TRAILS, TRANSECTS and PARCELS.

    Returns
    -------
    Shown
        The layers, which hold no more than that reader may see.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> march = analysis.presence("2026-03").table
    >>> layers = {name: getattr(analysis, name) for name in ("trails", "transects", "parcels")}
    >>> len(shown_to(edition_for("public"), march, **layers).trails)
    0
    """
    if edition.exact:
        return Shown(monthly, trails, transects, parcels)
    units = units_for(edition, monthly)
    if edition.land is None:
        return Shown(units, trails.iloc[:0], transects.iloc[:0], parcels.iloc[:0])
    own = parcels[parcels["parcel"].eq(edition.parcel).to_numpy(dtype=bool)]
    within = trails[trails.intersects(edition.land).to_numpy(dtype=bool)]
    within = within.set_geometry(within.geometry.intersection(edition.land))
    return Shown(units, within, transects.iloc[:0], own.assign(owner_reference=None))


def units_for(edition: Edition, monthly: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the units of a month as the reader of an edition may see them.

    Parameters
    ----------
    edition : Edition
        From `edition_for`.
    monthly : GeoDataFrame
        MONTHLY of one period and taxon.

    Returns
    -------
    GeoDataFrame
        Columns of MONTHLY: segments, or cells in their place; for a landowner the parts of
        segments on the holding, and cells for all others.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> march = analysis.presence("2026-03").table
    >>> units_for(edition_for("public"), march).geom_type.unique().tolist()
    ['Polygon']
    """
    if edition.exact:
        return monthly
    if edition.land is None:
        return in_cells(monthly, category=edition.category)
    monthly = stored(monthly, "the month")
    on_land = monthly.intersects(edition.land).to_numpy(dtype=bool)
    own = monthly[on_land]
    own = own.set_geometry(own.geometry.intersection(edition.land))
    rest = in_cells(monthly[~on_land], category=edition.category)
    return gpd.GeoDataFrame(pd.concat([own, rest], ignore_index=True), crs=STORED_CRS)


def in_cells(monthly: gpd.GeoDataFrame, *, category: int = CATEGORY) -> gpd.GeoDataFrame:
    """Sum units into cells of a fixed grid in degrees, each unit into the cell of its middle.

    Parameters
    ----------
    monthly : GeoDataFrame
        MONTHLY, of any periods and taxa.
    category : int
        Category of sensitivity: 1, 2, 3 or 4, for cells of 1, 0.1, 0.01 or 0.001 degree.

    Returns
    -------
    GeoDataFrame
        MONTHLY of cells: visits, effort and expected trails summed; the state and ``p_found``
        of the unit with the best find; ``p_presence`` and its limits
        the means over the units walked (over all where none was), that is the share of them
        that is used. ``units`` is how many were summed.

    Examples
    --------
    >>> cell_of(np.array([-105.234]), np.array([36.087]), category=2)[0].tolist()
    ['36.0 N 105.3 W']
    """
    if monthly.empty:
        return empty(MONTHLY).assign(units=pd.Series(dtype="int64"))
    lon, lat = _middles(monthly)
    names, boxes = cell_of(lon, lat, category=category)
    walked = monthly["visits"].gt(0).to_numpy(dtype=bool)
    keys = [pd.Series(names, monthly.index, name="segment"), "period", "taxon"]
    p = ["p_presence", "p_presence_low", "p_presence_high"]
    frame = pd.DataFrame(monthly.drop(columns="geometry")).assign(
        _rank=monthly["state"].map(_RANK), **{f"_{name}": monthly[name].where(walked) for name in p}
    )
    by = frame.drop(columns="segment").groupby(keys, sort=True)
    cells = by.agg(
        visits=("visits", "sum"),
        effort_km=("effort_km", "sum"),
        effort_km_days=("effort_km_days", _sum_known),
        trails_expected=("trails_expected", _sum_known),
        units=("visits", "size"),
        p_found=("p_found", "max"),
        state=("_rank", "max"),
    )
    cells["state"] = cells["state"].map(dict(enumerate(_RANK)))
    for name in p:
        cells[name] = by[f"_{name}"].mean().fillna(by[name].mean())
    cells = cells.reset_index()
    shapes = pd.Series(boxes, names).groupby(level=0).first()
    order = [column.name for column in MONTHLY.columns]
    return gpd.GeoDataFrame(
        cells[[*order, "units"]],
        geometry=shapes.reindex(cells["segment"]).to_numpy(),
        crs=STORED_CRS,
    )


def cell_of(lon: np.ndarray, lat: np.ndarray, *, category: int) -> tuple[np.ndarray, np.ndarray]:
    """Return name and outline of the grid cell that holds each position, degrees.

    A cell is called by its corner in the south and west, and reaches one step north and east.
    """
    per_degree, decimals = CELLS_PER_DEGREE[category], _DECIMALS[category]
    column, row = (np.floor(np.asarray(v) * per_degree + 1e-9).astype(int) for v in (lon, lat))
    boxes = shapely.box(
        column / per_degree,
        row / per_degree,
        (column + 1) / per_degree,
        (row + 1) / per_degree,
    )
    names = [
        f"{abs(y):.{decimals}f} {'N' if y >= 0 else 'S'} "
        f"{abs(x):.{decimals}f} {'E' if x >= 0 else 'W'}"
        for x, y in zip(column / per_degree, row / per_degree, strict=True)
    ]
    return np.array(names, dtype=object), boxes


def _middles(units: gpd.GeoDataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Middle of each unit, degrees: half way along a line, the centre of anything else."""
    plane = units.to_crs(working_crs(units))
    shapes = plane.geometry.to_numpy()
    linear = shapely.get_type_id(shapes) == 1
    middle = shapely.centroid(shapes)
    middle[linear] = shapely.line_interpolate_point(shapes[linear], 0.5, normalized=True)
    back = gpd.GeoSeries(middle, crs=plane.crs).to_crs(STORED_CRS)
    return back.x.to_numpy(), back.y.to_numpy()


def _sum_known(values: pd.Series) -> float:
    return float(values.sum(min_count=1))
