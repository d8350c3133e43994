"""GeoParquet: one layer as a file of GeoParquet 1.1, with the box of each row.

Source: GeoParquet 1.1.0 (OGC): well-known binary, the ``geo`` metadata, the bounding box column.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Final

import geopandas as gpd

from carnivore_sign.errors import InputError
from carnivore_sign.intake.optional import optional_library
from carnivore_sign.space import stored
from carnivore_sign.writing import write_whole

VERSION: Final = "1.1.0"


def write_geoparquet(path: str | Path, layer: gpd.GeoDataFrame) -> Path:
    """Write a layer as GeoParquet 1.1 (extra ``parquet``).

    Parameters
    ----------
    path : path-like
        The file; one that is there is replaced.
    layer : GeoDataFrame
        Any layer with a CRS; it is written in degrees on WGS84.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        If the layer has no row.
    CrsMissing
        If it has no CRS.
    LibraryMissing
        If pyarrow is not installed.

    Examples
    --------
    >>> import tempfile
    >>> from shapely import Point
    >>> mark = gpd.GeoDataFrame({"sign": ["S1"]}, geometry=[Point(-119, 37)], crs=4326)
    >>> path = write_geoparquet(Path(tempfile.mkdtemp()) / "s.parquet", mark)
    >>> gpd.read_parquet(path)["sign"].tolist()
    ['S1']

    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> import tempfile
    >>> write_geoparquet(Path(tempfile.mkdtemp()) / "transects.parquet", analysis.transects).name
    'transects.parquet'
    """
    path = Path(path)
    if layer.empty:
        raise InputError("the layer has no row", file=path, remedy="Leave it out.")
    optional_library("pyarrow", file=path, purpose="write GeoParquet")
    body = io.BytesIO()
    stored(layer, "the layer").to_parquet(
        body, index=False, schema_version=VERSION, write_covering_bbox=True
    )
    return write_whole(path, body.getvalue())
