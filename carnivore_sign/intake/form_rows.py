"""Form rows: the answers of one part of the field form, turned into rows of the record.

An answer that is missing stays missing. A part that the form opened and nobody wrote in (a
first print of which nothing was noted) is no row and is passed over. A row with a fault is set
aside whole, under names of columns that a notebook has, so that it can be mended there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import geopandas as gpd
import pandas as pd

from carnivore_sign.intake.cells import (
    counts_from_text,
    numbers_from_text,
    taxa_from_text,
    words_from_text,
)
from carnivore_sign.intake.reading import csv_line, join_set_aside, sort_rows
from carnivore_sign.intake.source import Source
from carnivore_sign.intake.tables import Cells, points_of, with_extra
from carnivore_sign.records.check import empty
from carnivore_sign.records.form import OTHER_TRANSECT, FormField, FormPart
from carnivore_sign.space import STORED_CRS

#: Columns that are written in the unit of the form where a row is to be mended.
_MENDED_AS: Final = {"stride_m": "stride_mm", "distance_m": "distance_km"}
_BETWEEN: Final = re.compile(r"[\s,;]+")
_TOLD: Final = 12


@dataclass(frozen=True, eq=False)
class FormRows:
    """The rows of one part of the form as they came.

    Attributes
    ----------
    part : FormPart
        The part.
    answers : list of dict of str to str
        Per row, what was written, by the name of the question; nothing is blank or absent.
    numbers : list of int
        The row of each in its file.
    problems : dict of int to str
        Why a row cannot be read whole, by its place in `answers`.
    """

    part: FormPart
    answers: list[dict[str, str]]
    numbers: list[int]
    problems: Mapping[int, str] = field(default_factory=dict)

    def written_in(self, *, always: bool) -> FormRows:
        """Return the rows in which somebody wrote something, or all of them if `always`."""
        filled = {one.name for one in self.part.fields if not one.asked}
        kept = [
            place
            for place, answers in enumerate(self.answers)
            if always
            or place in self.problems
            or any(text for name, text in answers.items() if name not in filled)
        ]
        return FormRows(
            self.part,
            [self.answers[place] for place in kept],
            [self.numbers[place] for place in kept],
            {at: self.problems[place] for at, place in enumerate(kept) if place in self.problems},
        )


@dataclass(frozen=True, eq=False)
class SortedRows:
    """Rows of one table: those kept, those set aside, how many there were, and notes."""

    kept: pd.DataFrame
    set_aside: pd.DataFrame
    count: int
    notes: tuple[str, ...]


def sort_form_rows(
    rows: FormRows,
    source: Source,
    *,
    time_zone: str | None,
    more: Mapping[str, Sequence[str | None]] | None = None,
) -> SortedRows:
    """Turn the answers of one part into rows of its table.

    Parameters
    ----------
    rows : FormRows
        The answers.
    source : Source
        The file they came in.
    time_zone : str, optional
        IANA name of the zone of times that carry none.
    more : mapping of str to sequence, optional
        Columns of the table that no question fills, with a value for each row of `rows`.
    """
    part = rows.part
    if not rows.answers:
        nothing = empty(part.table)
        return SortedRows(nothing, join_set_aside([]), 0, ())
    frame = pd.DataFrame(rows.answers, index=range(len(rows.answers)), dtype="object").fillna("")
    known = [one.name for one in part.fields]
    extra = frame[[name for name in frame if name not in known]]
    cells = Cells(_with_places(frame.reindex(columns=known, fill_value=""), part), {}, time_zone)
    table: dict[str, Any] = {"receipt": source.receipt, "source_row": rows.numbers, **(more or {})}
    for column in _columns(part):
        if column != "geometry":
            table[column] = _column(cells, part, column)
    notes = _told_extra(extra, part)
    beside = pd.concat([extra, _accuracy(cells)], axis=1)
    if "notes" in table:
        table["notes"] = with_extra(table["notes"], beside)
    _require_order(cells, part, table)
    cells.found.append(
        pd.DataFrame({"row": list(rows.problems), "reason": list(rows.problems.values())})
    )
    built = pd.DataFrame(table, index=frame.index)
    if part.table.geometry:
        built = gpd.GeoDataFrame(built, geometry=points_of(cells), crs=STORED_CRS)
    heading, contents = _as_notebook(cells, part, beside)
    kept, aside = sort_rows(
        built, part.table, faults=cells.faults(), contents=contents, receipt=source.receipt,
        heading=heading,
    )  # fmt: skip
    return SortedRows(kept, aside, len(built), (*dict.fromkeys(cells.notes), *notes))


def _with_places(frame: pd.DataFrame, part: FormPart) -> pd.DataFrame:
    """Take places apart: latitude, longitude, height and accuracy, with blanks between them."""
    for place in part.fields_of("geometry"):
        parts = [_BETWEEN.split(text.strip()) + [""] * 4 for text in frame[place.name]]
        names = ("lat", "lon", "height_m", "accuracy_m")
        taken = pd.DataFrame([one[:4] for one in parts], columns=names, index=frame.index)
        frame = pd.concat([frame, taken.astype("object")], axis=1)
    return frame


def _columns(part: FormPart) -> list[str]:
    """Return the columns that the questions of a part fill."""
    return list(dict.fromkeys(one.column for one in part.fields if one.column))


def _column(cells: Cells, part: FormPart, column: str) -> pd.Series:
    """Read the column that one or several fields fill."""
    fields = [one for one in part.fields_of(column) if cells.text(one.name).any()]
    if not fields:
        return pd.Series(None, index=cells.frame.index, dtype="object")
    if fields[0].kind == "photo":
        names = pd.concat([cells.text(one.name) for one in fields], axis=1)
        return names.apply(lambda row: ";".join(filter(None, row)) or None, axis=1)
    read = _read(cells, fields[0])
    for one in fields[1:]:
        later = _read(cells, one)
        read = later.where(later.notna(), read)
    return read


def _read(cells: Cells, field: FormField) -> pd.Series:
    """Read the answers to one question; what cannot be read is a fault of its row."""
    if field.kind == "moment":
        return cells.times(field.name)
    if field.kind == "count":
        return cells.read(field.name, counts_from_text)
    if field.kind == "number":
        return cells.read(field.name, numbers_from_text) * field.factor
    if field.column == "named_as":
        return cells.read(field.name, taxa_from_text)
    if field.kind == "choice":
        return cells.read(field.name, lambda text: words_from_text(text, field.words))
    text = cells.text(field.name)
    return text.where(~text.isin(["", OTHER_TRANSECT]), None)


def _require_order(cells: Cells, part: FormPart, table: Mapping[str, Any]) -> None:
    for first, last in (("age_min_h", "age_max_h"), ("start", "end")):
        if first in table and table[first].notna().any() and table[last].notna().any():
            wrong = (table[first] > table[last]).fillna(False)
            names = [part.fields_of(column)[0].name for column in (first, last)]
            cells.require(wrong, f"{names[0]} is above {names[1]}")


def _accuracy(cells: Cells) -> pd.DataFrame:
    """Return how accurate the device held its places to be, to be kept in the notes."""
    if "accuracy_m" not in cells.frame:
        return pd.DataFrame(index=cells.frame.index)
    return cells.frame[["accuracy_m"]].rename(columns={"accuracy_m": "accuracy of the place, m"})


def _told_extra(extra: pd.DataFrame, part: FormPart) -> list[str]:
    """Tell the questions that this form does not have, and whether their answers are kept."""
    names = [str(name) for name in extra if extra[name].ne("").any()]
    if not names:
        return []
    shown = ", ".join(f"'{name}'" for name in names[:_TOLD])
    kept = "kept in notes" if "notes" in part.table.names else "not kept"
    return [f"questions that the form of this library does not have: {shown}, {kept}"]


def _as_notebook(cells: Cells, part: FormPart, beside: pd.DataFrame) -> tuple[str, pd.Series]:
    """Write the rows out as a notebook has them: their heading, and each row as a line."""
    written: dict[str, pd.Series] = {}
    for column in _columns(part):
        if column == "geometry":
            written |= {name: cells.text(name) for name in ("lat", "lon")}
            continue
        texts = [cells.text(one.name) for one in part.fields_of(column)]
        joined = texts[0]
        for later in texts[1:]:
            both = joined + ";" + later if part.fields_of(column)[0].kind == "photo" else later
            joined = joined.where(later.eq(""), both.where(joined.ne(""), later))
        if column == "confidence":
            joined = joined.where(joined.eq(""), joined + " %")
        written[_MENDED_AS.get(column, column)] = joined
    table = pd.concat([pd.DataFrame(written, index=beside.index), beside], axis=1)
    lines = [csv_line(row) for row in table.to_numpy().tolist()]
    return csv_line(list(table)), pd.Series(lines, index=cells.frame.index, dtype="object")
