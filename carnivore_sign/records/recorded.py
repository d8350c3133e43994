"""Recorded tables: what people noted and devices wrote, and the receipts of both.

These are the layers of a season file, column by column; the one place where they are defined.
"""

from __future__ import annotations

from typing import Final

from carnivore_sign.records.computed import TRACKING_QUALITIES
from carnivore_sign.records.schema import Table, count, number, text, time
from carnivore_sign.records.vocabularies import (
    CANINE_JAWS,
    CARCASS_CHARACTERS,
    CHARACTERS,
    CLEARING_CAUSES,
    CLOCK_SOURCES,
    FEET,
    NOT_VISIBLE,
    POSITION_SOURCES,
    PRINT_PARTS,
    SIGN_KINDS,
    SURFACES,
    TAXA,
    TIME_SOURCES,
    TRANSECT_ENDS,
    YES_NO,
)

_WITH_HIDDEN: Final = {name: (*states, NOT_VISIBLE) for name, states in CHARACTERS.items()}
_SOURCE: Final = (
    text("receipt", "receipt of the import that brought the row", required=True),
    count("source_row", "row of the file, as its reader counts"),
)

_PRINT_CHARACTERS: Final = tuple(
    text(name, "character noted by eye", words=states) for name, states in _WITH_HIDDEN.items()
)

RECEIPTS = Table(
    "receipts",
    "one imported file",
    (
        text("receipt", "name of the receipt: the first 12 digits of the hash", required=True),
        text("file", "name of the file, without its folder", required=True),
        text("sha256", "hash of the content", required=True),
        text("kind", "what the content was recognised as", required=True),
        text("table_name", "table the rows went to", required=True),
        count("rows_in", "rows read", required=True),
        count("rows_kept", "rows kept", required=True),
        count("rows_set_aside", "rows set aside, each with a reason", required=True),
        count("rows_known", "of the rows kept, those the season had already"),
        text("notes", "what was repaired or assumed, in words"),
        time("imported_at", "when", required=True),
        text("library_version", "version that read it", required=True),
    ),
    key=("receipt", "table_name"),
)

SET_ASIDE = Table(
    "set_aside",
    "one row that could not be used",
    (
        text("receipt", "receipt of the import", required=True),
        text("table_name", "table it would have gone to", required=True),
        count("source_row", "row of the file", required=True),
        text("reason", "why, and what would mend it", required=True),
        text("content", "the row as it came"),
        text("heading", "first row of the table it came from, if it was a table"),
    ),
)

SETTLED = Table(
    "settled",
    "one row set aside that was corrected later; the row itself stays as it came",
    (
        text("receipt", "receipt of the correction", required=True),
        count("set_aside_no", "number of the row in table set_aside, from 1", required=True),
    ),
    key=("set_aside_no",),
)

LOGS = Table(
    "logs",
    "one imported GPS log",
    (
        *_SOURCE,
        text("log", "name of the log", required=True),
        text("device", "program or device that wrote it, as stated in the file"),
        text("observer", "who carried it"),
        text("name", "title given in the file"),
        count("tracks", "tracks in the file"),
        count("parts", "track segments in the file"),
        time("start", "first time in it"),
        time("end", "last time in it"),
    ),
    key=("log",),
)

FIXES = Table(
    "fixes",
    "one GPS position",
    (
        *_SOURCE,
        text("log", "the log it belongs to", required=True),
        count("part", "track segment, counted through the file from 0", required=True),
        time("time", "when"),
        number("elevation_m", "height as the device gave it"),
        number("hdop", "horizontal dilution of precision", at_least=0),
        number("accuracy_m", "horizontal accuracy as stated by the device", at_least=0),
        text("flags", "quality flags, joined by ';' (see vocabularies.FIX_FLAGS)"),
        number("vdop", "vertical dilution of precision", at_least=0),
        number("pdop", "dilution of precision in position", at_least=0),
        number("satellites", "satellites used", at_least=0),
        text("fix_kind", "kind of fix as the device gave it: none, 2d, 3d, dgps, pps"),
        number("speed_m_s", "speed as the device gave it", at_least=0),
        number("course_deg", "course as the device gave it, degrees from true north", at_least=0),
        number("heart_rate_bpm", "heart rate of who carried it", at_least=0),
        number("temperature_c", "temperature as the device gave it"),
        number("cadence_rpm", "cadence as the device gave it", at_least=0),
        text("extras", "whatever else the device wrote, as JSON: name to text"),
    ),
    geometry="Point",
)

WAYPOINTS = Table(
    "waypoints",
    "one named GPS position",
    (
        *_SOURCE,
        text("log", "the log it belongs to", required=True),
        text("name", "name on the device"),
        time("time", "when"),
        number("elevation_m", "height as the device gave it"),
        text("comment", "comment or description on the device"),
        text("symbol", "symbol name on the device"),
        text("extras", "whatever else the device wrote, as JSON: name to text"),
    ),
    geometry="Point",
)

