"""The landowner's answer: what can be said about a loss, what cannot, and what to do now.

The page gives the probability that the animal asked about was near in the time of the loss.
It ranks what the loss may have been only as far as something was noted at the carcass, with the
range over reasonable priors; what it was is the agency's to find.
"""

from __future__ import annotations

import math

from carnivore_sign.incidents import IncidentFindings, words_of_range
from carnivore_sign.incidents.words import CANNOT_BE_TOLD, percent, percent_range
from carnivore_sign.maps import withheld_from_answer
from carnivore_sign.records.vocabularies import TAXA, UNLIKELY_BELOW
from carnivore_sign.reports.cautions import cautions_for
from carnivore_sign.reports.choices import choice_blocks
from carnivore_sign.reports.content import (
    Block,
    Bullets,
    FigureBlock,
    Heading,
    NewPage,
    Paragraph,
    Report,
)
from carnivore_sign.reports.explaining import (
    Passages,
    cause_sentence,
    explanation_blocks,
    passage_blocks,
    settling_blocks,
)
from carnivore_sign.reports.leading import (
    leading_trail,
    not_in_the_range,
    whose_trail,
    with_range,
)
from carnivore_sign.reports.method import answer_method
from carnivore_sign.reports.nearby import (
    alt_text,
    found_near,
    looked_blocks,
    near_blocks,
    passing_blocks,
    presence_blocks,
    reported_blocks,
    time_words,
    timeline_blocks,
    told,
)
from carnivore_sign.reports.record import PageRecord, record_blocks
from carnivore_sign.reports.wording import TaxonWords, kilometres, listed, taxon_words


