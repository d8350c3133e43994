"""Outlines: marks of prints as people write them down, in GeoJSON, WKT and SVG path data.

An outline table has one row per mark: ``print`` (which print), ``part`` (one of
`PRINT_PARTS`), ``geometry`` in millimetres as seen from above, x to the right and y upwards,
and ``foot`` where it was stated. GeoJSON coordinates here are millimetres on a plane of their
own, not degrees; a member ``unit`` of a feature's properties names another unit of length.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import affinity

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.records.svg_paths import points_of_path
from carnivore_sign.records.vocabularies import PRINT_PARTS
from carnivore_sign.units import METRES, MM_PER_M, SPELLINGS

#: Properties that a feature of outlines may have.
OUTLINE_PROPERTIES: Final = ("print", "part", "foot", "unit", "sign", "print_no")

#: Words that people write for a part, and the part they mean.
PART_NAMES: Final[dict[str, str]] = {
    **{part: part for part in PRINT_PARTS},
    "main_pad": "pad",
    "heel_pad": "pad",
    "palm_pad": "pad",
    "carpal": "carpal_pad",
    "toe_1": "dewclaw",
}


def read_outlines(
    source: str | PathLike[str] | Mapping[str, Any], *, default_print: str | None = None
) -> gpd.GeoDataFrame:
    """Read outlines of prints from GeoJSON.

    Parameters
    ----------
    source : path or mapping
        A file of GeoJSON (RFC 7946), or its content: a FeatureCollection with a feature per
        mark. Properties: ``part``; ``print`` if there is more than one; ``unit`` (mm if not
        given) and ``foot`` if stated.
    default_print : str, optional
        Print of marks that name none; the name of the file if not given.

    Returns
    -------
    GeoDataFrame
        ``print``, ``part``, ``foot``, ``geometry`` in millimetres, no CRS. Features without
        a geometry keep their row, with none; `check_outlines` says what is wrong with a row.

    Raises
    ------
    FileUnreadable
        If the file is missing or is no GeoJSON.
    InputError
        If a unit is unknown.

    Examples
    --------
    >>> square = {"type": "Polygon", "coordinates": [[[0, 0], [5, 0], [5, 5], [0, 5], [0, 0]]]}
    >>> about = {"part": "pad", "unit": "cm"}
    >>> feature = {"type": "Feature", "properties": about, "geometry": square}
    >>> read_outlines({"type": "FeatureCollection", "features": [feature]}).area.tolist()
    [2500.0]
    """
    name = default_print or "print"
    if isinstance(source, Mapping):
        content: Any = source
    else:
        content = _load(source)
        name = default_print or Path(source).stem
    table = feature_table(features_of(content))
    table["print"] = table["print"].where(table["print"].notna(), name)
    return _finished(table)


def features_of(content: Any) -> list[dict[str, Any]]:
    """Return the features of GeoJSON.

    Raises
    ------
    FileUnreadable
        If it is neither a FeatureCollection nor a Feature.
    """
    kind = content.get("type") if isinstance(content, Mapping) else None
    if kind == "Feature":
        return [dict(content)]
    features = content.get("features") if isinstance(content, Mapping) else None
    if kind != "FeatureCollection" or not isinstance(features, list):
        raise FileUnreadable(
            "it is no GeoJSON FeatureCollection",
            remedy="Give a feature for each mark, with the property 'part'.",
        )
    return [feature for feature in features if isinstance(feature, dict)]


def feature_table(features: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return one row per feature as it came: `OUTLINE_PROPERTIES`, and ``geometry`` in its unit.

    Examples
    --------
    >>> point = {"type": "Point", "coordinates": [1, 2]}
    >>> about = {"print": "A/1", "part": "Toe 2"}
    >>> table = feature_table([{"type": "Feature", "properties": about, "geometry": point}])
    >>> table[["print", "part", "unit"]].iloc[0].tolist()
    ['A/1', 'Toe 2', None]
    """
    rows = []
    for feature in features:
        about = feature.get("properties")
        known = about if isinstance(about, Mapping) else {}
        row = {name: known.get(name) for name in OUTLINE_PROPERTIES}
        rows.append(row | {"geometry": _shape(feature.get("geometry"))})
    return pd.DataFrame(rows, columns=[*OUTLINE_PROPERTIES, "geometry"], dtype=object)


def part_of(written: pd.Series) -> pd.Series:
    """Return the parts that people's words mean; a word that means none stays as it is.

    Examples
    --------
    >>> part_of(pd.Series(["Toe 2", "main-pad", "tail"])).tolist()
    ['toe_2', 'pad', 'tail']
    """
    words = written.astype(str)
    plain = words.str.strip().str.lower().str.replace(r"[\s-]+", "_", regex=True)
    return plain.map(PART_NAMES).fillna(words)


def millimetres_in(unit: Any) -> float | None:
    """Return the millimetres in a unit as people write it, 1 if none is named; None if unknown.

    Examples
    --------
    >>> millimetres_in("cm"), millimetres_in(None), millimetres_in("pixels")
    (10.0, 1.0, None)
    """
    if not pd.api.types.is_scalar(unit):
        return None
    if unit is None or pd.isna(unit):
        return 1.0
    known = SPELLINGS.get(str(unit).strip().lower())
    return None if known is None else METRES[known] * MM_PER_M


