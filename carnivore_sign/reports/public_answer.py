"""The public's copy of an answer: probabilities and sums, without the landowner's own data.

It is made from findings that hold no more (`maps.findings_shown_to`), so that no sentence of it
can tell where the holding is, whose, what was lost, or where a trail lies.
"""

from __future__ import annotations

from carnivore_sign.incidents import IncidentFindings
from carnivore_sign.maps import withheld_from_answer
from carnivore_sign.records.vocabularies import TAXA
from carnivore_sign.reports.cautions import cautions_for
from carnivore_sign.reports.choices import choice_blocks
from carnivore_sign.reports.content import Block, Bullets, Heading, Paragraph, Report
from carnivore_sign.reports.explaining import Passages, explanation_blocks, passage_blocks
from carnivore_sign.reports.landowner import can_be_said, cannot_be_said, short_answer
from carnivore_sign.reports.method import answer_method
from carnivore_sign.reports.nearby import looked_blocks, passing_blocks
from carnivore_sign.reports.record import PageRecord, record_blocks
from carnivore_sign.reports.wording import taxon_words


def public_answer(
    findings: IncidentFindings, *, record: PageRecord, passages: Passages | None = None
) -> Report:
    """Write what the public may read of an answer.

    Parameters
    ----------
    findings : IncidentFindings
        From `findings_shown_to`, for the public.
    record : PageRecord
        What the page was made from, with the edition for the public.
    passages : Passages, optional
        How often trails of the animal are found near.

    Returns
    -------
    Report
        For `write_html` and `write_pdf`.

    Examples
    --------
    >>> import datetime as dt
    >>> from carnivore_sign.example import example_answer
    >>> from carnivore_sign.maps import answer_edition, findings_shown_to
    >>> edition = answer_edition("public")
    >>> record = PageRecord("Tolvane", "America/Los_Angeles", dt.date(2026, 5, 1), edition=edition)
    >>> shown = findings_shown_to(edition, example_answer().findings)
    >>> len(public_answer(shown, record=record).blocks) > 3
    True
    """
    words = taxon_words(findings.taxon)
    blocks: tuple[Block, ...] = (
        Heading("The short answer"),
        Paragraph(_where(findings, record), lead=True),
        *(Paragraph(part, lead=True) for part in short_answer(findings, words)),
        Paragraph("What can be said:"),
        Bullets(can_be_said(findings, words)),
        Paragraph("What cannot be said:"),
        Bullets(cannot_be_said(findings, words)),
        *passing_blocks(findings, words),
        *looked_blocks(findings, words, record),
        *explanation_blocks(findings, words, seen=False),
        Heading("What to do where stock is lost"),
        *cautions_for("landowner"),
        *passage_blocks(findings, passages, words),
        Heading("What was withheld"),
        Bullets(withheld_from_answer(record.edition)),
        *answer_method(findings),
        *choice_blocks(record.choices, findings.taxon),
        *record_blocks(record),
    )
    title = "What the survey can say about a loss of livestock"
    return Report(title, f"Question: {TAXA[findings.taxon]}.", "en", record.made_on, blocks)


def _where(findings: IncidentFindings, record: PageRecord) -> str:
    """Say in which month and cell the loss was."""
    last = findings.window.end.tz_convert(findings.time_zone).tz_localize(None).to_period("M") - 1
    return (
        f"A loss of livestock was found in {last.strftime('%B %Y')}, in the cell of "
        f"{record.edition.cell_words} at {findings.place.parcel}."
    )
