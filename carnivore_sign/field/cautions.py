"""Cautions in the field, in short: what the form, the sheet and the card tell who is out there.

The reports print the same cautions at length, each with where it comes from.
"""

from __future__ import annotations

from typing import Final

#: What each is about, and the caution. Sources: wildlife, parks and health agencies' pages;
#: common practice.
FIELD_CAUTIONS: Final[dict[str, str]] = {
    "puma": (
        "Near a fresh kill or cache a puma may be close: do not go nearer, leave in company and "
        "in daylight. If you meet one: face it, look large, back away. Never run. Fight back if "
        "attacked."
    ),
    "gloves": (
        "Scat, hair and carcasses: gloves and a mask, do not breathe their dust, wash your hands."
    ),
    "scene": (
        "Dead stock: keep people, dogs and stock out, move nothing, cover tracks with a bucket, "
        "call the wildlife agency at once. Local law and licensed practice decide."
    ),
    "places": "Places of large carnivores are for those who need them: do not post them.",
}
