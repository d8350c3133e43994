"""Survey: what was walked, how much of it, and what was found there per effort.

Takes transects, GPS fixes, clearing events, sign and trails. Gives segments, visits with their
effort, detections, and detection rates with limits. Does not identify sign, link trails or
estimate presence.
"""

from carnivore_sign.records.vocabularies import MAX_DAYS_COLLECTING
from carnivore_sign.survey.areas import Gathered, cut_by_areas, gather_units, grid_cells
from carnivore_sign.survey.chunks import chunks_of, make_visits_in_chunks
from carnivore_sign.survey.clumping import (
    Clumping,
    bootstrap_rates,
    clumping_test,
    rates_with_limits,
)
from carnivore_sign.survey.comparing import (
    RateComparison,
    compare_rates,
)
from carnivore_sign.survey.conditions import note_conditions
from carnivore_sign.survey.dating import date_by_clearing, trails_with_tracks
from carnivore_sign.survey.detections import assign_walks, make_detections
from carnivore_sign.survey.doubt import (
    LearnedShare,
    doubtful_poisson_limits,
    doubtful_ratio_limits,
    learned_share,
    poisson_binomial_limits,
    poisson_binomial_pmf,
)
from carnivore_sign.survey.effort import effort_table
from carnivore_sign.survey.in_season import logs_in_season
from carnivore_sign.survey.independence import (
    Independence,
    published_independence,
    visits_independence,
)
from carnivore_sign.survey.intervals import (
    clopper_pearson_limits,
    detection_curve,
    km_for_certainty,
    newcombe_difference_limits,
    poisson_limits,
    wilson_limits,
)
from carnivore_sign.survey.light import sun_height_deg
from carnivore_sign.survey.matching import EXCLUDING_FLAGS, PERMITTED_FLAGS, STATES, match_logs
from carnivore_sign.survey.plan import plan_walks, walks_needed
from carnivore_sign.survey.rates import check_printed_rates, detection_rates
from carnivore_sign.survey.searching import search_detections, search_visits
from carnivore_sign.survey.segments import cut_segments
from carnivore_sign.survey.stated import add_stated_walks, assign_stated_walks
from carnivore_sign.survey.trend import RateTrend, rate_trend
from carnivore_sign.survey.visits import make_visits, visits_in, walk_summary

__all__ = [
    # segments and logs
    "cut_segments",
    "grid_cells",
    "cut_by_areas",
    "gather_units",
    "Gathered",
    "match_logs",
    "logs_in_season",
    "EXCLUDING_FLAGS",
    "PERMITTED_FLAGS",
    "STATES",
    # visits and effort
    "make_visits",
    "make_visits_in_chunks",
    "chunks_of",
    "add_stated_walks",
    "search_visits",
    "note_conditions",
    "sun_height_deg",
    "visits_in",
    "walk_summary",
    "effort_table",
    "MAX_DAYS_COLLECTING",
    # detections and rates
    "assign_walks",
    "assign_stated_walks",
    "search_detections",
    "make_detections",
    "date_by_clearing",
    "trails_with_tracks",
    "detection_rates",
    "check_printed_rates",
    "compare_rates",
    "RateComparison",
    "clumping_test",
    "Clumping",
    "bootstrap_rates",
    "rates_with_limits",
    "rate_trend",
    "RateTrend",
    "plan_walks",
    "walks_needed",
    "visits_independence",
    "published_independence",
    "Independence",
    # intervals, and doubt in what is counted
    "clopper_pearson_limits",
    "detection_curve",
    "doubtful_poisson_limits",
    "doubtful_ratio_limits",
    "km_for_certainty",
    "newcombe_difference_limits",
    "poisson_binomial_limits",
    "poisson_binomial_pmf",
    "learned_share",
    "LearnedShare",
    "poisson_limits",
    "wilson_limits",
]
