"""Presence: is the country used, where, and how sure can anyone be.

Takes visits with their effort, and detections with the probability of each taxon (frames of
``records.tables``). Gives detection histories, fitted occupancy models with their limits,
presence per unit and month, and what a run of blank visits is worth. Does not know how
segments were cut, trails linked or prints identified, and draws nothing.
"""

from carnivore_sign.presence.absence import (
    Probability,
    blank_visits_needed,
    blank_visits_needed_of,
    presence_after_blanks,
    presence_after_blanks_of,
    presence_limit_if_all_blank,
)
from carnivore_sign.presence.chaining import AlongLine, OverMonths
from carnivore_sign.presence.choosing import Choice, choose_way
from carnivore_sign.presence.comparing import compare_fits, predict_averaged
from carnivore_sign.presence.drawing import draw_survey
from carnivore_sign.presence.fit_checks import FitCheck, bootstrap_limits, check_fit, widened
from carnivore_sign.presence.histories import Histories, histories_from_matrix, make_histories
from carnivore_sign.presence.intervals import profile_curve, profile_limits
from carnivore_sign.presence.monthly import (
    MonthlyPresence,
    SeasonPresence,
    monthly_presence,
    season_presence,
)
from carnivore_sign.presence.neighbours import Likeness, likeness_of_neighbours, unit_residuals
from carnivore_sign.presence.occupancy import fit_occupancy
from carnivore_sign.presence.planning import (
    best_number_of_visits,
    power_to_see_change,
    units_needed,
    units_to_see_change,
)
from carnivore_sign.presence.result import OccupancyFit, Share

__all__ = [
    "AlongLine",
    "Choice",
    "FitCheck",
    "Histories",
    "Likeness",
    "MonthlyPresence",
    "OccupancyFit",
    "OverMonths",
    "Probability",
    "SeasonPresence",
    "Share",
    "best_number_of_visits",
    "blank_visits_needed",
    "blank_visits_needed_of",
    "bootstrap_limits",
    "check_fit",
    "choose_way",
    "compare_fits",
    "draw_survey",
    "fit_occupancy",
    "histories_from_matrix",
    "likeness_of_neighbours",
    "make_histories",
    "monthly_presence",
    "power_to_see_change",
    "predict_averaged",
    "presence_after_blanks",
    "presence_after_blanks_of",
    "presence_limit_if_all_blank",
    "profile_curve",
    "profile_limits",
    "season_presence",
    "unit_residuals",
    "units_needed",
    "units_to_see_change",
    "widened",
]
