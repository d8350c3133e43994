"""Computed tables: what the rooms make from the record and hand to each other.

None of them is kept in a season file; they are computed again whenever they are needed.
"""

from __future__ import annotations

from typing import Final

from carnivore_sign.records.schema import Column, Table, count, number, text, time, yes_no
from carnivore_sign.records.vocabularies import FEET, MAP_STATES, SIDES, SURFACES, TAXA

#: What the metres of a visit rest on.
EFFORT_SOURCES: Final[dict[str, str]] = {
    "measured": "the fixes of a GPS log",
    "stated": "a distance that somebody typed, without a log",
}

#: How well a surface shows tracks, best first.
TRACKING_QUALITIES: Final = ("good", "fair", "poor", "none")


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
        text("segment", "its name: transect, hash sign, number", required=True),
        text("transect", "the transect", required=True),
        number("from_m", "start along the transect", required=True, at_least=0),
        number("to_m", "end along the transect", required=True, at_least=0),
        number("length_m", "length on the ellipsoid", required=True, at_least=0),
        text("surface", "what it is made of", words=SURFACES),
    ),
    key=("segment",),
    geometry="LineString",
)

VISITS = Table(
    "visits",
    "one segment on one walk",
    (
        text("visit", "its name: walk, at sign, segment", required=True),
        text("walk", "the walk: log, hash sign, number", required=True),
        text("log", "the log; missing where the distance is stated and not measured"),
        text("segment", "the segment", required=True),
        text("transect", "the transect", required=True),
        text("observer", "who walked"),
        time("start", "first fix on the segment", required=True),
        time("end", "last fix on the segment", required=True),
        text("period", "local month of the start, YYYY-MM", required=True),
        number("covered_m", "metres of the segment really walked", required=True, at_least=0),
        number("coverage", "share of the segment walked", required=True, at_least=0, at_most=1),
        number("hours_since_cleared", "hours the surface has been collecting tracks", at_least=0),
        text("cleared_by", "what wiped it last"),
        number("effort_km", "covered_m in km", required=True, at_least=0),
        number("effort_km_days", "km times days since cleared; missing if unknown", at_least=0),
        text("effort_source", "what covered_m rests on", words=tuple(EFFORT_SOURCES)),
        number("walked_m", "metres walked on it, there and back, to some 50 m", at_least=0),
        number("speed_m_s", "mean speed on it", at_least=0),
        number("sun_deg", "height of the sun at the start", at_least=-90, at_most=90),
        text("surface_state", "state of the surface, as noted"),
        text("tracking_quality", "how well it shows tracks, as noted", words=TRACKING_QUALITIES),
    ),
    key=("visit",),
)

TRAILS = Table(
    "trails",
    "one animal's passage",
    (
        text("trail", "its name", required=True),
        count("sign_count", "sign that make it up", required=True),
        count("print_count", "prints measured or noted on it", required=True),
        time("time", "when its first sign was found", required=True),
        time("made_after", "made after this, if known: 95 % with made_before"),
        time("made_before", "made before this: 95 % with made_after", required=True),
        time("wiped", "when the ground under it was last wiped, if known: it was made later"),
        number("direction_deg", "direction of travel, degrees from true north"),
        number("length_m", "length from first to last sign", required=True, at_least=0),
        *_PROBABILITIES,
    ),
    key=("trail",),
    geometry="Geometry",
)

TAPE = Table(
    "tape",
    "one print of a trail that was measured with a tape, in the order of travel",
    (
        text("sequence", "the trail", required=True),
        count("print_no", "its number along the trail", required=True),
        number("step_m", "from the print before it, of the other side: half a cycle", at_least=0),
        number(
            "stride_m", "from the print before that, of the same foot: a full cycle", at_least=0
        ),
        text("side", "side of the body", words=("left", "right")),
        text("foot", "which foot, as noted", words=FEET),
        number("width_mm", "width of the print", at_least=1, at_most=500),
        number("length_mm", "length of the print without claws", at_least=1, at_most=500),
    ),
    key=("sequence", "print_no"),
)

GAIT = Table(
    "gait",
    "one print of a trail, and the gait measured at it",
    (
        text("sequence", "the trail", required=True),
        count("print_no", "its number along the trail", required=True),
        number("x_m", "place in a plane of its own", required=True),
        number("y_m", "place in that plane", required=True),
        number("along_m", "place along the course"),
        number("across_m", "distance from the course, left above 0"),
        number("heading_deg", "direction of travel, clockwise from the y axis"),
        text("foot", "which foot, as inferred", required=True, words=FEET),
        Column("foot_probability", "probability", "probability that it was that foot"),
        *(
            Column(f"p_{foot}", "probability", f"probability that it was the {foot}")
            for foot in FEET
        ),
        Column("p_direct_register", "probability", "probability that a front print lies under it"),
        Column("p_grouped", "probability", "probability that feet come in groups of four"),
        number("stride_m", "from the print before it of the same foot: a full cycle", at_least=0),
        number("step_m", "from the print before it of the other side: half a cycle", at_least=0),
        number("pace_angulation_deg", "angle between two steps", at_least=0, at_most=180),
        number("straddle_m", "between centre lines", at_least=0),
        number("straddle_outer_m", "between outer edges", at_least=0),
        number("hind_on_front_m", "hind print past the front print of its side"),
        number("foot_angle_deg", "axis of the foot against the course, outward above 0"),
        number("group_length_m", "length of a group of four, at its first print", at_least=0),
        number("group_pair_m", "from the first to the second print of a group", at_least=0),
    ),
    key=("sequence", "print_no"),
)

DETECTIONS = Table(
    "detections",
    "one trail on one segment on one visit",
    (
        text("trail", "the trail", required=True),
        text("visit", "the visit", required=True),
        text("segment", "the segment", required=True),
        text("period", "local month, YYYY-MM", required=True),
        number(
            "offset_m", "distance of its nearest sign from the transect", required=True, at_least=0
        ),
        text(
            "side",
            "side of the transect that its nearest sign lies on, seen along the line as it was "
            "drawn; missing within half a metre of it",
            words=SIDES,
        ),
        *_PROBABILITIES,
        yes_no("with_tracks", "tracks are among the trail's sign"),
    ),
    key=("trail", "visit"),
)

MONTHLY = Table(
    "monthly",
    "one unit in one month: what was done, what was found, and what that says",
    (
        text("segment", "the unit", required=True),
        text("period", "local month, YYYY-MM", required=True),
        text("taxon", "the taxon that the row is about", required=True, words=tuple(TAXA)),
        text("state", "state on the map", required=True, words=tuple(MAP_STATES)),
        count("visits", "visits in the month", required=True),
        number("effort_km", "km walked on it", required=True, at_least=0),
        number("effort_km_days", "km times days of accumulation", at_least=0),
        Column("p_found", "probability", "probability of the best trail; that of any is no less"),
        number("trails_expected", "sum of the trails' probabilities", at_least=0),
        Column("p_presence", "probability", "probability that the unit is used this month"),
        Column("p_presence_low", "probability", "lower 95 % limit of p_presence"),
        Column("p_presence_high", "probability", "upper 95 % limit of p_presence"),
    ),
    key=("segment", "period", "taxon"),
    geometry="LineString",
)
