"""The landowner's answer: what can be said about a loss, what cannot, and what to do now.

The page gives the probability that the animal asked about was near in the time of the loss.
It never gives a probability that it caused the loss: that needs the carcass, which is the
agency's to examine, and which this version passes on without weighing it.
"""

from __future__ import annotations

import math
from typing import Final

import pandas as pd

from carnivore_sign.incidents import PROBABILITY_WORDS, IncidentFindings, probability_word
from carnivore_sign.incidents.words import CANNOT_BE_TOLD, percent, percent_range
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
from carnivore_sign.reports.wording import TaxonWords, count, kilometres, listed, taxon_words

#: The most trails and sign that are printed one by one.
MOST_ROWS: Final = 40


def landowner_report(
    findings: IncidentFindings,
    *,
    record: PageRecord,
    map_png: bytes | None = None,
    timeline_png: bytes | None = None,
    agency: str | None = None,
) -> Report:
    """Write the answer to a landowner.

    Parameters
    ----------
    findings : IncidentFindings
        From `examine_incident`.
    record : PageRecord
        What the page was made from.
    map_png, timeline_png : bytes, optional
        The figures of `incident_map` and `timeline`.
    agency : str, optional
        Name and telephone number of the wildlife agency, as the user gives them.

    Returns
    -------
    Report
    """
    words = taxon_words(findings.taxon)
    blocks: tuple[Block, ...] = (
        Heading("The short answer"),
        Paragraph(_short_answer(findings, words), lead=True),
        Paragraph("What can be said:"),
        Bullets(_can_be_said(findings, words)),
        Paragraph("What cannot be said:"),
        Bullets(_cannot_be_said(findings, words)),
        Paragraph(_agency_line(agency)),
        *_map_blocks(findings, words, map_png),
        NewPage(),
        *_reported_blocks(findings, record),
        *_near_blocks(findings, words, record, timeline_png),
        *_looked_blocks(findings, record),
        *_presence_blocks(findings, words),
        *_settle_blocks(findings),
        Heading("What to do now"),
        *cautions_for("landowner"),
        *_method_blocks(findings, words),
        *record_blocks(record),
    )
    title = f"What the survey can say about the loss \u201c{findings.incident}\u201d"
    return Report(title, _subtitle(findings, record), "en", record.made_on, blocks)


def _subtitle(findings: IncidentFindings, record: PageRecord) -> str:
    return f"Question: {TAXA[findings.taxon]}. Found {record.local(findings.window.end)}."


def _short_answer(findings: IncidentFindings, words: TaxonWords) -> str:
    passing, km = findings.passing, kilometres(findings.within_m)
    tail = f"Whether {words.one} caused the loss cannot be told from the survey."
    if not passing.trails and findings.nobody_looked:
        return f"Nobody looked within {km} of the place in those weeks. {tail}"
    if not passing.trails:
        return (
            f"No trail is on record within {km} of the place in those weeks. "
            f"A blank does not prove that nothing passed. {tail}"
        )
    word = probability_word(passing.probability, passing.low, passing.high)
    if word == CANNOT_BE_TOLD:
        return (
            f"{_found_near(passing.trails, km)} It cannot be told whether {words.one} left one of "
            f"them {_time_words(findings)}. {tail}"
        )
    return (
        f"{_found_near(passing.trails, km)} It is {word} ({percent(passing.probability)}) that "
        f"{words.one} left at least one of them {_time_words(findings)}. {tail}"
    )


def _found_near(trails: int, km: str) -> str:
    verb = "was" if trails == 1 else "were"
    return f"{count(trails, 'trail')} {verb} found within {km} of the place."


