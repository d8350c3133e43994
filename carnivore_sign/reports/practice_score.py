"""Reports: the score of a practice, by the same counts as any test of observers.

The page counts for itself, in the browser; this is what its score is held against, and what a
notebook uses.
"""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify import (
    brier_score,
    check_answers,
    log_loss,
    observer_rates,
    reliability,
)
from carnivore_sign.reports.practice import PRACTICE_EDGES, PracticePrint


class PracticeScore(NamedTuple):
    """How somebody did.

    Attributes
    ----------
    answers, right : int
        Answers that named an animal, and how many were right.
    brier_score, log_loss : float
        Of the stated confidence that the name is right; missing where none was named.
    reliability : DataFrame
        As `reliability`, in the bins `PRACTICE_EDGES`.
    rates : DataFrame
        As `observer_rates`: sensitivity and false positives with limits.
    """

    answers: int
    right: int
    brier_score: float
    log_loss: float
    reliability: pd.DataFrame
    rates: pd.DataFrame


def score_practice(
    prints: list[PracticePrint], named_as: list[str | None], confidence: list[float]
) -> PracticeScore:
    """Score answers to practice prints.

    Parameters
    ----------
    prints : list of PracticePrint
        From `practice_prints`.
    named_as : list of str or None
        What each was named; None for "I cannot tell".
    confidence : list of float
        How sure, 0 to 1.

    Returns
    -------
    PracticeScore

    Raises
    ------
    InputError
        If a name is no taxon, or names and confidences are not one for each print.

    Examples
    --------
    >>> from carnivore_sign.reports.practice import practice_prints
    >>> prints = practice_prints(4, seed=3)
    >>> score = score_practice(prints, [one.taxon for one in prints], [0.9] * 4)
    >>> score.right, round(score.brier_score, 3)
    (4, 0.01)
    """
    if not len(prints) == len(named_as) == len(confidence):
        raise InputError("there must be one name and one confidence for each print")
    table = pd.DataFrame(
        {
            "observer": "you",
            "print": [one.name for one in prints],
            "taxon": [one.taxon for one in prints],
            "named_as": named_as,
            "confidence": confidence,
        }
    )
    checked = check_answers(table)
    if len(checked.set_aside):
        first = checked.set_aside.iloc[0]
        raise InputError(str(first["reason"]), row=int(first["row"]))
    told = checked.answers[checked.answers["named_as"].notna()]
    right = told["named_as"].eq(told["taxon"])
    some = len(told) > 0
    return PracticeScore(
        len(told),
        int(right.sum()),
        brier_score(told["confidence"], right) if some else float("nan"),
        log_loss(told["confidence"], right) if some else float("nan"),
        reliability(told["confidence"], right, edges=PRACTICE_EDGES) if some else pd.DataFrame(),
        observer_rates(checked.answers),
    )
