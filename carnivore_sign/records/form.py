"""Form: the questions of the field form, and the column of the record that each one fills.

The one place where both are tied together: the room that writes the form and the one that
reads what was filled in start from here. A table of the record is a repeated part of the form,
but for the walk, which is the form itself. The form names walks and sign by itself; each part
carries the name of what it belongs to, so that a part that is exported alone can be read alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from carnivore_sign.records.schema import Column, Table
from carnivore_sign.records.tables import CLEARINGS, PRINTS, SIGN, WALKS
from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    CLEARING_CAUSES,
    FEET,
    NOT_VISIBLE,
    SIGN_KINDS,
    SURFACES,
    TAXA,
    TRANSECT_ENDS,
    YES_NO,
)

#: What the root element of a submission names as the form, and the version that is written.
FORM_ID: Final = "carnivore_sign_walk"
FORM_VERSION: Final = "1"

#: Answer for a transect that is not in the list of the form: its name is then asked for.
OTHER_TRANSECT: Final = "not_in_this_list"
#: Answer for an animal that nobody named.
NO_TAXON: Final = "unknown"
#: Where a wiping event was, in the words of the form.
WIPED_PLACES: Final = ("this_transect", "all")

FieldKind = Literal["text", "choice", "number", "count", "moment", "place", "photo"]


@dataclass(frozen=True)
class FormField:
    """One question of the form, or a value that the form fills in by itself.

    Attributes
    ----------
    name : str
        Its name in the form; there is no other of that name.
    kind : str
        What is written there.
    column : str
        The column that it fills; blank if it only steers what else is asked.
    words : tuple of str
        Answers of a choice.
    factor : float
        What is written times this is what the column holds.
    asked : bool
        False if the form fills it in, so that it shows nothing about whether anybody wrote.
    """

    name: str
    kind: FieldKind
    column: str = ""
    words: tuple[str, ...] = ()
    factor: float = 1.0
    asked: bool = True


@dataclass(frozen=True)
class FormPart:
    """The part of the form that fills one table.

    Attributes
    ----------
    table : Table
        The table of the record.
    element : str
        Name of the repeated element; that of the walk is the root.
    fields : tuple of FormField
        In the order in which they are asked.
    """

    table: Table
    element: str
    fields: tuple[FormField, ...]

    def __getitem__(self, name: str) -> FormField:
        return next(one for one in self.fields if one.name == name)

    def fields_of(self, column: str) -> list[FormField]:
        """Return the fields that fill a column, in order."""
        return [one for one in self.fields if one.column == column]

    def limits(self, field: FormField) -> tuple[float | None, float | None]:
        """Return the least and most that may be written, in the unit of the form."""
        column = self.column(field)
        low, high = column.at_least, column.at_most
        return (
            None if low is None else low / field.factor,
            None if high is None else high / field.factor,
        )

    def column(self, field: FormField) -> Column:
        """Return the column that a field fills."""
        return self.table[field.column]


def _filled(name: str, column: str, kind: FieldKind = "text") -> FormField:
    return FormField(name, kind, column, asked=False)


def _choice(name: str, column: str, words: tuple[str, ...]) -> FormField:
    return FormField(name, "choice", column, words)


WALK_PART: Final = FormPart(
    WALKS,
    FORM_ID,
    (
        _filled("form_walk", "walk"),
        FormField("observer", "text", "observer"),
        FormField("transect", "text", "transect"),
        FormField("transect_other", "text", "transect"),
        _filled("walk_transect", "transect"),
        FormField("started", "moment", "start", asked=False),
        _choice("began_at", "began_at", TRANSECT_ENDS),
        _choice("logged", "logged", YES_NO),
        _choice("tracking_quality", "tracking_quality", WALKS["tracking_quality"].words),
        FormField("surface_state", "text", "surface_state"),
        _choice("was_wiped", "", YES_NO),
        _choice("found_sign", "found_sign", YES_NO),
        FormField("ended", "moment", "end"),
        FormField("distance_km", "number", "distance_m", factor=1000.0),
        _choice("back", "back", YES_NO),
        FormField("walk_notes", "text", "notes"),
    ),
)

CLEARING_PART: Final = FormPart(
    CLEARINGS,
    "surface_wiped",
    (
        _choice("wiped_by", "cause", CLEARING_CAUSES),
        FormField("wiped_at", "moment", "time"),
        _choice("wiped_where", "", WIPED_PLACES),
        _filled("wiped_transects", "transects"),
    ),
)

SIGN_PART: Final = FormPart(
    SIGN,
    "sign_found",
    (
        _filled("form_sign", "sign"),
        _filled("sign_walk", "walk"),
        _filled("sign_observer", "observer"),
        FormField("sign_time", "moment", "time", asked=False),
        FormField("place", "place", "geometry"),
        FormField("waypoint", "text", "waypoint"),
        _choice("kind", "kind", SIGN_KINDS),
        _choice("sign_surface", "surface", SURFACES),
        _choice("named_as", "named_as", (*TAXA, NO_TAXON)),
        FormField("certainty_percent", "number", "confidence", factor=0.01),
        FormField("age_min_h", "number", "age_min_h"),
        FormField("age_max_h", "number", "age_max_h"),
        FormField("direction_deg", "number", "direction_deg"),
        FormField("stride_mm", "number", "stride_m", factor=0.001),
        FormField("sign_photo", "photo", "photo"),
        FormField("sign_photo_2", "photo", "photo"),
        FormField("sign_notes", "text", "notes"),
    ),
)

PRINT_PART: Final = FormPart(
    PRINTS,
    "print_seen",
    (
        _filled("print_sign", "sign"),
        _filled("print_no", "print_no", "count"),
        _choice("foot", "foot", FEET),
        FormField("length_mm", "number", "length_mm"),
        FormField("width_mm", "number", "width_mm"),
        FormField("pad_width_mm", "number", "pad_width_mm"),
        *(_choice(name, name, (*states, NOT_VISIBLE)) for name, states in CHARACTERS.items()),
        FormField("print_photo", "photo", "photo"),
    ),
)

#: The parts of the form by the table that they fill, outermost first.
FORM_PARTS: Final[dict[str, FormPart]] = {
    part.table.name: part for part in (WALK_PART, CLEARING_PART, SIGN_PART, PRINT_PART)
}

#: Characters that are not asked of the print of an animal that was named, because its foot has
#: nothing of the kind: a bear has five toes in a row before a broad pad (common practice, no
#: source).
NOT_ASKED_OF: Final[dict[str, tuple[str, ...]]] = {
    "black_bear": ("leading_toe", "outer_toes", "toes_in_pad", "negative_space"),
}
