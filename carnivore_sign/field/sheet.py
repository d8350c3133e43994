"""Sheet: the field sheet, on which a walk is written down by hand, on both sides of one paper.

The front holds the walk and its sign, the back the characters of prints with boxes to tick;
*not visible* is a box of its own. The words are those of the vocabularies, so that what is
typed from the sheet into a notebook table is read as it stands.
"""

from __future__ import annotations

from typing import Any, Final

from carnivore_sign.field.cautions import FIELD_CAUTIONS
from carnivore_sign.field.paper import Paper, render_page
from carnivore_sign.field.words import CHARACTER_WORDS, label_of
from carnivore_sign.records.tables import WALKS
from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    CLEARING_CAUSES,
    NOT_VISIBLE,
    SIGN_KINDS,
    SURFACES,
    TAXA,
)

#: Rows of the table of sign, and columns of prints on the back.
SIGN_ROWS: Final = 15
PRINTS: Final = 6

#: Columns of the table of sign: what stands above, and how wide it is beside the others.
SIGN_COLUMNS: Final = (
    ("Sign", 1.1), ("Time", 1.2), ("Waypoint, or latitude and longitude", 3.2), ("Kind", 1.3),
    ("Surface", 1.4), ("Named as", 1.7), ("Sure %", 0.9), ("Age, h: from", 0.9), ("to", 0.8),
    ("Heading °", 1.2), ("Stride mm", 1.2), ("Photos", 1.6), ("Notes", 3.6),
)  # fmt: skip


def field_sheet(*, paper: Paper = "a4", season_name: str = "") -> bytes:
    """Return the field sheet as a PDF of two pages, across.

    Parameters
    ----------
    paper : {'a4', 'letter'}
        The paper.
    season_name : str
        Printed above, if given.

    Returns
    -------
    bytes
        The PDF; `write_page` writes it.

    Examples
    --------
    >>> field_sheet()[:5]
    b'%PDF-'
    """
    content: dict[str, Any] = {
        "title": "Field sheet: one walk of a transect",
        "season": season_name,
        "walk": _walk(),
        "columns": [list(column) for column in SIGN_COLUMNS],
        "rows": SIGN_ROWS,
        "prints": PRINTS,
        "words": [
            ["Kind", _listed(SIGN_KINDS)],
            ["Surface", _listed(SURFACES)],
            ["Named as", _listed(tuple(TAXA)) + "; blank if you do not know"],
        ],
        "characters": [
            [words.name, [*(label_of(s, name) for s in CHARACTERS[name]), label_of(NOT_VISIBLE)]]
            for name, words in CHARACTER_WORDS.items()
        ],
        "cautions": list(FIELD_CAUTIONS.values()),
    }
    return render_page("sheet.typ", content, paper=paper)


def _walk() -> list[list[Any]]:
    """Return the lines of the head: per line its fields, each a name, a width and boxes."""
    return [
        [["Transect", 3, []], ["Date", 2, []], ["Start", 1.5, []], ["End", 1.5, []],
         ["Observers", 4, []]],
        [["GPS log", 0, ["yes", "no"]], ["its file", 3, []], ["No log: km", 1.3, []],
         ["there and back", 0, ["yes", "no"]], ["Began at the", 0, ["start", "end"]],
         ["Any sign found", 0, ["yes", "no"]]],
        [["Surface shows tracks", 0, list(WALKS["tracking_quality"].words)],
         ["What it is like", 4, []], ["Last wiped by", 0, list(CLEARING_CAUSES)],
         ["when", 2.2, []]],
    ]  # fmt: skip


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(label_of(word) for word in words)
