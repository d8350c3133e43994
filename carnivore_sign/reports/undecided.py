"""Undecided: the trails of a month that may or may not be those of the taxon."""

from __future__ import annotations

from typing import Final

import pandas as pd

from carnivore_sign.incidents.words import percent
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.records.vocabularies import LIKELY_FROM, TAXA, UNLIKELY_BELOW
from carnivore_sign.reports.content import Block, Heading, Paragraph, TableBlock
from carnivore_sign.reports.grounds import ON_WORD
from carnivore_sign.reports.record import PageRecord
from carnivore_sign.reports.wording import count

#: The most trails that are printed one by one.
MOST_TRAILS: Final = 25

#: Between these probabilities a trail counts as undecided.
UNDECIDED: Final = (UNLIKELY_BELOW, LIKELY_FROM)


def undecided_blocks(trails: pd.DataFrame, taxon: str, record: PageRecord) -> tuple[Block, ...]:
    """Print the trails of a month whose probability lies in the middle."""
    heading, share = Heading("What was undecided"), trails[taxon_column(taxon)]
    open_ = trails[((share > UNDECIDED[0]) & (share < UNDECIDED[1])).to_numpy(dtype=bool)]
    untold = int(share.isna().sum())
    between = f"between {UNDECIDED[0] * 100:.0f} and {UNDECIDED[1] * 100:.0f} %"
    verb = "is" if len(trails) == 1 else "are"
    said = f"{count(len(trails), 'trail')} {verb} on record this month. "
    said += (
        f"{len(open_)} of them {'is' if len(open_) == 1 else 'are'} undecided: the probability "
        f"of {TAXA[taxon]} lies {between}."
        if len(open_)
        else f"No trail has a probability of {TAXA[taxon]} {between}."
    )
    if not len(trails):
        said = "No trail is on record this month, so that there was nothing to decide."
    if untold:
        said += f" For {count(untold, 'trail')} there is no probability."
    said += _on_word_sentence(trails, taxon, named=record.edition.exact)
    if open_.empty or not record.edition.exact:
        return (heading, Paragraph(said))
    others = [taxon_column(t) for t in TAXA if t != taxon and taxon_column(t) in open_]
    known = open_[others].astype(float).fillna(0.0)
    frame = pd.DataFrame(
        {
            "Trail": open_["trail"],
            "Found": open_["time"].map(record.local),
            **_grounds(open_),
            "Prints": open_["print_count"],
            TAXA[taxon].capitalize(): [percent(p) for p in open_[taxon_column(taxon)]],
            "Next": known.idxmax(axis=1).str.removeprefix("p_").map(TAXA),
            "Its probability": [percent(p) for p in known.max(axis=1)],
        }
    )
    caption = "Undecided trails: what was found, who named it as what, and how many prints."
    if len(frame) > MOST_TRAILS:
        caption += f" The first {MOST_TRAILS} of {len(frame)}.{record.full_table('trails')}"
    return (heading, Paragraph(said), TableBlock(frame.head(MOST_TRAILS), caption))


def _grounds(open_: pd.DataFrame) -> dict[str, pd.Series]:
    """Return the columns that say what a trail rests on; the number of sign where none does."""
    if "kinds" not in open_:
        return {"Sign": open_["sign_count"]}
    kinds = open_["kinds"].replace({"kill": "remains of prey"})
    return {"Sign": kinds, "Named as (by)": open_["named"].fillna("not named")}


def _on_word_sentence(trails: pd.DataFrame, taxon: str, *, named: bool) -> str:
    """Say how many calls that count as likely or sure rest on a naming alone."""
    if "on_word" not in trails:
        return ""
    called = trails[taxon_column(taxon)].ge(LIKELY_FROM) & trails["on_word"]
    number = int(called.sum())
    if not number:
        return ""
    verb = "rests" if number == 1 else "rest"
    return (
        f" {count(number, 'trail')} that {'counts' if number == 1 else 'count'} as likely or sure "
        f"{verb} on {ON_WORD}: no print of {'it' if number == 1 else 'them'} was noted"
        + (f" ({', '.join(trails.loc[called, 'trail'].head(10))})." if named else ".")
    )
