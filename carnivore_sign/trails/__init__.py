"""Trails: from scattered sign to the passage of one animal, which is the unit of detection.

Takes sign with positions, the probability of each taxon for each, the walk each was found
on, and their prints. Gives which sign make up each trail, how probable each link is, and the
trails themselves as lines with length, direction and the window in which they were made.
Does not identify anything: it is handed probabilities and hands them on, and it never claims
that two trails were left by the same or by different individuals.
"""

from carnivore_sign.trails.directions import mean_direction_deg
from carnivore_sign.trails.likelihood import LinkModel
from carnivore_sign.trails.linking import MEMBER_COLUMNS, link_trails
from carnivore_sign.trails.passages import make_trails

__all__ = ["link_trails", "LinkModel", "MEMBER_COLUMNS", "make_trails", "mean_direction_deg"]
