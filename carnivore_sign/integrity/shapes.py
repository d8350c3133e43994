"""Integrity: positions as they stand in the file, also those that cannot be read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from carnivore_sign.records.encoding import SRS_ID, geometries_from_blobs

BoolArray = npt.NDArray[np.bool_]
ShapeArray = npt.NDArray[np.object_]

#: What reading a damaged geometry may raise: from shapely, and from a blob that is cut short.
_UNREADABLE = (shapely.errors.ShapelyError, TypeError, KeyError, IndexError, ValueError)
_SRS = SRS_ID.to_bytes(4, "little")


@dataclass(frozen=True)
class ShapesRead:
    """Shapes of some rows, and which of them are faulty.

    Attributes
    ----------
    shapes : (n,) array of shapely geometry
        None where there is none, or none that can be read.
    unreadable, elsewhere, crossing : (n,) array of bool
        Cannot be read; states another reference system; crosses itself.
    """

    shapes: ShapeArray
    unreadable: BoolArray
    elsewhere: BoolArray
    crossing: BoolArray


def read_shapes(blobs: tuple[Any, ...]) -> ShapesRead:
    """Read geometries as a season holds them, all at once where all are good."""
    elsewhere = np.array([_states_another_srs(blob) for blob in blobs], dtype=bool)
    try:
        shapes = geometries_from_blobs(blobs)
    except _UNREADABLE:
        shapes = np.array([_shape(blob) for blob in blobs], dtype=object)
    there = np.array([blob is not None for blob in blobs], dtype=bool)
    unreadable = there & shapely.is_missing(shapes)
    kinds = shapely.get_type_id(shapes)
    # Points cannot cross themselves, and a transect may: its walks do.
    areas = (kinds == shapely.GeometryType.POLYGON) | (kinds == shapely.GeometryType.MULTIPOLYGON)
    crossing = np.zeros(len(shapes), dtype=bool)
    crossing[areas] = ~shapely.is_valid(shapes[areas])
    return ShapesRead(shapes, unreadable, elsewhere, crossing)


def _states_another_srs(blob: object) -> bool:
    return isinstance(blob, bytes) and blob[:2] == b"GP" and blob[4:8] != _SRS


def _shape(blob: object) -> shapely.Geometry | None:
    if not isinstance(blob, bytes) or blob[:2] != b"GP":
        return None
    try:
        return geometries_from_blobs((blob,))[0]
    except _UNREADABLE:
        return None
