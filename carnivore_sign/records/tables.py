"""Tables: every schema there is, those of the season file and those computed from them.

Every frame that travels between rooms follows one of these. `check_table` in ``check.py``
holds frames against them and the season file creates its layers from them.
"""

from __future__ import annotations

from typing import Final

from carnivore_sign.records.computed import (
    DETECTIONS,
    GAIT,
    MONTHLY,
    SEGMENTS,
    TAPE,
    TRAILS,
    VISITS,
    taxon_column,
)
from carnivore_sign.records.recorded import (
    CARCASSES,
    CLEARINGS,
    FIXES,
    INCIDENTS,
    LOGS,
    OUTLINES,
    PARCELS,
    PHOTO_PLACES,
    PHOTOS,
    PRINTS,
    RECEIPTS,
    ROUTE_POINTS,
    SEASON_TABLES,
    SET_ASIDE,
    SETTLED,
    SIGN,
    TRANSECTS,
    WALKS,
    WAYPOINTS,
    WEATHER,
)
from carnivore_sign.records.schema import Column, ColumnKind, Table

#: Every table there is: those of the season file and those computed from them.
TABLES: Final[dict[str, Table]] = {
    **SEASON_TABLES,
    **{table.name: table for table in (SEGMENTS, VISITS, TRAILS, TAPE, GAIT, DETECTIONS, MONTHLY)},
}

__all__ = [
    "CARCASSES",
    "CLEARINGS",
    "DETECTIONS",
    "FIXES",
    "GAIT",
    "INCIDENTS",
    "LOGS",
    "MONTHLY",
    "OUTLINES",
    "PARCELS",
    "PHOTOS",
    "PHOTO_PLACES",
    "PRINTS",
    "RECEIPTS",
    "ROUTE_POINTS",
    "SEASON_TABLES",
    "SEGMENTS",
    "SETTLED",
    "SET_ASIDE",
    "SIGN",
    "TABLES",
    "TAPE",
    "TRAILS",
    "TRANSECTS",
    "VISITS",
    "WALKS",
    "WAYPOINTS",
    "WEATHER",
    "Column",
    "ColumnKind",
    "Table",
    "taxon_column",
]
