"""Method: how the numbers of a page were computed, in plain words, with the papers behind it."""

from __future__ import annotations

import math
from typing import Final

import pandas as pd

from carnivore_sign.incidents import PROBABILITY_WORDS, IncidentFindings
from carnivore_sign.incidents.words import percent_range
from carnivore_sign.records.vocabularies import LIKELY_FROM, UNLIKELY_BELOW
from carnivore_sign.reports.content import Block, Bullets, Heading, Paragraph, TableBlock
from carnivore_sign.reports.leading import not_in_the_range
from carnivore_sign.reports.wording import count, taxon_words

_HEADING: Final = "How it was computed"

_TRAILS: Final = (
    "Sign was linked into trails; one trail is one passage of one animal. Each trail has a "
    "probability for each animal: the prior, times the likelihood ratios of what its prints show, "
    "held back because the characters of one foot go together."
)
_EFFORT: Final = (
    "One trail is one detection on each segment it crosses. Effort is the length of segment "
    "really walked, and the days its surface had been collecting tracks. Rates divide the summed "
    "probabilities by effort. Their limits are those of a Poisson count, widened by the doubt of "
    "each trail; trails that come in clumps need wider ones. A rate of tracks is an index and "
    "not a density: it moves with how far animals walk, with the surface and with the reader, "
    "as well as with how many animals there are."
)
_PRESENCE: Final = (
    "Presence comes from a model of occupancy with imperfect detection and scored signs, a "
    "marked Poisson process. On a segment that is used, sign of the animal arises at one rate "
    "per effort. Sign of everything else arises at another rate, on every segment. Each trail "
    "counts by its likelihood ratio, so that a doubtful trail says little. The rates and the "
    "share of the walked segments used are fitted together, and the limits carry their "
    "uncertainty. Whether segments stand alone, are used in stretches along the transect, or keep "
    "their use from month to month is judged by AICc; the note under the choices says which, and "
    "against what."
)
_PRESENCE_SHORT: Final = (
    "Use of segments comes from a model of occupancy with imperfect detection and scored signs. "
    "It knows that sign can be missed, and that sign of another animal can be taken for it."
)
_NO_FIT: Final = (
    "The month carries no fit of presence, so that no segment has a probability. What was looked "
    "for and found is counted, and stands by itself."
)
_PRESENCE_PAPERS: Final = (
    "MacKenzie et al. 2002, Ecology 83:2248-2255: occupancy when detection is imperfect.",
    "Royle & Link 2006, Ecology 87:835-841; Miller et al. 2011, Ecology 92:1422-1428: look-alikes.",
)


def month_method(*, fitted: bool) -> tuple[Block, ...]:
    """Say how a month was computed; `fitted` is whether presence has an estimate."""
    papers = (
        "Garwood 1936, Biometrika 28:437-442: exact limits of a Poisson count, where all is sure.",
        *(_PRESENCE_PAPERS if fitted else ()),
    )
    return (
        Heading(_HEADING),
        Paragraph(f"{_TRAILS} {_EFFORT}"),
        Paragraph(_PRESENCE if fitted else _NO_FIT),
        Bullets(papers),
    )


def answer_method(findings: IncidentFindings) -> tuple[Block, ...]:
    """Say how an answer was computed, and what its words mean."""
    words = taxon_words(findings.taxon)
    said = (
        f"{_TRAILS} A trail was made after the ground was last wiped and before it was found. "
        "Every moment between is taken as equally likely. Where only its age was judged, one "
        "chance in twenty is left for ages outside the limits. The part of that time which lies "
        "within the time of the loss is the probability that the trail was made then. It is "
        "multiplied by "
        f"the probability that the trail is that of {words.one}, or of another animal. The trails "
        "are then put together as if they were independent of each other, which they may not be."
    )
    blocks: list[Block] = [Heading(_HEADING), Paragraph(said)]
    low, high = findings.range_of(findings.taxon)
    if not math.isnan(high):
        blocks.append(
            Paragraph(
                f"Whatever their dependence, the probability lies between two bounds (Fr\u00e9chet "
                f"1935). {_prior_sentence(findings)}This gives the range: "
                f"{percent_range(low, high)} for {words.one}. {not_in_the_range(findings)} "
                f"{_untold_sentence(findings)}"
            )
        )
    if findings.presence["p_presence"].notna().any():
        blocks += [Paragraph(_PRESENCE_SHORT), Bullets(_PRESENCE_PAPERS)]
    return (*blocks, _word_table())


def _prior_sentence(findings: IncidentFindings) -> str:
    if findings.priors_tried < 2:
        return ""
    return (
        f"They were computed under {findings.priors_tried} priors, and the lowest and the highest "
        "were taken. Which sign belong to one trail was left as it is. "
    )


def _word_table() -> TableBlock:
    open_ = (
        f"no number, or a range from under {UNLIKELY_BELOW * 100:.0f} to over "
        f"{LIKELY_FROM * 100:.0f} %"
    )
    meanings = {w.word.capitalize(): [w.range_text] for w in PROBABILITY_WORDS}
    caption = (
        "What the words mean. A number on a bound takes the higher word. "
        f"\u201cCannot be told\u201d: {open_}."
    )
    return TableBlock(pd.DataFrame(meanings), caption)


def _untold_sentence(findings: IncidentFindings) -> str:
    untold = findings.passing.trails_not_told
    if not untold:
        return "Every trail near has its number."
    verb = "counts" if untold == 1 else "count"
    return (
        f"{count(untold, 'trail')} without a number {verb} as nothing in the lower end, and as "
        "the most possible in the upper."
    )
