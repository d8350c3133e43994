"""Checks: a frame is held against its table, and every fault is collected before one is told.

`conform` gives a frame its columns, order and dtypes; `find_faults` lists what breaks the
schema; `check_table` raises `TableFaults` with that list; `split_faults` keeps the good rows
and hands the bad ones back with their reasons, for readers that must lose nothing.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.errors import TableFaults
from carnivore_sign.records.tables import Column, Table
from carnivore_sign.space import STORED_CRS, stored

TEXT: Final = pd.StringDtype(na_value=np.nan)
TIME: Final = pd.DatetimeTZDtype("ms", "UTC")
_DTYPES: Final = {
    "text": TEXT,
    "integer": pd.Int64Dtype(),
    "number": np.dtype("float64"),
    "probability": np.dtype("float64"),
    "time": TIME,
}
FAULT_COLUMNS: Final = ["row", "column", "value", "reason"]


def empty(table: Table) -> pd.DataFrame | gpd.GeoDataFrame:
    """Return a frame of `table` with no rows and the right dtypes and CRS."""
    columns = {column.name: pd.Series(dtype=_DTYPES[column.kind]) for column in table.columns}
    if table.geometry is None:
        return pd.DataFrame(columns)
    return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], crs=STORED_CRS))


def conform(frame: pd.DataFrame, table: Table) -> pd.DataFrame | gpd.GeoDataFrame:
    """Return `frame` with exactly the columns of `table`, in order, with its dtypes.

    Columns that are missing are added empty; columns that the table does not know are
    dropped (readers keep them as notes or set them aside before this). A value that cannot
    take its dtype becomes missing here, so run `find_faults` on the frame first.

    Raises
    ------
    CrsMissing
        If the table has a geometry and the frame has one without a CRS.
    """
    columns = {column.name: _cast(frame, column) for column in table.columns}
    plain = pd.DataFrame(columns, index=frame.index)
    if table.geometry is None:
        return plain
    if isinstance(frame, gpd.GeoDataFrame) and frame._geometry_column_name in frame:
        shapes = stored(frame, f"table '{table.name}'").geometry
    else:
        shapes = gpd.GeoSeries([None] * len(frame), index=frame.index, crs=STORED_CRS)
    return gpd.GeoDataFrame(plain, geometry=gpd.GeoSeries(shapes, name="geometry"))


def find_faults(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """List every place where `frame` breaks `table`.

    Returns
    -------
    DataFrame
        One row per fault: ``row`` (index label), ``column``, ``value``, ``reason``.
    """
    found = [_column_faults(frame, column) for column in table.columns]
    if table.geometry is not None:
        found.append(_geometry_faults(frame, table))
    if table.key and set(table.key) <= set(frame.columns):
        found.append(_key_faults(frame, table))
    found = [faults for faults in found if len(faults)]
    if not found:
        return pd.DataFrame(columns=FAULT_COLUMNS)
    return pd.concat(found, ignore_index=True)


def check_table(frame: pd.DataFrame, table: Table) -> pd.DataFrame | gpd.GeoDataFrame:
    """Return `frame` conformed to `table`, or raise `TableFaults` with every fault."""
    faults = find_faults(frame, table)
    if len(faults):
        raise TableFaults(table.name, faults)
    return conform(frame, table)


def split_faults(frame: pd.DataFrame, table: Table) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split `frame` into the rows that keep to `table`, conformed, and the faults of the rest.

    Returns
    -------
    kept : DataFrame or GeoDataFrame
        The good rows.
    faults : DataFrame
        As `find_faults`; the labels in ``row`` are those of the rows left out.
    """
    faults = find_faults(frame, table)
    good = ~frame.index.isin(faults["row"])
    return conform(frame.loc[good], table), faults


def _cast(frame: pd.DataFrame, column: Column) -> pd.Series:
    if column.name not in frame:
        return pd.Series(index=frame.index, dtype=_DTYPES[column.kind])
    values = frame[column.name]
    if column.kind == "text":
        return values.astype("object").where(values.notna(), None).astype(TEXT)
    if column.kind == "time":
        return _as_times(values)
    numbers = pd.to_numeric(values, errors="coerce")
    if column.kind == "integer" and pd.api.types.is_float_dtype(numbers.dtype):
        numbers = numbers.where(np.isfinite(numbers) & (numbers % 1 == 0))
    return numbers.astype(_DTYPES[column.kind])


def _as_times(values: pd.Series) -> pd.Series:
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        return values.dt.tz_convert("UTC").dt.round("ms").astype(TIME)
    if values.isna().all():
        return pd.Series(pd.NaT, index=values.index, dtype=TIME)
    parsed = pd.to_datetime(values, utc=True, errors="coerce", format="ISO8601")
    return parsed.dt.round("ms").astype(TIME)


