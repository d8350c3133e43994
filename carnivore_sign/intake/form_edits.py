"""Form edits: a submission that corrects an earlier one, whichever of the two comes first.

A form client that lets a submission be corrected sends it again under a new id, and names the
earlier one. The season never changes a row that it has: of two versions it keeps the one that
came first, takes from a later version what is new, and says so. From a version that is older
than what it has, it takes nothing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pandas as pd

from carnivore_sign.intake.reading import Reading, join_set_aside, rows_set_aside
from carnivore_sign.records.form import FORM_PARTS
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import SEASON_TABLES

_REMEDY: Final = "to have the corrected version alone, import it into a new season"


def fit_edits(season: Season, reading: Reading) -> Reading:
    """Tell whether a submission corrects one of the season, or is corrected by one.

    Parameters
    ----------
    season : Season
        The season, without the reading.
    reading : Reading
        Of walks, with whatever else stands in the same file.

    Returns
    -------
    Reading
        With a note where it is a correction; where it is an older version, with everything
        that the season does not have set aside.
    """
    held, walks = season.read("walks"), reading.tables["walks"]
    earlier = walks["replaces"].dropna()
    corrected = sorted(set(earlier) & set(held["submission"].dropna()))
    if corrected:
        note = (
            f"it corrects submission {', '.join(corrected)}, which the season has and keeps: what "
            f"says otherwise was set aside, what is new was added, what it leaves out stays; "
            f"{_REMEDY}"
        )
        return replace(reading, notes=(*reading.notes, note))
    older = sorted(set(walks["submission"].dropna()) & set(held["replaces"].dropna()))
    return _without_new(season, reading, older) if older else reading


def _without_new(season: Season, reading: Reading, older: list[str]) -> Reading:
    """Set aside every row of an older version that the season does not have."""
    tables, aside = dict(reading.tables), [reading.set_aside]
    reason = f"of submission {', '.join(older)}, of which the season has a corrected version"
    for name, frame in reading.tables.items():
        keys = list(SEASON_TABLES[name].key) or ["cause", "time", "transects"]
        there = pd.MultiIndex.from_frame(season.read(name)[keys].astype("object"))
        fresh = ~pd.MultiIndex.from_frame(frame[keys].astype("object")).isin(there)
        if name not in FORM_PARTS or not fresh.any():
            continue
        left = frame.loc[fresh]
        aside.append(
            rows_set_aside(
                reading.receipt,
                name,
                rows=left["source_row"].tolist(),
                reasons=[f"{reason}; {_REMEDY}"] * len(left),
                contents=[", ".join(map(str, row)) for row in left[keys].to_numpy().tolist()],
            )
        )
        tables[name] = frame.loc[~fresh].reset_index(drop=True)
    return replace(reading, tables=tables, set_aside=join_set_aside(aside))
