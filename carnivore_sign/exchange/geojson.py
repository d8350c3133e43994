"""GeoJSON: one layer as a file of RFC 7946.

GDAL puts positions on WGS84 with seven decimals, turns rings the right way round, and splits what
crosses the antimeridian. The box of the whole is put right here: across the antimeridian its west
is a larger number than its east (RFC 7946, section 5.2).
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pyogrio

from carnivore_sign.errors import InputError
from carnivore_sign.space import stored
from carnivore_sign.writing import write_whole

_OPTIONS: Final = {"RFC7946": "YES", "WRITE_BBOX": "YES"}


def write_geojson(path: str | Path, layer: gpd.GeoDataFrame) -> Path:
    """Write a layer as GeoJSON of RFC 7946.

    Parameters
    ----------
    path : path-like
        The file; one that is there is replaced.
    layer : GeoDataFrame
        Any layer with a CRS.

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

    Examples
    --------
    >>> import tempfile
    >>> from shapely import LineString
    >>> line = gpd.GeoDataFrame(geometry=[LineString([(179, 1), (-179, 1)])], crs=4326)
    >>> path = write_geojson(Path(tempfile.mkdtemp()) / "line.geojson", line)
    >>> json.loads(path.read_text())["bbox"]
    [179.0, 1.0, -179.0, 1.0]
    """
    path = Path(path)
    if layer.empty:
        raise InputError("the layer has no row", file=path, remedy="Leave it out.")
    body = io.BytesIO()
    frame = stored(layer, "the layer")
    pyogrio.write_dataframe(frame, body, driver="GeoJSON", layer_options=_OPTIONS)
    told = json.loads(body.getvalue().decode("utf-8"))
    written: dict[str, Any] = {"type": "FeatureCollection"}
    boxes = [feature["bbox"] for feature in told["features"] if "bbox" in feature]
    if boxes:
        written["bbox"] = box_of(boxes)
    written["features"] = told["features"]
    return write_whole(path, json.dumps(written, ensure_ascii=False).encode("utf-8"))


def box_of(boxes: Iterable[Iterable[float]]) -> list[float]:
    """Return the smallest box around boxes: west, south, east, north, degrees.

    Its west is above its east where it crosses the antimeridian.

    Examples
    --------
    >>> box_of([[10, 0, 20, 5], [15, -1, 30, 2]])
    [10.0, -1.0, 30.0, 5.0]
    >>> box_of([[178, 0, -179, 5], [170, 1, 171, 2]])
    [170.0, 0.0, -179.0, 5.0]
    """
    west, south, east, north = np.array([list(box) for box in boxes], dtype=float).T
    order = np.argsort(west, kind="stable")
    west, east = west[order], east[order]
    ends = np.where(east >= west, east, east + 360)
    reach = np.maximum.accumulate(ends)
    gaps = west - np.append(reach[-1] - 360, reach[:-1])  # of nothing, in front of each box
    first = int(np.argmax(gaps))
    if gaps[first] <= 0:
        return [-180.0, float(south.min()), 180.0, float(north.max())]
    last = int(np.argmax(ends[:first] if first else ends))
    return [float(west[first]), float(south.min()), float(east[last]), float(north.max())]
