"""Vocabularies: the words that a column may hold, each defined once.

Toes are numbered from the inside of the foot: 1 is the innermost (the dewclaw), 2 to 5 are
the four that register. *Not visible* is a state of every character and means exactly that:
the surface, the overlap or the light hid it. It is never a vote.
"""

from __future__ import annotations

from typing import Final

#: Taxa that the library can weigh against each other. ``other`` is *something else*.
TAXA: Final[dict[str, str]] = {
    "puma": "puma",
    "bobcat": "bobcat",
    "lynx": "lynx",
    "dog": "domestic dog",
    "coyote": "coyote",
    "wolf": "wolf",
    "red_fox": "red fox",
    "black_bear": "black bear",
    "other": "something else",
}

#: Names that people write for the taxa, lower case, and the taxon they mean.
TAXON_NAMES: Final[dict[str, str]] = {
    **{taxon: taxon for taxon in TAXA},
    **{name: taxon for taxon, name in TAXA.items()},
    "cougar": "puma",
    "mountain lion": "puma",
    "lion": "puma",
    "panther": "puma",
    "puma concolor": "puma",
    "lynx rufus": "bobcat",
    "lynx canadensis": "lynx",
    "canada lynx": "lynx",
    "canis familiaris": "dog",
    "canis lupus familiaris": "dog",
    "canis latrans": "coyote",
    "canis lupus": "wolf",
    "gray wolf": "wolf",
    "grey wolf": "wolf",
    "fox": "red_fox",
    "vulpes vulpes": "red_fox",
    "bear": "black_bear",
    "ursus americanus": "black_bear",
    "something else": "other",
}

#: What people write who name no animal: it is not a naming of *something else*.
UNNAMED: Final = ("unknown", "unsure", "undecided", "unidentified", "not sure", "n/a", "?", "-")

#: Sides of a line, seen along it.
SIDES: Final = ("left", "right")

#: Kinds of sign.
SIGN_KINDS: Final = ("track", "scat", "scrape", "cache", "kill", "hair", "call")

#: What a transect is made of.
SURFACES: Final = ("dust", "sand", "mud", "snow", "gravel", "hard", "track_plate")

#: What a loss of stock may turn out to be, and the name of each on a page.
CAUSES: Final[dict[str, str]] = {
    "puma": "puma",
    "bear": "bear",
    "wolf": "wolf",
    "coyote": "coyote",
    "dog": "domestic dog",
    "bobcat": "bobcat",
    "other_predator": "another predator",
    "not_predation": "no predator (illness, birth, accident; perhaps eaten afterwards)",
}

#: The cause that a taxon would be; every other taxon is *another predator*.
CAUSE_OF_TAXON: Final[dict[str, str]] = {
    "puma": "puma",
    "bobcat": "bobcat",
    "lynx": "other_predator",
    "dog": "dog",
    "coyote": "coyote",
    "wolf": "wolf",
    "red_fox": "other_predator",
    "black_bear": "bear",
    "other": "other_predator",
}

#: Ends of a transect, as it was digitised, at which a walk may begin.
TRANSECT_ENDS: Final = ("start", "end")

YES_NO: Final = ("yes", "no")

#: What is noted at a carcass, and the states of each (besides `NOT_VISIBLE`).
CARCASS_CHARACTERS: Final[dict[str, tuple[str, ...]]] = {
    "bleeding": ("present", "none"),
    "bite_place": ("neck_or_head", "throat", "hindquarters_or_flanks", "many_places", "none_found"),
    "feeding": (
        "chest_organs_first", "belly_first", "hindquarters_first", "udder_or_meat_first",
        "little_eaten",
    ),
    "covered": ("covered", "not_covered"),
    "dragged": ("dragged", "not_dragged"),
    "mutilation": ("much", "little"),
    "claw_marks": ("present", "none"),
}  # fmt: skip

#: Which pair of canines left the two holes whose distance was measured.
CANINE_JAWS: Final = ("upper", "lower")

#: Events that wipe a surface clean.
CLEARING_CAUSES: Final = ("rain", "snow", "wind", "drag", "traffic")

#: Foot that left a print.
FEET: Final = ("left_front", "right_front", "left_hind", "right_hind")

#: A character that could not be seen; it leaves the odds untouched.
NOT_VISIBLE: Final = "not_visible"

