"""Maps: the month on one sheet, an incident on a map and a time line, a trail and its gait.

Takes MONTHLY, TRAILS, TRANSECTS and PARCELS, the findings of an incident, or a measured gait.
Gives figures that need no display, with everything a reader must know printed on the sheet.
Does not compute any probability, and fetches nothing from a network but the tiles of a
basemap, where one is asked for.
"""

from carnivore_sign.maps.answer_readers import (
    answer_edition,
    findings_shown_to,
    withheld_from_answer,
)
from carnivore_sign.maps.areas import draw_areas, draw_units
from carnivore_sign.maps.basemap import Basemap
from carnivore_sign.maps.change import changes_between, draw_changes, plot_change
from carnivore_sign.maps.effort import plot_effort
from carnivore_sign.maps.evidence import draw_weights, weights_sheet
from carnivore_sign.maps.gait import draw_step_chart, draw_trail_plan, gait_sheet
from carnivore_sign.maps.incident import incident_map
from carnivore_sign.maps.layers import (
    draw_parcels,
    draw_segments,
    draw_tally,
    draw_trails,
    draw_transects,
)
from carnivore_sign.maps.measures import MEASURES, METRIC, Measures, measures_of
from carnivore_sign.maps.monthly import SheetWords, draw_month, plot_month
from carnivore_sign.maps.months import plot_months
from carnivore_sign.maps.names import draw_names, draw_numbers
from carnivore_sign.maps.readers import READERS, Edition, Shown, edition_for, shown_to, units_for
from carnivore_sign.maps.sheet import png_bytes, save_png
from carnivore_sign.maps.timeline import timeline
from carnivore_sign.maps.web import WebLayers, web_map

__all__ = [
    "Basemap",
    "Edition",
    "MEASURES",
    "METRIC",
    "Measures",
    "READERS",
    "SheetWords",
    "WebLayers",
    "Shown",
    "answer_edition",
    "changes_between",
    "draw_areas",
    "draw_changes",
    "draw_month",
    "draw_names",
    "draw_numbers",
    "draw_parcels",
    "draw_segments",
    "draw_step_chart",
    "draw_tally",
    "draw_trail_plan",
    "draw_trails",
    "draw_transects",
    "draw_units",
    "draw_weights",
    "edition_for",
    "findings_shown_to",
    "gait_sheet",
    "incident_map",
    "measures_of",
    "plot_change",
    "plot_effort",
    "plot_month",
    "plot_months",
    "png_bytes",
    "save_png",
    "shown_to",
    "timeline",
    "web_map",
    "units_for",
    "weights_sheet",
    "withheld_from_answer",
]
