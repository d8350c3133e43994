"""Words of fixed meaning for probabilities: one table, used and printed everywhere.

A reader who sees *likely* on one page and *likely* on another must be able to trust that the
same range is meant. The bounds are a convention of this library, not an estimate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from carnivore_sign.records.vocabularies import (
    FOUND_LIKELY_FROM,
    LIKELY_FROM,
    SURE_FROM,
    UNLIKELY_BELOW,
)


@dataclass(frozen=True)
class ProbabilityWord:
    """One word and the range it stands for: from `at_least` up to, not including, `below`."""

    word: str
    at_least: float
    below: float

    @property
    def range_text(self) -> str:
        """The range as it is printed."""
        if self.at_least <= 0:
            return f"less than {self.below:.0%}".replace("%", " %")
        if self.below > 1:
            return f"{self.at_least:.0%} or more".replace("%", " %")
        return f"{self.at_least * 100:.0f} to {self.below * 100:.0f} %"


#: What is said where there is no number, or where its range leaves everything open.
CANNOT_BE_TOLD: Final = "cannot be told"

#: What is printed for a number that is missing: an en dash.
MISSING: Final = "\N{EN DASH}"

#: Low and high end of a range that leaves everything open.
_OPEN_BELOW: Final = UNLIKELY_BELOW
_OPEN_ABOVE: Final = LIKELY_FROM

#: The words, from least to most probable; together they cover 0 to 1 without a gap.
PROBABILITY_WORDS: Final[tuple[ProbabilityWord, ...]] = (
    ProbabilityWord("very unlikely", 0.0, 0.05),
    ProbabilityWord("unlikely", 0.05, UNLIKELY_BELOW),
    ProbabilityWord("rather unlikely", UNLIKELY_BELOW, 0.40),
    ProbabilityWord("about as likely as not", 0.40, 0.60),
    ProbabilityWord("rather likely", 0.60, LIKELY_FROM),
    ProbabilityWord("likely", LIKELY_FROM, SURE_FROM),
    ProbabilityWord("very likely", SURE_FROM, math.inf),
)


def probability_word(
    probability: float, low: float | None = None, high: float | None = None
) -> str:
    """Say a probability in a word of fixed meaning.

    Parameters
    ----------
    probability : float
        From 0 to 1, or NaN where there is none.
    low, high : float, optional
        Its range. A range from under 20 % to over 80 % leaves everything open.

    Returns
    -------
    str
        One of `PROBABILITY_WORDS`, or that it cannot be told.

    Examples
    --------
    >>> probability_word(0.03)
    'very unlikely'
    >>> probability_word(0.5, low=0.1, high=0.9)
    'cannot be told'
    """
    if math.isnan(probability):
        return CANNOT_BE_TOLD
    if low is not None and high is not None and low < _OPEN_BELOW and high > _OPEN_ABOVE:
        return CANNOT_BE_TOLD
    return next(w.word for w in PROBABILITY_WORDS if w.at_least <= probability < w.below)


def words_of_range(probability: float, low: float, high: float) -> str:
    """Say a probability whose range may reach over several words.

    Parameters
    ----------
    probability, low, high : float
        A probability and its range.

    Returns
    -------
    str
        One word, or both ends.

    Examples
    --------
    >>> words_of_range(0.74, 0.65, 0.76)
    'rather likely'
    >>> words_of_range(0.74, 0.55, 0.76)
    'between \u201cabout as likely as not\u201d and \u201crather likely\u201d'
    """
    if math.isnan(low) or math.isnan(high):
        return probability_word(probability)
    word = probability_word(probability, low, high)
    first, last = probability_word(low), probability_word(high)
    if word == CANNOT_BE_TOLD or first == last:
        return word
    return f"between \u201c{first}\u201d and \u201c{last}\u201d"


def percent(probability: float) -> str:
    """Print a probability in per cent; never as 0 or 100, which no computation here can give.

    Whole numbers, but for one that rounding would carry over the bound of a word.

    Parameters
    ----------
    probability : float
        From 0 to 1, or NaN.

    Returns
    -------
    str
        As it is printed.

    Examples
    --------
    >>> percent(0.314), percent(0.0004), percent(0.9999), percent(0.0463)
    ('31 %', 'under 1 %', 'over 99 %', '4.6 %')
    """
    if math.isnan(probability):
        return MISSING
    if probability <= 0.005:
        return "under 1 %"
    if probability >= 0.995:
        return "over 99 %"
    for decimals in (0, 1, 2):
        told = f"{probability * 100:.{decimals}f}"
        if _side(float(told) / 100) == _side(probability):
            return f"{told} %"
    return f"just under {float(told):.0f} %"


def percent_range(low: float, high: float) -> str:
    """Print a range in per cent; one number where both ends print alike.

    Examples
    --------
    >>> percent_range(0.1, 0.42), percent_range(0.001, 0.999), percent_range(0.161, 0.162)
    ('10 to 42 %', 'under 1 to over 99 %', '16 %')
    """
    if math.isnan(low) or math.isnan(high):
        return MISSING
    first, last = percent(low), percent(high)
    return last if first == last else f"{first.removesuffix(' %')} to {last}"


def _side(probability: float) -> tuple[bool, ...]:
    """On which side of each cut-off a probability lies."""
    bounds = (*(w.at_least for w in PROBABILITY_WORDS), FOUND_LIKELY_FROM)
    return tuple(probability >= bound for bound in bounds)
