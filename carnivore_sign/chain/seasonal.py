"""Chain: the pages of a whole season - its interactive map - for whom they are made."""

from __future__ import annotations

import geopandas as gpd

from carnivore_sign.chain.analysis import Analysis
from carnivore_sign.maps import SheetWords, WebLayers, shown_to, web_map
from carnivore_sign.maps.web_data import evidence_of
from carnivore_sign.reports import PageRecord


def season_map(analysis: Analysis, record: PageRecord, *, first: str | None = None) -> str:
    """Return the interactive map of all months that were walked, for the reader of a record.

    Parameters
    ----------
    analysis : Analysis
        Of the season.
    record : PageRecord
        For whom it is made, and with which units of length.
    first : str, optional
        Month that is shown at the beginning.

    Returns
    -------
    str
        One HTML file.
    """
    months = analysis.season_presence.table
    edition = record.edition
    shown = shown_to(
        edition,
        months,
        trails=analysis.trails,
        transects=analysis.transects,
        parcels=analysis.parcels,
    )
    shares = analysis.season_presence.shares.set_index("period")
    layers = WebLayers(
        trails=shown.trails,
        sign=_sign_shown(analysis) if edition.exact else None,
        transects=shown.transects,
        parcels=shown.parcels,
        shares={str(row.Index): (row.share, row.low, row.high) for row in shares.itertuples()},
    )
    words = SheetWords(
        season=record.season,
        note=analysis.season_presence.message or None,
        unit=edition.unit,
        made_for=edition.made_for,
        measures=record.measures,
    )
    return web_map(
        shown.units,
        taxon=analysis.options.taxon,
        time_zone=record.time_zone,
        words=words,
        layers=layers,
        first=first,
    )


def _sign_shown(analysis: Analysis) -> gpd.GeoDataFrame:
    """Return the sign with its own probabilities and what was noted of its prints."""
    sign = analysis.sign
    told = analysis.probabilities.reindex(sign["sign"].astype("object"))
    own = {name: told[name].to_numpy() for name in told}
    return sign.assign(**own, evidence=evidence_of(sign, analysis.prints))