#: Characters of a print that are noted by eye, and their states (besides `NOT_VISIBLE`).
CHARACTERS: Final[dict[str, tuple[str, ...]]] = {
    "leading_toe": ("one_leads", "level"),
    "toe_shape": ("teardrop", "round_or_oval"),
    "outer_toes": ("smooth", "angular"),
    "pad_rear_edge": ("three_lobes", "two_lobes", "single_curve"),
    "pad_front_edge": ("two_lobes_or_flat", "single_point"),
    "toes_in_pad": ("about_four", "two_or_three"),
    "pad_texture": ("smooth", "pebbled"),
    "claws": ("none", "fine_apart", "blunt_joined"),
    "negative_space": ("c_shape", "h_shape", "x_shape"),
    "outline": ("rounder", "longer"),
}

#: Characters that are measured, with their unit in the name.
MEASURES: Final = ("length_mm", "width_mm", "pad_width_mm")

#: Parts of a print that are outlined. Toes are numbered from the inside; ``toe`` and ``claw``
#: are marks whose number was not judged.
PRINT_PARTS: Final = (
    "toe_2", "toe_3", "toe_4", "toe_5", "toe",
    "pad",
    "claw_2", "claw_3", "claw_4", "claw_5", "claw",
    "dewclaw", "carpal_pad",
)  # fmt: skip

#: Flags a fix may carry, and what each means. Which ones keep a fix out of effort is
#: decided in the survey room.
FIX_FLAGS: Final[dict[str, str]] = {
    "no_time": "the fix has no time",
    "backwards": "its time is before that of the fix in front of it",
    "duplicate": "same time and place as the fix in front of it",
    "same_time": "same time as the fix in front of it, at another place",
    "zero_island": "exactly 0 latitude and 0 longitude, which receivers write for 'unknown'",
    "too_fast": "farther from its neighbours than anything on the ground moves in that time",
    "low_accuracy": "stated accuracy worse than 50 m, or HDOP over 10",
    "jump": "a step of over 100 m, far longer than the others of its segment, in no time",
    "frozen_clock": "one of five or more fixes in a row with one time and several places",
    "gap": "five minutes or more after the fix in front of it, far longer than is usual there",
    "week_rollover": "a date that a receiver whose week number began again writes",
    "unknown_datum": "the file states a datum that is not WGS84 and was not transformed",
    "hour_twice": "local time in an hour that the clocks went through twice; the first was taken",
    "antimeridian": "on longitude 180, or on the other side of it than the fix in front of it",
    "near_pole": "within one degree of a pole, where longitude says little",
}

#: What the time of a photo rests on.
TIME_SOURCES: Final[dict[str, str]] = {
    "gps": "date and time of its GPS receiver",
    "gps_clock": "time of day of its GPS receiver, on the day of the camera's clock",
    "camera_offset": "the camera's clock, and the offset that stands beside it",
    "camera_zone": "the camera's clock, and the time zone that was stated",
}

#: What the time that a photo is placed by rests on.
CLOCK_SOURCES: Final[dict[str, str]] = {
    "gps": "date and time of its GPS receiver, which are never moved",
    "given": "the camera's clock, put right by an offset that was given",
    "estimated": "the camera's clock, put right by an offset estimated from its other photos",
    "as_set": "the camera's clock as it was set",
}

#: What the position of a photo rests on.
POSITION_SOURCES: Final[dict[str, str]] = {
    "exif": "its GPS tags",
    "xmp": "its XMP packet",
    "log": "a GPS log, by the time of the photo",
    "none": "it has none",
}

#: State of a unit on the monthly map.
MAP_STATES: Final[dict[str, str]] = {
    "found_sure": "found, sure",
    "found_likely": "found, likely",
    "not_found": "looked for, not found",
    "not_looked": "not looked for",
}

#: Longest that the surface of a transect is taken to keep tracks readable (common practice, no
#: source): days in which effort gathers, and in which a track that is found was made.
MAX_DAYS_COLLECTING: Final = 7.0

#: Cut-offs of the words for a probability of a trail, or of having passed; each word means the
#: same range everywhere. The state *found, likely* of a unit has a range of its own, below, and
#: is printed with it.
SURE_FROM: Final = 0.95
LIKELY_FROM: Final = 0.80
UNLIKELY_BELOW: Final = 0.20

#: A unit is *found, likely* from here up to `SURE_FROM`: more likely than not that one of the
#: trails found on it was the taxon's.
FOUND_LIKELY_FROM: Final = 0.50
