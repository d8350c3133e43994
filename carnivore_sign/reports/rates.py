"""Rates: who walked how far in the month, and the trails found per effort."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from carnivore_sign.maps.measures import METRIC, Measures
from carnivore_sign.maps.style import CHANGES
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.reports.content import Block, FigureBlock, Heading, Paragraph, TableBlock
from carnivore_sign.reports.record import PageRecord
from carnivore_sign.reports.wording import count

#: The most transects that are printed one by one.
MOST_TRANSECTS: Final = 25

#: Columns of the rates that are printed: heading, unit, decimals, factor.
_RATE_COLUMNS: Final[dict[str, tuple[str, str, int, float]]] = {
    "visits": ("Visits", "", 0, 1),
    "effort_km": ("Walked", "km", 1, 1),
    "effort_km_days": ("Effort", "km-days", 1, 1),
    "trails_expected": ("Trails, summed by probability", "", 1, 1),
    "trails_sure": ("Of them sure", "", 0, 1),
    "trails_per_km": ("Per 100 km", "", 1, 100),
    "trails_per_km_low": ("lower limit", "", 1, 100),
    "trails_per_km_high": ("upper limit", "", 1, 100),
    "trails_per_km_day": ("Per 100 km-days", "", 1, 100),
    "trails_per_km_day_low": ("lower limit ", "", 1, 100),
    "trails_per_km_day_high": ("upper limit ", "", 1, 100),
}


@dataclass(frozen=True, eq=False)
class Change:
    """What changed since earlier months.

    Attributes
    ----------
    sentences : tuple of str
        What the comparisons of the rates say.
    since : str, optional
        The earlier month that the map compares with, ``YYYY-MM``.
    counts : mapping of str to int
        Units in each state of change.
    map_png : bytes, optional
        The sheet of `plot_change`.
    """

    sentences: tuple[str, ...] = ()
    since: str | None = None
    counts: Mapping[str, int] = field(default_factory=dict)
    map_png: bytes | None = None


def effort_blocks(
    visits: pd.DataFrame, record: PageRecord, season_png: bytes | None = None
) -> tuple[Block, ...]:
    """Print the visits of a month by transect, and the effort of the season as a figure."""
    figure = _season_figure(season_png) if record.edition.exact else ()
    if visits.empty:
        return (Heading("Effort"), Paragraph("Nobody looked in this month."), *figure)
    by = visits.groupby("transect", sort=True)
    frame = pd.DataFrame(
        {
            "Walks": by["walk"].nunique(),
            "Visits": by["visit"].size(),
            "Segments": by["segment"].nunique(),
            "Walked": by["effort_km"].sum(),
            "Effort": by["effort_km_days"].sum(min_count=1),
            "First": by["start"].min().map(record.local_date),
            "Last": by["start"].max().map(record.local_date),
        }
    )
    noun = "transect" if record.edition.noun == "segment" else record.edition.noun
    frame = frame.rename_axis(noun.capitalize()).reset_index()
    unknown, long = int(visits["effort_km_days"].isna().sum()), record.measures.long
    said = f"{count(len(visits), 'visit')} on {count(len(frame), noun)}."
    if unknown:
        said += (
            f" For {unknown} of them it is not known how long the surface had been collecting "
            f"tracks; they count in {long} and not in {long}-days."
        )
    stated_km = float(visits.loc[visits["effort_source"].eq("stated"), "effort_km"].sum())
    if stated_km > 0:
        said += (
            f" {record.measures.told(stated_km)} of {record.measures.told(frame['Walked'].sum())} "
            "are stated by those who walked, and not measured by a log."
        )
    frame = frame.assign(
        Walked=record.measures.from_km(frame["Walked"]),
        Effort=record.measures.from_km(frame["Effort"]),
    )
    units = {"Walked": record.measures.long, "Effort": f"{record.measures.long}-days"}
    if not record.edition.exact:
        return (Heading("Effort"), Paragraph(said))
    most = frame["Walked"].nlargest(MOST_TRANSECTS, keep="first").index
    caption = f"Effort by {noun}."
    if len(frame) > len(most):
        caption += f" The {len(most)} most walked of {len(frame)}."
        caption += record.full_table("rates_by_transect")
    rows = frame[frame.index.isin(most)]
    table = TableBlock(rows, caption, units, {"Walked": 1, "Effort": 1})
    return (Heading("Effort"), Paragraph(said), table, *figure)


def _season_figure(png: bytes | None) -> tuple[Block, ...]:
    if png is None:
        return ()
    caption = "Who walked which transect when, in the whole season; dotted: nobody walked it."
    alt = f"{caption} A bar is a walk, as tall as the share of the transect that it covered."
    return (FigureBlock(png, caption, alt),)


def rate_blocks(
    rates: pd.DataFrame,
    period: str,
    taxon: str,
    *,
    change: Change | None = None,
    measures: Measures = METRIC,
    clumping: str | None = None,
) -> tuple[Block, ...]:
    """Print the rates of all months, and compare the month with the one before.

    Where the rates have a column ``limits`` the caption says how they were found, and
    `clumping` what the test for clusters says.
    """
    heading = Heading("Detections and rates")
    if rates.empty:
        return (heading, Paragraph("No rate could be computed."))
    columns = {"period": [pd.Period(p, freq="M").strftime("%b %Y") for p in rates["period"]]}
    units, decimals = {}, {}
    for name in rates.columns:
        if name in _RATE_COLUMNS:
            head, unit, places, factor = _RATE_COLUMNS[name]
            values = rates[name].astype(float) * factor
            if name.startswith("effort_km"):
                values = measures.from_km(values)
            elif "_per_km" in name:
                values = measures.per_long(values)
            head, unit = (words.replace("km", measures.long) for words in (head, unit))
            columns[head], decimals[head] = values, places
            if unit:
                units[head] = unit
        elif name not in ("period", "limits") and not pd.api.types.is_numeric_dtype(rates[name]):
            columns[str(name).capitalize()] = rates[name].astype("object")
    frame = pd.DataFrame(columns).rename(columns={"period": "Month"})
    caption = (
        f"Trails of {TAXA[taxon]} per effort, by month. A trail counts as its probability; "
        f"per {measures.long}-day only trails with tracks count, since scat lies for weeks. "
        f"{_limits_words(rates)} An index of tracks is not a density."
    )
    return (
        heading,
        *((Paragraph(clumping),) if clumping else ()),
        *_change_paragraph(rates, period, change or Change(), measures),
        TableBlock(frame, caption, units, decimals),
        *_change_figure(change or Change()),
    )


def _limits_words(rates: pd.DataFrame) -> str:
    if "limits" in rates and rates["limits"].ne("poisson").any():
        return (
            "Limits are 95 % limits from walks drawn again, never narrower than those of a Poisson "
            "count, and carry that doubt."
        )
    return "Limits are 95 % limits of a Poisson count that carry that doubt."


def _change_paragraph(
    rates: pd.DataFrame, period: str, change: Change, measures: Measures
) -> tuple[Block, ...]:
    """Compare with the month before, where both have limits."""
    before = str(pd.Period(period, freq="M") - 1)
    needed = ["trails_per_km", "trails_per_km_low", "trails_per_km_high"]
    told_apart = (Paragraph(" ".join(change.sentences)),) if change.sentences else ()
    if not set(needed) <= set(rates.columns):
        return told_apart
    known = rates.dropna(subset=needed).drop_duplicates("period", keep=False).set_index("period")
    if before not in known.index or period not in known.index:
        return told_apart
    per_100 = measures.per_long(known[needed] * 100)
    told = [
        f"{per_100['trails_per_km'][month]:.1f} trails per 100 {measures.long} "
        f"({per_100['trails_per_km_low'][month]:.1f} to "
        f"{per_100['trails_per_km_high'][month]:.1f})"
        for month in (before, period)
    ]
    said = f"The month before had {told[0]}, and this one {told[1]}."
    return (Paragraph(" ".join([said, *change.sentences])),)


def _change_figure(change: Change) -> tuple[Block, ...]:
    """Print the map of what changed, where there is one."""
    if change.map_png is None or change.since is None:
        return ()
    since = pd.Period(change.since, freq="M").strftime("%B %Y")
    counts = "; ".join(f"{look.label}: {change.counts.get(s, 0)}" for s, look in CHANGES.items())
    caption = f"What changed since {since}, with the 95 % limits of the largest changes."
    return (FigureBlock(change.map_png, caption, f"Map. {caption} Units: {counts}."),)