def _can_be_said(findings: IncidentFindings, words: TaxonWords) -> tuple[str, ...]:
    passing = findings.passing
    said = []
    if not math.isnan(passing.high):
        said.append(
            f"A trail of {words.one}, made near {_time_words(findings)}: "
            f"{_told(passing.probability)}, range {percent_range(passing.low, passing.high)}."
        )
    if len(findings.trails):
        said.append(_nearest(findings, words))
    walks = findings.effort["walks"]
    if findings.nobody_looked:
        said.append("Nobody looked near the place, so a blank means nothing here.")
    else:
        said.append(
            f"Walks near: {walks['before']} before the loss, {walks['during']} during it, "
            f"{walks['after']} after it."
        )
    known = findings.presence["p_presence"].dropna()
    if len(known):
        said.append(
            f"Probability that {words.many} used the nearest surveyed segments that month: "
            f"by segment, {percent_range(float(known.min()), float(known.max()))}."
        )
    return tuple(said)


def _nearest(findings: IncidentFindings, words: TaxonWords) -> str:
    trail = findings.trails.iloc[0]
    p = float(trail["p_taxon"])
    whose = (
        "there is no probability for it"
        if math.isnan(p)
        else f"it is {probability_word(p)} ({percent(p)}) to be that of {words.one}"
    )
    where = "The nearest trail crosses the place"
    if trail["distance_m"] > 0:
        where = f"The nearest trail lies {kilometres(trail['distance_m'])} away"
    return f"{where}; {whose}."


def _cannot_be_said(findings: IncidentFindings, words: TaxonWords) -> tuple[str, ...]:
    return (
        f"Whether {words.one}, another animal, or no animal at all caused the loss.",
        "A trail near a place does not tell what happened there. A blank clears no animal.",
        *findings.limits,
    )


def _agency_line(agency: str | None) -> str:
    if agency:
        return f"Your wildlife agency: {agency}."
    return (
        "Call your wildlife agency; the finding is theirs. Its number is to be filled in here: "
        "____________________."
    )


def _map_blocks(
    findings: IncidentFindings, words: TaxonWords, png: bytes | None
) -> tuple[Block, ...]:
    if png is None:
        return ()
    caption = (
        "The place, the trails near, and the surveyed lines. "
        f"The ring is {kilometres(findings.within_m)} away."
    )
    return (FigureBlock(png, caption, f"Map. {_alt(findings, words)}"),)


def _time_words(findings: IncidentFindings) -> str:
    """Say the window in words; one without a start is all the time before the finding."""
    if findings.window.open_at_start:
        return "at some time before the loss was found"
    return "in the time of the loss"


def _reported_blocks(findings: IncidentFindings, record: PageRecord) -> tuple[Block, ...]:
    window = findings.window
    place = "the stated position" if findings.place.kind == "point" else "the parcel"
    rows = [
        ("Place", findings.place.parcel),
        ("Distances are taken from", place),
        ("Stock", findings.livestock),
        ("Animals lost", findings.count),
        ("Last seen well", record.local(window.start)),
        ("Found", record.local(window.end)),
        ("Hours between", None if window.open_at_start else f"{window.length_h:.0f}"),
        ("Seen at the carcass, as recorded", findings.carcass_notes),
    ]
    frame = pd.DataFrame(rows, columns=["What was reported", "Answer"], dtype="object")
    return (Heading("What was reported"), TableBlock(frame, "As it stands in the record."))


def _near_blocks(
    findings: IncidentFindings,
    words: TaxonWords,
    record: PageRecord,
    timeline_png: bytes | None,
) -> tuple[Block, ...]:
    km = kilometres(findings.within_m)
    dates = (
        f"from {record.local_date(findings.listed.start)} to "
        f"{record.local_date(findings.listed.end)}"
    )
    blocks: list[Block] = [Heading("What was near")]
    if findings.trails.empty:
        blocks.append(Paragraph(f"No trail is on record within {km}, {dates}."))
    else:
        blocks.append(Paragraph(f"{_found_near(len(findings.trails), km)} The list runs {dates}."))
        blocks.append(_trail_table(findings, words, record))
    if len(findings.cleared):
        blocks.append(Paragraph(_cleared_sentence(findings, record)))
    if timeline_png is not None:
        caption = "When the loss was, when each trail can have been made, and when somebody walked."
        blocks.append(FigureBlock(timeline_png, caption, f"Time line. {_alt(findings, words)}"))
    if len(findings.sign):
        blocks.append(_sign_table(findings, record))
    return tuple(blocks)


