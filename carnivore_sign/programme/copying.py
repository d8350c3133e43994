"""Programme: rows as the text that PostgreSQL copies in, and as the columns that it gives back."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import InputError
from carnivore_sign.records.check import TIME, conform, empty
from carnivore_sign.records.encoding import quoted
from carnivore_sign.records.schema import Column, Table
from carnivore_sign.space import STORED_CRS

#: Rows that are held as text at a time.
_ROWS: Final = 50_000
_NULL: Final = "\\N"
#: What the text format of COPY takes for itself.
_ESCAPED: Final = str.maketrans(
    {"\\": "\\\\", "\t": "\\t", "\n": "\\n", "\r": "\\r", "\b": "\\b", "\f": "\\f", "\v": "\\v"}
)
#: What no text of PostgreSQL can hold in UTF-8: the zero byte, and half a pair of surrogates.
_NOT_STORED: Final = re.compile("[\x00\ud800-\udfff]")
_SRID: Final = 4326


def copied(frame: pd.DataFrame, table: Table, season: str) -> Iterator[str]:
    """Yield the rows of a table as text of COPY, some thousand at a time.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        Rows of `table`.
    table : Table
        Its schema.
    season : str
        Id of the season, the first column; the number of the row is the second.

    Raises
    ------
    InputError
        If a text holds a letter that PostgreSQL cannot store.
    """
    for first in range(0, len(frame), _ROWS):
        rows = frame.iloc[first : first + _ROWS]
        columns = [
            [season] * len(rows),
            list(map(str, range(first, first + len(rows)))),
            *(_words(rows[column.name], column, table) for column in table.columns),
        ]
        if table.geometry:
            columns.append(_shapes(rows["geometry"].to_numpy()))
        yield "\n".join(map("\t".join, zip(*columns, strict=True))) + "\n"


def _words(values: pd.Series, column: Column, table: Table) -> list[str]:
    missing = values.isna().to_numpy()
    if missing.all():
        return [_NULL] * len(values)
    if column.kind == "text":
        words = values.where(~missing, "").astype(object).tolist()
        _require_storable(words, column, table)
        told = [word.translate(_ESCAPED) for word in words]
    elif column.kind == "time":
        told = values.dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ").astype(object).tolist()
    elif column.kind == "integer":
        told = list(map(str, values.fillna(0).to_numpy(dtype=np.int64).tolist()))
    else:
        told = list(map(repr, values.to_numpy(dtype=float).tolist()))
    if not missing.any():
        return told
    return [_NULL if gone else word for gone, word in zip(missing, told, strict=True)]


def _require_storable(words: list[str], column: Column, table: Table) -> None:
    strange = next((n for n, word in enumerate(words) if _NOT_STORED.search(word)), None)
    if strange is not None:
        raise InputError(
            f"column '{column.name}' of table '{table.name}' holds a letter that PostgreSQL cannot "
            f"store ({words[strange]!r})",
            row=strange + 1,
            remedy="Mend that name or note and import its file anew; a programme in a folder of "
            "Parquet takes the row as it is.",
        )


def _shapes(shapes: Any) -> list[str]:
    stated = shapely.to_wkb(shapely.set_srid(shapes, _SRID), hex=True, include_srid=True)
    return [_NULL if shape is None else str(shape) for shape in stated]


def select_list(table: Table) -> str:
    """Return what to select of a table: times as milliseconds, positions as well-known binary."""
    told = [
        f"(extract(epoch from {quoted(column.name)}) * 1000)::bigint"
        if column.kind == "time"
        else quoted(column.name)
        for column in table.columns
    ]
    return ", ".join([*told, *(["ST_AsBinary(geometry)"] if table.geometry else [])])


def row_frame(rows: Sequence[tuple[Any, ...]], table: Table) -> pd.DataFrame | gpd.GeoDataFrame:
    """Turn what `select_list` gave into a frame that keeps to its table."""
    if not rows:
        return empty(table)
    columns = dict(zip((*table.names, "geometry"), zip(*rows, strict=True), strict=False))
    frame = pd.DataFrame(
        {column.name: _column(columns[column.name], column) for column in table.columns}
    )
    if table.geometry is None:
        return conform(frame, table)
    shapes = shapely.from_wkb(np.array(columns["geometry"], dtype=object))
    return conform(gpd.GeoDataFrame(frame, geometry=shapes, crs=STORED_CRS), table)


def _column(values: tuple[Any, ...], column: Column) -> pd.Series:
    if column.kind == "time":
        return pd.to_datetime(pd.Series(values, dtype="Int64"), unit="ms", utc=True).astype(TIME)
    kinds = {"text": "object", "integer": "Int64", "number": "float64", "probability": "float64"}
    return pd.Series(values, dtype=kinds[column.kind])
