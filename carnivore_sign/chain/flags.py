"""Flags: the table of quality flags, and which of them keep a position out of effort."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.records.vocabularies import FIX_FLAGS
from carnivore_sign.survey import EXCLUDING_FLAGS, PERMITTED_FLAGS

if TYPE_CHECKING:
    from carnivore_sign.chain.options import AnalysisOptions

#: States of a fix that a quality flag keeps out of effort.
_LEFT_OUT = ("flagged", "no time")
_ASKED_OUT = "left out, as was asked"
_ASKED_IN = "counted, as was asked"


def excluding_flags(leave_out: tuple[str, ...], keep_in: tuple[str, ...]) -> dict[str, str]:
    """Return the flags that keep a position out of effort, each with the reason.

    Parameters
    ----------
    leave_out, keep_in : tuple of str
        Flags to be decided otherwise than in `carnivore_sign.survey.EXCLUDING_FLAGS`.

    Raises
    ------
    InputError
        If there is no such flag, or one is to be both.

    Examples
    --------
    >>> flags = excluding_flags(("gap",), ("low_accuracy",))
    >>> "gap" in flags, "low_accuracy" in flags, "duplicate" in flags
    (True, False, True)
    """
    for flag in (*leave_out, *keep_in):
        if flag not in FIX_FLAGS:
            raise InputError(
                f"there is no flag '{flag}'", remedy=f"Use one of: {', '.join(FIX_FLAGS)}."
            )
    both = set(leave_out) & set(keep_in)
    if both:
        raise InputError(f"'{min(both)}' is to be left out and to be counted")
    flags = {flag: why for flag, why in EXCLUDING_FLAGS.items() if flag not in keep_in}
    return flags | {flag: _ASKED_OUT for flag in leave_out if flag not in flags}


def flag_table(options: AnalysisOptions | None = None) -> pd.DataFrame:
    """List the quality flags of a position, and which keep it out of effort.

    Parameters
    ----------
    options : AnalysisOptions, optional
        Its ``leave_out`` and ``keep_in`` change the table.

    Returns
    -------
    DataFrame
        One row per flag: ``flag``, ``meaning``, ``effort`` (``left out`` or ``counted``) and
        ``why``.

    Examples
    --------
    >>> flag_table().set_index("flag").loc["gap", "effort"]
    'counted'
    """
    kept_in = () if options is None else options.keep_in
    out = EXCLUDING_FLAGS if options is None else options.excluding_flags
    rows = [
        (flag, meaning, "left out", out[flag])
        if flag in out
        else (flag, meaning, "counted", _ASKED_IN if flag in kept_in else PERMITTED_FLAGS[flag])
        for flag, meaning in FIX_FLAGS.items()
    ]
    return pd.DataFrame(rows, columns=["flag", "meaning", "effort", "why"])


def tell_all_flagged(matched: pd.DataFrame, flags: pd.Series, out: dict[str, str]) -> str | None:
    """Say that flags keep every position out of effort, which ones, and what to do.

    Parameters
    ----------
    matched : DataFrame
        From `carnivore_sign.survey.match_logs`: ``log`` and ``state`` of each position.
    flags : Series of str
        Their flags, joined by ``;``, with the index of `matched`.
    out : dict of str to str
        The flags that keep a position out of effort.

    Returns
    -------
    str or None
        None where some position was not kept out by its flags.

    Examples
    --------
    >>> matched = pd.DataFrame({"log": ["walk", "walk"], "state": ["flagged", "flagged"]})
    >>> flags = pd.Series(["low_accuracy", "duplicate;low_accuracy"])
    >>> tell_all_flagged(matched, flags, excluding_flags((), ()))[:72]
    'All 2 positions of the 1 log are kept out of effort by their flags: low_'
    """
    if matched.empty or not matched["state"].isin(_LEFT_OUT).all():
        return None
    counts = flags.dropna().str.split(";").explode().value_counts()
    there = counts[counts.index.isin(list(out))]
    logs = matched["log"].nunique()
    named = ", ".join(f"{flag} ({count})" for flag, count in there.items())
    # Without a time there is no effort, whatever is asked for.
    kept = [flag for flag in there.index if flag != "no_time"]
    remedy = (
        f"if you know better, count them all the same with --keep-in {','.join(kept)}"
        if kept
        else "export the log again with its times"
    )
    return (
        f"All {len(matched)} positions of the {logs} {'log' if logs == 1 else 'logs'} are kept out "
        f"of effort by their flags: {named}. 'carnivore-sign flags' says what each means; {remedy}."
    )
