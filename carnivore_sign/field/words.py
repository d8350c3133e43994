"""Words: what the form, the sheet and the key call things, and how each is asked for.

The words of the vocabularies are short and joined by underscores; here stands what a person
reads. A test holds that every word of the vocabularies that the form offers has its label.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from carnivore_sign.records.vocabularies import NOT_VISIBLE, TAXA


@dataclass(frozen=True)
class CharacterWords:
    """A character of a print: its name, how to look for it, and what its states are called."""

    name: str
    look: str
    states: dict[str, str]


#: What is written for a character that could not be seen.
HIDDEN: Final = "not visible"

CHARACTER_WORDS: Final[dict[str, CharacterWords]] = {
    "leading_toe": CharacterWords(
        "Leading toe",
        "Does one of the two middle toes reach ahead of the other?",
        {"one_leads": "one leads", "level": "level"},
    ),
    "toe_shape": CharacterWords(
        "Shape of the toes",
        "Look at the middle toes: narrower in front, or as wide in front as behind?",
        {"teardrop": "teardrop", "round_or_oval": "round or oval"},
    ),
    "outer_toes": CharacterWords(
        "Outer toes",
        "Is the outline of the outer toes smooth, or has it corners?",
        {"smooth": "smooth", "angular": "angular"},
    ),
    "pad_rear_edge": CharacterWords(
        "Rear edge of the pad",
        "Count the lobes at the back of the main pad.",
        {"three_lobes": "three lobes", "two_lobes": "two lobes", "single_curve": "single curve"},
    ),
    "pad_front_edge": CharacterWords(
        "Front edge of the pad",
        "Is the front of the main pad broad, or does it come to a point?",
        {"two_lobes_or_flat": "two lobes or flat", "single_point": "single point"},
    ),
    "toes_in_pad": CharacterWords(
        "Toes that fit in the pad",
        "How many of its own toes would fit in the main pad?",
        {"about_four": "about four", "two_or_three": "two or three"},
    ),
    "pad_texture": CharacterWords(
        "Texture of the pad",
        "Is the floor of the main pad smooth, or pebbled?",
        {"smooth": "smooth", "pebbled": "pebbled"},
    ),
    "claws": CharacterWords(
        "Claw marks",
        "Fine marks apart from the toes, or blunt ones that run into them?",
        {"none": "none", "fine_apart": "fine apart", "blunt_joined": "blunt joined"},
    ),
    "negative_space": CharacterWords(
        "Space between pad and toes",
        "Which letter is drawn by the ground that stands between pad and toes?",
        {"c_shape": "C shape", "h_shape": "H shape", "x_shape": "X shape"},
    ),
    "outline": CharacterWords(
        "Outline of the print",
        "Is the whole print about as wide as it is long, or longer?",
        {"rounder": "rounder", "longer": "longer"},
    ),
}

#: Labels of answers that are not the word itself with spaces for underscores.
_LABELS: Final[dict[str, str]] = {
    **TAXA,
    "unknown": "not named: I do not know",
    "not_in_this_list": "another transect",
    "this_transect": "this transect",
    "all": "all transects",
    "drag": "drag (smoothed on purpose)",
    "start": "at its start, as it was drawn",
    "end": "at its end",
    NOT_VISIBLE: HIDDEN,
}

#: What each question asks, and a hint below it.
QUESTIONS: Final[dict[str, tuple[str, str]]] = {
    "observer": ("Who walks?", "The same spelling every time; of several, whoever reads the sign."),
    "transect": ("Transect", "As it is called in the season."),
    "transect_other": ("Name of that transect", ""),
    "started": ("Start", "Date and time when you began."),
    "began_at": ("At which end did you begin?", ""),
    "logged": (
        "Does a GPS record this walk?",
        "If so, its log says how far was walked. Without one, you are asked at the end.",
    ),
    "tracking_quality": ("How well does the surface show tracks today?", ""),
    "surface_state": ("What is the surface like?", "For instance: crusted, fresh dust, wet."),
    "was_wiped": ("Was the surface wiped since the last walk, as far as you know?", ""),
    "found_sign": (
        "Have you found any sign?",
        "A walk without sign counts: answer no, and send the form.",
    ),
    "ended": ("End", "Date and time when you had walked it."),
    "distance_km": ("How far did you walk, km?", "There and back together."),
    "back": ("Did you walk the same way back?", ""),
    "walk_notes": ("Notes on the walk", ""),
    "wiped_by": ("What wiped it?", ""),
    "wiped_at": ("When did that end?", "As near as you know."),
    "wiped_where": ("Where?", ""),
    "sign_time": ("When found", ""),
    "place": ("Place", "Stand beside the sign and wait for a good fix."),
    "waypoint": ("Waypoint on the GPS", "If you marked it there too, or have no place here."),
    "kind": ("Kind of sign", ""),
    "sign_surface": ("Surface it lies on", ""),
    "named_as": ("Which animal, in your judgement?", "Leave it open if you do not know."),
    "certainty_percent": (
        "How sure are you, per cent?",
        "50 is no better than a coin. Say 95 only if you would err one time in twenty.",
    ),
    "age_min_h": ("Youngest it can be, hours", "0 if it may be fresh."),
    "age_max_h": ("Oldest it can be, hours", "A day is 24, a week 168."),
    "direction_deg": ("Direction of travel, degrees", "From true north: east is 90."),
    "stride_mm": ("Full stride, mm", "From a foot to the next print of the same foot."),
    "sign_photo": ("Photo of the sign", "With the scale card flat beside it, from straight above."),
    "sign_photo_2": ("A second photo", "Of the trail, or of where it lies."),
    "sign_notes": ("Notes on the sign", ""),
    "foot": ("Which foot?", "Leave it open if you do not know."),
    "length_mm": ("Length without claws, mm", ""),
    "width_mm": ("Width, mm", ""),
    "pad_width_mm": ("Width of the main pad, mm", "Where it is widest."),
    "print_photo": ("Photo of this print", "Scale card beside it, camera straight above."),
    **{name: (words.name, words.look) for name, words in CHARACTER_WORDS.items()},
}


def label_of(word: str, character: str | None = None) -> str:
    """Return what a person reads for a word of a vocabulary.

    Examples
    --------
    >>> label_of("left_front"), label_of("not_visible"), label_of("one_leads", "leading_toe")
    ('left front', 'not visible', 'one leads')
    """
    if character is not None and word != NOT_VISIBLE:
        return CHARACTER_WORDS[character].states[word]
    return _LABELS.get(word, word.replace("_", " "))
