"""Key: puma or dog on one page - each character, what it speaks for, and how strongly.

Every number is taken from the evidence that the library weighs with: of the prints that show
the character at all, the share of each animal's that shows a state, and the odds that one print
with that state alone moves towards puma or dog. A range of sizes is drawn below.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from carnivore_sign.field.drawings import draw_state
from carnivore_sign.field.paper import Paper, render_page
from carnivore_sign.field.words import CHARACTER_WORDS, label_of
from carnivore_sign.identify import Evidence, character_weights, load_evidence
from carnivore_sign.records.vocabularies import CHARACTERS, MEASURES, TAXA

#: The two that the key is about, and the others that are told beside them.
FOR: Final = "puma"
AGAINST: Final = "dog"
OTHERS: Final = ("bobcat", "lynx", "coyote", "wolf", "red_fox", "black_bear")
_MEASURE_WORDS: Final = {"length_mm": "length", "width_mm": "width", "pad_width_mm": "pad width"}
#: Range of sizes that is drawn, mm, and how many SDs on either side a bar reaches (nine in ten).
_SIZE_RANGE: Final = (0.0, 140.0)
_BAR_SDS: Final = 1.645
#: Odds below which a state is said to speak for neither.
_NO_ODDS: Final = 1.1


def key_table(evidence: Evidence | None = None) -> pd.DataFrame:
    """Return what each state of each character says of puma against dog.

    Parameters
    ----------
    evidence : Evidence, optional
        As `load_evidence` gives it, if not given.

    Returns
    -------
    DataFrame
        One row per state: ``character``, ``state``; a column per taxon with the share of its
        prints that show the state, 0 to 1; ``log10_odds`` for puma against dog of that state
        alone, tempered and capped as everything is weighed; ``source``.

    Examples
    --------
    >>> table = key_table().set_index(["character", "state"])
    >>> float(table.loc[("leading_toe", "one_leads"), "log10_odds"].round(2))
    0.51
    """
    known = evidence or load_evidence()
    states = [(name, state) for name, some in CHARACTERS.items() for state in some]
    prints = pd.DataFrame([{name: state} for name, state in states])
    weights = character_weights(prints, known, taxon=FOR, against=AGAINST)
    table = known.characters.loc[states].reset_index()
    alone = [weights.loc[row, name] for row, (name, _) in enumerate(states)]
    return table.assign(log10_odds=alone)[["character", "state", *TAXA, "log10_odds", "source"]]


def character_key(*, paper: Paper = "a4", evidence: Evidence | None = None) -> bytes:
    """Return the character key as a PDF of one page.

    Parameters
    ----------
    paper : {'a4', 'letter'}
        The paper.
    evidence : Evidence, optional
        As `load_evidence` gives it, if not given; or from prints of one's own.

    Returns
    -------
    bytes
        The PDF; `write_page` writes it.

    Examples
    --------
    >>> character_key()[:5]
    b'%PDF-'
    """
    known = evidence or load_evidence()
    table = key_table(known)
    content: dict[str, Any] = {
        "title": "Puma or dog? What each character says",
        "characters": [
            _character(name, rows) for name, rows in table.groupby("character", sort=False)
        ],
        "others": [_short(taxon) for taxon in OTHERS],
        "sizes": _sizes(known),
        "size_range": list(_SIZE_RANGE),
        "strongest": _strongest(table),
        "sources": _sources(known, table),
    }
    pictures = {
        f"{row.character}-{row.state}.svg": draw_state(row.character, row.state)
        for row in table.itertuples()
    }
    return render_page("key.typ", content, paper=paper, pictures=pictures)


def odds_words(log10_odds: float) -> str:
    """Say how strongly a state speaks; blank if it speaks for neither.

    Examples
    --------
    >>> odds_words(0.51), odds_words(-0.3), odds_words(0.01)
    ('3.2 to 1', '2.0 to 1', '')
    """
    odds = 10 ** abs(log10_odds)
    return "" if odds < _NO_ODDS else f"{odds:.1f} to 1"


def _character(name: str, rows: pd.DataFrame) -> dict[str, Any]:
    words = CHARACTER_WORDS[name]
    return {
        "name": words.name,
        "look": words.look,
        "states": [
            {
                "file": f"{name}-{row.state}.svg",
                "label": label_of(row.state, name),
                "alt": f"Drawing of a print: {words.name}, {label_of(row.state, name)}",
                "odds": odds_words(row.log10_odds),
                "side": float(np.sign(row.log10_odds)),
                "puma": round(100 * row.puma),
                "dog": round(100 * row.dog),
                "others": [round(100 * getattr(row, taxon)) for taxon in OTHERS],
            }
            for row in rows.itertuples()
        ],
    }


def _short(taxon: str) -> str:
    return {"red_fox": "fox", "black_bear": "bear"}.get(taxon, TAXA[taxon])


def _sizes(evidence: Evidence) -> list[dict[str, Any]]:
    """Return the middle nine tenths of each measure of a print of unknown foot, mm."""
    found = []
    for measure in MEASURES:
        bars = []
        for taxon in (FOR, AGAINST):
            row = evidence.sizes.loc[(taxon, measure, "unknown")]
            mean, sd = float(row["mean_mm"]), float(row["sd_mm"])
            bars.append(
                {"taxon": taxon, "low": mean - _BAR_SDS * sd, "high": mean + _BAR_SDS * sd,
                 "mean": mean}
            )  # fmt: skip
        found.append({"name": _MEASURE_WORDS[measure], "bars": bars})
    return found


def _strongest(table: pd.DataFrame) -> str:
    """Say what the strongest character of all would do to odds of one in ten."""
    odds = 10 ** float(table["log10_odds"].max())
    return (
        f"Where one print in ten is a puma's, the character that speaks most for it ({odds:.1f} to "
        f"1) makes that {100 * odds / (odds + 9):.0f} in a hundred."
    )


def _sources(evidence: Evidence, table: pd.DataFrame) -> str:
    """Tell what the numbers rest on, in the words of the evidence."""
    of_sizes = evidence.sizes.loc[[FOR, AGAINST]]
    of_feet = of_sizes.index.get_level_values("foot") != "unknown"
    of_sizes = of_sizes[of_feet | ~of_sizes["source"].str.startswith("front and hind rows")]
    parts = []
    for source, rows in table.groupby("source", sort=False):
        names = [CHARACTER_WORDS[one].name.lower() for one in rows["character"].unique()]
        what = "the other characters" if len(names) > 3 else ", ".join(names)
        parts.append(f"{what} - {source}")
    for source, rows in of_sizes.groupby("source", sort=False):
        named = [f"{taxon} {_MEASURE_WORDS[measure]}" for taxon, measure, _ in rows.index]
        parts.append(f"{', '.join(dict.fromkeys(named))} - {source}")
    return "; ".join(parts) + "."
