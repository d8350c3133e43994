"""Choices: what the numbers of a page rest on besides the records, printed with them.

A prior, a tolerance or a cut-off is chosen and not measured. Another choice gives other
numbers, so each stands on the page, and each cut-off is read from where the code reads it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from carnivore_sign.incidents.words import percent
from carnivore_sign.maps.style import STATE_LABELS, STATES
from carnivore_sign.records.vocabularies import LIKELY_FROM, SURE_FROM, TAXA, UNLIKELY_BELOW
from carnivore_sign.reports.content import Block, Bullets, Heading, Paragraph, TableBlock
from carnivore_sign.reports.wording import taxon_words

_CHOSEN: Final = "The prior is a choice as well."
_LEARNT: Final = (
    "The shares of the animals among the season's trails were estimated from the trails, with the "
    "prior of the region, a choice, behind them."
)


@dataclass(frozen=True, eq=False)
class Choices:
    """What was chosen for an analysis.

    Attributes
    ----------
    region : str, optional
        Region whose prior was used, in words.
    prior : mapping of str to float
        Prior probability of each taxon; those of 0 are named as absent.
    shares : mapping of str to float
        Share of each taxon among the season's trails, where it was estimated from them with
        the prior behind it, and used in place of the prior; empty where it was not.
    settings : mapping of str to str
        Every other choice, by what it is, with its unit.
    tried : DataFrame, optional
        The month's counts under other priors: ``prior`` (in words), ``used`` (bool),
        ``trails_expected``, ``found_sure``, ``found_likely``.
    messages : tuple of str
        What the fit has to say of itself.
    """

    region: str | None = None
    prior: Mapping[str, float] = field(default_factory=dict)
    shares: Mapping[str, float] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    tried: pd.DataFrame | None = None
    messages: tuple[str, ...] = ()


def choice_blocks(choices: Choices, taxon: str) -> tuple[Block, ...]:
    """Print the choices: the prior, the settings, the cut-offs, and what the fit says."""
    blocks: list[Block] = [Heading("What was chosen, and not measured")]
    blocks.append(
        Paragraph(
            "The likelihood ratios, that is what each character says of each animal, are working "
            "values from common practice. They are not estimates. "
            f"{_LEARNT if choices.shares else _CHOSEN} Other choices give other numbers."
        )
    )
    if choices.prior:
        blocks.append(_prior_table(choices))
    if choices.settings:
        said = "; ".join(f"{what}: {value}" for what, value in choices.settings.items())
        blocks.append(Paragraph(f"Settings: {said}."))
    blocks.append(Bullets((*_cut_offs(taxon), *choices.messages)))
    return tuple(blocks)


def prior_blocks(choices: Choices, taxon: str) -> tuple[Block, ...]:
    """Print the counts of the month under each prior that was tried, the used one first."""
    tried = choices.tried
    if tried is None or len(tried) < 2 or not tried["used"].any():
        return ()
    tried = tried.sort_values("used", ascending=False, kind="stable")
    own, rest = tried.iloc[0], tried.iloc[1:]
    trails, sure = rest["trails_expected"], rest["found_sure"]
    said = (
        f"Under another prior, the month has {_between(trails, 1)} trails of {TAXA[taxon]} "
        f"(summed by probability) in place of {own['trails_expected']:.1f}. "
        f"{_between(sure, 0).capitalize()} segments are found, sure, in place of "
        f"{own['found_sure']}."
    )
    frame = pd.DataFrame(
        {
            "Prior": [
                f"{what.capitalize()}{' (used here)' if used else ''}"
                for what, used in zip(tried["prior"], tried["used"], strict=True)
            ],
            "Trails, summed by probability": tried["trails_expected"],
            STATE_LABELS["found_sure"].capitalize(): tried["found_sure"],
            STATE_LABELS["found_likely"].capitalize(): tried["found_likely"],
        }
    )
    caption = f"The month under each prior that was tried, {TAXA[taxon]}; segments in each state."
    return (
        Heading("If another prior is taken"),
        Paragraph(said),
        TableBlock(frame, caption, decimals={"Trails, summed by probability": 1}),
    )


def _between(values: pd.Series, decimals: int) -> str:
    low, high = (f"{end:.{decimals}f}" for end in (values.min(), values.max()))
    return low if low == high else f"{low} to {high}"


def _prior_table(choices: Choices) -> TableBlock:
    possible = [name for name, p in choices.prior.items() if p > 0]
    rows = {"region": choices.prior}
    if choices.shares:
        rows["estimated from the trails, and used"] = choices.shares
    shown = {
        TAXA[name].capitalize(): [percent(shares.get(name, 0.0)) for shares in rows.values()]
        for name in possible
    }
    if len(rows) > 1:
        shown = {"Prior": list(rows), **shown}
    none = [TAXA[name] for name, p in choices.prior.items() if not p > 0]
    caption = "Prior probability of a trail, before looking at it"
    caption += f" (region: {choices.region})." if choices.region else "."
    caption += f" Held to be absent: {', '.join(none)}." if none else ""
    return TableBlock(pd.DataFrame(shown), caption)


def _cut_offs(taxon: str) -> tuple[str, ...]:
    likely, unlikely = round(LIKELY_FROM * 100), round(UNLIKELY_BELOW * 100)
    words = taxon_words(taxon)
    return (
        f"A segment is \u201cfound, sure\u201d where the probability that one of its trails is "
        f"that of {words.one} is {STATES['found_sure'].cut_off}. It is \u201cfound, likely\u201d "
        f"at {STATES['found_likely'].cut_off}. "
        f"A trail is sure from {SURE_FROM * 100:.0f} %, likely from {likely} %, and undecided "
        f"from {unlikely} to {likely} %.",
    )