ROUTE_POINTS = Table(
    "route_points",
    "one point of a planned route: where somebody meant to go, not where they went",
    (
        *_SOURCE,
        text("log", "the log it came with", required=True),
        count("route", "route, counted through the file from 0", required=True),
        text("name", "name on the device"),
        time("time", "when, if the device wrote it"),
        number("elevation_m", "height as the device gave it"),
        text("comment", "comment or description on the device"),
        text("extras", "whatever else the device wrote, as JSON: name to text"),
    ),
    geometry="Point",
)

TRANSECTS = Table(
    "transects",
    "one fixed line that is walked again and again",
    (
        *_SOURCE,
        text("transect", "its name", required=True),
        text("surface", "what it is made of", words=SURFACES),
    ),
    key=("transect",),
    geometry="LineString",
)

WALKS = Table(
    "walks",
    "one walk of a transect, as whoever walked it states it",
    (
        *_SOURCE,
        text("walk", "its name", required=True),
        text("transect", "the transect that was walked", required=True),
        text("observer", "who walked it"),
        time("start", "when it began", required=True),
        time("end", "when it ended"),
        text("logged", "whether a GPS log of it was recorded", words=YES_NO),
        number("distance_m", "how far was walked, as stated; there and back together", at_least=0),
        text("began_at", "end of the transect at which it began", words=TRANSECT_ENDS),
        text("back", "whether the same way was walked back", words=YES_NO),
        text("found_sign", "whether any sign was found", words=YES_NO),
        text("tracking_quality", "how well the surface showed tracks", words=TRACKING_QUALITIES),
        text("surface_state", "what the surface was like that day"),
        text("notes", "anything else"),
        text("submission", "id of the filled-in field form it was stated in"),
        text("replaces", "id of the earlier submission that this one is a correction of"),
    ),
    key=("walk",),
)

PARCELS = Table(
    "parcels",
    "one holding or pasture",
    (
        *_SOURCE,
        text("parcel", "its name", required=True),
        text("owner_reference", "the user's own reference to the owner, not a name"),
    ),
    key=("parcel",),
    geometry="Polygon",
)

CLEARINGS = Table(
    "clearings",
    "one event that wiped the surface of transects",
    (
        *_SOURCE,
        text("cause", "what wiped it", required=True, words=CLEARING_CAUSES),
        time("time", "when it ended", required=True),
        text("transects", "names joined by ';', or 'all'", required=True),
    ),
)

SIGN = Table(
    "sign",
    "one place with sign",
    (
        *_SOURCE,
        text("sign", "its name in the notebook", required=True),
        time("time", "when it was found", required=True),
        text("observer", "who found it"),
        text("kind", "kind of sign", required=True, words=SIGN_KINDS),
        text("named_as", "taxon the observer named", words=tuple(TAXA)),
        number("confidence", "how sure the observer was, 0 to 1", at_least=0, at_most=1),
        number("age_min_h", "youngest it can be, hours before it was found", at_least=0),
        number("age_max_h", "oldest it can be, hours before it was found", at_least=0),
        number(
            "direction_deg", "direction of travel, degrees from true north", at_least=0, at_most=360
        ),
        text("surface", "surface it lies on", words=SURFACES),
        number("stride_m", "full stride: same foot to same foot", at_least=0),
        text("waypoint", "waypoint that marks it, if it has no position of its own"),
        text("notes", "anything else"),
        text("walk", "the walk it was found on, as a field form states it"),
        text("photo", "names of photos of it, joined by ';'"),
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
        text("photo", "its name: that of the file, unless another photo has it", required=True),
        text("sha256", "hash of the file", required=True),
        time("time", "when, if the photo says so"),
        text("time_source", "what the time rests on", words=tuple(TIME_SOURCES)),
        text("camera_time", "local time of the camera's clock, as it stood in the file"),
        number("clock_behind_s", "seconds by which the camera's clock was behind GPS time"),
        number("clock_offset_s", "seconds that were added to the camera's clock, if any were"),
        text("clock_source", "what the time it was placed by rests on", words=tuple(CLOCK_SOURCES)),
        text("position_source", "what the position rests on", words=tuple(POSITION_SOURCES)),
        number("elevation_m", "height as the device gave it"),
        number("accuracy_m", "horizontal error as stated by the device", at_least=0),
        number("dop", "dilution of precision, which is not in metres", at_least=0),
        number("direction_deg", "direction the camera pointed to", at_least=0, at_most=360),
        text("direction_ref", "north it is counted from", words=("true", "magnetic")),
        count("width_px", "width of the picture as stored"),
        count("height_px", "height of the picture as stored"),
        text("device", "maker and model of the camera, as stated in the file"),
        text("sign", "the sign it shows"),
        text("notes", "what it does not say, or what could not be read, and why"),
        text("observer", "who took it"),
    ),
    key=("photo",),
    geometry="Point",
    geometry_required=False,
)

