"""Identification room: from measures to the states of the characters, as likelihoods.

No threshold decides. What was measured is more or less likely under each state of a
character, and that is what is handed on: a column per state, ``<character>:<state>``, holding
P(measures | state) relative to the likeliest state. `weigh_characters` then sums over the
states, P(measures | taxon) = sum_s P(measures | s) P(s | taxon), so that a measure half way
between two states leaves the odds where they were.

A character that was judged by eye is not read off the outline as well: a measured one
replaces *not visible*, and nothing else.
"""

from __future__ import annotations

from functools import lru_cache
from importlib.resources import files
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.identify.shapes import FloatArray
from carnivore_sign.records.vocabularies import (
    CHARACTERS,
    LIKELY_FROM,
    MEASURES,
    NOT_VISIBLE,
)

#: A measured state is never held less likely than this against the likeliest (20 to 1).
_LEAST: Final = 0.05

#: What is said of claws where a print was outlined and no claw mark was seen: P(no mark drawn |
#: state). A claw that registered may be overlooked (working choice; common practice, no source).
_NO_CLAW_SEEN: Final = {"none": 1.0, "fine_apart": 0.25, "blunt_joined": 0.10}
_CLAW_SEEN: Final = 0.05


def state_column(character: str, state: str) -> str:
    """Name of the column that holds how likely what was measured is, given a state.

    Examples
    --------
    >>> state_column("claws", "none")
    'claws:none'
    """
    return f"{character}:{state}"


@lru_cache(maxsize=1)
def measured_states() -> pd.DataFrame:
    """Return what each measure is like in each state: one row per character, state and measure.

    Examples
    --------
    >>> sorted(measured_states().columns)
    ['character', 'mean', 'measure', 'sd', 'source', 'state']
    """
    file = files("carnivore_sign.identify").joinpath("data/measured_states.csv")
    with file.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, comment="#")
    _check_states(table)
    return table


