"""Explaining: what a loss may have been, what would settle it, and how often one passes here."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from carnivore_sign.incidents import Explanations, IncidentFindings
from carnivore_sign.incidents.causes import CAUSE_ORDER, CHARACTER_NAMES
from carnivore_sign.incidents.words import CANNOT_BE_TOLD, percent, percent_range
from carnivore_sign.records.vocabularies import CAUSE_OF_TAXON, CAUSES
from carnivore_sign.reports.content import (
    Block,
    Bullets,
    Heading,
    Paragraph,
    TableBlock,
)
from carnivore_sign.reports.wording import TaxonWords, count, kilometres, listed

#: Odds from which a character is printed as speaking against a cause.
AGAINST: Final = 4.0
#: Odds within which a cause counts as fitting a character as well as the best.
FITS: Final = 1.5
#: The most causes that are printed prior by prior, and the most things that would settle it.
MOST_CAUSES: Final = 4
MOST_SETTLING: Final = 6
#: Bits from which something unseen is worth much, and some.
MUCH_BITS: Final = 0.4
SOME_BITS: Final = 0.15


class Passages(NamedTuple):
    """How often trails of the animal are found near a place.

    Attributes
    ----------
    by_month : DataFrame
        From `survey.detection_rates`, one row a month, of the segments near.
    whole : Series
        The same over the season.
    change : str or None
        How the last month compares with the first, as sentences; None for a single month.
    """

    by_month: pd.DataFrame
    whole: pd.Series
    change: str | None


def cause_sentence(findings: IncidentFindings, words: TaxonWords) -> str:
    """Say in one or two sentences whether the animal asked about caused the loss.

    Without anything noted at the carcass, it cannot be told, whatever walked there.
    """
    told = findings.explanations
    row = told.of(CAUSE_OF_TAXON[findings.taxon])
    cannot = f"Whether {words.one} caused the loss cannot be told from the survey."
    if row is None or not told.carcass.anything_seen:
        return cannot
    if told.carcass.gate_shut:
        return (
            "No bleeding was found under the skin, which speaks for an animal that was dead "
            f"before it was bitten. That {words.one} caused the loss is {_in_words(row)}."
        )
    return (
        f"By what was seen at the carcass, that {words.one} caused the loss is {_in_words(row)}. "
        "The finding is the agency's."
    )


def _in_words(row: pd.Series) -> str:
    if row["word"] == CANNOT_BE_TOLD:
        return f"what cannot be told (range {percent_range(row['low'], row['high'])})"
    number = percent(row["probability"])
    if percent(row["low"]) != percent(row["high"]):
        number += f"; {percent_range(row['low'], row['high'])} over the priors tried"
    return f"{row['word']} ({number})"


def explanation_blocks(
    findings: IncidentFindings, words: TaxonWords, *, seen: bool = True
) -> tuple[Block, ...]:
    """Rank what the loss may have been, with what was `seen` and spoke for and against each."""
    told = findings.explanations
    return (
        Heading("What may have caused the loss"),
        Paragraph(_standing(told)),
        _ranked_table(told),
        *(_seen_blocks(told) if seen else ()),
        _prior_table(told, CAUSE_OF_TAXON[findings.taxon]),
        Paragraph(
            "These numbers rank explanations. They do not name a cause: that is for the agency, "
            "which sees the carcass. Numbers for the characters and for the priors are working "
            "values from common practice, and their errors are not in the range."
        ),
    )


def _standing(told: Explanations) -> str:
    """Say what the ranking stands on."""
    scene = bool(told.scene["weight"].ne(0).any())
    if told.carcass.gate_shut:
        return (
            "No bleeding was found under the skin. So bites, feeding and tracks tell who ate from "
            "the carcass, and not why it died; they are left out here."
        )
    if told.carcass.anything_seen and scene:
        return "This rests on what was seen at the carcass, and on trails at the place."
    if told.carcass.anything_seen:
        return (
            "This rests on what was seen at the carcass. No trail was found at the place itself "
            "that tells more."
        )
    if scene:
        return (
            "Nothing was noted at the carcass that can be weighed. This rests on trails at the "
            "place alone, and a trail near a carcass may be of an animal that only passed, or fed."
        )
    return (
        "Nothing was noted that speaks of the cause. The table shows what such losses turn out to "
        "be before anything is looked at, and no more."
    )


def _ranked_table(told: Explanations) -> TableBlock:
    ranked = told.ranked
    frame = pd.DataFrame(
        {
            "Explanation": [_name(cause) for cause in ranked["cause"]],
            "Before": [percent(p) for p in ranked["prior"]],
            "Now": [percent(p) for p in ranked["probability"]],
            "Range": [
                percent_range(low, high)
                for low, high in zip(ranked["low"], ranked["high"], strict=True)
            ],
            "In words": ranked["word"].to_numpy(),
        }
    )
    caption = (
        "Explanations of the loss; \u201cnow\u201d adds up to the whole. Before: the prior, which "
        f"is \u201c{told.used_prior}\u201d. The range runs over all priors of the last table here, "
        "and over the trails whose time cannot be told."
    )
    return TableBlock(frame, caption)


def _seen_blocks(told: Explanations) -> tuple[Block, ...]:
    """Print each character that was noted, with what it speaks for and against."""
    seen = told.carcass.seen
    if seen.empty:
        return ()
    rows = [
        (
            CHARACTER_NAMES[row.character].capitalize(),
            row.state,
            *_for_and_against(told, str(row.character)),
        )
        for row in seen.itertuples()
    ]
    frame = pd.DataFrame(rows, columns=["What was noted", "As", "Fits best", "Speaks against"])
    caption = (
        "What was noted, and what it speaks for. What was not seen speaks for nothing. "
        f"Speaks against: at least {AGAINST:g} to 1."
    )
    blocks: list[Block] = [TableBlock(frame, caption)]
    if told.carcass.contradictions:
        blocks += [Paragraph("The evidence does not agree:")]
        blocks += [Bullets(told.carcass.contradictions)]
    return tuple(blocks)


def _for_and_against(told: Explanations, character: str) -> tuple[str, str]:
    if character not in told.carcass.by_character.index:
        return "not weighed", "not weighed"
    possible = [cause for cause in CAUSE_ORDER if told.of(cause) is not None]
    weights = told.carcass.by_character.loc[character, possible]
    weights = weights - weights.max()
    fits = weights.index[weights >= -np.log(FITS)]
    against = weights.index[weights <= -np.log(AGAINST)]
    if len(fits) > len(possible) / 2:
        return "nothing in particular", _causes(against)
    return _causes(fits), _causes(against)


def _causes(causes: pd.Index) -> str:
    return listed([_name(cause) for cause in causes]) if len(causes) else "nothing"


def _name(cause: str) -> str:
    """Name of a cause, without what stands in brackets behind it."""
    return CAUSES[cause].split(" (")[0]


def _prior_table(told: Explanations, asked: str) -> TableBlock:
    best = told.ranked["cause"].head(MOST_CAUSES).tolist()
    chosen = [cause for cause in dict.fromkeys([asked, *best]) if told.of(cause) is not None]
    wide = told.by_prior.set_index(["prior", "cause"])["probability"].unstack()  # noqa: PD010
    wide = wide.reindex(told.by_prior["prior"].drop_duplicates())[chosen]
    frame = pd.DataFrame({"Prior": [str(what).capitalize() for what in wide.index]})
    for cause in chosen:
        frame[_name(cause).capitalize()] = [percent(p) for p in wide[cause]]
    caption = f"The same under each prior that was tried.{_season_sentence(told)}"
    return TableBlock(frame, caption)


def _season_sentence(told: Explanations) -> str:
    """Say what the prior of the time of year holds to be commoner or rarer than over the year."""
    if told.season is None:
        return ""
    here = told.season[[cause for cause in CAUSE_ORDER if told.of(cause) is not None]]
    more, less = here.index[here > 1], here.index[here < 1]
    said = [f"{_causes(more)} more often"] if len(more) else []
    said += [f"{_causes(less)} less often"] if len(less) else []
    if not said:
        return ""
    return f" At that time of year, stock is lost to {listed(said)} than over the whole year."


def settling_blocks(findings: IncidentFindings) -> tuple[Block, ...]:
    """Print what would tell more, most telling first, and how long it lasts."""
    rows = findings.explanations.settling
    numbered = rows[rows["bits"].notna()].head(MOST_SETTLING)
    rows = pd.concat([numbered, rows[rows["bits"].isna()]])
    frame = pd.DataFrame(
        {
            "What to look for": rows["what"].to_numpy(),
            "Lasts": rows["lasts"].to_numpy(),
            "Would tell": [_worth(bits) for bits in rows["bits"]],
        }
    )
    caption = (
        "What was not seen, most telling first: how far it would narrow the explanations down, on "
        "average over what may be found. Sources: agricultural extension bulletins on predation; "
        "agency pages; common practice."
    )
    items = []
    if findings.window.open_at_start:
        items.append("The time when the stock was last seen well. Ask everyone who was there.")
    if findings.passing.trails_not_told:
        items.append("The last time when rain, wind or traffic wiped the ground under the trails.")
    if findings.nobody_looked or not findings.effort["walks"]["after"]:
        items.append("A walk of the tracks and washes around the place, before the next rain.")
    also = (Paragraph("And for the tracks near:"), Bullets(tuple(items))) if items else ()
    return (Heading("What would settle it"), TableBlock(frame, caption), *also)


def _worth(bits: float) -> str:
    if np.isnan(bits):
        return "not reckoned"
    return "much" if bits >= MUCH_BITS else "some" if bits >= SOME_BITS else "little"


def blank_sentence(findings: IncidentFindings, words: TaxonWords) -> str:
    """Say what it means that the walks near found no trail of that time."""
    blank = findings.blank
    if findings.nobody_looked:
        return "Nobody looked near the place, so a blank means nothing here."
    if np.isnan(blank.km_days):
        return "What a blank of these walks is worth cannot be told."
    if blank.km_days <= 0:
        return "No walk near saw ground that still held tracks of that time: a blank means nothing."
    if not blank.told:
        return (
            f"How often {words.many} leave trails could not be estimated, so what a blank is "
            "worth cannot be told."
        )
    return (
        f"Had {words.many} been about as they are where they live, these walks would have found at "
        f"least one trail of that time with a probability of {percent(blank.probability)} "
        f"({percent_range(blank.low, blank.high)}). The chance that they missed all of them is "
        f"{percent(1 - blank.probability)}."
    )


def passage_blocks(
    findings: IncidentFindings, passages: Passages | None, words: TaxonWords
) -> tuple[Block, ...]:
    """Answer the question that comes next: how often, and is it getting more?"""
    heading = Heading("How often do they pass here")
    km = kilometres(findings.within_m)
    if passages is None:
        return (heading, Paragraph(f"No segment within {km} was walked, so it cannot be told."))
    whole, months = passages.whole, passages.by_month
    said = (
        f"On {whole['effort_km']:.0f} km walked within {km} in {count(len(months), 'month')}, "
        f"{whole['trails_expected']:.1f} trails of {words.many} were found, summed by "
        f"probability: {_per_ten_km(whole)} per 10 km, with 95 % limits."
    )
    frame = pd.DataFrame(
        {
            "Month": [pd.Period(p, freq="M").strftime("%b %Y") for p in months["period"]],
            "Walked": months["effort_km"],
            "Trails, summed by probability": [f"{n:.1f}" for n in months["trails_expected"]],
            "Per 10 km, with 95 % limits": [_per_ten_km(row) for _, row in months.iterrows()],
        }
    )
    caption = "Trails found on the segments near, by month. They tell when people looked, too."
    index = (
        "A rate of trails is an index, not a number of animals. The hour at which an animal "
        "passed is known only between two wipings of the ground."
    )
    change = (Paragraph(passages.change),) if passages.change else ()
    table = TableBlock(frame, caption, {"Walked": "km"}, {"Walked": 1})
    return (heading, Paragraph(said), table, *change, Paragraph(index))


def _per_ten_km(row: pd.Series) -> str:
    low, rate, high = (
        10 * float(row[name])
        for name in ("trails_per_km_low", "trails_per_km", "trails_per_km_high")
    )
    return f"{rate:.2f} ({low:.2f} to {high:.2f})"
