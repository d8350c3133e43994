"""Identification room: tests of observers on known prints, read, checked and counted.

A test is a table of answers: who answered, which print, what it truly was, what they named it and
how sure they were. It comes from the user's own collection of known prints, or from the practice
page. What is counted here is plain counting, with limits; what it does to the weighing is in
``observers.py``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.identify.scoring import (
    RELIABILITY_EDGES,
    brier_score,
    log_loss,
    reliability,
    share_limits,
)
from carnivore_sign.records.vocabularies import TAXA, TAXON_NAMES, UNNAMED

#: Columns of a test: who, which print, what it was, what it was named, how sure (0 to 1).
ANSWER_COLUMNS: Final = ("observer", "print", "taxon", "named_as", "confidence")

_NEEDED: Final = ("observer", "print", "taxon", "named_as")


class Answers(NamedTuple):
    """Answers that can be used, and those that cannot with the reason.

    Attributes
    ----------
    answers : DataFrame
        `ANSWER_COLUMNS`; ``named_as`` is missing where the observer would not say, and
        ``confidence`` where none was stated.
    set_aside : DataFrame
        ``row`` (of the table as it came, the first below the heading is 1), ``reason``.
    """

    answers: pd.DataFrame
    set_aside: pd.DataFrame


def read_answers(path: str | Path) -> Answers:
    """Read a test of observers from a CSV file.

    Parameters
    ----------
    path : path
        A table with the columns `ANSWER_COLUMNS`; others are passed over, and ``confidence``
        may be absent. The practice page saves such a file.

    Returns
    -------
    Answers
        Rows in = answers + rows set aside.

    Raises
    ------
    InputError
        If the file cannot be read or misses a column.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "test.csv"
    >>> row = {"observer": "Q", "print": "1", "taxon": "dog", "named_as": "dog", "confidence": 0.8}
    >>> pd.DataFrame([row]).to_csv(path, index=False)
    >>> read_answers(path).answers["named_as"].tolist()
    ['dog']
    """
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise FileUnreadable(
            f"the answers cannot be read: {error}",
            file=path,
            remedy="Save them as a CSV table in UTF-8.",
        ) from error
    try:
        return check_answers(table)
    except InputError as error:
        raise InputError(str(error), file=path) from error


def check_answers(table: pd.DataFrame) -> Answers:
    """Hold answers against what can be used, and set the others aside with the reason.

    Parameters
    ----------
    table : DataFrame
        `ANSWER_COLUMNS`, as text or as numbers. Taxa may be written as people write them.

    Returns
    -------
    Answers
        The answers kept, and those set aside with their reasons.

    Examples
    --------
    >>> table = pd.DataFrame({"observer": ["Ann", "Ann"], "print": [1, 2],
    ...     "taxon": ["puma", "dog"], "named_as": ["mountain lion", "cat"], "confidence": [0.9, 1]})
    >>> checked = check_answers(table)
    >>> checked.answers["named_as"].tolist(), checked.set_aside["reason"].tolist()
    (['puma'], ["named_as 'cat' is no taxon"])
    """
    missing = [name for name in _NEEDED if name not in table]
    if missing:
        raise InputError(
            f"the answers have no column {', '.join(missing)}",
            remedy=f"Columns are {', '.join(ANSWER_COLUMNS)}.",
        )
    told = pd.DataFrame({name: _plain(table[name]) for name in _NEEDED})
    stated = (
        _plain(table["confidence"]) if "confidence" in table else told["taxon"].map(lambda _: "")
    )
    sure = pd.to_numeric(stated.replace("", None), errors="coerce")
    reasons = pd.Series("", index=told.index)
    for name in ("taxon", "named_as"):
        words = told[name].str.lower()
        unnamed = words.isin(("", *UNNAMED)) & (name == "named_as")
        told[name] = words.map(TAXON_NAMES).where(~unnamed, None)
        strange = told[name].isna() & ~unnamed
        reasons = reasons.mask(strange & reasons.eq(""), name + " '" + words + "' is no taxon")
    for name in ("observer", "print"):
        reasons = reasons.mask(told[name].eq("") & reasons.eq(""), f"it names no {name}")
    bad = (stated.ne("") & sure.isna()) | (sure < 0) | (sure > 1)
    reasons = reasons.mask(bad & reasons.eq(""), "confidence '" + stated + "' is not 0 to 1")
    again = (
        told[reasons.eq("")].duplicated(["observer", "print"]).reindex(told.index, fill_value=False)
    )
    reasons = reasons.mask(
        again, "the observer answered that print before; the first answer stands"
    )
    good = reasons.eq("")
    answers = told[good].assign(confidence=sure[good].astype(float)).reset_index(drop=True)
    aside = pd.DataFrame({"row": np.flatnonzero(~good) + 1, "reason": reasons[~good].to_numpy()})
    return Answers(answers[list(ANSWER_COLUMNS)], aside)


def observer_rates(answers: pd.DataFrame) -> pd.DataFrame:
    """Count how often each observer named each taxon, when it was there and when it was not.

    Parameters
    ----------
    answers : DataFrame
        As `check_answers` gives them.

    Returns
    -------
    DataFrame
        One row per observer and taxon that was shown or named: ``observer``, ``taxon``,
        ``shown`` (prints of it), ``found`` (named so), ``sensitivity`` with 95 % limits
        ``sensitivity_low``, ``sensitivity_high``; ``others_shown``, ``named_wrongly``,
        ``false_positive`` with its limits. A rate of nothing shown is missing, with limits 0 and 1.
        Limits: Wilson 1927.

    Examples
    --------
    >>> answers = pd.DataFrame({"observer": "Ann", "print": range(4), "confidence": 0.8,
    ...     "taxon": ["puma", "puma", "dog", "dog"], "named_as": ["puma", "dog", "dog", "dog"]})
    >>> rates = observer_rates(answers).set_index("taxon")
    >>> rates["sensitivity"].to_dict(), rates["false_positive"].to_dict()
    ({'puma': 0.5, 'dog': 1.0}, {'puma': 0.0, 'dog': 0.5})
    """
    rows = []
    for observer, mine in answers.groupby("observer", sort=True):
        for taxon in TAXA:
            there, named = mine["taxon"].eq(taxon), mine["named_as"].eq(taxon)
            if not (there | named).any():
                continue
            found, wrong = int((there & named).sum()), int((~there & named).sum())
            rows.append(
                {
                    "observer": observer,
                    "taxon": taxon,
                    **_rate("shown", "found", "sensitivity", int(there.sum()), found),
                    **_rate("others_shown", "named_wrongly", "false_positive",
                            int((~there).sum()), wrong),
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def confidence_scores(answers: pd.DataFrame) -> pd.DataFrame:
    """Score the confidence that each observer stated against whether the name was right.

    Parameters
    ----------
    answers : DataFrame
        As `check_answers` gives them. Answers without a name or a confidence are left out.

    Returns
    -------
    DataFrame
        One row per observer with any: ``observer``, ``answers``, ``right`` (share),
        ``mean_confidence``, ``brier_score``, ``log_loss``.

    Examples
    --------
    >>> answers = pd.DataFrame({
    ...     "observer": ["Q"] * 4, "taxon": ["dog", "dog", "puma", "puma"],
    ...     "named_as": ["dog", "puma", "puma", "puma"], "confidence": [0.9, 0.6, 0.8, 0.7],
    ... })
    >>> confidence_scores(answers).round(3).T
                         0
    observer             Q
    answers              4
    right             0.75
    mean_confidence   0.75
    brier_score      0.125
    log_loss           0.4
    """
    rows = []
    for observer, mine in _stated(answers).groupby("observer", sort=True):
        stated, right = mine["confidence"], mine["named_as"].eq(mine["taxon"])
        rows.append(
            {
                "observer": observer,
                "answers": len(mine),
                "right": float(right.mean()),
                "mean_confidence": float(stated.mean()),
                "brier_score": brier_score(stated, right),
                "log_loss": log_loss(stated, right),
            }
        )
    return pd.DataFrame(rows)


def confidence_reliability(
    answers: pd.DataFrame, *, edges: tuple[float, ...] = RELIABILITY_EDGES
) -> pd.DataFrame:
    """Say, of all names given with a confidence between two bounds, how many were right.

    Parameters
    ----------
    answers : DataFrame
        From `check_answers`.
    edges : tuple of float
        Bounds of the bins of stated confidence.

    Returns
    -------
    DataFrame
        As `reliability`, with ``observer`` in front.

    Examples
    --------
    >>> answers = pd.DataFrame({
    ...     "observer": ["Q"] * 4, "taxon": ["dog", "dog", "puma", "puma"],
    ...     "named_as": ["dog", "puma", "puma", "puma"], "confidence": [0.9, 0.6, 0.9, 0.9],
    ... })
    >>> confidence_reliability(answers).round(2).T
                    0     1
    observer        Q     Q
    from_stated   0.6   0.8
    to_stated     0.8  0.95
    count           1     3
    mean_stated   0.6   0.9
    share_true    0.0   1.0
    low           0.0  0.44
    high         0.79   1.0
    """
    parts = []
    for observer, mine in _stated(answers).groupby("observer", sort=True):
        table = reliability(mine["confidence"], mine["named_as"].eq(mine["taxon"]), edges=edges)
        table.insert(0, "observer", observer)
        parts.append(table)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _stated(answers: pd.DataFrame) -> pd.DataFrame:
    return answers[answers["named_as"].notna() & answers["confidence"].notna()]


def _rate(of: str, hits: str, rate: str, count: int, found: int) -> dict[str, float]:
    low, high = share_limits(found, count)
    share = found / count if count else np.nan
    return {of: count, hits: found, rate: share, f"{rate}_low": low, f"{rate}_high": high}


def _plain(column: pd.Series) -> pd.Series:
    return column.astype(object).where(column.notna(), "").astype(str).str.strip()
