"""Form: the field form as sheets of an XLSForm, from the vocabularies of the library.

XLSForm is an open way of writing a field form in a workbook: sheet ``survey`` holds a question
a row, ``choices`` their answers, ``settings`` the name of the form. Which question fills which
column is said in ``records/form.py``; here it is said how each is asked, when, and within which
limits.

Source: the XLSForm standard (sheets, column names, types of questions).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.field.cautions import FIELD_CAUTIONS
from carnivore_sign.field.words import QUESTIONS, label_of
from carnivore_sign.records.form import (
    CLEARING_PART,
    FORM_ID,
    FORM_VERSION,
    NO_TAXON,
    NOT_ASKED_OF,
    OTHER_TRANSECT,
    PRINT_PART,
    SIGN_PART,
    WALK_PART,
    FormPart,
)
from carnivore_sign.records.vocabularies import CHARACTERS

Row = dict[str, str]

#: Columns of the sheet of questions, in order.
SURVEY_COLUMNS: Final = (
    "type", "name", "label", "hint", "required", "relevant", "constraint", "constraint_message",
    "calculation", "default", "appearance", "parameters",
)  # fmt: skip
#: Longest side that a client may scale photos down to, px: the tracing page takes as much.
PHOTO_SIDE_PX: Final = 3000
_TYPES: Final = {
    "text": "text", "number": "decimal", "moment": "dateTime", "place": "geopoint",
    "photo": "image",
}  # fmt: skip
_UNITS: Final = {"mm": "mm", "km": "km", "h": "hours", "deg": "degrees", "percent": "per cent"}

#: How the form names what it names by itself. ``once`` keeps a name when the form is opened again.
_CALCULATED: Final = {
    "form_walk": "once(concat(format-date-time(now(), '%Y%m%d'), '-', substr(uuid(), 0, 4)))",
    "wiped_transects": "if(${wiped_where} = 'all', 'all', ${walk_transect})",
    "form_sign": "once(concat(${form_walk}, '-', position(..), "
    "'-', format-date-time(now(), '%H%M%S')))",
    "sign_walk": "${form_walk}",
    "sign_observer": "${observer}",
    "print_sign": "${form_sign}",
    "print_no": "position(..)",
}
_NAMED: Final = f"${{named_as}} != '' and ${{named_as}} != '{NO_TAXON}'"
_NO_LOG: Final = "${logged} = 'no'"
_RELEVANT: Final = {
    "distance_km": _NO_LOG,
    "back": _NO_LOG,
    "certainty_percent": _NAMED,
    "direction_deg": "${kind} = 'track'",
    "stride_mm": "${kind} = 'track'",
}
_REQUIRED: Final = ("observer", "transect", "transect_other", "started", "logged", "found_sign",
                    "wiped_by", "wiped_at", "wiped_where", "sign_time", "kind")  # fmt: skip
_CONSTRAINTS: Final = {
    "ended": (
        "decimal-date-time(.) >= decimal-date-time(${started})", "The end is after the start.",
    ),
    "wiped_at": (
        "decimal-date-time(.) <= decimal-date-time(now())", "It cannot lie in the future.",
    ),
    "age_max_h": (
        ". >= 0 and (${age_min_h} = '' or . >= ${age_min_h})",
        "The oldest is not below the youngest.",
    ),
}  # fmt: skip


def form_sheets(*, transects: Sequence[str] = ()) -> dict[str, pd.DataFrame]:
    """Return the sheets of the field form.

    Parameters
    ----------
    transects : sequence of str
        Names to choose the transect from; without them its name is typed.

    Returns
    -------
    dict of str to DataFrame
        ``survey``, ``choices`` and ``settings``, all text, blank where nothing stands.

    Raises
    ------
    InputError
        If a transect has no name, or two have the same.

    Examples
    --------
    >>> sheets = form_sheets(transects=["MESA", "WASH"])
    >>> claws = sheets["choices"].query("list_name == 'claws'")
    >>> claws["label"].tolist()
    ['none', 'fine apart', 'blunt joined', 'not visible']
    """
    names = [str(name).strip() for name in transects]
    if not all(names) or len(set(names)) < len(names):
        raise InputError("every transect of the form needs a name of its own")
    settings = {
        "form_title": "Carnivore sign: one walk of a transect",
        "form_id": FORM_ID,
        "version": FORM_VERSION,
        "instance_name": "concat(${walk_transect}, ' ', ${form_walk})",
    }
    return {
        "survey": _frame(_survey(listed=bool(names)), SURVEY_COLUMNS),
        "choices": _frame(_choices(names), ("list_name", "name", "label")),
        "settings": _frame([settings], tuple(settings)),
    }


def _frame(rows: Iterable[Row], columns: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(columns), dtype="object").fillna("")


def _survey(*, listed: bool) -> list[Row]:
    """List the questions in the order in which they are asked."""
    return [
        _calculate("form_walk"),
        *_group("walk", "The walk", _walk(listed=listed)),
        *_repeat(CLEARING_PART, "The surface was wiped", "${was_wiped} = 'yes'", _clearing()),
        *_repeat(SIGN_PART, "Sign", "${found_sign} = 'yes'", _sign()),
        *_group(
            "the_end",
            "The end of the walk",
            _asked(WALK_PART, ("ended", "distance_km", "back", "walk_notes")),
        ),
    ]


def _walk(*, listed: bool) -> list[Row]:
    before = _asked(WALK_PART, ("observer", "transect"))
    if listed:
        other = _asked(WALK_PART, ("transect_other",))[0]
        before[1]["type"] = "select_one transect"
        before.append(other | {"relevant": f"${{transect}} = '{OTHER_TRANSECT}'"})
        chosen = f"if(${{transect}} = '{OTHER_TRANSECT}', ${{transect_other}}, ${{transect}})"
    else:
        chosen = "${transect}"
    rest = ("started", "began_at", "logged", "tracking_quality", "surface_state", "was_wiped",
            "found_sign")  # fmt: skip
    return [*before, _calculate("walk_transect", chosen), *_asked(WALK_PART, rest)]


def _clearing() -> list[Row]:
    asked = _asked(CLEARING_PART, ("wiped_by", "wiped_at", "wiped_where"))
    return [*_group("wiped", "Wiped", asked), _calculate("wiped_transects")]


def _sign() -> list[Row]:
    what = ("sign_time", "place", "waypoint", "kind")
    more = ("sign_surface", "named_as", "certainty_percent", "age_min_h", "age_max_h",
            "direction_deg", "stride_mm", "sign_photo", "sign_photo_2", "sign_notes")  # fmt: skip
    return [
        *map(_calculate, ("form_sign", "sign_walk", "sign_observer")),
        *_group("sign_place", "Where and what", _asked(SIGN_PART, what)),
        _note("caution_gloves", "gloves", "${kind} = 'scat' or ${kind} = 'hair'"),
        _note("caution_puma", "puma", "${kind} = 'kill' or ${kind} = 'cache'"),
        _note("caution_scene", "scene", "${kind} = 'kill'"),
        *_group("sign_more", "What it tells", _asked(SIGN_PART, more)),
        *_repeat(PRINT_PART, "Print", "${kind} = 'track'", _print()),
    ]


def _print() -> list[Row]:
    sizes = ("foot", "length_mm", "width_mm", "pad_width_mm", "print_photo")
    characters = _asked(PRINT_PART, tuple(CHARACTERS))
    for row in characters:
        absent = [taxon for taxon, names in NOT_ASKED_OF.items() if row["name"] in names]
        row["relevant"] = " and ".join(f"${{named_as}} != '{taxon}'" for taxon in absent)
    hint = (
        "Say 'not visible' where ground, overlap or light hid it: it then says nothing either way. "
        "Leave open what you did not look at. No single character decides."
    )
    about: Row = {"type": "note", "name": "about_characters", "label": hint}
    return [
        *map(_calculate, ("print_sign", "print_no")),
        *_group("print_sizes", "Size", _asked(PRINT_PART, sizes)),
        *_group("print_characters", "What you see", [about, *characters]),
    ]


def _asked(part: FormPart, names: Sequence[str]) -> list[Row]:
    """Return the questions of a part, as the sheet has them."""
    rows = []
    for name in names:
        field = part[name]
        label, hint = QUESTIONS[name]
        row: Row = {"name": name, "label": label, "hint": hint}
        row["type"] = f"select_one {list_of(name)}" if field.words else _TYPES[field.kind]
        row["required"] = "yes" if name in _REQUIRED else ""
        row["relevant"] = _RELEVANT.get(name, "")
        row["constraint"], row["constraint_message"] = _limits(part, name)
        if field.kind == "moment" and not field.asked:
            row["default"] = "now()"
        if field.kind == "photo":
            row["parameters"] = f"max-pixels={PHOTO_SIDE_PX}"
        rows.append(row)
    return rows


def _limits(part: FormPart, name: str) -> tuple[str, str]:
    """Return the constraint of a question and what is said where it is not kept."""
    if name in _CONSTRAINTS:
        return _CONSTRAINTS[name]
    field = part[name]
    if field.kind != "number":
        return "", ""
    low, high = part.limits(field)
    unit = _UNITS.get(name.rsplit("_", 1)[-1], "")
    if high is None:
        return f". >= {low:g}", f"{low:g} {unit} or more."
    return f". >= {low:g} and . <= {high:g}", f"Between {low:g} and {high:g} {unit}."


def _calculate(name: str, calculation: str | None = None) -> Row:
    return {"type": "calculate", "name": name, "calculation": calculation or _CALCULATED[name]}


def _note(name: str, caution: str, relevant: str) -> Row:
    return {"type": "note", "name": name, "label": FIELD_CAUTIONS[caution], "relevant": relevant}


def _group(name: str, label: str, rows: list[Row]) -> list[Row]:
    """Put questions on one page."""
    begin: Row = {"type": "begin group", "name": name, "label": label, "appearance": "field-list"}
    return [begin, *rows, {"type": "end group"}]


def _repeat(part: FormPart, label: str, relevant: str, rows: list[Row]) -> list[Row]:
    begin: Row = {
        "type": "begin repeat", "name": part.element, "label": label, "relevant": relevant,
    }  # fmt: skip
    return [begin, *rows, {"type": "end repeat"}]


def list_of(name: str) -> str:
    """Return the name of the list of answers of a question.

    Examples
    --------
    >>> list_of("claws"), list_of("logged"), list_of("back")
    ('claws', 'yes_no', 'yes_no')
    """
    return "yes_no" if name in ("logged", "back", "was_wiped", "found_sign") else name


def _choices(transects: Sequence[str]) -> list[Row]:
    """List the answers of every question that has a choice, each list once."""
    rows: list[Row] = []
    done: set[str] = set()
    for part in (WALK_PART, CLEARING_PART, SIGN_PART, PRINT_PART):
        for field in part.fields:
            name = list_of(field.name)
            if not field.words or name in done:
                continue
            done.add(name)
            character = field.name if field.name in CHARACTERS else None
            rows += [
                {"list_name": name, "name": word, "label": label_of(word, character)}
                for word in field.words
            ]
    listed = [*transects, OTHER_TRANSECT] if transects else []
    rows += [
        {
            "list_name": "transect",
            "name": name,
            "label": name if name in transects else label_of(name),
        }
        for name in listed
    ]
    return rows