def _cleared_sentence(findings: IncidentFindings, record: PageRecord) -> str:
    """Name the latest events that wiped the ground near."""
    latest = findings.cleared.sort_values("time").tail(5)
    events = [f"{row.cause} on {record.local(row.time)}" for row in latest.itertuples()]
    return f"The ground near was wiped by {listed(events)}. Older tracks were lost then."


def _alt(findings: IncidentFindings, words: TaxonWords) -> str:
    if findings.trails.empty:
        return "No trail is on record near."
    said = [
        f"Trail {number}: {kilometres(row.distance_m)} away, {words.name} {percent(row.p_taxon)}, "
        f"made {_time_words(findings)} {_told(row.p_in_window)}."
        for number, row in enumerate(findings.trails.head(12).itertuples(), start=1)
    ]
    return " ".join(said)


def _told(probability: float) -> str:
    return CANNOT_BE_TOLD if math.isnan(probability) else percent(probability)


def _trail_table(findings: IncidentFindings, words: TaxonWords, record: PageRecord) -> TableBlock:
    rows = findings.trails.head(MOST_ROWS)
    frame = pd.DataFrame(
        {
            "No.": range(1, len(rows) + 1),
            "Distance": rows["distance_m"] / 1000,
            "Heading": rows["travel"],
            "Found": rows["time"].map(record.local),
            words.name.capitalize(): [_told(p) for p in rows["p_taxon"].astype(float)],
            "Next": rows["leading_other"].map(TAXA),
            "Its probability": [percent(p) for p in rows["p_leading_other"].astype(float)],
            f"Made {_time_words(findings)}": [_told(p) for p in rows["p_in_window"].astype(float)],
            "Both": [_told(p) for p in rows["p_taxon_in_window"].astype(float)],
        }
    )
    cut = (
        ""
        if len(findings.trails) <= MOST_ROWS
        else f" The {MOST_ROWS} nearest of {len(findings.trails)}."
    )
    caption = (
        f"Trails near, nearest first. Heading is the way it went, seen from the place. "
        f"Both: that of {words.one}, and made {_time_words(findings)}.{cut}"
    )
    return TableBlock(frame, caption, {"Distance": "km"}, {"Distance": 1})


def _sign_table(findings: IncidentFindings, record: PageRecord) -> TableBlock:
    rows = findings.sign.head(MOST_ROWS)
    frame = pd.DataFrame(
        {
            "Kind": rows["kind"].replace({"kill": "remains of prey"}),
            "Distance": rows["distance_m"] / 1000,
            "Found": rows["time"].map(record.local),
            "Named by its finder": rows["named_as"].map(TAXA),
        }
    )
    caption = "Other sign near, as its finders named it. It belongs to no trail and is not weighed."
    return TableBlock(frame, caption, {"Distance": "km"}, {"Distance": 1})


def _looked_blocks(findings: IncidentFindings, record: PageRecord) -> tuple[Block, ...]:
    heading = Heading("Who looked")
    km = kilometres(findings.within_m)
    if findings.nobody_looked:
        return (heading, Paragraph(f"Nobody looked within {km} in those weeks."))
    effort = findings.effort
    frame = pd.DataFrame(
        {
            "When": [f"{when} the loss" for when in effort.index],
            "Walks": effort["walks"].to_numpy(),
            "Walked": effort["effort_km"].to_numpy(),
            "First": [record.local_date(t) for t in effort["first"]],
            "Last": [record.local_date(t) for t in effort["last"]],
            "Nearest": effort["nearest_m"].to_numpy() / 1000,
        }
    )
    caption = f"Walks within {km} of the place."
    table = TableBlock(
        frame, caption, {"Walked": "km", "Nearest": "km"}, {"Walked": 1, "Nearest": 1}
    )
    return (heading, Paragraph(_surface_sentence(findings)), table)


