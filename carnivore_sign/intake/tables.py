"""Tables: the notebook of sign, of prints, of clearings and of incidents.

A row that holds a fault in any cell is set aside whole, with every fault told, so that it can
be mended in the notebook and read again. Columns that a table does not know are kept in the
notes of a sign, or named in the receipt.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.intake.cells import (
    Read,
    bearings_from_text,
    character_from_text,
    counts_from_text,
    days_from_text,
    feet_from_text,
    hours_from_text,
    shares_from_text,
    taxa_from_text,
    words_from_text,
)
from carnivore_sign.intake.clocks import day_and_clock, times_from_text
from carnivore_sign.intake.columns import TABLE_COLUMNS, UTC, TableColumns
from carnivore_sign.intake.dates import date_notes, why_unread
from carnivore_sign.intake.positions import COLUMNS as PLACE_COLUMNS
from carnivore_sign.intake.positions import positions_from_columns
from carnivore_sign.intake.reading import Reading, csv_line, make_reading, sort_rows
from carnivore_sign.intake.sheets import Grid, read_grid
from carnivore_sign.intake.source import Source
from carnivore_sign.records.computed import TRACKING_QUALITIES
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.records.vocabularies import (
    CANINE_JAWS,
    CARCASS_CHARACTERS,
    CHARACTERS,
    CLEARING_CAUSES,
    NOT_VISIBLE,
    SIGN_KINDS,
    SURFACES,
    TRANSECT_ENDS,
    YES_NO,
)
from carnivore_sign.space import STORED_CRS
from carnivore_sign.units import NO_UNIT, lengths_from_text

#: Other words for kinds of sign, lower case.
KIND_NAMES = {
    **{kind: kind for kind in SIGN_KINDS},
    **dict.fromkeys(("tracks", "print", "prints", "footprint", "footprints", "trail"), "track"),
    **dict.fromkeys(("pugmark", "pugmarks", "pug mark", "pug marks"), "track"),
    **dict.fromkeys(("scats", "droppings", "faeces", "feces"), "scat"),
    **dict.fromkeys(("carcass", "kill site"), "kill"),
}


@dataclass
class Cells:
    """The cells of one table by column, and the faults found in them so far."""

    frame: pd.DataFrame
    units: dict[str, str]
    time_zone: str | None
    found: list[pd.DataFrame] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def text(self, column: str) -> pd.Series:
        """Return a column as text; blank where the table does not have it."""
        if column in self.frame:
            return self.frame[column]
        return pd.Series("", index=self.frame.index, dtype="object")

    def words(self, column: str) -> pd.Series:
        """Return a column as free text, missing where blank."""
        text = self.text(column)
        return text.where(text.ne(""), None)

    def read(
        self, column: str, reader: Callable[[pd.Series], Read], *, blank: str | None = None
    ) -> pd.Series:
        """Read a column, noting the cells that the reader cannot read.

        A column that the table does not have is `blank` throughout.
        """
        if column not in self.frame:
            return pd.Series(blank, index=self.frame.index, dtype="object")
        values, faults = reader(self.text(column))
        self.fault(column, faults)
        return values

    def lengths(self, column: str, *, to: str) -> pd.Series:
        """Read a column of lengths, in the unit of the cell or else of the header."""
        if column not in self.frame:
            return pd.Series(np.nan, index=self.frame.index)
        unit = self.units.get(column)
        values, faults = lengths_from_text(self.text(column), to=to, default_unit=unit)
        named = f"{NO_UNIT}, or in the name of the column ({column}_{to}, or {column} (in))"
        self.fault(column, faults.replace(NO_UNIT, named))
        return values

    def times(self, column: str, *, date: str | None = None) -> pd.Series:
        """Read a column of times of day, with the column of their dates if it has one."""
        blank = pd.Series("", index=self.frame.index, dtype="object")
        return self.moments(column, self.text(date) if date else blank, self.text(column))

    def moments(self, column: str, day: pd.Series, clock: pd.Series) -> pd.Series:
        """Read times from text of dates, blank where there is none, and of times of day."""
        in_utc = UTC in (self.units.get(column), self.units.get("date"))
        zone = "UTC" if in_utc else self.time_zone
        values, faults, notes = times_from_text(day_and_clock(day, clock), time_zone=zone)
        apart = "date" in self.frame
        told = [
            why_unread(day[row], clock[row], apart=apart) or reason
            for row, reason in faults.items()
        ]
        written = (day + " " + clock).str.strip()
        self.fault(column, pd.Series(told, index=faults.index, dtype="object"), written)
        self.notes += [*notes, *date_notes(pd.concat([day, clock]))]
        return values

    def fault(self, column: str, faults: pd.Series, written: pd.Series | None = None) -> None:
        """Note faults, with what stood in the cell."""
        if faults.empty:
            return
        came = (self.text(column) if written is None else written).loc[faults.index]
        told = f"{column}: " + faults.astype(str) + " (came: " + came.astype(str) + ")"
        self.found.append(pd.DataFrame({"row": faults.index, "reason": told.to_numpy()}))

    def in_order(self, first: str, last: str, wrong: pd.Series, reason: str) -> None:
        """Note a fault, with both cells, for every row whose `first` time is after the `last`."""
        rows = wrong.index[wrong.to_numpy(dtype=bool)]
        began, ended = (self.text(column).loc[rows] for column in (first, last))
        told = f"{first}: {reason} (came: " + began + f", and {last} " + ended + ")"
        self.found.append(pd.DataFrame({"row": rows, "reason": told.to_numpy()}))

    def require(self, wrong: pd.Series, reason: str) -> None:
        """Note the same fault for every row that is `wrong`."""
        rows = wrong.index[wrong.to_numpy(dtype=bool)]
        if len(rows):
            self.found.append(pd.DataFrame({"row": rows, "reason": reason}))

    def faults(self) -> pd.DataFrame:
        """Return every fault so far: columns ``row`` and ``reason``."""
        if not self.found:
            return pd.DataFrame({"row": [], "reason": []}, dtype="object")
        return pd.concat(self.found, ignore_index=True)


def read_notebook(source: Source, kind: str, *, time_zone: str | None = None) -> Reading:
    """Read one notebook table.

    Parameters
    ----------
    source : Source
        The file.
    kind : str
        Which table it is: a key of `TABLE_COLUMNS`.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such rows are set aside.

    Returns
    -------
    Reading
        One table, named as `kind`. ``source_row`` is the row of the spreadsheet, header 1.

    Raises
    ------
    InputError
        If a required column is missing.
    FileUnreadable
        If there are no rows.
    """
    grid = read_grid(source, kind=kind)
    columns = TABLE_COLUMNS[kind]
    missing = columns.missing(grid.header)
    if missing:
        raise InputError(
            f"the {kind} table has no column {' and no column '.join(map(repr, missing))}; "
            f"its columns are {', '.join(grid.header)}{_meant(columns, grid.header)}",
            file=source.path,
            row=1,
            remedy="Name the columns in the first row: " + ", ".join(columns.names) + ".",
        )
    cells, extra = lay_out(grid, columns, time_zone)
    rows = _BUILDERS[kind](cells)
    rows.insert(0, "receipt", source.receipt)
    rows.insert(1, "source_row", grid.numbers)
    notes = [*grid.notes, *dict.fromkeys(cells.notes)]
    if kind == "sign":
        rows["notes"] = with_extra(rows["notes"], extra)
    notes += columns.unknown(grid.header, grid.rows, kept_in="notes" if kind == "sign" else None)
    kept, aside = sort_rows(
        rows,
        SEASON_TABLES[kind],
        faults=cells.faults(),
        contents=pd.Series([csv_line(row, grid.separator) for row in grid.rows], dtype="object"),
        receipt=source.receipt,
        heading=csv_line(grid.header, grid.separator),
    )
    return make_reading(
        source,
        kind,
        tables={kind: kept},
        rows_in={kind: len(grid.rows)},
        set_aside=[aside],
        notes=notes,
    )


def _meant(columns: TableColumns, header: list[str]) -> str:
    """Tell which unknown columns may be those that are missing."""
    others = [header[place] for place in columns.match(header)[2]]
    likely = {written: columns.likely(written, header) for written in others}
    pairs = [f"'{written}' is '{column}'" for written, column in likely.items() if column]
    return f"; perhaps {', '.join(pairs)}" if pairs else ""


def lay_out(grid: Grid, columns: TableColumns, time_zone: str | None) -> tuple[Cells, pd.DataFrame]:
    """Lay the rows under the columns of a table; return the other columns beside them."""
    width = len(grid.header)
    places, units, others = columns.match(grid.header)
    even = [[*row[:width], *[""] * (width - len(row))] for row in grid.rows]
    frame = pd.DataFrame(even, dtype="object")
    cells = Cells(
        pd.DataFrame({name: frame[place] for name, place in places.items()}), units, time_zone
    )
    spilled = pd.Series([any(row[width:]) for row in grid.rows])
    cells.require(spilled, f"more cells than the {width} of the header: a comma in a text?")
    extra = pd.DataFrame(
        {grid.header[place] or f"column {place + 1}": frame[place] for place in others}
    )
    return cells, extra


def with_extra(notes: pd.Series, extra: pd.DataFrame) -> pd.Series:
    """Append the columns that the table does not know to its notes, each with its name."""
    joined = notes.fillna("")
    for name in extra.columns:
        told = np.where(extra[name].ne(""), f"{name}: " + extra[name].astype(str), "")
        between = np.where((joined != "") & (told != ""), "; ", "")
        joined = joined + between + told
    return joined.where(joined.ne(""), None)


def _sign(cells: Cells) -> pd.DataFrame:
    age_min = cells.read("age_min", hours_from_text).astype(float)
    age_max = cells.read("age_max", hours_from_text).astype(float)
    cells.require(age_min > age_max, "age_min: the youngest age is above the oldest")
    rows = {
        "sign": cells.words("sign"),
        "time": cells.times("time", date="date"),
        "observer": cells.words("observer"),
        "kind": cells.read("kind", lambda text: words_from_text(text, KIND_NAMES)),
        "named_as": cells.read("named_as", taxa_from_text),
        "confidence": cells.read("confidence", shares_from_text),
        "age_min_h": age_min,
        "age_max_h": age_max,
        "direction_deg": cells.read("direction", bearings_from_text),
        "surface": cells.read("surface", lambda text: words_from_text(text, SURFACES)),
        "stride_m": cells.lengths("stride", to="m"),
        "waypoint": cells.words("waypoint"),
        "notes": cells.words("notes"),
        "walk": cells.words("walk"),
        "photo": cells.words("photo"),
    }
    return gpd.GeoDataFrame(rows, geometry=points_of(cells), crs=STORED_CRS)


def _prints(cells: Cells) -> pd.DataFrame:
    rows = {
        "sign": cells.words("sign"),
        "print_no": cells.read("print", counts_from_text),
        "foot": cells.read("foot", feet_from_text),
        **{f"{name}_mm": cells.lengths(name, to="mm") for name in ("length", "width", "pad_width")},
    }
    for name, states in CHARACTERS.items():
        told = partial(character_from_text, states=states)
        rows[name] = cells.read(name, told, blank=NOT_VISIBLE)
    return pd.DataFrame(rows)


def _clearings(cells: Cells) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "cause": cells.read("cause", lambda text: words_from_text(text, CLEARING_CAUSES)),
            "time": cells.times("time", date="date"),
            "transects": _transects(cells),
        }
    )


def _transects(cells: Cells) -> pd.Series:
    """Read names of transects that semicolons join, or *all*."""
    names = cells.text("transects").str.split(";")
    joined = names.map(lambda some: ";".join(filter(None, map(str.strip, some))) or None)
    return joined.mask(joined.str.lower().eq("all").fillna(False).astype(bool), "all")


def _walks(cells: Cells) -> pd.DataFrame:
    start, ended = cells.times("start", date="date"), cells.text("end")
    end = cells.moments("end", cells.text("date").where(ended.str.strip().ne(""), ""), ended)
    cells.in_order(
        "start", "end", start > end,
        "after the end: correct the one that is wrong; an end after midnight needs its date, as in "
        "2014-08-23 00:40",
    )  # fmt: skip
    rows = {
        "walk": cells.words("walk"),
        "transect": cells.words("transect"),
        "observer": cells.words("observer"),
        "start": start,
        "end": end,
        "logged": cells.read("logged", partial(words_from_text, known=YES_NO)),
        "distance_m": cells.lengths("distance", to="m"),
        "began_at": cells.read("began_at", partial(words_from_text, known=TRANSECT_ENDS)),
        "back": cells.read("back", partial(words_from_text, known=YES_NO)),
        **_conditions(cells),
    }
    return pd.DataFrame(rows)


def _weather(cells: Cells) -> pd.DataFrame:
    rows = {
        "time": cells.times("time", date="date"),
        "transects": _transects(cells),
        **_conditions(cells),
        "keeps_tracks_days": cells.read("keeps_tracks", days_from_text),
    }
    return pd.DataFrame(rows)


def _conditions(cells: Cells) -> dict[str, pd.Series]:
    """Read what was noted of a surface."""
    quality = partial(words_from_text, known=TRACKING_QUALITIES)
    return {
        "surface_state": cells.words("surface_state"),
        "tracking_quality": cells.read("tracking_quality", quality),
        "notes": cells.words("notes"),
    }


def _incidents(cells: Cells) -> pd.DataFrame:
    well, found = cells.times("last_seen_well"), cells.times("found")
    cells.in_order(
        "last_seen_well", "found", well > found,
        "after the loss was found: correct the one that is wrong",
    )  # fmt: skip
    rows = {
        "incident": cells.words("incident"),
        "parcel": cells.words("parcel"),
        "last_seen_well": well,
        "found": found,
        "livestock": cells.words("livestock"),
        "count": cells.read("count", counts_from_text),
        "carcass_notes": cells.words("carcass_notes"),
    }
    return gpd.GeoDataFrame(rows, geometry=points_of(cells), crs=STORED_CRS)


def _carcasses(cells: Cells) -> pd.DataFrame:
    rows = {
        "incident": cells.words("incident"),
        "carcass": cells.words("carcass"),
        "canine_spacing_mm": cells.lengths("canine_spacing", to="mm"),
        "canine_jaw": cells.read(
            "canine_jaw", partial(character_from_text, states=CANINE_JAWS), blank=NOT_VISIBLE
        ),
        "examined_by": cells.words("examined_by"),
        "photo": cells.words("photo"),
        "notes": cells.words("notes"),
    }
    for name, states in CARCASS_CHARACTERS.items():
        told = partial(_carcass_character, states=states)
        rows[name] = cells.read(name, told, blank=NOT_VISIBLE)
    return pd.DataFrame(rows)


def _carcass_character(text: pd.Series, states: tuple[str, ...]) -> Read:
    """Read a state of a carcass; where there are but two, *yes* and *no* will do."""
    if len(states) == 2:
        text = text.replace(r"(?i)^\s*yes\s*$", states[0], regex=True)
        text = text.replace(r"(?i)^\s*no\s*$", states[1], regex=True)
    return character_from_text(text, states)


_BUILDERS: dict[str, Callable[[Cells], pd.DataFrame]] = {
    "sign": _sign,
    "prints": _prints,
    "clearings": _clearings,
    "walks": _walks,
    "weather": _weather,
    "incidents": _incidents,
    "carcasses": _carcasses,
}


def points_of(cells: Cells) -> list[shapely.Point | None]:
    """Read the places of the rows, in whichever columns they stand."""
    read = positions_from_columns({name: cells.text(name) for name in PLACE_COLUMNS})
    cells.notes += read.notes
    if len(read.faults):
        faults = {"row": read.faults.index, "reason": read.faults.to_numpy()}
        cells.found.append(pd.DataFrame(faults))
    known = read.lon.notna().to_numpy()
    shapes = np.full(len(known), None, dtype=object)
    shapes[known] = shapely.points(read.lon.to_numpy()[known], read.lat.to_numpy()[known])
    return list(shapes)
