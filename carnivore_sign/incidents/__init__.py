"""Incidents: one loss, and what the season knows of its place and its time.

Takes one row of INCIDENTS, its CARCASSES, and the SIGN, TRAILS, VISITS, MONTHLY, PARCELS,
SEGMENTS and CLEARINGS of the season. Gives `IncidentFindings`: trails near the place with the
probability that each was made within the incident window, who looked and what a blank is worth,
and what the loss may have been, each explanation with its range over reasonable priors. Does not
name a culprit, and prints nothing: pages are made in `reports`.
"""

from carnivore_sign.incidents.blank import BlankWorth, worth_of_blank
from carnivore_sign.incidents.carcass import CarcassWeights, weigh_carcasses
from carnivore_sign.incidents.causes import (
    CauseEvidence,
    cause_prior,
    load_cause_evidence,
    season_factors,
)
from carnivore_sign.incidents.explanations import Explanations, explain_loss
from carnivore_sign.incidents.findings import IncidentFindings, examine_incident, months_of
from carnivore_sign.incidents.inputs import IncidentTables, SeasonSays, SignRate
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
    "BlankWorth",
    "CarcassWeights",
    "CauseEvidence",
    "Explanations",
    "IncidentFindings",
    "IncidentPlace",
    "IncidentTables",
    "IncidentWindow",
    "PassingProbability",
    "SeasonSays",
    "SignRate",
    "cause_prior",
    "examine_incident",
    "explain_loss",
    "load_cause_evidence",
    "months_of",
    "passing_by_taxon",
    "passing_over_priors",
    "percent",
    "place_of_incident",
    "probability_of_passing",
    "probability_word",
    "season_factors",
    "share_within_window",
    "weigh_carcasses",
    "window_of_incident",
    "words_of_range",
    "worth_of_blank",
]