PHOTO_PLACES = Table(
    "photo_places",
    "where a photo without a position of its own was taken; a later row supersedes an earlier one",
    (
        text("photo", "the photo", required=True),
        text("log", "the log it was placed on; missing if it could not be placed"),
        time("time", "when it was taken, by the clock put right"),
        number("clock_offset_s", "seconds that were added to the camera's clock, if any were"),
        text("clock_source", "what the time rests on", words=tuple(CLOCK_SOURCES)),
        number("elevation_m", "height between the two fixes"),
        number("gap_s", "seconds between the two fixes around it", at_least=0),
        number("span_m", "metres between the two fixes around it", at_least=0),
        text("told", "how it was placed, or why it was not", required=True),
        time("found_at", "when this was found", required=True),
        text("library_version", "version that found it", required=True),
    ),
    geometry="Point",
    geometry_required=False,
)

PRINTS = Table(
    "prints",
    "one footprint",
    (
        *_SOURCE,
        text("sign", "the sign it belongs to", required=True),
        count("print_no", "its number in that sign", required=True),
        text("foot", "which foot", words=FEET),
        number("length_mm", "length of the print without claws", at_least=1, at_most=500),
        number("width_mm", "width of the print", at_least=1, at_most=500),
        number("pad_width_mm", "width of the main pad", at_least=1, at_most=300),
        *_PRINT_CHARACTERS,
        text("photo", "names of photos of it, joined by ';'"),
    ),
    key=("sign", "print_no"),
)

OUTLINES = Table(
    "outlines",
    "one mark of a footprint, traced on a photo",
    (
        *_SOURCE,
        text("sign", "the sign it belongs to", required=True),
        count("print_no", "number of the print in that sign", required=True),
        text("part", "which part of the print", required=True, words=PRINT_PARTS),
        count("mark_no", "its number among marks of that part, from 1", required=True),
        text(
            "outline_mm",
            "well-known text in mm on a plane of its own: seen from above, x right, y up",
            required=True,
        ),
        text("foot", "which foot, as stated", words=FEET),
        text("photo", "name of the photo that it was traced on"),
        number("scale_error_fraction", "relative SD of the photo's scale", at_least=0, at_most=1),
    ),
    key=("sign", "print_no", "part", "mark_no"),
)

INCIDENTS = Table(
    "incidents",
    "one loss or conflict report",
    (
        *_SOURCE,
        text("incident", "its name", required=True),
        text("parcel", "parcel it happened on"),
        time("last_seen_well", "when the stock was last seen well"),
        time("found", "when the loss was found", required=True),
        text("livestock", "kind of stock"),
        count("count", "how many were lost"),
        text("carcass_notes", "what was seen at the carcass"),
    ),
    key=("incident",),
    geometry="Point",
    geometry_required=False,
)

CARCASSES = Table(
    "carcasses",
    "what was seen at one carcass of a loss",
    (
        *_SOURCE,
        text("incident", "the loss it belongs to", required=True),
        text("carcass", "its name within that loss", required=True),
        *(
            text(name, "noted at the carcass", words=(*states, NOT_VISIBLE))
            for name, states in CARCASS_CHARACTERS.items()
        ),
        number("canine_spacing_mm", "distance of two canine holes", at_least=5, at_most=150),
        text("canine_jaw", "which pair of canines", words=(*CANINE_JAWS, NOT_VISIBLE)),
        text("examined_by", "who looked, and as what"),
        text("photo", "names of photos of it, joined by ';'"),
        text("notes", "anything else"),
    ),
    key=("incident", "carcass"),
)

WEATHER = Table(
    "weather",
    "one note of what the surface was like on the day, and how long it keeps tracks",
    (
        *_SOURCE,
        time("time", "when it was so", required=True),
        text("transects", "names joined by ';', or 'all'", required=True),
        text("surface_state", "what the surface was like: dry dust under wind, frozen crust"),
        text("tracking_quality", "how well it showed tracks", words=TRACKING_QUALITIES),
        number(
            "keeps_tracks_days",
            "longest that it keeps tracks readable as it is, days; 0 where it takes none",
            at_least=0,
        ),
        text("notes", "anything else"),
    ),
)

#: The tables a season file holds, in the order in which they are created.
SEASON_TABLES: Final[dict[str, Table]] = {
    table.name: table
    for table in (
        RECEIPTS, SET_ASIDE, SETTLED, LOGS, FIXES, WAYPOINTS, ROUTE_POINTS, TRANSECTS, PARCELS,
        CLEARINGS, SIGN, PRINTS, INCIDENTS, CARCASSES, PHOTOS,
        PHOTO_PLACES, OUTLINES, WALKS, WEATHER,
    )
}  # fmt: skip
