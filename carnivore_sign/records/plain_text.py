"""Plain text: tables of the record written out as words, exactly, and read back.

Numbers are written with the digits that give the same number again, times in UTC with
milliseconds, places as well-known text; nothing is a blank cell.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.records.schema import Column, Table
from carnivore_sign.space import STORED_CRS

#: What stands before a text that a spreadsheet would run as a formula.
_GUARD: Final = "'"
_FORMULA: Final = r"^'*[=+\-@\t\r\n]"
_NOT_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_GUARDED: Final = r"^'+[=+\-@\t\r\n]"


def write_words(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Write a table out as words.

    Parameters
    ----------
    frame : DataFrame or GeoDataFrame
        Keeps to `table`.
    table : Table
        Its schema.

    Returns
    -------
    DataFrame of str
        The columns of `table`, and ``geometry`` where it has one; blank where nothing is.

    Examples
    --------
    >>> from carnivore_sign.records.recorded import CLEARINGS
    >>> from carnivore_sign.records.check import conform
    >>> rain = conform(pd.DataFrame({"cause": ["rain"], "source_row": [2]}), CLEARINGS)
    >>> write_words(rain, CLEARINGS)[["source_row", "cause", "time"]].values.tolist()
    [['2', 'rain', '']]
    """
    columns = {column.name: words_of(frame[column.name], column) for column in table.columns}
    if table.geometry is not None:
        columns["geometry"] = wkt_of(frame.geometry)
    return pd.DataFrame(columns, index=frame.index, dtype="object")


def words_of(values: pd.Series, column: Column) -> list[str]:
    """Write one column out as words."""
    if column.kind == "time":
        utc = values.dt.tz_convert("UTC")
        text = utc.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
        return [word if isinstance(word, str) else "" for word in text.tolist()]
    if column.kind in ("number", "probability"):
        return number_words(values.to_numpy(dtype=float, na_value=np.nan))
    return ["" if missing else str(value) for value, missing in _with_missing(values)]


def number_words(numbers: npt.ArrayLike) -> list[str]:
    """Write numbers with the digits that give them again, blank where there is none.

    Examples
    --------
    >>> number_words([0.1, float("nan")])
    ['0.1', '']
    """
    values = np.asarray(numbers, dtype=float)
    pairs = zip(values.tolist(), np.isnan(values).tolist(), strict=True)
    return ["" if missing else repr(number) for number, missing in pairs]


def _with_missing(values: pd.Series) -> zip[tuple[Any, bool]]:
    return zip(values.tolist(), values.isna().tolist(), strict=True)


def wkt_of(shapes: gpd.GeoSeries) -> list[str]:
    """Write geometries as well-known text with every digit that they have.

    Examples
    --------
    >>> wkt_of(gpd.GeoSeries([shapely.Point(0.1, -2), None]))
    ['POINT (0.1 -2.0)', '']
    """
    raw = shapes.to_numpy()
    if len(raw) and (shapely.get_type_id(raw) == 0).all() and not shapely.is_empty(raw).any():
        return [f"POINT ({x!r} {y!r})" for x, y in shapely.get_coordinates(raw).tolist()]
    return [_exact(shape) if shape is not None else "" for shape in raw]


def _exact(shape: Any) -> str:
    kind = shape.geom_type.upper()
    return f"{kind} EMPTY" if shape.is_empty else f"{kind} {_inside(shape)}"


def _inside(shape: Any) -> str:
    """Write what stands between the brackets of a geometry."""
    if shape.geom_type == "Polygon":
        return f"({', '.join(map(_inside, (shape.exterior, *shape.interiors)))})"
    if shape.geom_type == "GeometryCollection":
        return f"({', '.join(map(_exact, shape.geoms))})"
    if hasattr(shape, "geoms"):
        return f"({', '.join(map(_inside, shape.geoms))})"
    places = shapely.get_coordinates(shape).tolist()
    return f"({', '.join(f'{x!r} {y!r}' for x, y in places)})"


def read_words(words: pd.DataFrame, table: Table) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read a table back from words.

    Parameters
    ----------
    words : DataFrame of str
        Some or all columns of `table`, and ``geometry`` as well-known text.
    table : Table
        Its schema.

    Returns
    -------
    rows : DataFrame or GeoDataFrame
        For `carnivore_sign.records.check.split_faults`, which gives the columns their dtypes.
    faults : DataFrame
        Columns ``row`` and ``reason``: cells that are no number and no geometry.
    """
    found: list[tuple[Any, str]] = []
    columns: dict[str, Any] = {}
    for column in table.columns:
        if column.name not in words:
            continue
        text = words[column.name]
        told = text.astype("object").where(text.ne("") & text.notna(), None)
        if column.kind in ("number", "probability"):
            told, wrong = _numbers(told)
            found += [(row, f"{column.name}: not a number (came: {text[row]})") for row in wrong]
        columns[column.name] = told
    rows = pd.DataFrame(columns, index=words.index)
    if table.geometry is not None:
        shapes, wrong = _shapes(words)
        found += [(row, "geometry: not well-known text") for row in wrong]
        rows = gpd.GeoDataFrame(rows, geometry=gpd.GeoSeries(shapes, words.index, STORED_CRS))
    return rows, pd.DataFrame(found, columns=["row", "reason"], dtype="object")


def _numbers(text: pd.Series) -> tuple[pd.Series, Sequence[Any]]:
    """Read numbers exactly; pandas' own reader of text may err in the last digit."""
    known = text.notna().to_numpy()
    values = np.full(len(text), np.nan)
    try:
        values[known] = text.to_numpy()[known].astype(float)
        return pd.Series(values, index=text.index), []
    except ValueError:
        read = pd.to_numeric(text, errors="coerce")
        return read.astype(float), text.index[known & read.isna().to_numpy()].tolist()


def _shapes(words: pd.DataFrame) -> tuple[Any, Sequence[Any]]:
    if "geometry" not in words:
        return np.full(len(words), None, dtype=object), []
    text = words["geometry"].astype("object").where(words["geometry"].ne(""), None)
    with np.errstate(over="ignore", invalid="ignore"):  # numbers beyond any; faults of the row
        shapes = shapely.from_wkt(text.to_numpy(dtype=object), on_invalid="ignore")
    wrong = text.notna().to_numpy() & shapely.is_missing(shapes)
    return shapes, words.index[wrong].tolist()


def printable_xml(text: str) -> str:
    r"""Put a replacement character in place of letters that no XML may hold.

    Source: XML 1.0, production 2 (Char).

    Examples
    --------
    >>> printable_xml("wash\x07")
    'wash�'
    """
    return _NOT_XML.sub("\ufffd", text)


def neutralise(text: pd.Series) -> pd.Series:
    """Put an apostrophe before text that a spreadsheet would run as a formula.

    Text that begins with apostrophes before such a letter gets one more, so that `restore`
    gives every text back as it was.

    Examples
    --------
    >>> neutralise(pd.Series(["=1+1", "'=1", "east"])).tolist()
    ["'=1+1", "''=1", 'east']
    """
    risky = text.str.contains(_FORMULA, regex=True, na=False)
    return text.where(~risky, _GUARD + text.astype("object"))


def restore(text: pd.Series) -> pd.Series:
    """Take away the apostrophe that `neutralise` put there.

    Examples
    --------
    >>> restore(neutralise(pd.Series(["=1+1", "'=1", "east"]))).tolist()
    ['=1+1', "'=1", 'east']
    """
    guarded = text.str.contains(_GUARDED, regex=True, na=False)
    return text.where(~guarded, text.str.slice(1))
