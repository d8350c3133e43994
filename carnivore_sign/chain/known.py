"""Chain: what the user's own known prints say - of the characters, and of the observers."""

from __future__ import annotations

import warnings

import pandas as pd

from carnivore_sign.chain.options import AnalysisOptions
from carnivore_sign.errors import DataWarning, InputError
from carnivore_sign.identify import (
    Evidence,
    ObserverSkill,
    check_collection,
    estimate_evidence,
    fit_observers,
    load_evidence,
    read_answers,
)


def evidence_of(options: AnalysisOptions) -> Evidence:
    """Return the evidence of an analysis: what ships, moved by the user's collection of prints.

    Parameters
    ----------
    options : AnalysisOptions
        Names the region, and the collection if there is one.

    Raises
    ------
    InputError
        If the region is unknown, or the collection cannot be read.

    Warns
    -----
    DataWarning
        If rows of the collection were set aside, with the first reason.
    """
    shipped = load_evidence(options.region)
    if options.collection is None:
        return shipped
    try:
        table = pd.read_csv(options.collection, encoding="utf-8-sig")
    except (OSError, ValueError) as fault:
        raise InputError(
            f"the collection of known prints cannot be read: {fault}",
            file=options.collection,
            remedy="It is a CSV with one known print a row.",
        ) from fault
    known = check_collection(table)
    _tell(known.set_aside, options.collection)
    return estimate_evidence(known.prints, shipped).evidence


def observers_of(options: AnalysisOptions, evidence: Evidence) -> ObserverSkill | None:
    """Return what a test of known prints says of the observers; None without one.

    Warns
    -----
    DataWarning
        If rows of the test were set aside, with the first reason.
    """
    if options.observer_test is None:
        return None
    answers = read_answers(options.observer_test)
    _tell(answers.set_aside, options.observer_test)
    return fit_observers(answers.answers, evidence)


def _tell(set_aside: pd.DataFrame, file: str) -> None:
    if len(set_aside):
        warnings.warn(
            f"{file}: {len(set_aside)} rows were left out, the first because of: "
            f"{set_aside['reason'].iloc[0]}",
            DataWarning,
            stacklevel=4,
        )
