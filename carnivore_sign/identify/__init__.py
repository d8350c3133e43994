"""Identification: what was noted or measured of a print becomes the probability of each taxon.

Takes outlines of prints or caliper measurements, sign and prints as they were noted, and tables
of evidence in which each number has its source. Gives measures with their errors, log
likelihoods per taxon for prints, sign and trails, probabilities under a stated prior, the
weight of each character, and a word for how sure that is. Does not link sign into trails,
does not say *it was X*, and does not hide the prior.

What was *not visible* leaves the odds untouched; what errs alike is not counted as
independent; no single character decides.
"""

from carnivore_sign.identify.asking import most_informative_unseen
from carnivore_sign.identify.characters import character_weights, weigh_characters
from carnivore_sign.identify.characters_from import (
    add_measured,
    characters_from,
    measured_states,
    prints_from,
    state_likelihoods,
)
from carnivore_sign.identify.collection import (
    PRIOR_PRINTS,
    Collection,
    EstimatedEvidence,
    check_collection,
    estimate_evidence,
)
from carnivore_sign.identify.evidence import Evidence, check_prior, load_evidence, regions
from carnivore_sign.identify.measure import measure_print
from carnivore_sign.identify.measuring import MEASURED
from carnivore_sign.identify.observer_tests import (
    ANSWER_COLUMNS,
    Answers,
    check_answers,
    confidence_reliability,
    confidence_scores,
    observer_rates,
    read_answers,
)
from carnivore_sign.identify.observers import (
    ObserverSkill,
    fit_observers,
    naming_log_likelihood,
    naming_odds,
    recalibrate_confidence,
    skill_table,
    word_log_likelihood,
)
from carnivore_sign.identify.pooling import (
    SignEvidence,
    pool_evidence,
    weigh_sign,
    weigh_sign_parts,
)
from carnivore_sign.identify.probability import (
    CERTAINTY_CLASSES,
    PRIORS_SHOWN,
    certainty_class,
    likelihood_ratio,
    over_priors,
    to_probabilities,
    turning_priors,
)
from carnivore_sign.identify.scale import (
    PhotoScale,
    scale_from_length,
    scale_from_points,
    scale_from_rulers,
    scale_from_square,
    to_millimetres,
)
from carnivore_sign.identify.scoring import (
    CalibrationLine,
    brier_score,
    calibration_line,
    log_loss,
    reliability,
    share_limits,
)
from carnivore_sign.identify.shares import PRIOR_TRAILS, estimate_shares
from carnivore_sign.identify.sizes import normal_log_likelihood
from carnivore_sign.identify.traced import join_traced
from carnivore_sign.records.outline_checks import CheckedOutlines, check_outlines
from carnivore_sign.records.outlines import outlines_from_table, read_outlines, to_geojson

__all__ = [
    "read_outlines",
    "outlines_from_table",
    "to_geojson",
    "CheckedOutlines",
    "check_outlines",
    "PhotoScale",
    "scale_from_length",
    "scale_from_rulers",
    "scale_from_square",
    "scale_from_points",
    "to_millimetres",
    "MEASURED",
    "measure_print",
    "measured_states",
    "state_likelihoods",
    "characters_from",
    "add_measured",
    "prints_from",
    "join_traced",
    "Evidence",
    "load_evidence",
    "regions",
    "check_prior",
    "PRIOR_PRINTS",
    "Collection",
    "EstimatedEvidence",
    "check_collection",
    "estimate_evidence",
    "weigh_characters",
    "character_weights",
    "normal_log_likelihood",
    "naming_log_likelihood",
    "naming_odds",
    "ANSWER_COLUMNS",
    "Answers",
    "read_answers",
    "check_answers",
    "observer_rates",
    "confidence_scores",
    "confidence_reliability",
    "ObserverSkill",
    "fit_observers",
    "recalibrate_confidence",
    "skill_table",
    "word_log_likelihood",
    "SignEvidence",
    "weigh_sign",
    "weigh_sign_parts",
    "pool_evidence",
    "PRIOR_TRAILS",
    "estimate_shares",
    "to_probabilities",
    "likelihood_ratio",
    "CERTAINTY_CLASSES",
    "certainty_class",
    "most_informative_unseen",
    "PRIORS_SHOWN",
    "over_priors",
    "turning_priors",
    "brier_score",
    "log_loss",
    "reliability",
    "share_limits",
    "CalibrationLine",
    "calibration_line",
]