def scaled(shape: shapely.Geometry | None, times: float) -> shapely.Geometry | None:
    """Return a shape made larger about the origin; none stays none."""
    if shape is None or times == 1.0:
        return shape
    return affinity.scale(shape, times, times, origin=(0, 0))


def outlines_from_table(table: pd.DataFrame) -> gpd.GeoDataFrame:
    """Take outlines from a table whose ``geometry`` is text or shapes.

    Parameters
    ----------
    table : DataFrame
        ``print``, ``part``, ``geometry``: shapely geometries, WKT, or SVG path data (text that
        begins with M and a number; its y runs down and is turned up). ``unit`` and ``foot``
        may be given.

    Returns
    -------
    GeoDataFrame
        As from `read_outlines`. Text that is neither leaves its row without a geometry.

    Examples
    --------
    >>> rows = {"print": "A", "part": ["pad", "toe"],
    ...         "geometry": ["POLYGON ((0 0, 9 0, 9 9, 0 0))", "M0 0 h4 v-4 h-4 z"]}
    >>> outlines_from_table(pd.DataFrame(rows)).area.tolist()
    [40.5, 16.0]
    """
    missing = [name for name in ("print", "part", "geometry") if name not in table]
    if missing:
        raise InputError(
            f"outlines have no column {', '.join(missing)}",
            remedy="Give one row per outline with print, part and geometry.",
        )
    shapes = [_from_any(value) for value in table["geometry"]]
    return _finished(table.assign(geometry=pd.Series(shapes, index=table.index, dtype=object)))


def to_geojson(outlines: pd.DataFrame) -> str:
    """Write outlines as GeoJSON that `read_outlines` reads.

    Parameters
    ----------
    outlines : DataFrame
        Outlines in mm, as `read_outlines` gives them.

    Returns
    -------
    str
        A GeoJSON text that `read_outlines` reads.

    Examples
    --------
    >>> shape = shapely.box(0, 0, 1, 1)
    >>> table = pd.DataFrame({"print": ["A"], "part": ["pad"], "geometry": [shape]})
    >>> read_outlines(json.loads(to_geojson(table)))["part"].tolist()
    ['pad']
    """
    features = []
    for row in outlines.to_dict("records"):
        about = {"print": str(row["print"]), "part": row["part"], "unit": "mm"}
        if pd.notna(row.get("foot")):
            about["foot"] = row["foot"]
        shape = json.loads(shapely.to_geojson(row["geometry"]))
        features.append({"type": "Feature", "properties": about, "geometry": shape})
    return json.dumps({"type": "FeatureCollection", "features": features})


def _load(path: str | PathLike[str]) -> Any:
    try:
        return json.loads(Path(path).read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, RecursionError, json.JSONDecodeError) as fault:
        raise FileUnreadable(
            f"it cannot be read as GeoJSON ({fault})", file=path, remedy="Save the outlines again."
        ) from fault


def _shape(geometry: Any) -> shapely.Geometry | None:
    """Read a geometry of GeoJSON, or none; an unclosed ring is kept as the line that it is."""
    if not isinstance(geometry, Mapping):
        return None
    try:
        with np.errstate(invalid="ignore"):  # what is no number is told by check_outlines
            if geometry.get("type") == "Polygon":
                ring = [tuple(point[:2]) for point in geometry["coordinates"][0]]
                shape = shapely.Polygon(ring) if ring[0] == ring[-1] else shapely.LineString(ring)
            else:
                shape = shapely.from_geojson(json.dumps(geometry))
    except (shapely.errors.ShapelyError, KeyError, IndexError, TypeError, ValueError):
        return None
    return shapely.force_2d(shape)


def _from_any(value: Any) -> shapely.Geometry | None:
    if isinstance(value, shapely.Geometry):
        return shapely.force_2d(value)
    text = value.strip() if isinstance(value, str) else ""
    if text[:1] in ("M", "m") and not text[:5].upper().startswith("MULTI"):
        try:
            points, closed = points_of_path(text)
        except InputError:
            return None
        xy = np.column_stack([points.real, -points.imag])
        if closed and len(xy) >= 3:
            return shapely.Polygon(xy)
        return shapely.LineString(xy) if len(xy) >= 2 else None
    return shapely.from_wkt(text, on_invalid="ignore") if text else None


def _finished(table: pd.DataFrame) -> gpd.GeoDataFrame:
    """Bring parts to their names and sizes to millimetres."""
    unit = table["unit"] if "unit" in table else pd.Series(None, index=table.index, dtype=object)
    factor = [_millimetres(one) for one in unit]
    shapes = [scaled(shape, times) for shape, times in zip(table["geometry"], factor, strict=True)]
    columns = {"print": table["print"], "part": part_of(table["part"]), "foot": table.get("foot"),
               "geometry": shapes}  # fmt: skip
    return gpd.GeoDataFrame(pd.DataFrame(columns, index=table.index), geometry="geometry", crs=None)


def _millimetres(unit: Any) -> float:
    factor = millimetres_in(unit)
    if factor is None:
        raise InputError(
            f"'{unit}' is no unit of length",
            remedy=f"Use {', '.join(METRES)}; outlines in pixels need to_millimetres first.",
        )
    return factor
