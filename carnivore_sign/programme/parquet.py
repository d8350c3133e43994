"""Programme: rows as GeoParquet 1.1 and back, each column in the kind of its table."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from carnivore_sign.errors import FileUnreadable, LibraryMissing
from carnivore_sign.space import STORED_CRS


def require_pyarrow(part: str = "pyarrow") -> Any:  # the module
    """Return pyarrow, or a part of it.

    Raises
    ------
    LibraryMissing
        If it is not installed.
    """
    try:
        return import_module(part)
    except ImportError as error:
        raise LibraryMissing(
            "a programme is kept as Parquet, which needs pyarrow. Install it: pip install pyarrow"
        ) from error


def write_rows(rows: pd.DataFrame, path: Path) -> None:
    """Write rows to one file: GeoParquet 1.1 with the box of each row, where they have places."""
    require_pyarrow()
    rows = rows.reset_index(drop=True)
    if isinstance(rows, gpd.GeoDataFrame):
        rows.to_parquet(
            path, index=False, compression="zstd", schema_version="1.1.0", write_covering_bbox=True
        )
        return
    rows.to_parquet(path, index=False, compression="zstd")


def read_rows(path: Path) -> Any:  # a pyarrow.Table
    """Read the rows of one file, places as well-known binary.

    Raises
    ------
    FileUnreadable
        If the file is missing or damaged.
    """
    pyarrow, parquet = require_pyarrow(), require_pyarrow("pyarrow.parquet")
    try:
        rows = parquet.ParquetFile(path).read()
    except (OSError, ValueError, pyarrow.ArrowException) as error:
        raise FileUnreadable(
            f"the rows cannot be read ({error})",
            file=path,
            remedy="Put the season into the programme again, from its own file.",
        ) from error
    boxes = [name for name in ("bbox",) if name in rows.column_names]
    return rows.drop_columns(boxes).replace_schema_metadata(None)


def count_words(path: Path, column: str) -> pd.Series:
    """Count the words of one column of a file, reading that column alone."""
    parquet = require_pyarrow("pyarrow.parquet")
    words = parquet.ParquetFile(path).read(columns=[column]).column(0).value_counts()
    return pd.Series(
        words.field("counts").to_pandas().to_numpy(), words.field("values").to_pylist(), name="rows"
    )


def join_rows(parts: Sequence[Any], *, shaped: bool) -> pd.DataFrame | gpd.GeoDataFrame:
    """Put the rows of several files into one frame; the reference system is looked up once."""
    rows = require_pyarrow().concat_tables(parts, promote_options="permissive").to_pandas()
    if not shaped:
        return rows
    shapes = shapely.from_wkb(rows["geometry"].to_numpy())
    return gpd.GeoDataFrame(rows.drop(columns="geometry"), geometry=shapes, crs=STORED_CRS)