def state_likelihoods(measured: pd.DataFrame, states: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return how likely what was measured is under each state of each character.

    Parameters
    ----------
    measured : DataFrame
        From `measure_print`.
    states : DataFrame, optional
        Numbers of your own in the columns of `measured_states`.

    Returns
    -------
    DataFrame
        Index of `measured`; a column ``<character>:<state>`` for every character that can be
        measured. 1 is the likeliest state, none is below 1/20; NaN throughout a character of
        which a measure is missing.

    Notes
    -----
    Measures of one state are normal, with the SD of the table and the digitising error joined
    in squares, and are multiplied; where a character has two, the power 1 / (1 + rho) with
    rho = 0.4 keeps alike measures from counting twice.

    Examples
    --------
    >>> measured = pd.DataFrame({"lead_ratio": [0.07], "lead_ratio_error": [0.005]}, index=["A"])
    >>> said = state_likelihoods(measured)
    >>> bool(said.at["A", "leading_toe:one_leads"] > said.at["A", "leading_toe:level"])
    True
    """
    table = measured_states() if states is None else states
    if states is not None:
        _check_states(states)
    columns: dict[str, FloatArray] = {}
    for character, rows in table.groupby("character", sort=False):
        found = _character(measured, rows)
        if character == "claws":
            found = _claws(measured, found)
        top = np.max(list(found.values()), axis=0)
        for state in CHARACTERS[str(character)]:
            with np.errstate(invalid="ignore"):
                relative = np.exp(found[state] - top)
            columns[state_column(str(character), state)] = np.maximum(relative, _LEAST)
    return pd.DataFrame(columns, index=measured.index)


def characters_from(measured: pd.DataFrame, states: pd.DataFrame | None = None) -> pd.DataFrame:
    """Say how probable each state of each character is, for people to read.

    No state is held likelier than another before the print is measured.

    Parameters
    ----------
    measured : DataFrame
        From `measure_print`.
    states : DataFrame, optional
        As for `state_likelihoods`.

    Returns
    -------
    DataFrame
        One row per print and character: ``print``, ``character``, ``state`` (the likeliest,
        or `NOT_VISIBLE` where it cannot be measured), ``probability``, and ``word``, which is
        the state from `LIKELY_FROM` on and ``unclear`` below.

    Examples
    --------
    >>> one = pd.DataFrame({"lead_ratio": [0.08], "lead_ratio_error": [0.005]}, index=["A"])
    >>> said = characters_from(one).set_index("character")
    >>> said.loc["leading_toe", "state"], said.loc["pad_texture", "state"]
    ('one_leads', 'not_visible')
    """
    likely = state_likelihoods(measured, states)
    parts = []
    for character, names in CHARACTERS.items():
        columns = [state_column(character, state) for state in names]
        values = likely.reindex(columns=columns).to_numpy()
        seen = np.isfinite(values).all(axis=1)
        share = np.where(seen[:, None], values, 0.0)
        with np.errstate(invalid="ignore"):
            share = share / share.sum(axis=1, keepdims=True)
        best = np.where(seen, np.nan_to_num(share).argmax(axis=1), 0)
        chance = np.where(seen, share[np.arange(len(best)), best], np.nan)
        state = np.where(seen, np.array(names, dtype=object)[best], NOT_VISIBLE)
        word = np.where(~seen | (chance >= LIKELY_FROM), state, "unclear")
        parts.append(
            pd.DataFrame(
                {"print": measured.index, "character": character, "state": state,
                 "probability": chance, "word": word}
            )
        )  # fmt: skip
    order = [
        place * len(measured) + row for row in range(len(measured)) for place in range(len(parts))
    ]
    return pd.concat(parts, ignore_index=True).iloc[order].reset_index(drop=True)


def add_measured(
    prints: pd.DataFrame, measured: pd.DataFrame, states: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Put measured characters and sizes beside what was noted, for the weighing.

    Parameters
    ----------
    prints : DataFrame
        Columns of PRINTS.
    measured : DataFrame
        From `measure_print`, its index among that of `prints`.
    states : DataFrame, optional
        As for `state_likelihoods`.

    Returns
    -------
    DataFrame
        `prints` with sizes and ``foot`` filled in where they were missing, and the columns of
        `state_likelihoods`, which `weigh_characters` and `weigh_sign` use wherever the
        character was not noted by eye. Nothing that was noted is changed.

    Raises
    ------
    InputError
        If a measured print is none of `prints`, or an index has duplicates.

    Examples
    --------
    >>> prints = pd.DataFrame({"sign": ["S"], "claws": ["none"]}, index=["A"])
    >>> measured = pd.DataFrame({"length_mm": [88.0]}, index=["A"])
    >>> add_measured(prints, measured)["length_mm"].tolist()
    [88.0]
    """
    if not prints.index.is_unique or not measured.index.is_unique:
        raise InputError("two prints have one name", remedy="Give each print a name of its own.")
    strange = measured.index.difference(prints.index)
    if len(strange):
        raise InputError(
            f"{len(strange)} measured prints are not in the table, such as '{strange[0]}'",
            remedy="Name the outlines by the index of the prints.",
        )
    beside = measured.reindex(prints.index)
    filled = prints.copy()
    for name in (*MEASURES, "foot"):
        if name in beside:
            empty = pd.Series(np.nan if name in MEASURES else None, index=prints.index)
            own = filled.get(name, empty)
            filled[name] = own.where(own.notna(), beside[name])
    return filled.join(state_likelihoods(beside, states))


def prints_from(measured: pd.DataFrame) -> pd.DataFrame:
    """Make a table of prints of measured ones alone, ready to be weighed.

    Parameters
    ----------
    measured : DataFrame
        From `measure_print`.

    Returns
    -------
    DataFrame
        Its sizes, and a column for each state of a character, as `weigh_characters` takes them.

    Examples
    --------
    >>> measured = pd.DataFrame({"length_mm": [88.0], "toes_in_pad_ratio": [3.9]}, index=["A"])
    >>> bool(prints_from(measured).at["A", "toes_in_pad:about_four"] == 1)
    True
    """
    return add_measured(pd.DataFrame(index=measured.index), measured)


def _character(measured: pd.DataFrame, rows: pd.DataFrame) -> dict[str, FloatArray]:
    """Return the log likelihood of each state, NaN where a measure is missing."""
    power = 1.0 / (1.0 + 0.4 * (rows["measure"].nunique() - 1))
    found = {str(state): np.zeros(len(measured)) for state in rows["state"].unique()}
    for row in rows.itertuples():
        nothing = np.full(len(measured), np.nan)
        value = measured[row.measure].to_numpy(dtype=float) if row.measure in measured else nothing
        name = f"{row.measure}_error"
        error = measured[name].to_numpy(dtype=float) if name in measured else nothing
        variance = row.sd**2 + np.nan_to_num(error) ** 2
        found[row.state] = found[row.state] - power * (value - row.mean) ** 2 / (2.0 * variance)
    return found


def _claws(measured: pd.DataFrame, found: dict[str, FloatArray]) -> dict[str, FloatArray]:
    """Join in the state in which no claw is seen; calipers and pads alone say nothing of it."""
    rows = len(measured)
    count = measured["claw_count"].to_numpy() if "claw_count" in measured else np.zeros(rows)
    toes = measured["toe_count"].to_numpy() if "toe_count" in measured else np.zeros(rows)
    outlined = measured.get("method", pd.Series("", index=measured.index)).eq("outlines").to_numpy()
    bare = outlined & (count == 0) & (toes >= 3)
    top = np.maximum(found["fine_apart"], found["blunt_joined"])
    said = {"none": np.where(count > 0, top + np.log(_CLAW_SEEN), np.nan)}
    said |= {state: np.where(count > 0, found[state], np.nan) for state in found}
    return {
        state: np.where(bare, np.log(_NO_CLAW_SEEN[state]), said[state])
        for state in CHARACTERS["claws"]
    }


def _check_states(table: pd.DataFrame) -> None:
    """Refuse a table that misses a state, names a strange one, or has SDs that differ."""
    for character, rows in table.groupby("character"):
        wanted = set(CHARACTERS.get(str(character), ()))
        if character == "claws":
            wanted -= {"none"}
        for measure, few in rows.groupby("measure"):
            if set(few["state"]) != wanted or few["state"].duplicated().any():
                raise InputError(
                    f"{character} by {measure} must have one row for each of {sorted(wanted)}",
                    file="measured_states",
                )
            if not (few["sd"] > 0).all() or np.ptp(few["sd"].to_numpy(dtype=float)) > 0:
                raise InputError(
                    f"{character} by {measure} must have one SD above 0 for all states",
                    file="measured_states",
                )
