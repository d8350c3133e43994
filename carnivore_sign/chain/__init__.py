"""Chain: the rooms strung together for the three main uses.

Takes a season. Gives an `Analysis` with everything computed from it, the month for a manager,
and the answer to a landowner, each written to a folder. Does not compute anything itself: each
step is a function of one room, and this is the only place that knows their order.
"""

from carnivore_sign.chain.analysis import Analysis, analyse
from carnivore_sign.chain.answer import LandownerAnswer, answer, landowner_answer
from carnivore_sign.chain.contacts import AnswerPage, agency_from_file
from carnivore_sign.chain.flags import flag_table
from carnivore_sign.chain.importing import ImportSummary, summarise_import
from carnivore_sign.chain.many import analyse_seasons, visits_of_programme, write_months
from carnivore_sign.chain.month import month
from carnivore_sign.chain.options import AnalysisOptions, PageOptions
from carnivore_sign.chain.outputs import Outcome

__all__ = [
    "Analysis",
    "AnalysisOptions",
    "AnswerPage",
    "ImportSummary",
    "LandownerAnswer",
    "Outcome",
    "PageOptions",
    "agency_from_file",
    "analyse",
    "analyse_seasons",
    "answer",
    "flag_table",
    "landowner_answer",
    "month",
    "summarise_import",
    "visits_of_programme",
    "write_months",
]
