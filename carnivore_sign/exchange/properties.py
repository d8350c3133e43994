"""Properties: what no term of the standard says, as JSON in dynamicProperties."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pandas as pd

from carnivore_sign.records.plain_text import words_of
from carnivore_sign.records.schema import Table


def properties_of(row: Mapping[str, Any]) -> str:
    """Return the values of a row that are there as JSON; blank if there is none.

    Examples
    --------
    >>> properties_of({"receipt": "a1", "source_row": 4, "waypoint": None})
    '{"receipt": "a1", "source_row": 4}'
    """
    known = {name: value for name, value in row.items() if not pd.isna(value)}
    return json.dumps(known, ensure_ascii=False) if known else ""


def rest_of(frame: pd.DataFrame, table: Table, said: set[str]) -> list[str]:
    """Return for each row of a table what its terms do not say, as JSON of plain values."""
    left = [column for column in table.columns if column.name not in said]
    cells: dict[str, list[Any]] = {}
    for column in left:
        if column.kind == "time":
            cells[column.name] = [word or None for word in words_of(frame[column.name], column)]
        else:
            cells[column.name] = frame[column.name].astype("object").tolist()
    names = list(cells)
    return [
        properties_of(dict(zip(names, row, strict=True)))
        for row in zip(*cells.values(), strict=True)
    ]
