"""Trails: from scattered sign to the passage of one animal, which is the unit of detection.

Takes sign with positions, the probability of each taxon for each, the walk each was found
on, and their prints. Gives which sign make up each trail, how probable each link is and how
sure the count, the trails themselves as lines with length, direction and the limits between
which they were made, and the fewest animals that can have left them; and of prints in a plane,
on a tape or in a traced mosaic the gait: steps, strides, feet, and what they say about speed and
taxon. Does not identify
anything: it is handed probabilities and hands them on, and it never claims that two trails were
left by the same individual.
"""

from carnivore_sign.trails.directions import mean_direction_deg
from carnivore_sign.trails.estimating import LinkFit
from carnivore_sign.trails.fewest import FewestAnimals, fewest_animals
from carnivore_sign.trails.following import assign_followed, lines_of_logs, outings_of_day
from carnivore_sign.trails.gait import GaitSequence, gait_sequence
from carnivore_sign.trails.gait_evidence import gait_of_trails
from carnivore_sign.trails.gaits import (
    GAITS,
    classify_gait,
    gait_likelihoods,
    gait_sources,
    stride_likelihoods,
)
from carnivore_sign.trails.likelihood import LinkModel
from carnivore_sign.trails.linking import MEMBER_COLUMNS, Linking, link_sign, link_trails
from carnivore_sign.trails.making import AGE_ERROR_SHARE
from carnivore_sign.trails.mosaic import prints_from_mosaic
from carnivore_sign.trails.passages import make_trails
from carnivore_sign.trails.speed import hip_height_m, relative_stride, speed_band, speed_m_s
from carnivore_sign.trails.steps import (
    DEFINITIONS,
    full_stride,
    pace_angulation_deg,
    straddle_from_steps,
    stride_from_steps,
)
from carnivore_sign.trails.summary import PassageSummary, summarise_passages
from carnivore_sign.trails.tape import prints_from_tape
from carnivore_sign.trails.uncertainty import (
    CountRange,
    count_range,
    link_alternatives,
    price_sensitivity,
)

__all__ = [
    "AGE_ERROR_SHARE",
    "CountRange",
    "DEFINITIONS",
    "FewestAnimals",
    "GAITS",
    "GaitSequence",
    "LinkFit",
    "LinkModel",
    "Linking",
    "MEMBER_COLUMNS",
    "PassageSummary",
    "assign_followed",
    "classify_gait",
    "count_range",
    "fewest_animals",
    "full_stride",
    "gait_likelihoods",
    "gait_of_trails",
    "gait_sequence",
    "gait_sources",
    "hip_height_m",
    "lines_of_logs",
    "link_alternatives",
    "link_sign",
    "link_trails",
    "make_trails",
    "mean_direction_deg",
    "outings_of_day",
    "pace_angulation_deg",
    "price_sensitivity",
    "prints_from_mosaic",
    "prints_from_tape",
    "relative_stride",
    "speed_band",
    "speed_m_s",
    "straddle_from_steps",
    "stride_from_steps",
    "stride_likelihoods",
    "summarise_passages",
]
