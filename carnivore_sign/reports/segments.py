"""Segments: the probability that each was used; the telling ones singly, the rest summed."""

from __future__ import annotations

from typing import Final

import pandas as pd

from carnivore_sign.incidents.words import percent, percent_range
from carnivore_sign.maps.style import FOUND_AND_USED, STATE_LABELS
from carnivore_sign.records.vocabularies import FOUND_LIKELY_FROM
from carnivore_sign.reports.content import Block, Heading, Paragraph, TableBlock
from carnivore_sign.reports.grounds import ON_WORD
from carnivore_sign.reports.record import PageRecord
from carnivore_sign.reports.wording import count, taxon_words

#: Up to this many, all segments are printed one by one, and all lines of the summary.
FEW: Final = 25
#: Behind a state that rests on namings alone.
_MARK: Final = "*"

_BLANKS: Final = (
    "A {noun} that was looked at and left blank keeps a probability: sign can be missed. One that "
    "nobody looked at is judged from the others alone."
)
_CELLS: Final = (
    " A cell is called by its corner in the south and west, in degrees, and has the state of the "
    "best find in it."
)
_NOT_ESTIMATED: Final = (
    "No probability of use could be estimated. What was found and what was not stands by itself; "
    "sign can be missed, so a blank is no proof that nothing was there."
)

#: The most segments that are printed one by one where there are more.
MOST_SEGMENTS: Final = 40


def segment_blocks(monthly: pd.DataFrame, taxon: str, record: PageRecord) -> tuple[Block, ...]:
    """Print presence by segment, in the order of transect and number.

    Parameters
    ----------
    monthly : DataFrame
        MONTHLY of one period and taxon; a column ``on_word`` says which rest on namings alone.
    taxon : str
        Key of `TAXA`.
    record : PageRecord
        What the page was made from.
    """
    unit, many = record.edition.unit, taxon_words(taxon).many
    said = (
        f"{FOUND_AND_USED} {_BLANKS.format(noun=record.edition.noun)}"
        if monthly["p_presence"].notna().any()
        else _NOT_ESTIMATED
    )
    heading = Heading(f"Presence, {unit} by {unit}")
    rows = in_order(monthly)
    what = f"Probability that {many} used a {record.edition.noun} this month"
    if not record.edition.exact:
        said += _CELLS
        what += f"; for a cell, the mean over its {record.edition.noun}s that were walked"
    if len(rows) <= FEW:
        caption = f"{what}.{record.full_table('segments')}"
        return heading, Paragraph(said), _list_of(rows, caption, record)
    listed, rest = _telling(rows)
    caption = (
        f"{what}: those where sign was found, or that were looked at and have at least "
        f"{FOUND_LIKELY_FROM * 100:.0f} %."
    )
    left = len(rows) - len(rest) - len(listed)
    caption += f" The {len(listed)} most probable; {left} more are like these." if left else ""
    blocks: list[Block] = [heading, Paragraph(said + record.full_table("segments"))]
    if len(listed):
        blocks.append(_list_of(listed, caption, record))
    if len(rest):
        blocks.append(_sum_of(rest, record))
    return tuple(blocks)


def in_order(monthly: pd.DataFrame) -> pd.DataFrame:
    """Sort rows by transect and number of their segment, and add both as columns.

    Examples
    --------
    >>> rows = pd.DataFrame({"segment": ["Mill Wash#10", "Mill Wash#9", "Ash Rim#2"]})
    >>> in_order(rows)["segment"].tolist()
    ['Ash Rim#2', 'Mill Wash#9', 'Mill Wash#10']
    """
    parts = monthly["segment"].astype("object").str.rpartition("#")
    named = parts[1].eq("#")
    return monthly.assign(
        transect=parts[0].where(named, parts[2]),
        number=pd.to_numeric(parts[2].where(named), errors="coerce"),
    ).sort_values(["transect", "number", "segment"])


def _telling(rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split into the segments that are printed one by one, and those that are summed."""
    found = rows["state"].isin(["found_sure", "found_likely"])
    looked = rows["state"].ne("not_looked")
    told = (found | (looked & rows["p_presence"].ge(FOUND_LIKELY_FROM))).to_numpy(dtype=bool)
    listed = rows[told]
    most = listed["p_presence"].fillna(-1.0).nlargest(MOST_SEGMENTS, keep="first").index
    return listed[listed.index.isin(most)], rows[~told]


def _list_of(rows: pd.DataFrame, caption: str, record: PageRecord) -> TableBlock:
    lows, highs = (rows[name].astype(float) for name in ("p_presence_low", "p_presence_high"))
    limits = zip(lows, highs, strict=True)
    states = rows["state"].map(STATE_LABELS)
    if "on_word" in rows and rows["on_word"].any():
        states = states.where(~rows["on_word"], states + f" {_MARK}")
        caption += f" {_MARK} rests on {ON_WORD}: no print of these trails was noted."
    frame = pd.DataFrame(
        {
            record.edition.unit.capitalize(): rows["segment"],
            "State": states,
            "Visits": rows["visits"],
            "Walked": record.measures.from_km(rows["effort_km"]),
            "Used": [percent(p) for p in rows["p_presence"].astype(float)],
            "95 % limits": [percent_range(low, high) for low, high in limits],
        }
    )
    return TableBlock(frame, caption, {"Walked": record.measures.long}, {"Walked": 1})


def _sum_of(rows: pd.DataFrame, record: PageRecord) -> TableBlock:
    """Sum rows by transect and state; by state alone where that would be a long list."""
    unit, keys = record.edition.unit, ["transect", "state"]
    if not record.edition.exact or rows.groupby(keys).ngroups > FEW:
        keys = ["state"]
    by = rows.groupby(keys, sort=True)
    p = by["p_presence"]
    frame = pd.DataFrame(
        {
            f"{unit.capitalize()}s": by.size(),
            "Visits": by["visits"].sum(),
            "Walked": record.measures.from_km(by["effort_km"].sum()),
            "Used, lowest to highest": [
                percent_range(float(low), float(high))
                for low, high in zip(p.min(), p.max(), strict=True)
            ],
        }
    ).reset_index()
    frame["state"] = frame["state"].map(STATE_LABELS)
    frame = frame.rename(columns={"transect": "Transect", "state": "State"})
    caption = f"The other {count(len(rows), unit)}."
    return TableBlock(frame, caption, {"Walked": record.measures.long}, {"Walked": 1})
