"""Columns: the notebook tables, and the names under which people write their columns.

Names are matched without regard to case, spaces, dashes and dots, and a unit in the name
(``length_mm``, ``stride (in)``) is taken off and kept.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from carnivore_sign.records.vocabularies import CHARACTERS
from carnivore_sign.units import SPELLINGS

#: How alike a misspelt name must be, 0 to 1, as difflib counts.
_LIKE: Final = 0.75
_UNIT_AT_END: Final = re.compile(r"^(?P<base>.+?)[_ ]*[\[(]?(?P<unit>[a-z\"'\u2032\u2033]+)[\])]?$")


#: Said of a column of times whose name tells that they are in UTC.
UTC: Final = "UTC"
#: Columns that hold dates or times.
TIMES: Final = frozenset({"date", "time", "start", "end", "found", "last_seen_well"})
_UTC: Final = re.compile(r"^(?:utc|gmt)_|_*[\[(]?_*(?<![a-z])(?:utc|gmt)_*[\])]?$")


@dataclass(frozen=True)
class TableColumns:
    """The columns of one notebook table.

    Attributes
    ----------
    names : dict of str to tuple of str
        Column and its other names, all as `plain_name` gives them.
    required : tuple of str
        Columns without which the table cannot be read.
    measures : tuple of str
        Columns of lengths, whose unit may stand in the name.
    """

    names: dict[str, tuple[str, ...]]
    required: tuple[str, ...]
    measures: tuple[str, ...] = ()
    _column_of: dict[str, str] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        known = {other: name for name, others in self.names.items() for other in (name, *others)}
        object.__setattr__(self, "_column_of", known)

    def match(self, header: Sequence[str]) -> tuple[dict[str, int], dict[str, str], list[int]]:
        """Match the names of a header.

        Returns
        -------
        places : dict of str to int
            Place in the header of each column that is there.
        units : dict of str to str
            Unit that stands in the name of a column, a key of `carnivore_sign.units.METRES`, or
            `UTC` where a column of times says that it is in UTC.
        others : list of int
            Places of columns that the table does not know.
        """
        places: dict[str, int] = {}
        units: dict[str, str] = {}
        others: list[int] = []
        for place, written in enumerate(header):
            column, unit = self._column(written)
            if column is None or column in places:
                others.append(place)
                continue
            places[column] = place
            if unit:
                units[column] = unit
        return places, units, others

    def missing(self, header: Sequence[str]) -> list[str]:
        """List the required columns that a header lacks."""
        places = self.match(header)[0]
        return [name for name in self.required if name not in places]

    def likely(self, written: str, header: Sequence[str]) -> str | None:
        """Return the column that a misspelt name may mean and that a header lacks, if any.

        Examples
        --------
        >>> TABLE_COLUMNS["sign"].likely("Confidance", ["sign", "Confidance"])
        'confidence'
        """
        lacking = set(self.names) - set(self.match(header)[0])
        plain = plain_name(written)
        split = _UNIT_AT_END.match(plain)
        if split and split["unit"] in SPELLINGS:
            plain = split["base"].strip("_")
        known = [other for other, name in self._column_of.items() if name in lacking]
        close = difflib.get_close_matches(plain, known, 1, _LIKE)
        return self._column_of[close[0]] if close else None

    def unknown(
        self, header: Sequence[str], rows: Iterable[Sequence[str]], *, kept_in: str | None
    ) -> list[str]:
        """Tell each column that the table does not know, and what it may mean.

        Columns without a name, which spreadsheets leave behind, are told if they hold anything.
        """
        kept = f"kept in {kept_in}" if kept_in else "not kept"
        told = []
        for place in self.match(header)[2]:
            written = header[place].strip()
            column = self._column(written)[0]
            likely = self.likely(written, header) if written else None
            if column:
                told.append(f"second column for '{column}', '{written}', {kept}")
            elif written:
                guess = f": did you mean '{likely}'?" if likely else ""
                told.append(f"unknown column '{written}' {kept}{guess}")
            elif any(row[place : place + 1] not in ([], [""]) for row in rows):
                told.append(f"column {place + 1} has no name, {kept}")
        return told

    def _column(self, written: str) -> tuple[str | None, str | None]:
        plain = plain_name(written)
        in_utc = UTC if _UTC.search(plain) else None
        if plain in self._column_of:
            return self._column_of[plain], in_utc
        if in_utc:
            column = self._column_of.get(_UTC.sub("", plain))
            return (column, UTC) if column in TIMES else (None, None)
        split = _UNIT_AT_END.match(plain)
        if split and split["unit"] in SPELLINGS:
            column = self._column_of.get(split["base"].strip("_"))
            if column in self.measures:
                return column, SPELLINGS[split["unit"]]
        return None, None


_LATITUDE: Final = ("latitude", "lat_dd", "y")
_LONGITUDE: Final = ("longitude", "lon_dd", "long", "lng", "x")
#: Columns of a place, and the other names of each.
_PLACE: Final = {
    "lat": _LATITUDE,
    "lon": _LONGITUDE,
    "position": ("coordinates", "coords", "grid_reference", "grid_ref", "mgrs", "utm"),
    "utm_zone": ("utm_grid_zone", "grid_zone", "utm_z"),
    "utm_band": (
        "utm_ch",
        "utm_c",
        "utm_letter",
        "zone_letter",
        "grid_letter",
        "band",
        "latitude_band",
    ),
    "hemisphere": ("utm_hemisphere", "hemi"),
    "easting": ("utm_easting", "utm_east", "utm_e"),
    "northing": ("utm_northing", "utm_north", "utm_n"),
    "datum": ("map_datum", "geodetic_datum"),
}

TABLE_COLUMNS: Final[dict[str, TableColumns]] = {
    "sign": TableColumns(
        {
            "sign": ("sign_id", "sign_no", "sign_number", "sign_name"),
            "date": ("day",),
            "time": ("time_of_day", "datetime", "date_time", "found"),
            **_PLACE,
            "waypoint": ("wpt", "gps_point", "waypoint_name"),
            "observer": ("observers", "tracker", "found_by", "by"),
            "kind": ("kind_of_sign", "type", "sign_kind", "sign_type"),
            "named_as": ("species", "taxon", "animal", "identified_as", "named"),
            "confidence": ("certainty", "sure", "how_sure", "confidence_%"),
            "age_min": ("age_min_h", "youngest", "min_age"),
            "age_max": ("age_max_h", "oldest", "max_age"),
            "direction": ("direction_deg", "heading", "bearing", "direction_of_travel"),
            "surface": ("substrate", "ground"),
            "stride": ("stride_length",),
            "notes": ("note", "comment", "comments", "remarks"),
            "walk": (),
            "photo": ("photos", "picture", "pictures"),
        },
        required=("sign", "time", "kind"),
        measures=("stride",),
    ),
    "prints": TableColumns(
        {
            "sign": ("sign_id", "sign_no", "sign_number", "sign_name"),
            "print": ("print_no", "print_number", "print_id"),
            "foot": ("which_foot",),
            "length": ("print_length", "track_length"),
            "width": ("print_width", "track_width"),
            "pad_width": ("heel_pad_width", "main_pad_width", "heel_width"),
            **dict.fromkeys(CHARACTERS, ()),
            "photo": ("photos", "picture", "pictures"),
        },
        required=("sign", "print"),
        measures=("length", "width", "pad_width"),
    ),
    "clearings": TableColumns(
        {
            "cause": ("cleared_by", "event"),
            "date": ("day",),
            "time": ("time_of_day", "datetime", "date_time", "ended"),
            "transects": ("transect",),
        },
        required=("cause", "time", "transects"),
    ),
    "walks": TableColumns(
        {
            "walk": ("walk_id", "walk_no", "walk_name"),
            "transect": ("route", "walked"),
            "date": ("day",),
            "start": ("began", "start_time", "started"),
            "end": ("ended", "end_time", "finished"),
            "observer": ("observers", "walked_by", "by"),
            "distance": ("distance_walked", "how_far"),
            "began_at": ("from_end", "began_from"),
            "back": ("there_and_back", "out_and_back"),
            "logged": ("gps_log", "gps"),
            "tracking_quality": ("quality", "tracking"),
            "surface_state": ("surface", "condition", "conditions"),
            "notes": ("note", "comment", "comments", "remarks"),
        },
        required=("walk", "transect", "start"),
        measures=("distance",),
    ),
    "weather": TableColumns(
        {
            "date": ("day",),
            "time": ("time_of_day", "datetime", "date_time"),
            "transects": ("transect",),
            "surface_state": ("surface", "condition", "conditions"),
            "tracking_quality": ("quality", "tracking"),
            "keeps_tracks": ("keeps_tracks_days", "tracks_last"),
            "notes": ("note", "comment", "comments", "remarks"),
        },
        required=("time", "transects", "surface_state"),
    ),
    "incidents": TableColumns(
        {
            "incident": ("incident_id", "incident_no", "case"),
            "parcel": ("pasture", "property"),
            "last_seen_well": ("last_seen_alive", "last_seen"),
            "found": ("found_at", "discovered"),
            "livestock": ("stock", "animal", "animals"),
            "count": ("number", "how_many", "number_lost"),
            **_PLACE,
            "carcass_notes": ("carcass", "notes", "note", "comment", "comments"),
        },
        required=("incident", "found"),
    ),
    "carcasses": TableColumns(
        {
            "incident": ("incident_id", "incident_no", "case"),
            "carcass": ("carcass_no", "carcass_id", "animal_no", "ear_tag"),
            "bleeding": ("bleeding_under_skin", "bleeding_under_the_skin", "haemorrhage"),
            "bite_place": ("bites", "bite", "place_of_bite"),
            "canine_spacing": ("canine_distance", "spacing", "puncture_spacing"),
            "canine_jaw": ("jaw", "canines"),
            "feeding": ("eaten", "eaten_first"),
            "covered": ("cached", "covering"),
            "dragged": ("drag",),
            "mutilation": ("mutilated", "torn"),
            "claw_marks": ("claws", "scratches"),
            "examined_by": ("examiner", "seen_by"),
            "photo": ("photos", "picture", "pictures"),
            "notes": ("note", "comment", "comments", "remarks"),
        },
        required=("incident", "carcass"),
        measures=("canine_spacing",),
    ),
}

#: Columns of a table of positions: a log, and not a notebook.
POINT_COLUMNS: Final = TableColumns(
    {
        **_PLACE,
        "lat": (*_LATITUDE, "latitude_n/s"),
        "lon": (*_LONGITUDE, "longitude_e/w"),
        "lat_letter": ("n/s", "ns"),
        "lon_letter": ("e/w", "ew"),
        "date": ("day", "utc_d"),
        "time": ("timestamp", "datetime", "date_time", "utc_t", "time_of_day"),
        "elevation": ("ele", "alt", "altitude", "height"),
        "hdop": (),
        "accuracy": ("horizontal_accuracy", "hacc"),
        "name": ("waypoint", "wpt", "label", "title"),
        "comment": ("description", "desc", "notes", "note", "comments", "cmt"),
        "symbol": ("sym",),
    },
    required=(),
    measures=("elevation", "accuracy"),
)
ALL_COLUMNS: Final = {**TABLE_COLUMNS, "points": POINT_COLUMNS}
#: Columns that notebooks share with what loggers write.
_ALSO_IN_LOGS: Final = frozenset(
    {
        "notes",
        "carcass_notes",
        "waypoint",
        "direction",
        "count",
        "walk",
        "photo",
        "distance",
        "start",
        "end",
        "tracking_quality",
    }
)
#: Sets of columns of which a table of positions has one.
_PLACE_SETS: Final = ({"lat", "lon"}, {"position"}, {"utm_zone", "easting", "northing"})


def is_point_table(header: Sequence[str]) -> bool:
    """Tell whether a header is that of a table of positions, and of no notebook.

    A column that only a notebook has, such as the kind of sign, makes it a notebook: one that
    lacks another column is told so, and never taken as a log.
    """
    places = set(POINT_COLUMNS.match(header)[0])
    known = {name for columns in TABLE_COLUMNS.values() for name in columns.match(header)[0]}
    only_notebook = known - set(POINT_COLUMNS.names) - _ALSO_IN_LOGS
    return any(some <= places for some in _PLACE_SETS) and not only_notebook


def plain_name(written: str) -> str:
    """Return a column name in lower case, with underscores for spaces, dashes and dots.

    Examples
    --------
    >>> plain_name(" Pad-width (mm) ")
    'pad_width_(mm)'
    """
    return re.sub(r"[\s\-.]+", "_", written.strip().strip("\ufeff").lower()).strip("_")
