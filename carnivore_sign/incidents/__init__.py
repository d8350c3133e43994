"""Incidents: one loss, and what the season knows of its place and its time.

Takes one row of INCIDENTS and the SIGN, TRAILS, VISITS, MONTHLY, PARCELS, SEGMENTS and
CLEARINGS of the season. Gives `IncidentFindings`: trails near the place with the probability
that each was made within the incident window, who looked and when, and how likely the taxon
was about that month. Does not weigh what was seen at the carcass, does not name a culprit,
and prints nothing: pages are made in `reports`.
"""

from carnivore_sign.incidents.findings import IncidentFindings, examine_incident
from carnivore_sign.incidents.passing import (
    PassingProbability,
    passing_by_taxon,
    passing_over_priors,
    probability_of_passing,
)
from carnivore_sign.incidents.place import IncidentPlace, place_of_incident
from carnivore_sign.incidents.window import (
    IncidentWindow,
    share_within_window,
    window_of_incident,
)
from carnivore_sign.incidents.words import (
    PROBABILITY_WORDS,
    percent,
    probability_word,
    words_of_range,
)

__all__ = [
    "PROBABILITY_WORDS",
    "IncidentFindings",
    "IncidentPlace",
    "IncidentWindow",
    "PassingProbability",
    "examine_incident",
    "passing_by_taxon",
    "passing_over_priors",
    "percent",
    "place_of_incident",
    "probability_of_passing",
    "probability_word",
    "share_within_window",
    "window_of_incident",
    "words_of_range",
]
