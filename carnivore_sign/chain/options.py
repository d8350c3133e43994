"""Chain: the choices that an analysis rests on, and those of a page, each in one frozen place."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas as gpd

from carnivore_sign.chain.flags import excluding_flags
from carnivore_sign.chain.units import cells_from_text
from carnivore_sign.errors import InputError
from carnivore_sign.maps import Basemap, Edition, Measures, edition_for, measures_of
from carnivore_sign.maps.readers import CATEGORY
from carnivore_sign.records.vocabularies import TAXA, TAXON_NAMES

#: No receiver errs by more, so that a wider tolerance would count walks elsewhere as effort.
WIDEST_TOLERANCE_M: Final = 500.0


@dataclass(frozen=True)
class AnalysisOptions:
    """Choices of an analysis; each is printed with the result.

    Attributes
    ----------
    taxon : str
        The animal asked about: a key of ``TAXA`` or a name of it, such as ``mountain lion``.
    region : str
        Which taxa and priors the evidence is weighed with; see ``identify.regions``.
    absent : tuple of str
        Taxa known not to live there; their prior is 0 and that of the others is scaled up.
    segment_length_m : float
        Length of the pieces that transects are cut into, where segments are the units.
    cells : str
        Grid cells as the units in place of segments: ``2 km``, or ``hexagon 2 km``.
    areas : str, optional
        Vector file of polygons with a column ``unit``: management units in place of segments.
    free_search : bool
        Whether walks off transects are effort too, in the cells or areas that they pass.
    tolerance_m : float
        A fix within this distance of a segment was walked on it.
    max_speed_m_s : float
        Faster than this, nobody reads sign; the fix is no effort.
    max_offset_m : float
        Sign within this distance of a transect was found on it.
    learn_prior : bool
        Whether the shares of the taxa among the season's trails are estimated from the
        trails, with the region's prior behind them, or the region's prior is taken as it is.
    observer_test : str, optional
        CSV of answers to a test of known prints, such as the practice page saves; it says how
        much the word of each observer is worth.
    collection : str, optional
        CSV of the user's own known prints; it moves the likelihood ratios that ship.
    leave_out, keep_in : tuple of str
        Quality flags that keep a position out of effort, or do not, other than usual; see
        `carnivore_sign.flag_table`.
    """

    taxon: str = "puma"
    region: str = "general"
    absent: tuple[str, ...] = ()
    segment_length_m: float = 1000.0
    cells: str = ""
    areas: str | None = None
    free_search: bool = False
    tolerance_m: float = 30.0
    max_speed_m_s: float = 4.0
    max_offset_m: float = 100.0
    learn_prior: bool = True
    observer_test: str | None = None
    collection: str | None = None
    leave_out: tuple[str, ...] = ()
    keep_in: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "taxon", _known_taxon(self.taxon))
        object.__setattr__(self, "absent", tuple(_known_taxon(name) for name in self.absent))
        if self.taxon in self.absent:
            raise InputError(
                f"{self.taxon_name} is asked about and held to be absent",
                remedy="Take it out of the absent ones.",
            )
        excluding_flags(self.leave_out, self.keep_in)
        if self.cells and self.areas:
            raise InputError("both cells and areas are named as units", remedy="Name one of them.")
        if self.cells:
            cells_from_text(self.cells)
        if self.free_search and not (self.cells or self.areas):
            raise InputError(
                "walks off transects are effort only by cells or areas",
                remedy="Name the cells (--cells '2 km') or the areas (--areas FILE) as well.",
            )
        for name in ("segment_length_m", "tolerance_m", "max_speed_m_s", "max_offset_m"):
            if not 0 < getattr(self, name) < float("inf"):
                raise InputError(
                    f"{name} is {getattr(self, name):g}", remedy="Give a number above 0."
                )
        if self.tolerance_m > WIDEST_TOLERANCE_M:
            raise InputError(
                f"tolerance_m is {self.tolerance_m:g}",
                remedy=f"Above {WIDEST_TOLERANCE_M:g} m a fix says nothing about a transect.",
            )

    @property
    def excluding_flags(self) -> dict[str, str]:
        """Quality flags that keep a position out of effort, and why."""
        return excluding_flags(self.leave_out, self.keep_in)

    @property
    def taxon_name(self) -> str:
        """Name of the taxon in plain words."""
        return TAXA[self.taxon]


@dataclass(frozen=True)
class PageOptions:
    """Choices of a page: for whom it is made, and how it prints lengths.

    Attributes
    ----------
    made_for : str
        ``managers``, ``landowner`` or ``public``.
    parcel : str, optional
        The holding of the landowner it is made for.
    sensitivity : int
        Category of sensitivity of places, 1 (cells of one degree) to 4 (a thousandth); it says
        how places are generalised for a landowner or the public.
    units : str
        ``metric`` or ``us``: how lengths are printed on pages and maps.
    elevation : path-like, optional
        The user's own elevation file, drawn under the map of the month (extra ``terrain``).
    basemap : Basemap, optional
        Tiles of a server that the user names, fetched and drawn under the map of the month.
    photos : path-like, optional
        Folder of the season's photos; those of notable trails are shown, small and without
        what the camera wrote into them, to whoever may see these trails.
    """

    made_for: str = "managers"
    parcel: str | None = None
    sensitivity: int = CATEGORY
    units: str = "metric"
    elevation: str | Path | None = None
    basemap: Basemap | None = None
    photos: str | Path | None = None

    def edition(self, parcels: gpd.GeoDataFrame) -> Edition:
        """Return the edition, with the landowner's holding out of PARCELS."""
        return edition_for(
            self.made_for, category=self.sensitivity, parcels=parcels, parcel=self.parcel
        )

    @property
    def measures(self) -> Measures:
        """The units that lengths are printed in."""
        return measures_of(self.units)


def _known_taxon(name: str) -> str:
    known = TAXON_NAMES.get(name.strip().lower())
    if known is None:
        raise InputError(
            f"'{name}' is not a taxon the library can weigh",
            remedy=f"Use one of: {', '.join(TAXA)}.",
        )
    return known
