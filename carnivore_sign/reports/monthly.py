"""The manager's month: a first page that stands alone, and what it rests on behind it."""

from __future__ import annotations

import math

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.words import percent, percent_range
from carnivore_sign.maps.key import share_used
from carnivore_sign.maps.measures import Measures
from carnivore_sign.maps.monthly import one_month
from carnivore_sign.maps.readers import READERS, units_for
from carnivore_sign.maps.style import STATE_LABELS
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.reports.cautions import cautions_for
from carnivore_sign.reports.choices import choice_blocks, prior_blocks
from carnivore_sign.reports.content import (
    Block,
    FigureBlock,
    Heading,
    NewPage,
    Paragraph,
    Report,
    TableBlock,
)
from carnivore_sign.reports.method import month_method
from carnivore_sign.reports.notable import TrailPhoto, notable_blocks
from carnivore_sign.reports.passages import passage_blocks
from carnivore_sign.reports.rates import Change, effort_blocks, rate_blocks
from carnivore_sign.reports.receipts import receipt_blocks
from carnivore_sign.reports.record import PageRecord, record_blocks, withheld_blocks
from carnivore_sign.reports.segments import segment_blocks
from carnivore_sign.reports.undecided import undecided_blocks
from carnivore_sign.reports.wording import count, taxon_words
from carnivore_sign.trails import PassageSummary


def monthly_report(
    monthly: pd.DataFrame,
    *,
    taxon: str,
    rates: pd.DataFrame,
    visits: pd.DataFrame,
    trails: pd.DataFrame,
    record: PageRecord,
    map_png: bytes | None = None,
    share: tuple[float, float, float] | None = None,
    change: Change | None = None,
    passages: PassageSummary | None = None,
    clumping: str | None = None,
    effort_png: bytes | None = None,
    photos: tuple[TrailPhoto, ...] = (),
) -> Report:
    """Write the report of one month.

    Parameters
    ----------
    monthly : DataFrame
        MONTHLY of one period; rows of other taxa are passed over.
    taxon : str
        Key of `TAXA`.
    rates : DataFrame
        Detection rates of the taxon, with a column ``period`` and any of ``visits``,
        ``effort_km``, ``trails_expected``, ``trails_per_km`` and its ``_low`` and ``_high``.
    visits, trails : DataFrame
        VISITS and TRAILS; those of other months are passed over. Where trails come from
        `with_grounds`, the page says what the calls rest on.
    record : PageRecord
        What the page was made from.
    map_png : bytes, optional
        The sheet of `plot_month`.
    share : tuple of float, optional
        Share of the walked segments used, with its limits; by default as on the sheet.
    change : Change, optional
        What changed since the month and the year before.
    passages : PassageSummary, optional
        How many passages the trails of the month are, and the fewest animals.
    clumping : str, optional
        What the test for clusters of trails says.
    effort_png : bytes, optional
        The sheet of `plot_effort`; printed for managers only, since it names people and lines.
    photos : tuple of TrailPhoto
        Photos of trails, shown beside the notable ones to whoever may see these.

    Returns
    -------
    Report
        For `write_html` and `write_pdf`.

    Raises
    ------
    InputError
        If `monthly` has no row of the taxon, or several months.

    Examples
    --------
    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> march = analysis.presence("2026-03").table
    >>> from carnivore_sign.reports import PageRecord, with_grounds
    >>> from carnivore_sign.survey import detection_rates, visits_in
    >>> import datetime as dt
    >>> record = PageRecord("Tolvane Range (invented)", "America/Los_Angeles", dt.date(2026, 5, 1))
    >>> trails = with_grounds(analysis.trails, analysis.members, analysis.sign, analysis.prints)
    >>> report = monthly_report(
    ...     march, taxon="puma", rates=detection_rates(analysis.visits, analysis.detections),
    ...     visits=visits_in(analysis.visits, "2026-03"), trails=trails, record=record,
    ... )
    >>> len(report.blocks) > 10
    True
    """
    monthly = one_month(monthly, taxon)
    period = str(monthly["period"].iloc[0])
    month = pd.Period(period, freq="M").strftime("%B %Y")
    share = share_used(monthly) if share is None else share
    visits = visits[visits["period"].eq(period).to_numpy(dtype=bool)]
    local = trails["time"].dt.tz_convert(record.time_zone).dt.strftime("%Y-%m")
    trails = trails[local.eq(period).to_numpy(dtype=bool)]
    rates = _with_period(rates)
    shown = units_for(record.edition, monthly)
    sentences = (
        _effort_sentence(monthly, visits, month, record),
        _found_sentence(monthly, trails, taxon, noun=record.edition.noun),
        _share_sentence(monthly, share, taxon, noun=record.edition.noun),
    )
    blocks: tuple[Block, ...] = (
        Paragraph(" ".join(sentences), lead=True),
        *_map_blocks(map_png, shown, taxon=taxon, sentences=sentences, record=record),
        _summary_table(
            monthly,
            rates[rates["period"].eq(period)],
            share,
            taxon,
            record=record,
            source=_source_of_effort(visits),
        ),
        NewPage(),
        *effort_blocks(visits, record, effort_png),
        *rate_blocks(
            rates, period, taxon, change=change, measures=record.measures, clumping=clumping
        ),
        *segment_blocks(shown, taxon, record),
        *prior_blocks(record.choices, taxon),
        *undecided_blocks(trails, taxon, record),
        *notable_blocks(trails, taxon, record, photos),
        *passage_blocks(passages, taxon, named=record.edition.exact),
        *receipt_blocks(record.receipts, named=record.edition.exact),
        *choice_blocks(record.choices, taxon),
        *month_method(fitted=bool(monthly["p_presence"].notna().any())),
        Heading("Cautions"),
        *cautions_for("manager"),
        *withheld_blocks(record),
        *record_blocks(record),
    )
    title = f"{taxon_words(taxon).name.capitalize()} in {month}"
    whose = f"{record.season}. Made for {READERS[record.edition.reader]}."
    return Report(title, whose, "en", record.made_on, blocks)


