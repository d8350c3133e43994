"""The manager's month: a first page that stands alone, and what it rests on behind it."""

from __future__ import annotations

import math
from typing import Final

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.incidents.words import MISSING, percent, percent_range
from carnivore_sign.maps.key import share_used
from carnivore_sign.maps.sheet import one_month
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import MAP_STATES, TAXA
from carnivore_sign.reports.cautions import cautions_for
from carnivore_sign.reports.content import (
    Block,
    Bullets,
    FigureBlock,
    Heading,
    NewPage,
    Paragraph,
    Report,
    TableBlock,
)
from carnivore_sign.reports.record import PageRecord, record_blocks
from carnivore_sign.reports.wording import count, taxon_words

#: The most segments and trails that are printed one by one.
MOST_ROWS: Final = 200

#: Between these probabilities a trail counts as undecided.
UNDECIDED: Final = (0.20, 0.80)

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


def monthly_report(
    monthly: pd.DataFrame,
    *,
    taxon: str,
    rates: pd.DataFrame,
    visits: pd.DataFrame,
    trails: pd.DataFrame,
    receipts: pd.DataFrame,
    record: PageRecord,
    map_png: bytes | None = None,
    share: tuple[float, float, float] | None = None,
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
        VISITS and TRAILS; those of other months are passed over.
    receipts : DataFrame
        RECEIPTS of the season.
    record : PageRecord
        What the page was made from.
    map_png : bytes, optional
        The sheet of `draw_month`.
    share : tuple of float, optional
        Share of segments used, with its limits; by default as on the sheet.

    Returns
    -------
    Report

    Raises
    ------
    InputError
        If `monthly` has no row of the taxon, or several months.
    """
    monthly = one_month(monthly, taxon)
    period = str(monthly["period"].iloc[0])
    month = pd.Period(period, freq="M").strftime("%B %Y")
    share = share_used(monthly) if share is None else share
    visits = visits[visits["period"].eq(period).to_numpy(dtype=bool)]
    local = trails["time"].dt.tz_convert(record.time_zone).dt.strftime("%Y-%m")
    trails = trails[local.eq(period).to_numpy(dtype=bool)]
    rates = _with_period(rates)
    sentences = (
        _effort_sentence(monthly, visits, month),
        _found_sentence(monthly, taxon),
        _share_sentence(monthly, share, taxon),
    )
    blocks: tuple[Block, ...] = (
        Paragraph(" ".join(sentences), lead=True),
        *_map_blocks(map_png, monthly, taxon, month, sentences),
        _summary_table(monthly, rates[rates["period"].eq(period)], share, taxon),
        NewPage(),
        *_effort_blocks(visits, record),
        *_rate_blocks(rates, period, taxon),
        *_presence_blocks(monthly, taxon),
        *_undecided_blocks(trails, taxon, record),
        *_quality_blocks(receipts),
        *_method_blocks(),
        Heading("Cautions"),
        *cautions_for("manager"),
        *record_blocks(record),
    )
    title = f"{taxon_words(taxon).name.capitalize()} in {month}"
    return Report(title, record.season, "en", record.made_on, blocks)


def _with_period(rates: pd.DataFrame) -> pd.DataFrame:
    if "period" in rates:
        return rates
    raise InputError(
        "the rates have no column 'period'",
        remedy="Compute them by month: detection_rates(..., by='period').",
    )


def _effort_sentence(monthly: pd.DataFrame, visits: pd.DataFrame, month: str) -> str:
    looked = int((monthly["visits"] > 0).sum())
    if not looked:
        return f"Nobody looked in {month}, so the month says nothing by itself."
    rest = len(monthly) - looked
    walks = count(int(visits["walk"].nunique()), "walk")
    left = f"; {rest} {'was' if rest == 1 else 'were'} not" if rest else ""
    return (
        f"{looked} of {count(len(monthly), 'segment')} {'was' if looked == 1 else 'were'} looked "
        f"at in {month}, on {walks} and {monthly['effort_km'].sum():.1f} km{left}."
    )


def _found_sentence(monthly: pd.DataFrame, taxon: str) -> str:
    words = taxon_words(taxon)
    sure, likely = (int(monthly["state"].eq(s).sum()) for s in ("found_sure", "found_likely"))
    if not (monthly["visits"] > 0).any():
        return "The map leaves every segment open."
    if not sure + likely:
        return f"No trail that was found is likely to be that of {words.one}."
    parts = [
        f"{grade} on {count(number, 'segment')}"
        for grade, number in (("sure", sure), ("likely", likely))
        if number
    ]
    return f"Sign of {words.name} is {' and '.join(parts)}."


def _share_sentence(monthly: pd.DataFrame, share: tuple[float, float, float], taxon: str) -> str:
    words = taxon_words(taxon)
    if math.isnan(share[0]):
        return f"The share of segments that {words.many} used cannot be estimated."
    if not (monthly["visits"] > 0).any():
        return (
            f"From other months alone, {words.many} would be expected on about {percent(share[0])} "
            f"of the segments (95 % limits {percent_range(share[1], share[2])})."
        )
    return (
        f"The estimate is that {words.many} used {percent(share[0])} of the segments "
        f"(95 % limits {percent_range(share[1], share[2])})."
    )


def _map_blocks(
    png: bytes | None, monthly: pd.DataFrame, taxon: str, month: str, sentences: tuple[str, ...]
) -> tuple[Block, ...]:
    if png is None:
        return ()
    counts = monthly["state"].value_counts()
    states = "; ".join(f"{label}: {counts.get(state, 0)}" for state, label in MAP_STATES.items())
    caption = (
        f"Where {taxon_words(taxon).name} was looked for and found in {month}. Segments: {states}."
    )
    return (FigureBlock(png, caption, f"Map. {' '.join(sentences)} Segments: {states}."),)


def _summary_table(
    monthly: pd.DataFrame,
    rate: pd.DataFrame,
    share: tuple[float, float, float],
    taxon: str,
) -> TableBlock:
    looked = int((monthly["visits"] > 0).sum())
    expected = monthly["trails_expected"].sum(min_count=1)
    rows: list[tuple[str, str | None, str | None]] = [
        ("Segments looked at", f"{looked} of {len(monthly)}", "counted"),
        ("Walked", f"{monthly['effort_km'].sum():.1f} km", "measured"),
    ]
    if len(rate) == 1:
        rows += _rate_rows(rate.iloc[0])
    elif not math.isnan(expected):
        rows.append(("Detections on segments, summed by probability", f"{expected:.1f}", None))
    limits = None if math.isnan(share[0]) else percent_range(share[1], share[2])
    rows.append(("Share of segments used", percent(share[0]), limits))
    frame = pd.DataFrame(rows, columns=["Measure", "Value", "95 % limits"])
    return TableBlock(frame, f"The month in numbers, {TAXA[taxon]}.")


def _rate_rows(rate: pd.Series) -> list[tuple[str, str | None, str | None]]:
    rows: list[tuple[str, str | None, str | None]] = []
    if "trails_expected" in rate and not pd.isna(rate["trails_expected"]):
        rows.append(
            ("Trails, summed by probability", f"{rate['trails_expected']:.1f}", "see the rate")
        )
    for column, words in (("trails_per_km", "100 km"), ("trails_per_km_day", "100 km-days")):
        if column not in rate or pd.isna(rate[column]):
            continue
        low, high = rate.get(f"{column}_low"), rate.get(f"{column}_high")
        known = low is not None and high is not None and not (pd.isna(low) or pd.isna(high))
        limits = f"{low * 100:.1f} to {high * 100:.1f}" if known else None
        rows.append((f"Trails per {words}", f"{rate[column] * 100:.1f}", limits))
    return rows


def _effort_blocks(visits: pd.DataFrame, record: PageRecord) -> tuple[Block, ...]:
    if visits.empty:
        return (Heading("Effort"), Paragraph("Nobody looked in this month."))
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
    frame = frame.rename_axis("Transect").reset_index()
    unknown = int(visits["effort_km_days"].isna().sum())
    said = f"{count(len(visits), 'visit')} on {count(len(frame), 'transect')}."
    if unknown:
        said += (
            f" For {unknown} of them it is not known how long the surface had been collecting "
            "tracks; they count in kilometres and not in km-days."
        )
    units = {"Walked": "km", "Effort": "km-days"}
    table = TableBlock(frame, "Effort by transect.", units, {"Walked": 1, "Effort": 1})
    return (Heading("Effort"), Paragraph(said), table)


def _rate_blocks(rates: pd.DataFrame, period: str, taxon: str) -> tuple[Block, ...]:
    heading = Heading("Detections and rates")
    if rates.empty:
        return (heading, Paragraph("No rate could be computed."))
    columns = {"period": [f"{pd.Period(p, freq='M'):%b %Y}" for p in rates["period"]]}
    units, decimals = {}, {}
    for name in rates.columns:
        if name in _RATE_COLUMNS:
            head, unit, places, factor = _RATE_COLUMNS[name]
            columns[head] = rates[name].astype(float) * factor
            decimals[head] = places
            if unit:
                units[head] = unit
        elif name != "period" and not pd.api.types.is_numeric_dtype(rates[name]):
            columns[str(name).capitalize()] = rates[name].astype("object")
    frame = pd.DataFrame(columns).rename(columns={"period": "Month"})
    caption = (
        f"Trails of {TAXA[taxon]} per effort, by month. A trail counts as its "
        "probability. Limits are 95 % limits of a Poisson count that carry that doubt."
    )
    return (
        heading,
        *_change_paragraph(rates, period),
        TableBlock(frame, caption, units, decimals),
    )


def _change_paragraph(rates: pd.DataFrame, period: str) -> tuple[Block, ...]:
    """Compare with the month before, where both have limits."""
    before = str(pd.Period(period, freq="M") - 1)
    needed = ["trails_per_km", "trails_per_km_low", "trails_per_km_high"]
    if not set(needed) <= set(rates.columns):
        return ()
    known = rates.dropna(subset=needed).drop_duplicates("period", keep=False).set_index("period")
    if before not in known.index or period not in known.index:
        return ()
    low, high = known["trails_per_km_low"], known["trails_per_km_high"]
    apart = low[period] > high[before] or low[before] > high[period]
    said = (
        f"The month before had {known['trails_per_km'][before] * 100:.1f} trails per 100 km, and "
        f"this one {known['trails_per_km'][period] * 100:.1f}. "
    )
    said += (
        "The limits of the two do not overlap, which speaks for a change."
        if apart
        else "The limits of the two overlap, so that chance alone may explain the difference."
    )
    return (Paragraph(said),)


def _presence_blocks(monthly: pd.DataFrame, taxon: str) -> tuple[Block, ...]:
    rows = monthly.sort_values(["p_presence", "segment"], ascending=[False, True]).head(MOST_ROWS)
    frame = pd.DataFrame(
        {
            "Segment": rows["segment"],
            "State": rows["state"].map(MAP_STATES),
            "Visits": rows["visits"],
            "Walked": rows["effort_km"],
            "Used": [percent(p) for p in rows["p_presence"].astype(float)],
            "95 % limits": [
                percent_range(low, high)
                for low, high in zip(
                    rows["p_presence_low"].astype(float),
                    rows["p_presence_high"].astype(float),
                    strict=True,
                )
            ],
        }
    )
    cut = "" if len(monthly) <= MOST_ROWS else f" The {MOST_ROWS} most probable of {len(monthly)}."
    caption = f"Probability that {taxon_words(taxon).many} used a segment this month.{cut}"
    said = (
        "A segment that was looked at and left blank keeps a probability: sign can be missed. "
        "One that nobody looked at is judged from the others alone."
    )
    table = TableBlock(frame, caption, {"Walked": "km"}, {"Walked": 1})
    return (Heading("Presence, segment by segment"), Paragraph(said), table)


def _undecided_blocks(trails: pd.DataFrame, taxon: str, record: PageRecord) -> tuple[Block, ...]:
    heading, share = Heading("What was undecided"), trails[taxon_column(taxon)]
    open_ = trails[((share > UNDECIDED[0]) & (share < UNDECIDED[1])).to_numpy(dtype=bool)]
    untold = int(share.isna().sum())
    verb = "is" if len(trails) == 1 else "are"
    said = f"{count(len(trails), 'trail')} {verb} on record this month. "
    said += (
        f"{len(open_)} of them {'is' if len(open_) == 1 else 'are'} undecided: the probability "
        f"of {TAXA[taxon]} lies between 20 and 80 %."
        if len(open_)
        else f"No trail has a probability of {TAXA[taxon]} between 20 and 80 %."
    )
    if not len(trails):
        said = "No trail is on record this month, so that there was nothing to decide."
    if untold:
        said += f" For {count(untold, 'trail')} there is no probability."
    if open_.empty:
        return (heading, Paragraph(said))
    others = [taxon_column(t) for t in TAXA if t != taxon and taxon_column(t) in open_]
    known = open_[others].astype(float).fillna(0.0)
    frame = pd.DataFrame(
        {
            "Trail": open_["trail"],
            "Found": open_["time"].map(record.local),
            "Sign": open_["sign_count"],
            "Prints": open_["print_count"],
            TAXA[taxon].capitalize(): [percent(p) for p in open_[taxon_column(taxon)]],
            "Next": known.idxmax(axis=1).str.removeprefix("p_").map(TAXA),
            "Its probability": [percent(p) for p in known.max(axis=1)],
        }
    ).head(MOST_ROWS)
    return (heading, Paragraph(said), TableBlock(frame, "Undecided trails."))


def _quality_blocks(receipts: pd.DataFrame) -> tuple[Block, ...]:
    heading = Heading("Data quality")
    if receipts.empty:
        return (heading, Paragraph("No receipt of an import is on record."))
    read, kept, aside = (
        int(receipts[name].sum()) for name in ("rows_in", "rows_kept", "rows_set_aside")
    )
    said = (
        f"{count(int(receipts['file'].nunique()), 'file')} gave {count(read, 'row')}: {kept} kept, "
        f"{aside} set aside with a reason."
    )
    frame = pd.DataFrame(
        {
            "File": receipts["file"],
            "Kind": receipts["kind"],
            "Read": receipts["rows_in"],
            "Kept": receipts["rows_kept"],
            "Set aside": receipts["rows_set_aside"],
        }
    ).head(MOST_ROWS)
    cut = "" if len(receipts) <= MOST_ROWS else f" The first {MOST_ROWS} of {len(receipts)}."
    units = dict.fromkeys(("Read", "Kept", "Set aside"), "rows")
    return (heading, Paragraph(said), TableBlock(frame, f"Files of the season.{cut}", units))


def _method_blocks() -> tuple[Block, ...]:
    said = (
        "Sign was linked into trails; one trail is one passage and one detection on each segment "
        "it crosses. Each trail has a probability for each animal, from the characters of its "
        "prints. Effort is the length of segment really walked, and the days its surface had been "
        "collecting tracks. Rates divide the summed probabilities by effort. Their limits are "
        "those of a Poisson count, widened by the doubt of each trail. Presence is corrected for "
        "sign that is there and missed. A model of occupancy with imperfect detection gives each "
        "segment its probability, and its limits."
    )
    references = (
        "Garwood 1936, Biometrika 28:437-442: exact limits of a Poisson count, where all is sure.",
        "MacKenzie et al. 2002, Ecology 83:2248-2255: occupancy when detection is imperfect.",
        "Van Dyke, Brocke & Shaw 1986, Journal of Wildlife Management 50:102-109: track counts "
        f"per distance {MISSING} how much walking a blank needs.",
    )
    return (Heading("How it was computed"), Paragraph(said), Bullets(references))
