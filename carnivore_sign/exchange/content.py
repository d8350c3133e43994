"""Content: what an export is made from, and which of it a reader may have.

Every writer of this room takes its tables and layers from here, so that what a reader may not see
is decided once: by `carnivore_sign.maps.shown_to`, as for the maps and pages.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import pandas as pd

from carnivore_sign.maps import Edition, Shown, shown_to
from carnivore_sign.records.check import conform, empty
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import (
    DETECTIONS,
    MONTHLY,
    SEASON_TABLES,
    SEGMENTS,
    SIGN,
    TRAILS,
    VISITS,
    Column,
    Table,
)
from carnivore_sign.records.vocabularies import TAXA

#: Members of a trail, as the trails room gives them.
_NO_MEMBERS: Final = pd.DataFrame(
    {"sign": pd.Series(dtype="object"), "trail": pd.Series(dtype="object")}
)


@dataclass(frozen=True, eq=False)
class Content:
    """What an export is made from.

    Attributes
    ----------
    season : Season
        The season.
    edition : Edition
        For whom it is made.
    taxon : str
        The taxon that was looked for.
    tables : mapping of str to DataFrame
        The record: every table of the season.
    placed : GeoDataFrame
        SIGN with positions, those of waypoints among them.
    segments : GeoDataFrame
        SEGMENTS.
    visits, detections : DataFrame
        VISITS and DETECTIONS.
    trails : GeoDataFrame
        TRAILS.
    members : DataFrame
        Which sign make up which trail: ``sign``, ``trail``.
    walks : Series
        Walk of each sign, by its name.
    monthly : GeoDataFrame
        MONTHLY of all months, for `taxon`.
    """

    season: Season
    edition: Edition
    taxon: str
    tables: Mapping[str, pd.DataFrame]
    placed: gpd.GeoDataFrame = field(default_factory=lambda: empty(SIGN))
    segments: gpd.GeoDataFrame = field(default_factory=lambda: empty(SEGMENTS))
    visits: pd.DataFrame = field(default_factory=lambda: empty(VISITS))
    detections: pd.DataFrame = field(default_factory=lambda: empty(DETECTIONS))
    trails: gpd.GeoDataFrame = field(default_factory=lambda: empty(TRAILS))
    members: pd.DataFrame = field(default_factory=_NO_MEMBERS.copy)
    walks: pd.Series = field(default_factory=lambda: pd.Series(dtype="object"))
    monthly: gpd.GeoDataFrame = field(default_factory=lambda: empty(MONTHLY))

    @property
    def shown(self) -> Shown:
        """What the reader may see of all months."""
        return shown_to(
            self.edition,
            self.monthly,
            trails=self.trails,
            transects=self.tables["transects"],
            parcels=self.tables["parcels"],
        )

    @property
    def taxon_name(self) -> str:
        """The taxon in words."""
        return TAXA[self.taxon]


#: What a unit of MONTHLY is called in each edition, and how many segments it sums.
_UNITS_SUMMED: Final = Column("units", "integer", "segments that were summed", False, (), 0)


def units_table(content: Content) -> Table:
    """Return the schema of the units of an edition: segments, or cells in their place."""
    if content.edition.exact:
        return MONTHLY
    return Table(
        f"{content.edition.unit}s",
        f"one {content.edition.unit} in one month: what was done, found, and what that says",
        (*MONTHLY.columns, _UNITS_SUMMED),
        key=MONTHLY.key,
        geometry="Geometry",
    )


def layers_of(content: Content) -> dict[str, gpd.GeoDataFrame]:
    """Return the layers that the reader may have, by name; those without a row are left out.

    Managers get units, trails, transects, parcels, sign and incidents; a landowner the units with
    cells elsewhere, the own holding and the trails on it; the public cells alone.

    Parameters
    ----------
    content : Content
        The season, and for whom.

    Returns
    -------
    dict of str to GeoDataFrame
        Layers by name.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign import PageOptions
    >>> from carnivore_sign.chain.exporting import content_of
    >>> content, _ = content_of(analysis, None, PageOptions())
    >>> sorted(layers_of(content))[:3]
    ['incidents', 'parcels', 'sign']
    """
    shown = content.shown
    layers = {
        "units": shown.units,
        "trails": shown.trails,
        "transects": shown.transects,
        "parcels": shown.parcels,
    }
    if content.edition.exact:
        layers |= {"sign": content.placed, "incidents": content.tables["incidents"]}
    return {name: _with_places(layer) for name, layer in layers.items() if len(layer)}


def by_month(layers: Mapping[str, gpd.GeoDataFrame]) -> dict[str, gpd.GeoDataFrame]:
    """Part the units of all months into a layer per month: ``units 2026-03``.

    A viewer draws all rows of a layer over each other, and months would hide each other.
    """
    parted: dict[str, gpd.GeoDataFrame] = {}
    for name, layer in layers.items():
        if name != "units":
            parted[name] = layer
            continue
        for period, month in layer.groupby("period", sort=True):
            parted[f"units {period}"] = month.reset_index(drop=True)
    return parted


def _with_places(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    there = layer.geometry.notna() & ~layer.geometry.is_empty
    return layer.loc[there.to_numpy(dtype=bool)].reset_index(drop=True)


def tables_of(content: Content) -> dict[str, tuple[Table, pd.DataFrame]]:
    """Return the tables that the reader may have, by name, each with its schema.

    Managers get the whole record and what was computed from it; others what `layers_of` gives.

    Parameters
    ----------
    content : Content
        The season, and for whom.

    Returns
    -------
    dict of str to (Table, DataFrame)
        Tables by name.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign import PageOptions
    >>> from carnivore_sign.chain.exporting import content_of
    >>> content, _ = content_of(analysis, None, PageOptions())
    >>> "visits" in tables_of(content)
    True
    """
    units = units_table(content)
    if content.edition.exact:
        computed = (
            (SEGMENTS, content.segments),
            (VISITS, content.visits),
            (TRAILS, content.trails),
            (DETECTIONS, content.detections),
            (units, content.monthly),
        )
        recorded = [(SEASON_TABLES[name], frame) for name, frame in content.tables.items()]
        return {t.name: (t, conform(frame, t)) for t, frame in (*recorded, *computed)}
    layers = layers_of(content)
    schemas = {"units": units, "trails": TRAILS, "parcels": SEASON_TABLES["parcels"]}
    shown = {schemas[name]: layer for name, layer in layers.items()}
    return {table.name: (table, conform(layer, table)) for table, layer in shown.items()}


def withheld_words(content: Content) -> tuple[str, str]:
    """Return what was done to places, and what is withheld, as sentences; blank for managers.

    Parameters
    ----------
    content : Content
        The season, and for whom.

    Returns
    -------
    places, withheld : str
        Sentences.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign import PageOptions
    >>> from carnivore_sign.chain.exporting import content_of
    >>> content, _ = content_of(analysis, None, PageOptions())
    >>> withheld_words(content)
    ('', '')
    """
    told = content.edition.withheld
    return (told[0], told[1]) if told else ("", "")