def _with_period(rates: pd.DataFrame) -> pd.DataFrame:
    if "period" in rates:
        return rates
    raise InputError(
        "the rates have no column 'period'",
        remedy="Compute them by month: detection_rates(..., by='period').",
    )


def _effort_sentence(
    monthly: pd.DataFrame, visits: pd.DataFrame, month: str, record: PageRecord
) -> str:
    looked = int((monthly["visits"] > 0).sum())
    if not looked:
        return f"Nobody looked in {month}, so the month says nothing by itself."
    rest = len(monthly) - looked
    walks = count(int(visits["walk"].nunique()), "walk")
    left = f"; {rest} {'was' if rest == 1 else 'were'} not" if rest else ""
    were = "was" if looked == 1 else "were"
    return (
        f"{looked} of {count(len(monthly), record.edition.noun)} {were} looked at in {month}, on "
        f"{walks} and {record.measures.told(monthly['effort_km'].sum())}{left}."
    )


def _source_of_effort(visits: pd.DataFrame) -> str:
    """Say whether logs measured what was walked, or those who walked stated it."""
    stated = visits["effort_source"].eq("stated")
    return "stated" if stated.all() else "partly stated" if stated.any() else "measured"


def _found_sentence(monthly: pd.DataFrame, trails: pd.DataFrame, taxon: str, *, noun: str) -> str:
    words = taxon_words(taxon)
    sure, likely = (int(monthly["state"].eq(s).sum()) for s in ("found_sure", "found_likely"))
    if not (monthly["visits"] > 0).any():
        return f"The map leaves every {noun} open."
    if not sure + likely:
        if trails.empty:
            return "No trail of any animal was found."
        return f"No {noun} has a trail that is more likely than not that of {words.one}."
    parts = [
        f"{grade} on {count(number, noun)}"
        for grade, number in (("sure", sure), ("more likely than not", likely))
        if number
    ]
    return f"Sign of {words.name} is {' and '.join(parts)}."


