"""Tables: what each record is, column by column; the one place where columns are defined.

Every frame that travels between rooms follows one of these. `check_table` in ``check.py``
holds frames against them and the season file creates its layers from them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    CLEARING_CAUSES,
    FEET,
    MAP_STATES,
    NOT_VISIBLE,
    POSITION_SOURCES,
    SIGN_KINDS,
    SURFACES,
    TAXA,
    TIME_SOURCES,
)

ColumnKind = Literal["text", "integer", "number", "time", "probability"]


@dataclass(frozen=True)
class Column:
    """One column: its kind, what it means, and which words or range it may hold."""

    name: str
    kind: ColumnKind
    meaning: str
    required: bool = False
    words: tuple[str, ...] = ()
    at_least: float | None = None
    at_most: float | None = None


@dataclass(frozen=True)
class Table:
    """One table: what a row is, its columns, its key, and its geometry (if any)."""

    name: str
    row: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    geometry: Literal["Point", "LineString", "Polygon", "Geometry"] | None = None
    geometry_required: bool = True
    names: tuple[str, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "names", tuple(column.name for column in self.columns))

    def __getitem__(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)


def _text(
    name: str, meaning: str, *, required: bool = False, words: tuple[str, ...] = ()
) -> Column:
    return Column(name, "text", meaning, required, words)


def _number(
    name: str,
    meaning: str,
    *,
    required: bool = False,
    at_least: float | None = None,
    at_most: float | None = None,
) -> Column:
    return Column(name, "number", meaning, required, (), at_least, at_most)


def _count(name: str, meaning: str, *, required: bool = False) -> Column:
    return Column(name, "integer", meaning, required, (), 0)


def _time(name: str, meaning: str, *, required: bool = False) -> Column:
    return Column(name, "time", meaning, required)


_WITH_HIDDEN: Final = {name: (*states, NOT_VISIBLE) for name, states in CHARACTERS.items()}
_SOURCE: Final = (
    _text("receipt", "receipt of the import that brought the row", required=True),
    _count("source_row", "row of the file, as its reader counts"),
)

_PRINT_CHARACTERS: Final = tuple(
    _text(name, "character noted by eye", words=states) for name, states in _WITH_HIDDEN.items()
)

RECEIPTS = Table(
    "receipts",
    "one imported file",
    (
        _text("receipt", "name of the receipt: the first 12 digits of the hash", required=True),
        _text("file", "name of the file, without its folder", required=True),
        _text("sha256", "hash of the content", required=True),
        _text("kind", "what the content was recognised as", required=True),
        _text("table_name", "table the rows went to", required=True),
        _count("rows_in", "rows read", required=True),
        _count("rows_kept", "rows kept", required=True),
        _count("rows_set_aside", "rows set aside, each with a reason", required=True),
        _count("rows_known", "of the rows kept, those the season had already"),
        _text("notes", "what was repaired or assumed, in words"),
        _time("imported_at", "when", required=True),
        _text("library_version", "version that read it", required=True),
    ),
    key=("receipt", "table_name"),
)

SET_ASIDE = Table(
    "set_aside",
    "one row that could not be used",
    (
        _text("receipt", "receipt of the import", required=True),
        _text("table_name", "table it would have gone to", required=True),
        _count("source_row", "row of the file", required=True),
        _text("reason", "why, and what would mend it", required=True),
        _text("content", "the row as it came"),
        _text("heading", "first row of the table it came from, if it was a table"),
    ),
)

SETTLED = Table(
    "settled",
    "one row set aside that was corrected later; the row itself stays as it came",
    (
        _text("receipt", "receipt of the correction", required=True),
        _count("set_aside_no", "number of the row in table set_aside, from 1", required=True),
    ),
    key=("set_aside_no",),
)

LOGS = Table(
    "logs",
    "one imported GPS log",
    (
        *_SOURCE,
        _text("log", "name of the log", required=True),
        _text("device", "program or device that wrote it, as stated in the file"),
        _text("observer", "who carried it"),
        _text("name", "title given in the file"),
        _count("tracks", "tracks in the file"),
        _count("parts", "track segments in the file"),
        _time("start", "first time in it"),
        _time("end", "last time in it"),
    ),
    key=("log",),
)

FIXES = Table(
    "fixes",
    "one GPS position",
    (
        *_SOURCE,
        _text("log", "the log it belongs to", required=True),
        _count("part", "track segment, counted through the file from 0", required=True),
        _time("time", "when"),
        _number("elevation_m", "height as the device gave it"),
        _number("hdop", "horizontal dilution of precision", at_least=0),
        _number("accuracy_m", "horizontal accuracy as stated by the device", at_least=0),
        _text("flags", "quality flags, joined by ';' (see vocabularies.FIX_FLAGS)"),
        _number("vdop", "vertical dilution of precision", at_least=0),
        _number("pdop", "dilution of precision in position", at_least=0),
        _number("satellites", "satellites used", at_least=0),
        _text("fix_kind", "kind of fix as the device gave it: none, 2d, 3d, dgps, pps"),
        _number("speed_m_s", "speed as the device gave it", at_least=0),
        _number("course_deg", "course as the device gave it, degrees from true north", at_least=0),
        _number("heart_rate_bpm", "heart rate of who carried it", at_least=0),
        _number("temperature_c", "temperature as the device gave it"),
        _number("cadence_rpm", "cadence as the device gave it", at_least=0),
        _text("extras", "whatever else the device wrote, as JSON: name to text"),
    ),
    geometry="Point",
)

WAYPOINTS = Table(
    "waypoints",
    "one named GPS position",
    (
        *_SOURCE,
        _text("log", "the log it belongs to", required=True),
        _text("name", "name on the device"),
        _time("time", "when"),
        _number("elevation_m", "height as the device gave it"),
        _text("comment", "comment or description on the device"),
        _text("symbol", "symbol name on the device"),
        _text("extras", "whatever else the device wrote, as JSON: name to text"),
    ),
    geometry="Point",
)

ROUTE_POINTS = Table(
    "route_points",
    "one point of a planned route: where somebody meant to go, not where they went",
    (
        *_SOURCE,
        _text("log", "the log it came with", required=True),
        _count("route", "route, counted through the file from 0", required=True),
        _text("name", "name on the device"),
        _time("time", "when, if the device wrote it"),
        _number("elevation_m", "height as the device gave it"),
        _text("comment", "comment or description on the device"),
        _text("extras", "whatever else the device wrote, as JSON: name to text"),
    ),
    geometry="Point",
)

TRANSECTS = Table(
    "transects",
    "one fixed line that is walked again and again",
    (
        *_SOURCE,
        _text("transect", "its name", required=True),
        _text("surface", "what it is made of", words=SURFACES),
    ),
    key=("transect",),
    geometry="LineString",
)

PARCELS = Table(
    "parcels",
    "one holding or pasture",
    (
        *_SOURCE,
        _text("parcel", "its name", required=True),
        _text("owner_reference", "the user's own reference to the owner, not a name"),
    ),
    key=("parcel",),
    geometry="Polygon",
)

CLEARINGS = Table(
    "clearings",
    "one event that wiped the surface of transects",
    (
        *_SOURCE,
        _text("cause", "what wiped it", required=True, words=CLEARING_CAUSES),
        _time("time", "when it ended", required=True),
        _text("transects", "names joined by ';', or 'all'", required=True),
    ),
)

SIGN = Table(
    "sign",
    "one place with sign",
    (
        *_SOURCE,
        _text("sign", "its name in the notebook", required=True),
        _time("time", "when it was found", required=True),
        _text("observer", "who found it"),
        _text("kind", "kind of sign", required=True, words=SIGN_KINDS),
        _text("named_as", "taxon the observer named", words=tuple(TAXA)),
        _number("confidence", "how sure the observer was, 0 to 1", at_least=0, at_most=1),
        _number("age_min_h", "youngest it can be, hours before it was found", at_least=0),
        _number("age_max_h", "oldest it can be, hours before it was found", at_least=0),
        _number(
            "direction_deg", "direction of travel, degrees from true north", at_least=0, at_most=360
        ),
        _text("surface", "surface it lies on", words=SURFACES),
        _number("stride_m", "full stride: same foot to same foot", at_least=0),
        _text("waypoint", "waypoint that marks it, if it has no position of its own"),
        _text("notes", "anything else"),
    ),
    key=("sign",),
    geometry="Point",
    geometry_required=False,
)

PHOTOS = Table(
    "photos",
    "one photo: where, when and which way it was taken, and not the picture",
    (
        *_SOURCE,
        _text("photo", "its name: that of the file, unless another photo has it", required=True),
        _text("sha256", "hash of the file", required=True),
        _time("time", "when, if the photo says so"),
        _text("time_source", "what the time rests on", words=tuple(TIME_SOURCES)),
        _text("camera_time", "local time of the camera's clock, as it stood in the file"),
        _number("clock_behind_s", "seconds by which the camera's clock was behind GPS time"),
        _number("clock_offset_s", "seconds that were added to the camera's clock, if any were"),
        _text("position_source", "what the position rests on", words=tuple(POSITION_SOURCES)),
        _number("elevation_m", "height as the device gave it"),
        _number("accuracy_m", "horizontal error as stated by the device", at_least=0),
        _number("dop", "dilution of precision, which is not in metres", at_least=0),
        _number("direction_deg", "direction the camera pointed to", at_least=0, at_most=360),
        _text("direction_ref", "north it is counted from", words=("true", "magnetic")),
        _count("width_px", "width of the picture as stored"),
        _count("height_px", "height of the picture as stored"),
        _text("device", "maker and model of the camera, as stated in the file"),
        _text("sign", "the sign it shows"),
        _text("notes", "what it does not say, or what could not be read, and why"),
    ),
    key=("photo",),
    geometry="Point",
    geometry_required=False,
)

PRINTS = Table(
    "prints",
    "one footprint",
    (
        *_SOURCE,
        _text("sign", "the sign it belongs to", required=True),
        _count("print_no", "its number in that sign", required=True),
        _text("foot", "which foot", words=FEET),
        _number("length_mm", "length of the print without claws", at_least=1, at_most=500),
        _number("width_mm", "width of the print", at_least=1, at_most=500),
        _number("pad_width_mm", "width of the main pad", at_least=1, at_most=300),
        *_PRINT_CHARACTERS,
    ),
    key=("sign", "print_no"),
)

INCIDENTS = Table(
    "incidents",
    "one loss or conflict report",
    (
        *_SOURCE,
        _text("incident", "its name", required=True),
        _text("parcel", "parcel it happened on"),
        _time("last_seen_well", "when the stock was last seen well"),
        _time("found", "when the loss was found", required=True),
        _text("livestock", "kind of stock"),
        _count("count", "how many were lost"),
        _text("carcass_notes", "what was seen at the carcass"),
    ),
    key=("incident",),
    geometry="Point",
    geometry_required=False,
)

#: The tables a season file holds, in the order in which they are created.
SEASON_TABLES: Final[dict[str, Table]] = {
    table.name: table
    for table in (
        RECEIPTS, SET_ASIDE, SETTLED, LOGS, FIXES, WAYPOINTS, ROUTE_POINTS, TRANSECTS, PARCELS,
        CLEARINGS, SIGN, PRINTS, INCIDENTS, PHOTOS,
    )
}  # fmt: skip


def taxon_column(taxon: str) -> str:
    """Name of the column that holds the probability of `taxon`: ``p_puma``."""
    return f"p_{taxon}"


_PROBABILITIES: Final = tuple(
    Column(taxon_column(taxon), "probability", f"probability that it was {name}")
    for taxon, name in TAXA.items()
)

SEGMENTS = Table(
    "segments",
    "one piece of a transect",
    (
        _text("segment", "its name: transect, hash sign, number", required=True),
        _text("transect", "the transect", required=True),
        _number("from_m", "start along the transect", required=True, at_least=0),
        _number("to_m", "end along the transect", required=True, at_least=0),
        _number("length_m", "length on the ellipsoid", required=True, at_least=0),
        _text("surface", "what it is made of", words=SURFACES),
    ),
    key=("segment",),
    geometry="LineString",
)

VISITS = Table(
    "visits",
    "one segment on one walk",
    (
        _text("visit", "its name: walk, at sign, segment", required=True),
        _text("walk", "the walk: log, hash sign, number", required=True),
        _text("log", "the log", required=True),
        _text("segment", "the segment", required=True),
        _text("transect", "the transect", required=True),
        _text("observer", "who walked"),
        _time("start", "first fix on the segment", required=True),
        _time("end", "last fix on the segment", required=True),
        _text("period", "local month of the start, YYYY-MM", required=True),
        _number("covered_m", "metres of the segment really walked", required=True, at_least=0),
        _number("coverage", "share of the segment walked", required=True, at_least=0, at_most=1),
        _number("hours_since_cleared", "hours the surface has been collecting tracks", at_least=0),
        _text("cleared_by", "what wiped it last"),
        _number("effort_km", "covered_m in km", required=True, at_least=0),
        _number("effort_km_days", "km times days since cleared; missing if unknown", at_least=0),
    ),
    key=("visit",),
)

TRAILS = Table(
    "trails",
    "one animal's passage",
    (
        _text("trail", "its name", required=True),
        _count("sign_count", "sign that make it up", required=True),
        _count("print_count", "prints measured or noted on it", required=True),
        _time("time", "when its first sign was found", required=True),
        _time("made_after", "it was made after this time, if known"),
        _time("made_before", "it was made before this time", required=True),
        _number("direction_deg", "direction of travel, degrees from true north"),
        _number("length_m", "length from first to last sign", required=True, at_least=0),
        *_PROBABILITIES,
    ),
    key=("trail",),
    geometry="Geometry",
)

TAPE = Table(
    "tape",
    "one print of a trail that was measured with a tape, in the order of travel",
    (
        _text("sequence", "the trail", required=True),
        _count("print_no", "its number along the trail", required=True),
        _number("step_m", "from the print before it, of the other side: half a cycle", at_least=0),
        _number(
            "stride_m", "from the print before that, of the same foot: a full cycle", at_least=0
        ),
        _text("side", "side of the body", words=("left", "right")),
        _text("foot", "which foot, as noted", words=FEET),
        _number("width_mm", "width of the print", at_least=1, at_most=500),
        _number("length_mm", "length of the print without claws", at_least=1, at_most=500),
    ),
    key=("sequence", "print_no"),
)

GAIT = Table(
    "gait",
    "one print of a trail, and the gait measured at it",
    (
        _text("sequence", "the trail", required=True),
        _count("print_no", "its number along the trail", required=True),
        _number("x_m", "place in a plane of its own", required=True),
        _number("y_m", "place in that plane", required=True),
        _number("along_m", "place along the course"),
        _number("across_m", "distance from the course, left above 0"),
        _number("heading_deg", "direction of travel, clockwise from the y axis"),
        _text("foot", "which foot, as inferred", required=True, words=FEET),
        Column("foot_probability", "probability", "probability that it was that foot"),
        *(
            Column(f"p_{foot}", "probability", f"probability that it was the {foot}")
            for foot in FEET
        ),
        Column("p_direct_register", "probability", "probability that a front print lies under it"),
        Column("p_grouped", "probability", "probability that feet come in groups of four"),
        _number("stride_m", "from the print before it of the same foot: a full cycle", at_least=0),
        _number("step_m", "from the print before it of the other side: half a cycle", at_least=0),
        _number("pace_angulation_deg", "angle between two steps", at_least=0, at_most=180),
        _number("straddle_m", "between centre lines", at_least=0),
        _number("straddle_outer_m", "between outer edges", at_least=0),
        _number("hind_on_front_m", "hind print past the front print of its side"),
        _number("foot_angle_deg", "axis of the foot against the course, outward above 0"),
        _number("group_length_m", "length of a group of four, at its first print", at_least=0),
        _number("group_pair_m", "from the first to the second print of a group", at_least=0),
    ),
    key=("sequence", "print_no"),
)

DETECTIONS = Table(
    "detections",
    "one trail on one segment on one visit",
    (
        _text("trail", "the trail", required=True),
        _text("visit", "the visit", required=True),
        _text("segment", "the segment", required=True),
        _text("period", "local month, YYYY-MM", required=True),
        _number(
            "offset_m", "distance of its nearest sign from the transect", required=True, at_least=0
        ),
        *_PROBABILITIES,
    ),
    key=("trail", "visit"),
)

MONTHLY = Table(
    "monthly",
    "one unit in one month: what was done, what was found, and what that says",
    (
        _text("segment", "the unit", required=True),
        _text("period", "local month, YYYY-MM", required=True),
        _text("taxon", "the taxon that the row is about", required=True, words=tuple(TAXA)),
        _text("state", "state on the map", required=True, words=tuple(MAP_STATES)),
        _count("visits", "visits in the month", required=True),
        _number("effort_km", "km walked on it", required=True, at_least=0),
        _number("effort_km_days", "km times days of accumulation", at_least=0),
        Column("p_found", "probability", "probability of the best trail; that of any is no less"),
        _number("trails_expected", "sum of the trails' probabilities", at_least=0),
        Column("p_presence", "probability", "probability that the unit is used this month"),
        Column("p_presence_low", "probability", "lower 95 % limit of p_presence"),
        Column("p_presence_high", "probability", "upper 95 % limit of p_presence"),
    ),
    key=("segment", "period", "taxon"),
    geometry="LineString",
)

#: Every table there is: those of the season file and those computed from them.
TABLES: Final[dict[str, Table]] = {
    **SEASON_TABLES,
    **{table.name: table for table in (SEGMENTS, VISITS, TRAILS, TAPE, GAIT, DETECTIONS, MONTHLY)},
}
