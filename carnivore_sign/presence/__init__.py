"""Presence: is the country used, where, and how sure can anyone be.

Takes visits with their effort, and detections with the probability of each taxon (frames of
``records.tables``). Gives detection histories, fitted occupancy models with their limits,
presence per unit and month, and what a run of blank visits is worth. Does not know how
segments were cut, trails linked or prints identified, and draws nothing.
"""

from carnivore_sign.presence.absence import (
    Probability,
    best_number_of_visits,
    blank_visits_needed,
    presence_after_blanks,
    presence_after_blanks_of,
    units_needed,
)
from carnivore_sign.presence.histories import Histories, histories_from_matrix, make_histories
from carnivore_sign.presence.monthly import (
    MonthlyPresence,
    SeasonPresence,
    monthly_presence,
    season_presence,
)
from carnivore_sign.presence.occupancy import fit_occupancy
from carnivore_sign.presence.result import OccupancyFit, Share

__all__ = [
    "Histories",
    "MonthlyPresence",
    "OccupancyFit",
    "Probability",
    "SeasonPresence",
    "Share",
    "best_number_of_visits",
    "blank_visits_needed",
    "fit_occupancy",
    "histories_from_matrix",
    "make_histories",
    "monthly_presence",
    "presence_after_blanks",
    "presence_after_blanks_of",
    "season_presence",
    "units_needed",
]