def _share_sentence(
    monthly: pd.DataFrame, share: tuple[float, float, float], taxon: str, *, noun: str
) -> str:
    words = taxon_words(taxon)
    if math.isnan(share[0]):
        return f"The share of {noun}s that {words.many} used cannot be estimated."
    if not (monthly["visits"] > 0).any():
        return (
            f"From other months alone, {words.many} would be expected on about {percent(share[0])} "
            f"of the {noun}s (95 % limits {percent_range(share[1], share[2])})."
        )
    looked = int((monthly["visits"] > 0).sum())
    walked = f"{noun} walked" if looked == 1 else f"{looked} {noun}s walked"
    return (
        f"The estimate is that {words.many} used {percent(share[0])} of the {walked} "
        f"(95 % limits {percent_range(share[1], share[2])})."
    )


def _map_blocks(
    png: bytes | None,
    units: pd.DataFrame,
    *,
    taxon: str,
    sentences: tuple[str, ...],
    record: PageRecord,
) -> tuple[Block, ...]:
    if png is None:
        return ()
    counts = units["state"].value_counts()
    states = "; ".join(f"{label}: {counts.get(state, 0)}" for state, label in STATE_LABELS.items())
    said = f"{record.edition.unit.capitalize()}s: {states}."
    caption = f"Where {taxon_words(taxon).name} was looked for and found. {said}"
    return (FigureBlock(png, caption, f"Map. {' '.join(sentences)} {said}"),)


def _summary_table(
    monthly: pd.DataFrame,
    rate: pd.DataFrame,
    share: tuple[float, float, float],
    taxon: str,
    *,
    record: PageRecord,
    source: str,
) -> TableBlock:
    measures, noun = record.measures, record.edition.noun
    looked = int((monthly["visits"] > 0).sum())
    expected = monthly["trails_expected"].sum(min_count=1)
    rows: list[tuple[str, str | None, str | None]] = [
        (f"{noun.capitalize()}s looked at", f"{looked} of {len(monthly)}", "counted"),
        ("Walked", measures.told(monthly["effort_km"].sum()), source),
    ]
    if len(rate) == 1:
        rows += _rate_rows(rate.iloc[0], measures)
    elif not math.isnan(expected):
        rows.append((f"Detections on {noun}s, summed by probability", f"{expected:.1f}", None))
    limits = None if math.isnan(share[0]) else percent_range(share[1], share[2])
    rows.append((f"Share of walked {noun}s used", percent(share[0]), limits))
    frame = pd.DataFrame(rows, columns=["Measure", "Value", "95 % limits"])
    return TableBlock(frame, f"The month in numbers, {TAXA[taxon]}.")


def _rate_rows(rate: pd.Series, measures: Measures) -> list[tuple[str, str | None, str | None]]:
    rows: list[tuple[str, str | None, str | None]] = []
    if "trails_expected" in rate and not pd.isna(rate["trails_expected"]):
        rows.append(
            ("Trails, summed by probability", f"{rate['trails_expected']:.1f}", "see the rate")
        )
    for column, days in (("trails_per_km", ""), ("trails_per_km_day", "-days")):
        if column not in rate or pd.isna(rate[column]):
            continue
        low, high = rate.get(f"{column}_low"), rate.get(f"{column}_high")
        known = low is not None and high is not None and not (pd.isna(low) or pd.isna(high))
        per = measures.per_long(100.0)
        limits = f"{low * per:.1f} to {high * per:.1f}" if known else None
        rows.append((f"Trails per 100 {measures.long}{days}", f"{rate[column] * per:.1f}", limits))
    return rows
