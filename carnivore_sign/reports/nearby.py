"""Nearby: what was reported, who left trails near in that time, and who looked."""

from __future__ import annotations

import math
from typing import Final

import pandas as pd

from carnivore_sign.incidents import IncidentFindings, words_of_range
from carnivore_sign.incidents.words import CANNOT_BE_TOLD, percent, percent_range
from carnivore_sign.maps.style import STATE_LABELS
from carnivore_sign.records.vocabularies import TAXA, UNLIKELY_BELOW
from carnivore_sign.reports.content import (
    Block,
    FigureBlock,
    Heading,
    Paragraph,
    TableBlock,
)
from carnivore_sign.reports.explaining import blank_sentence
from carnivore_sign.reports.record import PageRecord
from carnivore_sign.reports.wording import TaxonWords, count, kilometres, listed

#: The most trails, and other sign, that are printed one by one.
MOST_TRAILS: Final = 12
MOST_SIGN: Final = 10
#: The most animals that are printed beside the one asked about, prior by prior.
MOST_ANIMALS: Final = 4
#: Animals less probable than this are named together.
RARE: Final = 0.01


def passing_blocks(findings: IncidentFindings, words: TaxonWords) -> tuple[Block, ...]:
    """Rank the animals by how probable it is that each left a trail near in that time."""
    ranked = findings.passing_by_taxon
    if ranked.empty:
        return ()
    rare = ranked["probability"].lt(RARE)
    unlikely = ranked.loc[rare, "taxon"].map(TAXA)
    ranked = ranked[~rare]
    ends = [findings.range_of(taxon) for taxon in ranked["taxon"]]
    frame = pd.DataFrame(
        {
            "Animal": ranked["taxon"].map(TAXA),
            "Probability": [told(p) for p in ranked["probability"]],
            "Range": [percent_range(low, high) for low, high in ends],
            "In words": [
                words_of_range(p, *end) for p, end in zip(ranked["probability"], ends, strict=True)
            ],
        }
    )
    trails = findings.passing.trails
    which = "the only trail" if trails == 1 else f"at least one of the {trails} trails"
    caption = (
        f"Probability that each animal left {which} near, "
        f"{time_words(findings)}. Several animals may have, so that they need not sum to 100."
    )
    caption += f" Under {RARE * 100:.0f} %: {listed(list(unlikely))}." if len(unlikely) else ""
    said = "To have passed is not to have done it. This table names no cause of the loss."
    heading = Heading(f"Who left trails here {time_words(findings)}")
    return (
        heading,
        TableBlock(frame, caption),
        Paragraph(said),
        *_prior_table(findings, words),
    )


def _prior_table(findings: IncidentFindings, words: TaxonWords) -> tuple[Block, ...]:
    """Print the same probabilities under each prior that was tried."""
    tried = findings.over_priors
    if findings.priors_tried < 2:
        return ()
    best = tried.groupby("taxon")["probability"].max()
    asked = [findings.taxon] if findings.taxon in best.index else []
    others = best[best.ge(UNLIKELY_BELOW)].drop(asked, errors="ignore").nlargest(MOST_ANIMALS)
    chosen = [*asked, *others.index]
    wide = tried.set_index(["prior", "taxon"])["probability"].unstack()  # noqa: PD010
    wide = wide.reindex(index=tried["prior"].drop_duplicates(), columns=chosen)
    frame = pd.DataFrame({"Prior": [what.capitalize() for what in wide.index]})
    for taxon in chosen:
        frame[TAXA[taxon].capitalize()] = [percent(p) for p in wide[taxon].astype(float)]
    caption = (
        "The same under each prior that was tried. A prior says how often each animal leaves a "
        f"trail here, before a trail is looked at; {words.many} are rarer in one than in another."
    )
    return (TableBlock(frame, caption),)


def reported_blocks(findings: IncidentFindings, record: PageRecord) -> tuple[Block, ...]:
    """Print what was reported of the loss."""
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


def near_blocks(
    findings: IncidentFindings,
    words: TaxonWords,
    record: PageRecord,
) -> tuple[Block, ...]:
    """Print the trails and the other sign near, and what wiped the ground."""
    km = kilometres(findings.within_m)
    dates = (
        f"from {record.local_date(findings.listed.start)} to "
        f"{record.local_date(findings.listed.end)}"
    )
    blocks: list[Block] = [Heading("What was near")]
    if findings.trails.empty:
        blocks.append(Paragraph(f"No trail is on record within {km}, {dates}."))
    else:
        blocks.append(Paragraph(f"{found_near(len(findings.trails), km)} The list runs {dates}."))
        blocks.append(_trail_table(findings, words, record))
    if len(findings.cleared):
        blocks.append(Paragraph(_cleared_sentence(findings, record)))
    if len(findings.sign):
        blocks.append(_sign_table(findings, record))
    return tuple(blocks)


def _cleared_sentence(findings: IncidentFindings, record: PageRecord) -> str:
    """Name the latest events that wiped the ground near."""
    latest = findings.cleared.sort_values("time").tail(5)
    events = [f"{row.cause} on {record.local(row.time)}" for row in latest.itertuples()]
    return f"The ground near was wiped by {listed(events)}. Older tracks were lost then."


def alt_text(findings: IncidentFindings, words: TaxonWords) -> str:
    """Say in words what a figure of the trails shows."""
    if findings.trails.empty:
        return "No trail is on record near."
    said = [
        f"Trail {row.Index + 1}: {kilometres(row.distance_m)} away, "
        f"{words.name} {percent(row.p_taxon)}, made {time_words(findings)} {told(row.p_in_window)}."
        for row in findings.telling_trails(MOST_TRAILS).itertuples()
    ]
    return " ".join(said)


