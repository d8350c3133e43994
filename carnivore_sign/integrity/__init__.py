"""Integrity: whether a season file still holds what its receipts say, and hangs together.

Takes a season file, whole or damaged, and (if wished) the folders that its files came from.
Gives every fault that it finds, with table, rows, what it means and what to do about it.
Does not change the season, and does not judge whether what was recorded is true.
"""

from carnivore_sign.integrity.checking import check_season
from carnivore_sign.integrity.faults import FAULTS, SeasonCheck

__all__ = ["FAULTS", "SeasonCheck", "check_season"]
