"""Style: the one place of colours, line weights, symbols and type of maps and reports.

The language in short. Colour says what was found: ink for sure, ochre for likely, clear blue
for looked and not found, a dotted sand for not looked. Each state also differs in lightness,
so that a grey print reads the same. Weight says how probable use of the unit is: the core of
the line is the estimate, its pale edge reaches to the upper limit. A tally mark across the
line is one visit. No colour stands for danger.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from carnivore_sign.records.vocabularies import (
    FOUND_LIKELY_FROM,
    LIKELY_FROM,
    MAP_STATES,
    SURE_FROM,
    UNLIKELY_BELOW,
)

#: Type, frames and everything that is written.
INK: Final = "#20242b"
#: Second-rank type: ticks, captions.
QUIET: Final = "#5d6470"
#: Lines that only help the eye.
HAIRLINE: Final = "#d9dce0"
#: The sheet.
PAPER: Final = "#ffffff"
#: The country inside the frame of a map.
GROUND: Final = "#faf9f5"
#: Outline of a parcel.
PARCEL: Final = "#8a7f6d"
#: Fill of the parcel that the page is about.
PARCEL_FILL: Final = "#ece5d6"
#: An incident: its place and its window.
INCIDENT: Final = "#5b2a6b"
#: The time of an incident on a time line.
WINDOW: Final = "#ddd0e3"


@dataclass(frozen=True)
class StateStyle:
    """How one state of a unit is drawn, and from which probability of a find it holds."""

    color: str
    edge: str
    label: str
    dotted: bool = False
    cut_off: str = ""


def _per_cent(at_least: float, below: float | None = None) -> str:
    if below is None:
        return f"{at_least * 100:.0f} % or more"
    return f"{at_least * 100:.0f} to {below * 100:.0f} %"


#: State of a unit on the map: colour of its core, and of the pale edge of its doubt.
STATES: Final[dict[str, StateStyle]] = {
    "found_sure": StateStyle(
        "#14213d", "#8d97b5", MAP_STATES["found_sure"], cut_off=_per_cent(SURE_FROM)
    ),
    "found_likely": StateStyle(
        "#a2560e",
        "#e0bd96",
        MAP_STATES["found_likely"],
        cut_off=_per_cent(FOUND_LIKELY_FROM, SURE_FROM),
    ),
    "not_found": StateStyle("#5ba0bd", "#b4d3e1", MAP_STATES["not_found"]),
    "not_looked": StateStyle("#c6bfb0", "#c6bfb0", MAP_STATES["not_looked"], dotted=True),
}

#: The states as they are printed wherever room allows, with the range that each stands for.
STATE_LABELS: Final[dict[str, str]] = {
    state: f"{style.label} ({style.cut_off})" if style.cut_off else style.label
    for state, style in STATES.items()
}

#: States whose colour is so dark that a mark on it must be pale.
DARK_STATES: Final = ("found_sure", "found_likely")


@dataclass(frozen=True)
class TrailStyle:
    """How a trail is drawn, by the probability that the taxon left it."""

    at_least: float
    fill: str
    edge: str
    label: str


#: Trails, most probable first: filled, open, and a small grey mark.
TRAILS: Final[tuple[TrailStyle, ...]] = (
    TrailStyle(LIKELY_FROM, INK, INK, _per_cent(LIKELY_FROM)),
    TrailStyle(UNLIKELY_BELOW, PAPER, INK, _per_cent(UNLIKELY_BELOW, LIKELY_FROM)),
    TrailStyle(0.0, HAIRLINE, QUIET, f"under {UNLIKELY_BELOW * 100:.0f} %, or not told"),
)

#: Width in points of a line whose unit has probability 0, and 1.
LINE_PT: Final = (1.4, 9.0)
#: Width in points of a line that carries no estimate, and of a dotted one.
PLAIN_PT: Final = 1.6
#: Length in points of a tally mark, and the most that are drawn on one unit.
TALLY_PT: Final = 13.0
TALLY_MOST: Final = 5
#: Length in points of the head of a trail's arrow.
ARROW_PT: Final = 8.0

#: Sizes of type in points.
TITLE_PT: Final = 17.0
HEADING_PT: Final = 10.0
TEXT_PT: Final = 8.5
SMALL_PT: Final = 7.5


def line_width_pt(probability: float) -> float:
    """Width in points of a unit's line, from its probability of use.

    Examples
    --------
    >>> round(line_width_pt(0.5), 2)
    5.2
    """
    thin, thick = LINE_PT
    return thin + (thick - thin) * probability