def told(probability: float) -> str:
    """Print a probability, or that it cannot be told."""
    return CANNOT_BE_TOLD if math.isnan(probability) else percent(probability)


def _trail_table(findings: IncidentFindings, words: TaxonWords, record: PageRecord) -> TableBlock:
    rows = findings.telling_trails(MOST_TRAILS)
    frame = pd.DataFrame(
        {
            "No.": rows.index + 1,
            "Distance": rows["distance_m"] / 1000,
            "Heading": rows["travel"],
            "Found": rows["time"].map(record.local),
            words.name.capitalize(): [told(p) for p in rows["p_taxon"].astype(float)],
            "Next": rows["leading_other"].map(TAXA),
            "Its probability": [percent(p) for p in rows["p_leading_other"].astype(float)],
            f"Made {time_words(findings)}": [told(p) for p in rows["p_in_window"].astype(float)],
            "Both": [told(p) for p in rows["p_taxon_in_window"].astype(float)],
        }
    )
    cut = ""
    if len(findings.trails) > len(rows):
        cut = (
            f" {len(rows)} of {len(findings.trails)}: those that may be of that time, then the "
            f"nearest.{record.full_table('trails_near')}"
        )
    caption = (
        f"Trails near, nearest first. Heading is the way it went, seen from the place. "
        f"Both: that of {words.one}, and made {time_words(findings)}.{cut}"
    )
    return TableBlock(frame, caption, {"Distance": "km"}, {"Distance": 1})


def _sign_table(findings: IncidentFindings, record: PageRecord) -> TableBlock:
    rows = findings.sign.head(MOST_SIGN)
    frame = pd.DataFrame(
        {
            "Kind": rows["kind"].replace({"kill": "remains of prey"}),
            "Distance": rows["distance_m"] / 1000,
            "Found": rows["time"].map(record.local),
            "Named by its finder": rows["named_as"].map(TAXA),
        }
    )
    caption = "Other sign near, as its finders named it. It belongs to no trail and is not weighed."
    if len(findings.sign) > len(rows):
        caption += f" The {len(rows)} nearest of {len(findings.sign)}."
    return TableBlock(frame, caption, {"Distance": "km"}, {"Distance": 1})


def looked_blocks(
    findings: IncidentFindings, words: TaxonWords, record: PageRecord
) -> tuple[Block, ...]:
    """Print who walked near, and how far."""
    heading = Heading("Who looked")
    km = kilometres(findings.within_m)
    if findings.nobody_looked:
        return (heading, Paragraph(f"Nobody looked within {km} in those weeks."))
    effort = findings.effort
    columns: dict[str, object] = {
        "When": [_when_words(str(when), findings) for when in effort.index],
        "Walks": effort["walks"].to_numpy(),
        "Walked": effort["effort_km"].to_numpy(),
    }
    if "first" in effort:  # the public reads sums alone
        columns |= {
            "First": [record.local_date(t) for t in effort["first"]],
            "Last": [record.local_date(t) for t in effort["last"]],
            "Nearest": effort["nearest_m"].to_numpy() / 1000,
        }
    frame = pd.DataFrame(columns)
    caption = f"Walks within {km} of the place."
    table = TableBlock(
        frame, caption, {"Walked": "km", "Nearest": "km"}, {"Walked": 1, "Nearest": 1}
    )
    said = f"{_surface_sentence(findings)} {blank_sentence(findings, words)}"
    return (heading, Paragraph(said), table)


def _when_words(when: str, findings: IncidentFindings) -> str:
    """Say when a walk was; where nobody knows when the loss began, it cannot be during it."""
    if findings.window.open_at_start:
        return "after the loss was found" if when == "after" else "before the loss was found"
    return f"{when} the loss"


def timeline_blocks(
    findings: IncidentFindings, words: TaxonWords, png: bytes | None
) -> tuple[Block, ...]:
    """Show the loss, the trails and the walks in time."""
    if png is None:
        return ()
    caption = "When the loss was, when each trail can have been made, and when somebody walked."
    shown = len(findings.telling_trails(MOST_TRAILS))
    if shown < len(findings.trails):
        caption += f" {shown} of {len(findings.trails)} trails are shown, as in the table."
    return (FigureBlock(png, caption, f"Time line. {alt_text(findings, words)}"),)


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


def presence_blocks(findings: IncidentFindings, words: TaxonWords) -> tuple[Block, ...]:
    """Print the probability of use of the nearest segments."""
    heading = Heading("How likely the animal is around here")
    rows = findings.presence
    if rows.empty:
        return (heading, Paragraph("The survey has no estimate near the place for that month."))
    frame = pd.DataFrame(
        {
            "Segment": rows["segment"],
            "Month": [pd.Period(p, freq="M").strftime("%b %Y") for p in rows["period"]],
            "Distance": rows["distance_m"] / 1000,
            "State": rows["state"].map(STATE_LABELS),
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


def found_near(trails: int, km: str) -> str:
    """Say how many trails were found near."""
    verb = "was" if trails == 1 else "were"
    return f"{count(trails, 'trail')} {verb} found within {km} of the place."


def time_words(findings: IncidentFindings) -> str:
    """Say the window in words; one without a start is all the time before the finding."""
    if findings.window.open_at_start:
        return "at some time before the loss was found"
    return "in the time of the loss"