def _column_faults(frame: pd.DataFrame, column: Column) -> pd.DataFrame:
    if column.name not in frame:
        if not column.required or frame.empty:
            return pd.DataFrame(columns=FAULT_COLUMNS)
        everywhere = pd.Series(True, index=frame.index)
        return _faults(everywhere, column.name, None, "the column is missing and must be there")
    values = frame[column.name]
    present = values.notna()
    found = []
    if column.required:
        found.append(_faults(~present, column.name, values, "missing, and must be there"))
    cast = _cast(frame, column)
    if column.kind == "time" and not isinstance(values.dtype, pd.DatetimeTZDtype):
        naive = present & _has_no_zone(values)
        found.append(_faults(naive, column.name, values, "a time without a zone"))
        present &= ~naive
    found.append(_faults(present & cast.isna(), column.name, values, _not_a(column)))
    known = present & cast.notna()
    if column.words:
        strange = known & ~cast.isin(column.words)
        reason = "not one of " + ", ".join(column.words)
        found.append(_faults(strange, column.name, values, reason))
    low, high = column.at_least, column.at_most
    if column.kind == "probability":
        low, high = 0.0, 1.0
    if low is not None:
        below = known & (cast < low).fillna(False).astype(bool)
        found.append(_faults(below, column.name, values, f"below {low:g}"))
    if high is not None:
        above = known & (cast > high).fillna(False).astype(bool)
        found.append(_faults(above, column.name, values, f"above {high:g}"))
    if column.kind in ("number", "probability"):
        infinite = known & np.isinf(cast.astype(float))
        found.append(_faults(infinite, column.name, values, "not a finite number"))
    return pd.concat(found, ignore_index=True)


def _not_a(column: Column) -> str:
    return {"time": "not a time", "integer": "not a whole number"}.get(column.kind, "not a number")


def _has_no_zone(values: pd.Series) -> pd.Series:
    if pd.api.types.is_datetime64_dtype(values.dtype):
        return pd.Series(True, index=values.index)
    words = values.astype("object").astype(str)
    return words.str.contains(r"\d") & ~words.str.contains(r"(?:[zZ]|[+-]\d\d:?\d\d)$")


def _geometry_faults(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    has_any = isinstance(frame, gpd.GeoDataFrame) and frame._geometry_column_name in frame
    if not has_any:
        if not table.geometry_required or frame.empty:
            return pd.DataFrame(columns=FAULT_COLUMNS)
        everywhere = pd.Series(True, index=frame.index)
        return _faults(everywhere, "geometry", None, "there is no position")
    shapes = stored(frame, f"table '{table.name}'").geometry
    raw = shapes.to_numpy()
    missing = pd.Series(shapely.is_missing(raw) | shapely.is_empty(raw), index=frame.index)
    found = []
    if table.geometry_required:
        found.append(_faults(missing, "geometry", None, "there is no position"))
    bounds = shapely.bounds(raw)
    with np.errstate(invalid="ignore"):
        outside = (
            ~np.isfinite(bounds).all(axis=1)
            | (np.abs(bounds[:, [1, 3]]) > 90).any(axis=1)
            | (np.abs(bounds[:, [0, 2]]) > 180).any(axis=1)
        )
    off_earth = ~missing & outside
    words = shapes.to_wkt().where(off_earth)
    found.append(_faults(off_earth, "geometry", words, "latitude or longitude out of range"))
    if table.geometry not in (None, "Geometry"):
        fits = shapes.geom_type.fillna("").str.removeprefix("Multi").eq(table.geometry)
        wrong = ~missing & ~fits
        reason = f"not a {table.geometry.lower()}"
        found.append(_faults(wrong, "geometry", shapes.geom_type, reason))
    return pd.concat(found, ignore_index=True)


def _key_faults(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    keys = frame[list(table.key)]
    again = keys.duplicated() & keys.notna().all(axis=1)
    doubled = keys.loc[again]
    shown = [", ".join(map(str, key)) for key in doubled.itertuples(index=False, name=None)]
    words = pd.Series(shown, index=doubled.index, dtype="object")
    return _faults(again, "+".join(table.key), words, "stands in the table already")


def _faults(where: pd.Series, column: str, values: pd.Series | None, reason: str) -> pd.DataFrame:
    rows = where.index[where.to_numpy(dtype=bool)]
    if values is None:
        shown = pd.Series([None] * len(rows), dtype="object")
    else:
        shown = values.loc[rows].astype("object").reset_index(drop=True)
    return pd.DataFrame(
        {"row": rows.to_numpy(), "column": column, "value": shown, "reason": reason},
        columns=FAULT_COLUMNS,
    ).astype({"value": "object"})
