"""Style: the one place of colours, line weights, symbols and type of maps and reports.

The language in short. Colour says what was found: ink for sure, ochre for likely, clear blue
for looked and not found, a sand dotted on a hairline for not looked. Each state also differs in
lightness, so that a grey print reads the same. Weight says how probable use of the unit is, in
four steps that can be told apart: the core of the line is the step of the estimate, its pale
edge that of the upper limit. Where a unit is an area, the same steps say how much of it is
filled, and one that nobody walked is crossed through. A tally mark beside the line is one visit.
No colour stands for danger.
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
#: Outline of a unit that is an area.
AREA_EDGE: Final = "#b9bcc0"
#: Contours of the land.
CONTOUR: Final = "#c9bfa8"
#: Outline of a parcel.
PARCEL: Final = "#8a7f6d"
#: The name of a parcel: its outline's brown, dark enough to be read.
PARCEL_TYPE: Final = "#6f6553"
#: Fill of the parcel that the page is about.
PARCEL_FILL: Final = "#ece5d6"
#: An incident: its place and its window.
INCIDENT: Final = "#5b2a6b"
#: Parties on the sheet of effort, told apart by the colour blind as well (Okabe & Ito 2008,
#: Color Universal Design, cited from memory).
PARTIES: Final = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00")
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
    "not_found": StateStyle("#4f97b6", "#a5c9da", MAP_STATES["not_found"]),
    "not_looked": StateStyle("#bdb29b", "#bdb29b", MAP_STATES["not_looked"], dotted=True),
}

#: The states as they are printed wherever room allows, with the range that each stands for.
STATE_LABELS: Final[dict[str, str]] = {
    state: f"{style.label} ({style.cut_off})" if style.cut_off else style.label
    for state, style in STATES.items()
}

#: Why what was found and how probable use is may differ: wherever both are shown.
FOUND_AND_USED: Final = (
    "Found speaks of the likeliest trail alone: how probable it is that the animal left it. Used "
    "speaks of whether the animal used the place in the month, as the model judges it from every "
    "trail and every walk, blank ones too; so the two need not agree."
)


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


@dataclass(frozen=True)
class ChangeStyle:
    """How a change between two months is drawn; `up` is 1 or -1 for a wedge, 0 for none."""

    color: str
    width_pt: float
    up: int
    label: str


#: The least change of a probability that is worth telling: five points of per cent.
LEAST_CHANGE: Final = 0.05

#: Changes, drawn in this order: what can be told comes last, on top.
CHANGES: Final[dict[str, ChangeStyle]] = {
    "not_both": ChangeStyle("#d9cfba", 1.6, 0, "not looked at in both"),
    "open": ChangeStyle("#a3a8b0", 4.0, 0, "more or less, cannot be told"),
    "same": ChangeStyle(
        "#666b73", 2.6, 0, f"about the same (less than {LEAST_CHANGE * 100:.0f} points)"
    ),
    "less": ChangeStyle("#3f9c86", 6.6, -1, "less probable than before"),
    "more": ChangeStyle("#4b2a78", 6.6, 1, "more probable than before"),
}
#: Corners of the wedge of a change, and its size in points.
WEDGE: Final = ((-0.5, -0.42), (0.5, -0.42), (0.0, 0.58))
WEDGE_PT: Final = 9.0


@dataclass(frozen=True)
class WeightStep:
    """One step of weight: the probability of use it begins at, and how it is drawn.

    `width_pt` is the width of a line in points, `core_share` the share of an area that is filled.
    """

    at_least: float
    width_pt: float
    core_share: float
    label: str


#: Steps of weight, least probable first.
WEIGHTS: Final[tuple[WeightStep, ...]] = (
    WeightStep(0.0, 1.6, 0.08, f"under {UNLIKELY_BELOW * 100:.0f} %"),
    WeightStep(UNLIKELY_BELOW, 4.0, 0.25, _per_cent(UNLIKELY_BELOW, FOUND_LIKELY_FROM)),
    WeightStep(FOUND_LIKELY_FROM, 6.6, 0.5, _per_cent(FOUND_LIKELY_FROM, LIKELY_FROM)),
    WeightStep(LIKELY_FROM, 9.4, 0.86, _per_cent(LIKELY_FROM)),
)
#: Width in points of a line that carries no estimate, and of a dotted one.
PLAIN_PT: Final = 2.6
#: Length in points of a tally mark, and the most that are drawn on one unit.
TALLY_PT: Final = 5.5
TALLY_MOST: Final = 5
#: Diameter in points of the ring around a trail that may be of the time of a loss.
RING_PT: Final = 17.0
#: Length in points of the head of a trail's arrow.
ARROW_PT: Final = 8.0

#: Sizes of type in points.
TITLE_PT: Final = 17.0
HEADING_PT: Final = 10.0
TEXT_PT: Final = 8.8
SMALL_PT: Final = 8.3


def line_width_pt(probability: float) -> float:
    """Width in points of a unit's line, from the step of its probability of use.

    Examples
    --------
    >>> line_width_pt(0.18), line_width_pt(0.27), line_width_pt(0.5)
    (1.6, 4.0, 6.6)
    """
    return next(step.width_pt for step in reversed(WEIGHTS) if probability >= step.at_least)
