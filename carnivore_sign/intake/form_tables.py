"""Form tables: filled-in field forms exported as CSV, one file for each part of the form.

A column is named by the path of its question, joined by any of ``/ - . :``, and only the last
name counts; of a place, latitude and longitude may stand in columns of their own. Rows of the
repeated parts belong to a row of another file by the key in ``PARENT_KEY``; the names that the
form filled in go before that, and where it filled in none, names are made from the keys.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from carnivore_sign.errors import InputError
from carnivore_sign.intake.form_rows import FormRows, sort_form_rows
from carnivore_sign.intake.reading import Reading, make_reading
from carnivore_sign.intake.sheets import read_grid
from carnivore_sign.intake.source import Source
from carnivore_sign.intake.submissions import passed_over, walk_name_of
from carnivore_sign.records.form import FORM_PARTS, FormPart

_PATH: Final = re.compile(r"[/\-.:]")
_KEYS: Final = {"key": "key", "instanceid": "key", "parent_key": "parent", "parent_id": "parent",
                "deprecatedid": "replaces"}  # fmt: skip
_PLACE_PARTS: Final = ("latitude", "longitude", "altitude", "accuracy")
#: Columns that exports add about the submission itself: when and how it came, and its state.
_HOUSEKEEPING: Final = re.compile(
    r"^_|submi|attach|review|edits?$|device|version|status|instance|index$|uuid|^set_of|^end$|^start$"
    r"|^today$|^generated",
    re.IGNORECASE,
)
#: Fewest questions by which a part of the form is known.
_LEAST: Final = 3


@dataclass(frozen=True)
class _Columns:
    """What the columns of an export are: questions, keys, and others; each by its place."""

    answers: dict[str, list[int]]
    keys: dict[str, int]
    others: dict[str, int]


def part_of_export(header: Sequence[str]) -> FormPart | None:
    """Return the part of the form that a header is an export of; None if of none.

    Examples
    --------
    >>> part = part_of_export(["sign_found-form_sign", "kind", "named_as", "PARENT_KEY"])
    >>> part.table.name
    'sign'
    """
    names = {_last(name) for name in header}
    found = [(len(names & _names(part)), part) for part in FORM_PARTS.values()]
    matched, part = max(found, key=lambda pair: pair[0])
    marks = {one.name for one in part.fields if not one.asked and one.kind == "text"}
    if matched < _LEAST or not names & (marks | _KEYS.keys()):
        return None
    return part


def read_form_table(source: Source, *, time_zone: str | None = None) -> Reading:
    """Read one part of filled-in field forms from a table.

    Parameters
    ----------
    source : Source
        CSV with any separator.
    time_zone : str, optional
        IANA name of the zone of times that carry none.

    Returns
    -------
    Reading
        One table: ``walks``, ``clearings``, ``sign`` or ``prints``.
    """
    grid = read_grid(source)
    part = part_of_export(grid.header)
    if part is None:
        raise InputError(
            "no part of the field form has these columns",
            file=source.path,
            remedy="Export the answers with the names of the questions as headings.",
        )
    columns = _columns(grid.header, part)
    answers, keys = [], []
    for row in grid.rows:
        cells = [*row, *[""] * (len(grid.header) - len(row))]
        key = {name: cells[place] for name, place in columns.keys.items()}
        answers.append(_named(_answers(cells, columns), key, part.table.name))
        keys.append(key)
    spilled = {
        place: f"more cells than the {len(grid.header)} of the header: a comma in a text?"
        for place, row in enumerate(grid.rows)
        if any(row[len(grid.header) :])
    }
    is_walk = part.table.name == "walks"
    rows = FormRows(part, answers, grid.numbers, spilled).written_in(always=is_walk)
    more = {
        "submission": [key.get("key") or None for key in keys],
        "replaces": [key.get("replaces") or None for key in keys],
    }
    found = sort_form_rows(rows, source, time_zone=time_zone, more=more if is_walk else None)
    left = len(answers) - found.count
    told = [passed_over(left, part.element)] if left else []
    return make_reading(
        source,
        "form_table",
        tables={part.table.name: found.kept},
        rows_in={part.table.name: found.count},
        set_aside=[found.set_aside],
        notes=[*grid.notes, *told, *found.notes],
    )


def _names(part: FormPart) -> set[str]:
    return {one.name.lower() for one in part.fields}


def _last(written: str) -> str:
    """Return the last name of the path of a question."""
    return _PATH.split(written.strip())[-1].strip().lower()


def _columns(header: Sequence[str], part: FormPart) -> _Columns:
    """Tell what each column of an export is."""
    found = _Columns({}, {}, {})
    names = _names(part)
    places = {one.name for one in part.fields_of("geometry")}
    for place, written in enumerate(header):
        last = _last(written)
        path = [one.strip().lower() for one in _PATH.split(written.strip("_ "))]
        parent = path[-2] if len(path) > 1 else ""
        if last in names:
            found.answers.setdefault(last, [place])
        elif last in _PLACE_PARTS and parent in places:
            found.answers.setdefault(parent, []).append(place)
        elif last in _KEYS:
            found.keys.setdefault(_KEYS[last], place)
        elif last and not _HOUSEKEEPING.search(last):
            found.others[written.strip()] = place
    return found


def _answers(cells: Sequence[str], columns: _Columns) -> dict[str, str]:
    """Return the answers of one row; the parts of a place are joined as the form writes it."""
    answers = {name: " ".join(cells[at] for at in places).strip()
               for name, places in columns.answers.items()}  # fmt: skip
    return answers | {name: cells[place] for name, place in columns.others.items()}


def _named(answers: dict[str, str], key: dict[str, str], table: str) -> dict[str, str]:
    """Give a row the names that the form would have, from the keys of the export."""
    own, parent = key.get("key", ""), key.get("parent", "")
    numbers = re.findall(r"\[(\d+)\]", own)
    outer = re.findall(r"\[(\d+)\]", parent)
    walk = walk_name_of((parent or own).split("/")[0]) if own or parent else ""
    made = {}
    if table == "walks" and own:
        made = {"form_walk": walk}
    elif table == "sign" and parent and numbers:
        made = {"form_sign": f"{walk}-{numbers[-1]}", "sign_walk": walk}
    elif table == "prints" and outer and numbers:
        made = {"print_sign": f"{walk}-{outer[-1]}", "print_no": numbers[-1]}
    return answers | {name: text for name, text in made.items() if not answers.get(name)}