def _surface_sentence(findings: IncidentFindings) -> str:
    share = findings.looked["window_share"]
    if share.isna().all():
        return "It is not known how long the ground had been collecting tracks before these walks."
    could = int((share > 0).sum())
    unknown = int(share.isna().sum())
    said = (
        f"On {could} of {count(len(share), 'visit')} to a segment, the ground could still hold "
        "tracks from the time of the loss."
        if could
        else "On no visit could the ground still be shown to hold tracks from the time of the loss."
    )
    return f"{said} For {unknown} this is not known." if unknown else said


def _presence_blocks(findings: IncidentFindings, words: TaxonWords) -> tuple[Block, ...]:
    heading = Heading("How likely the animal is around here")
    rows = findings.presence
    if rows.empty:
        return (heading, Paragraph("The survey has no estimate near the place for that month."))
    frame = pd.DataFrame(
        {
            "Segment": rows["segment"],
            "Month": [f"{pd.Period(p, freq='M'):%b %Y}" for p in rows["period"]],
            "Distance": rows["distance_m"] / 1000,
            "State": rows["state"].map(MAP_STATES),
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
    caption = f"Probability that {words.many} used the nearest surveyed segments in that month."
    said = (
        f"{words.many.capitalize()} that live around a place pass many holdings and leave the "
        "stock alone. These numbers are about use of the land, not about the loss."
    )
    return (
        heading,
        Paragraph(said),
        TableBlock(frame, caption, {"Distance": "km"}, {"Distance": 1}),
    )


def _settle_blocks(findings: IncidentFindings) -> tuple[Block, ...]:
    items = [
        "The carcass, examined fresh by the agency. Bleeding under the skin at the wounds shows "
        "that the animal was bitten alive.",
        "Saliva from the wounds for DNA. Sun, rain and handling destroy it within a day or two.",
        "Photographs of wounds and tracks, with a scale. Tracks last until wind, rain or stock.",
    ]
    if findings.window.open_at_start:
        items.append("The time when the stock was last seen well. Ask everyone who was there.")
    if findings.passing.trails_not_told:
        items.append("The last time when rain, wind or traffic wiped the ground under the trails.")
    if findings.nobody_looked or not findings.effort["walks"]["after"]:
        items.append("A walk of the tracks and washes around the place, before the next rain.")
    source = "Source: agricultural extension bulletins on predation; common practice."
    return (Heading("What would settle it"), Bullets(tuple(items)), Paragraph(source))


def _method_blocks(findings: IncidentFindings, words: TaxonWords) -> tuple[Block, ...]:
    passing = findings.passing
    said = (
        "A trail was made after the ground was last wiped and before it was found. Every moment "
        "between is taken as equally likely. The part of that time which lies within the time of "
        "the loss is the probability that the trail was made then. It is multiplied by the "
        f"probability that the trail is that of {words.one}. The trails are then put together as "
        "if they were independent of each other, which they may not be."
    )
    blocks: list[Block] = [Heading("How it was computed"), Paragraph(said)]
    if not math.isnan(passing.high):
        blocks.append(
            Paragraph(
                f"Whatever their dependence, the probability lies in the range given: "
                f"{percent_range(passing.low, passing.high)} (the bounds of Fr\u00e9chet 1935). "
                f"{_untold_sentence(findings)}"
            )
        )
    frame = pd.DataFrame(
        {
            "Word": [w.word for w in PROBABILITY_WORDS] + [CANNOT_BE_TOLD],
            "Means a probability of": [w.range_text for w in PROBABILITY_WORDS]
            + ["no number, or a range from under 20 to over 80 %"],
        }
    )
    table = TableBlock(frame, "Words and probabilities. A number on a bound takes the higher word.")
    return (*blocks, table)


def _untold_sentence(findings: IncidentFindings) -> str:
    untold = findings.passing.trails_not_told
    if not untold:
        return "Every trail near has its number."
    verb = "counts" if untold == 1 else "count"
    return (
        f"{count(untold, 'trail')} without a number {verb} as nothing in the lower end, and as "
        "the most possible in the upper."
    )
