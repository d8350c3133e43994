"""Chain: what a whole season shows - all months on a sheet and on an interactive map, and what
changed since the month and the year before - for whom it is made.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import pandas as pd
from matplotlib.figure import Figure

from carnivore_sign.chain.analysis import Analysis
from carnivore_sign.chain.units import as_areas, in_words_of
from carnivore_sign.maps import (
    SheetWords,
    Shown,
    WebLayers,
    changes_between,
    plot_change,
    plot_months,
    png_bytes,
    shown_to,
    web_map,
)
from carnivore_sign.maps.months import MOST_MONTHS
from carnivore_sign.maps.web_data import evidence_of
from carnivore_sign.reports import Change, PageRecord
from carnivore_sign.survey import compare_rates

#: The most trails, and the most sign, that an interactive map shows one by one.
MOST_SINGLE: Final = 5_000


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
    shown = _shown(analysis, record)
    sign = analysis.sign if record.edition.exact else analysis.sign.iloc[:0]
    few_trails, few_sign = (_few(f, first, record.time_zone) for f in (shown.trails, sign))
    layers = WebLayers(
        trails=few_trails,
        sign=_sign_shown(analysis, few_sign) if record.edition.exact else None,
        transects=shown.transects,
        parcels=shown.parcels,
        shares=_shares(analysis),
    )
    return web_map(
        shown.units,
        taxon=analysis.options.taxon,
        time_zone=record.time_zone,
        words=_words(
            analysis,
            record,
            _left_out("trails", len(few_trails), len(shown.trails)),
            _left_out("sign", len(few_sign), len(sign)),
        ),
        layers=layers,
        first=first,
    )


def _few(frame: gpd.GeoDataFrame, first: str | None, time_zone: str) -> gpd.GeoDataFrame:
    """Return no more rows than a page can hold: where there are more, those of the first month."""
    if len(frame) <= MOST_SINGLE:
        return frame
    local = frame["time"].dt.tz_convert(time_zone).dt.strftime("%Y-%m")
    return frame[local.eq(first or local.min()).to_numpy(dtype=bool)].head(MOST_SINGLE)


def _left_out(what: str, shown: int, known: int) -> str:
    """Say how many of many are shown; nothing where all are."""
    return "" if shown == known else f"Of the {known:,} {what} of the season, {shown:,} are shown."


def season_sheet(analysis: Analysis, record: PageRecord) -> Figure | None:
    """Return the last two years of months as small maps, for the reader of a record.

    None where only one month was walked: the sheet of the month says it all.
    """
    shown = _shown(analysis, record)
    periods = sorted(shown.units["period"].unique())
    if len(periods) < 2:
        return None
    first = str(pd.Period(periods[-1], freq="M") - (MOST_MONTHS - 1))
    recent = shown.units[shown.units["period"].ge(first).to_numpy(dtype=bool)]
    local = shown.trails["time"].dt.tz_convert(record.time_zone).dt.strftime("%Y-%m")
    return plot_months(
        recent,
        taxon=analysis.options.taxon,
        words=_words(analysis, record),
        trails=shown.trails.assign(period=local),
        transects=shown.transects,
        parcels=shown.parcels,
        shares=_shares(analysis),
    )


def change_of(analysis: Analysis, period: str, record: PageRecord) -> Change:
    """Compare a month with the month before and with the same month a year before.

    Returns
    -------
    Change
        What the comparisons of the rates say, and a map of what changed since the month
        before; without either where that month was not walked.
    """
    month = pd.Period(period, freq="M")
    walked = set(analysis.visits["period"])
    earlier = [str(other) for other in (month - 1, month - 12) if str(other) in walked]
    told = tuple(
        compare_rates(
            analysis.visits,
            analysis.detections,
            first=before,
            second=period,
            taxon=analysis.options.taxon,
        ).sentence
        for before in earlier
    )
    if not earlier:
        return Change()
    months = _shown(analysis, record)
    before, now = (
        months.units[months.units["period"].eq(name).to_numpy(dtype=bool)]
        for name in (earlier[0], period)
    )
    figure = plot_change(
        before,
        now,
        taxon=analysis.options.taxon,
        words=_words(analysis, record),
        transects=months.transects,
        parcels=months.parcels,
    )
    changes = changes_between(before, now)
    return Change(
        told, earlier[0], changes["change_state"].value_counts().to_dict(), png_bytes(figure)
    )


def _shown(analysis: Analysis, record: PageRecord) -> Shown:
    table = analysis.season_presence.table
    return shown_to(
        record.edition,
        as_areas(table, analysis.areas) if record.edition.exact else table,
        trails=analysis.trails,
        transects=analysis.transects,
        parcels=analysis.parcels,
    )


def _words(analysis: Analysis, record: PageRecord, *more: str) -> SheetWords:
    message = in_words_of(analysis.season_presence.message, analysis.options)
    notes = filter(None, (message, *more))
    return SheetWords(
        season=record.season,
        note=" ".join(notes) or None,
        unit=record.edition.unit,
        made_for=record.edition.made_for,
        measures=record.measures,
    )


def _shares(analysis: Analysis) -> dict[str, tuple[float, float, float]]:
    shares = analysis.season_presence.shares
    return {str(row.period): (row.share, row.low, row.high) for row in shares.itertuples()}


def _sign_shown(analysis: Analysis, sign: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return sign with their own probabilities and what was noted of their prints."""
    told = analysis.probabilities.reindex(sign["sign"].astype("object"))
    own = {name: told[name].to_numpy() for name in told}
    prints = analysis.prints
    prints = prints[prints["sign"].astype("object").isin(set(sign["sign"]))]
    return sign.assign(**own, evidence=evidence_of(sign, prints))
