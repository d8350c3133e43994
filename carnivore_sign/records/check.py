"""Checks: a frame is held against its table, and every fault is collected before one is told.

`conform` gives a frame its columns, order and dtypes; `find_faults` lists what breaks the
schema; `check_table` raises `TableFaults` with that list; `split_faults` keeps the good rows
and hands the bad ones back with their reasons, for readers that must lose nothing.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from carnivore_sign.errors import TableFaults
from carnivore_sign.records.tables import Column, Table
from carnivore_sign.space import STORED_CRS, stored

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

TEXT: Final = pd.StringDtype(na_value=np.nan)
TIME: Final = pd.DatetimeTZDtype("ms", "UTC")
_DTYPES: Final = {
    "text": TEXT,
    "integer": pd.Int64Dtype(),
    "number": np.dtype("float64"),
    "probability": np.dtype("float64"),
    "time": TIME,
}
MAX_FLOAT: Final = float(np.finfo(np.float64).max)
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
    if _conforms(frame, table):
        return frame
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
    if frame.empty:
        return pd.DataFrame(columns=FAULT_COLUMNS)
    found = [
        faults
        for column in table.columns
        if not _is_sound(frame, column)
        for faults in _column_faults(frame, column)
    ]
    if table.geometry is not None:
        found += _geometry_faults(frame, table)
    if table.key and set(table.key) <= set(frame.columns):
        found += _key_faults(frame, table)
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


def _conforms(frame: pd.DataFrame, table: Table) -> bool:
    """Tell whether a frame has the columns, order, dtypes and CRS of its table already."""
    names = [*table.names, *(["geometry"] if table.geometry else [])]
    if list(frame.columns) != names:
        return False
    dtypes = frame.dtypes.to_numpy()
    kinds = (_DTYPES[column.kind] for column in table.columns)
    if not all(there == kind for there, kind in zip(dtypes, kinds, strict=False)):
        return False
    if table.geometry is None:
        return not isinstance(frame, gpd.GeoDataFrame)
    return (
        isinstance(frame, gpd.GeoDataFrame)
        and frame._geometry_column_name == "geometry"
        and frame.crs == STORED_CRS
    )


def _is_sound(frame: pd.DataFrame, column: Column) -> bool:
    """Tell in a few looks at the whole column that it is without a fault, as most are."""
    if column.name not in frame:
        return not column.required
    values = frame[column.name]
    if values.dtype != _DTYPES[column.kind] or column.words:
        return False
    if column.required and values.isna().any():
        return False
    if column.kind in ("text", "time"):
        return True
    low, high = _range(column)
    least, most = values.min(), values.max()
    if pd.isna(least):
        return True
    return bool(
        (low if low is not None else -MAX_FLOAT) <= least
        and most <= (high if high is not None else MAX_FLOAT)
    )


def _range(column: Column) -> tuple[float | None, float | None]:
    return (0.0, 1.0) if column.kind == "probability" else (column.at_least, column.at_most)


def _cast(frame: pd.DataFrame, column: Column) -> pd.Series:
    if column.name not in frame:
        return pd.Series(index=frame.index, dtype=_DTYPES[column.kind])
    values = frame[column.name]
    if values.dtype == _DTYPES[column.kind]:
        return values
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


def _column_faults(frame: pd.DataFrame, column: Column) -> list[pd.DataFrame]:
    if column.name not in frame:
        everywhere = np.full(len(frame), column.required)
        return _faults(frame, everywhere, column.name, "the column is missing and must be there")
    values = frame[column.name]
    present = values.notna().to_numpy()
    found = []
    if column.required:
        found += _faults(frame, ~present, column.name, "missing, and must be there")
    if not present.any():
        return found
    if column.kind == "time" and not isinstance(values.dtype, pd.DatetimeTZDtype):
        naive = present & _has_no_zone(values)
        found += _faults(frame, naive, column.name, "a time without a zone")
        present = present & ~naive
    cast = _cast(frame, column)
    known = present & cast.notna().to_numpy()
    found += _faults(frame, present & ~known, column.name, _not_a(column))
    if column.words:
        strange = known & ~cast.isin(column.words).to_numpy()
        found += _faults(frame, strange, column.name, "not one of " + ", ".join(column.words))
    if column.kind in ("integer", "number", "probability"):
        found += _range_faults(frame, column, cast.to_numpy(dtype=float, na_value=np.nan), known)
    return found


def _range_faults(
    frame: pd.DataFrame, column: Column, numbers: FloatArray, known: BoolArray
) -> list[pd.DataFrame]:
    low, high = _range(column)
    found = _faults(frame, known & np.isinf(numbers), column.name, "not a finite number")
    with np.errstate(invalid="ignore"):
        if low is not None:
            found += _faults(frame, known & (numbers < low), column.name, f"below {low:g}")
        if high is not None:
            found += _faults(frame, known & (numbers > high), column.name, f"above {high:g}")
    return found


def _not_a(column: Column) -> str:
    return {"time": "not a time", "integer": "not a whole number"}.get(column.kind, "not a number")


def _has_no_zone(values: pd.Series) -> BoolArray:
    if pd.api.types.is_datetime64_dtype(values.dtype):
        return np.ones(len(values), dtype=bool)
    words = values.astype("object").astype(str)
    zoned = words.str.contains(r"(?:[zZ]|[+-]\d\d:?\d\d)$", na=False)
    return (words.str.contains(r"\d", na=False) & ~zoned).to_numpy(dtype=bool)


def _geometry_faults(frame: pd.DataFrame, table: Table) -> list[pd.DataFrame]:
    if not (isinstance(frame, gpd.GeoDataFrame) and frame._geometry_column_name in frame):
        everywhere = np.full(len(frame), table.geometry_required)
        return _faults(frame, everywhere, "geometry", "there is no position")
    shapes = stored(frame, f"table '{table.name}'").geometry
    raw = shapes.to_numpy()
    if table.geometry == "Point" and _all_on_earth(raw):
        return []
    missing = shapely.is_missing(raw) | shapely.is_empty(raw)
    found = _faults(frame, missing & table.geometry_required, "geometry", "there is no position")
    bounds = shapely.bounds(raw)
    with np.errstate(invalid="ignore"):
        outside = (
            ~np.isfinite(bounds).all(axis=1)
            | (np.abs(bounds[:, [1, 3]]) > 90).any(axis=1)
            | (np.abs(bounds[:, [0, 2]]) > 180).any(axis=1)
        )
    off_earth = ~missing & outside
    if off_earth.any():
        words = shapes.to_wkt()
        reason = "latitude or longitude out of range"
        found += _faults(frame, off_earth, "geometry", reason, values=words)
    if table.geometry not in (None, "Geometry"):
        kinds = shapes.geom_type
        fits = kinds.fillna("").str.removeprefix("Multi").eq(table.geometry).to_numpy()
        reason = f"not a {str(table.geometry).lower()}"
        found += _faults(frame, ~missing & ~fits, "geometry", reason, values=kinds)
    return found


def _all_on_earth(shapes: npt.NDArray[np.object_]) -> bool:
    """Tell whether all are points with a latitude and a longitude in range."""
    if (shapely.get_type_id(shapes) != 0).any():
        return False
    places = np.abs(shapely.get_coordinates(shapes))
    return len(places) == len(shapes) and bool((places <= (180, 90)).all())


def _key_faults(frame: pd.DataFrame, table: Table) -> list[pd.DataFrame]:
    keys = frame[list(table.key)]
    again = (keys.duplicated() & keys.notna().all(axis=1)).to_numpy()
    if not again.any():
        return []
    shown = [", ".join(map(str, key)) for key in keys.itertuples(index=False, name=None)]
    words = pd.Series(shown, index=frame.index, dtype="object")
    return _faults(frame, again, "+".join(table.key), "stands in the table already", values=words)


def _faults(
    frame: pd.DataFrame,
    where: BoolArray,
    column: str,
    reason: str,
    *,
    values: pd.Series | None = None,
) -> list[pd.DataFrame]:
    """List the faulty rows as one frame, or nothing: most columns of most files are good."""
    if not where.any():
        return []
    if values is None and column in frame:
        values = frame[column]
    shown = [None] * int(where.sum()) if values is None else values[where].astype("object").tolist()
    told = {"row": frame.index[where].to_numpy(), "column": column}
    return [pd.DataFrame({**told, "value": pd.Series(shown, dtype="object"), "reason": reason})]
