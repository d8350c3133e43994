"""Ties: which columns of the season name a row of another table, in the one place that says so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: What joins several names in one cell.
SEPARATOR: Final = ";"


@dataclass(frozen=True)
class Tie:
    """A column that names rows of another table.

    Attributes
    ----------
    table, column : str
        The column that names.
    to_table, to_column : str
        What it names.
    joined : bool
        Whether a cell may hold several names, joined by `SEPARATOR`.
    besides : tuple of str
        Words that a cell may hold and that name no row.
    any_case : bool
        Whether capitals and small letters are one.
    one_import : bool
        Whether both rows come by the same import. If they do, a name without a row is damage;
        if not, the other row may still be on its way.
    """

    table: str
    column: str
    to_table: str
    to_column: str
    joined: bool = False
    besides: tuple[str, ...] = ()
    any_case: bool = False
    one_import: bool = False


TIES: Final = (
    Tie("fixes", "log", "logs", "log", one_import=True),
    Tie("waypoints", "log", "logs", "log", one_import=True),
    Tie("route_points", "log", "logs", "log", one_import=True),
    Tie("settled", "receipt", "receipts", "receipt", one_import=True),
    Tie("photo_places", "photo", "photos", "photo", one_import=True),
    Tie("photo_places", "log", "logs", "log", one_import=True),
    Tie("prints", "sign", "sign", "sign"),
    Tie("outlines", "sign", "sign", "sign"),
    Tie("outlines", "photo", "photos", "photo"),
    Tie("photos", "sign", "sign", "sign"),
    Tie("sign", "waypoint", "waypoints", "name", any_case=True),
    Tie("clearings", "transects", "transects", "transect", joined=True, besides=("all",)),
    Tie("weather", "transects", "transects", "transect", joined=True, besides=("all",)),
    Tie("walks", "transect", "transects", "transect"),
    Tie("incidents", "parcel", "parcels", "parcel"),
    Tie("carcasses", "incident", "incidents", "incident"),
    Tie("carcasses", "photo", "photos", "photo", joined=True),
)