def landowner_report(
    findings: IncidentFindings,
    *,
    record: PageRecord,
    map_png: bytes | None = None,
    timeline_png: bytes | None = None,
    agency: str | None = None,
    passages: Passages | None = None,
    changes: tuple[str, ...] = (),
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
    passages : Passages, optional
        How often trails of the animal are found near.
    changes : tuple of str
        What is otherwise than in an earlier answer, as sentences.

    Returns
    -------
    Report
        For `write_html` and `write_pdf`.

    Examples
    --------
    >>> from carnivore_sign.example import example_answer
    >>> findings = example_answer().findings
    >>> from carnivore_sign.reports import PageRecord
    >>> import datetime as dt
    >>> record = PageRecord("Tolvane Range (invented)", "America/Los_Angeles", dt.date(2026, 5, 1))
    >>> report = landowner_report(findings, record=record)
    >>> len(report.blocks) > 10
    True
    """
    words = taxon_words(findings.taxon)
    blocks: tuple[Block, ...] = (
        Heading("The short answer"),
        *(Paragraph(part, lead=True) for part in short_answer(findings, words)),
        Paragraph("What can be said:"),
        Bullets(can_be_said(findings, words)),
        Paragraph("What cannot be said:"),
        Bullets(cannot_be_said(findings, words)),
        Paragraph("What to do first:"),
        Bullets((_agency_line(agency), "More stands under \u201cWhat to do now\u201d.")),
        *_change_blocks(changes),
        *passing_blocks(findings, words),
        *_withheld(record),
        NewPage(),
        *_map_blocks(findings, words, map_png),
        *reported_blocks(findings, record),
        *near_blocks(findings, words, record),
        *looked_blocks(findings, words, record),
        *timeline_blocks(findings, words, timeline_png),
        *presence_blocks(findings, words),
        *explanation_blocks(findings, words),
        *settling_blocks(findings),
        Heading("What to do now"),
        *cautions_for("landowner"),
        *passage_blocks(findings, passages, words),
        *answer_method(findings),
        *choice_blocks(record.choices, findings.taxon),
        *record_blocks(record),
    )
    title = f"What the survey can say about the loss \u201c{findings.incident}\u201d"
    return Report(title, _subtitle(findings, record), "en", record.made_on, blocks)


def _withheld(record: PageRecord) -> tuple[Block, ...]:
    said = withheld_from_answer(record.edition)
    return (Paragraph(" ".join(said)),) if said else ()


def _subtitle(findings: IncidentFindings, record: PageRecord) -> str:
    return f"Question: {TAXA[findings.taxon]}. Found {record.local(findings.window.end)}."


def short_answer(findings: IncidentFindings, words: TaxonWords) -> tuple[str, ...]:
    """Answer in two paragraphs: whether the animal caused the loss, and what was found near."""
    passing, km = findings.passing, kilometres(findings.within_m)
    cause = cause_sentence(findings, words)
    if not passing.trails and findings.nobody_looked:
        return cause, f"Nobody looked within {km} of the place in those weeks."
    if not passing.trails:
        return (
            cause,
            f"No trail is on record within {km} of the place in those weeks. "
            "A blank does not prove that nothing passed.",
        )
    said = (
        found_near(passing.trails, km),
        *leading_trail(findings, words),
        _asked(findings, words),
        *_others(findings),
    )
    return cause, " ".join(said)


def _asked(findings: IncidentFindings, words: TaxonWords) -> str:
    """Say how probable it is that the animal asked about passed, with the range."""
    low, high = findings.range_of(findings.taxon)
    word = words_of_range(findings.passing.probability, low, high)
    whose = "made it" if findings.passing.trails == 1 else "left at least one of them"
    if word == CANNOT_BE_TOLD:
        return f"It cannot be told whether {words.one} {whose} {time_words(findings)}."
    number = with_range(findings, findings.taxon, findings.passing.probability)
    return f"It is {word} ({number}) that {words.one} {whose} {time_words(findings)}."


def _others(findings: IncidentFindings) -> tuple[str, ...]:
    """Name every other animal that may well have passed then, and what that does not mean."""
    rows = findings.passing_by_taxon
    rows = rows[rows["taxon"].ne(findings.taxon) & rows["probability"].ge(UNLIKELY_BELOW)]
    if rows.empty:
        return ()
    named = [
        f"{taxon_words(row.taxon).one} ({percent(row.probability)}"
        f"{_range(*findings.range_of(row.taxon))})"
        for row in rows.itertuples()
    ]
    whom = taxon_words(rows["taxon"].iloc[0]).one if len(rows) == 1 else "any of these animals"
    verb = (
        "may also have passed then"
        if len(rows) == 1
        else "may also have passed then, each by itself"
    )
    return (
        f"{listed(named)} {verb}.".replace("a", "A", 1),
        f"That does not say that {whom} caused the loss.",
    )


def can_be_said(findings: IncidentFindings, words: TaxonWords) -> tuple[str, ...]:
    """List what the survey carries, with its numbers."""
    said = []
    low, high = findings.range_of(findings.taxon)
    if not math.isnan(high):
        number = told(findings.passing.probability)
        said.append(
            f"A trail of {words.one}, made near {time_words(findings)}: "
            f"{number}{_range(low, high)}. {not_in_the_range(findings)}"
        )
    if len(findings.trails) and findings.most_telling != 0:
        said.append(_nearest(findings, words))
    said.append(_walks(findings))
    known = findings.presence["p_presence"].dropna()
    if len(known):
        said.append(
            f"Probability that {words.many} used the nearest surveyed segments that month: "
            f"by segment, {percent_range(float(known.min()), float(known.max()))}."
        )
    return tuple(said)


def _range(low: float, high: float) -> str:
    return "" if percent(low) == percent(high) else f", range {percent_range(low, high)}"


def _walks(findings: IncidentFindings) -> str:
    if findings.nobody_looked:
        return "Nobody looked near the place, so a blank means nothing here."
    walks = findings.effort["walks"]
    if findings.window.open_at_start:
        return (
            f"Walks near: {walks['before or during']} before the loss was found, "
            f"{walks['after']} after."
        )
    return (
        f"Walks near: {walks['before']} before the loss, {walks['during']} during it, "
        f"{walks['after']} after it."
    )


def _nearest(findings: IncidentFindings, words: TaxonWords) -> str:
    trail = findings.trails.iloc[0]
    where = "The nearest trail crosses the place"
    if trail["distance_m"] > 0:
        where = f"The nearest trail lies {kilometres(trail['distance_m'])} away"
    return f"{where}; {whose_trail(trail, words)}."


def cannot_be_said(findings: IncidentFindings, words: TaxonWords) -> tuple[str, ...]:
    """List what nobody can say from the survey, and why it says less than one might think."""
    return (
        f"For certain, whether {words.one}, another animal, or no animal at all caused the loss.",
        "A trail near a place does not tell what happened there. A blank clears no animal.",
        *findings.limits,
    )


def _agency_line(agency: str | None) -> str:
    now = "Leave the place as it is, keep dogs and stock away, and call your wildlife agency now"
    if agency and agency.strip():
        return f"{now}: {agency.strip()}. The finding is theirs."
    return f"{now}; the finding is theirs. Its number is to be filled in here: ________________."


def _map_blocks(
    findings: IncidentFindings, words: TaxonWords, png: bytes | None
) -> tuple[Block, ...]:
    if png is None:
        return ()
    caption = (
        "The place, the surveyed lines, and the trails near; those with a ring may be of the time "
        f"of the loss. The small map shows all within {kilometres(findings.within_m)}."
    )
    return (FigureBlock(png, caption, f"Map. {alt_text(findings, words)}"),)


def _change_blocks(changes: tuple[str, ...]) -> tuple[Block, ...]:
    if not changes:
        return ()
    return (Paragraph("What is new since the last answer:"), Bullets(changes))
