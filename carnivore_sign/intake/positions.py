"""Positions: what people write in a notebook for a place, turned into longitude and latitude.

A place may stand in two columns (latitude and longitude), in three or four (zone, easting and
northing), or in one (``position``), in degrees in any usual spelling, in UTM with its zone, or
in the military grid. A datum that is stated is believed and moved to WGS84; one that is not
known is a fault. Without letters, the first of two numbers is the latitude.
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from carnivore_sign.intake.angles import Unreadable, degrees_of, plain_marks
from carnivore_sign.intake.grids import (
    BANDS,
    MOVED_WITHIN_M,
    Utm,
    datum_of,
    mgrs_of,
    outside_band,
    split_datum,
    to_degrees,
    to_stored,
    utm_from_parts,
    utm_of,
    zone_letter,
)

FloatArray = npt.NDArray[np.float64]

#: Columns that a place may be written in.
COLUMNS: Final = (
    *("lat", "lon", "position", "utm_zone", "utm_band", "hemisphere", "easting", "northing"),
    "datum",
)
#: Longest text that is looked at as a place, in characters.
MAX_TEXT: Final = 200
_MARKED: Final = (";", "|", "/")
_BEHIND: Final = re.compile(r"(.*?[NSEW])[\s,;/|]*([^NSEW]*[NSEW])", re.IGNORECASE)
_BEFORE: Final = re.compile(r"([NSEW][^NSEW]*?)[\s,;/|]*([NSEW][^NSEW]*)", re.IGNORECASE)
_ZONE: Final = re.compile(r"(?:zone\s*)?(\d{1,2})\s*([A-Za-z]*)", re.IGNORECASE)
_LETTERS: Final = string.ascii_letters + " "
_HEMISPHERES: Final = {"n": "north", "s": "south"}
_SHOWN: Final = 60


@dataclass(frozen=True)
class Positions:
    """Places in WGS84, and why some cannot be read.

    Attributes
    ----------
    lon, lat : Series of float
        Degrees; NaN where there is no place.
    faults : Series of str
        Reasons, by row; only the faulty rows.
    notes : tuple of str
        What was assumed or moved.
    """

    lon: pd.Series
    lat: pd.Series
    faults: pd.Series
    notes: tuple[str, ...] = ()


@dataclass
class _Place:
    """One place as read: in degrees or in UTM, on a datum, or at fault."""

    lon: float = np.nan
    lat: float = np.nan
    utm: Utm | None = None
    datum: str = "WGS84"
    fault: str | None = None
    notes: list[str] = field(default_factory=list)


def positions_from_text(text: pd.Series, *, datum: str | None = None) -> Positions:
    """Read places that stand in one column.

    Parameters
    ----------
    text : Series of str
        One place per row; blank is none.
    datum : str, optional
        Datum of all that do not state one; WGS84, unless given.

    Raises
    ------
    Unreadable
        If the datum given is not known.

    Examples
    --------
    >>> read = positions_from_text(pd.Series(["N37 24.5, W119 12.3", "11 north 302345 4145678"]))
    >>> read.lat.round(4).tolist(), read.lon.round(4).tolist()
    ([37.4083, 37.4368], [-119.205, -119.2341])
    """
    columns = {"position": text}
    if datum is not None:
        columns["datum"] = pd.Series(datum_of(datum), index=text.index)
    return positions_from_columns(columns)


def positions_from_columns(columns: Mapping[str, pd.Series]) -> Positions:
    r"""Read places that stand in several columns.

    Parameters
    ----------
    columns : mapping of str to Series of str
        Any of `COLUMNS`, of one index; blank cells say nothing. ``lat`` and ``lon`` go before
        ``easting`` and ``northing``, and these before ``position``.

    Examples
    --------
    >>> read = positions_from_columns(
    ...     {"lat": pd.Series(["37\u00b0 24' 30\""]), "lon": pd.Series(["-119,205"])})
    >>> read.lat.round(5).tolist(), read.lon.tolist()
    ([37.40833], [-119.205])
    """
    index = next(iter(columns.values())).index
    cells = {
        name: columns[name].fillna("").astype(str).str.strip().tolist()
        if name in columns
        else [""] * len(index)
        for name in COLUMNS
    }
    rows = [
        dict(zip(COLUMNS, row, strict=True))
        for row in zip(*(cells[name] for name in COLUMNS), strict=True)
    ]
    s_is_band = any(_letter_is_band(row) for row in rows)
    return _placed([_place(row, s_is_band=s_is_band) for row in rows], index)


def _zone_of(row: dict[str, str]) -> str:
    """Return the zone of a row with its hemisphere or its band, which may stand beside it."""
    zone, hemisphere = row["utm_zone"], row["hemisphere"].casefold()
    if hemisphere:
        return f"{zone.rstrip(_LETTERS)} {_HEMISPHERES.get(hemisphere, hemisphere)}"
    return zone if zone.endswith(tuple(_LETTERS)) else zone + row["utm_band"]


def _letter_is_band(row: dict[str, str]) -> bool:
    """Tell whether a row shows that the letters behind the zones are bands.

    A letter does that cannot be a hemisphere, and so does a datum of North America, where the
    southern hemisphere is not meant.
    """
    zone = _ZONE.fullmatch(_zone_of(row))
    text, datum = split_datum(row["position"])
    letter = zone[2].upper() if zone else zone_letter(text)
    american = {datum or re.sub(r"\W", "", row["datum"]).upper()} & {"NAD27", "NAD83"}
    return (letter in BANDS and letter not in ("N", "S", "")) or bool(letter and american)


def _place(row: dict[str, str], *, s_is_band: bool) -> _Place:
    """Read one row; the reason of a fault names the column and what came."""
    place = _Place()
    columns: tuple[str, ...] = ()
    try:
        for name, text in row.items():
            if len(text) > MAX_TEXT:
                columns = (name,)
                raise Unreadable(f"longer than {MAX_TEXT} characters")
        if row["datum"]:
            columns = ("datum",)
            place.datum = datum_of(row["datum"])
        if row["lat"] or row["lon"]:
            _read_pair(row, place)
        elif row["easting"] or row["northing"]:
            columns = ("utm_zone", "utm_band", "hemisphere", "easting", "northing")
            columns = tuple(name for name in columns if row[name] or name == "utm_zone")
            place.utm = _utm_of_columns(row, s_is_band=s_is_band)
        elif row["position"]:
            columns = ("position",)
            _read_one(row["position"], place, s_is_band=s_is_band)
    except Unreadable as error:
        came = ", ".join(row[name][:_SHOWN] for name in columns)
        place.fault = f"{', '.join(columns)}: {error} (came: {came})" if columns else str(error)
    return place


def _read_pair(row: dict[str, str], place: _Place) -> None:
    if not (row["lat"] and row["lon"]):
        raise Unreadable("lat, lon: one of them stands without the other")
    _hold_letters(plain_marks(row["lat"]), plain_marks(row["lon"]))
    faults = []
    for name in ("lat", "lon"):
        try:
            value = degrees_of(row[name], name)
            setattr(place, name, value)
        except Unreadable as error:
            faults.append(f"{name}: {error} (came: {row[name][:_SHOWN]})")
    if faults:
        swapped = "; are lat and lon swapped?" if _fit_swapped(row["lat"], row["lon"]) else ""
        raise Unreadable("; ".join(faults) + swapped)


def _fit_swapped(lat: str, lon: str) -> bool:
    """Tell whether two angles that cannot be read can be once they are swapped."""
    try:
        degrees_of(lon, "lat"), degrees_of(lat, "lon")
    except Unreadable:
        return False
    return True


def _utm_of_columns(row: dict[str, str], *, s_is_band: bool) -> Utm:
    zone = _ZONE.fullmatch(_zone_of(row))
    if zone is None:
        raise Unreadable("no UTM zone such as 11 north")
    return utm_from_parts((zone[1], zone[2]), row["easting"], row["northing"], s_is_band=s_is_band)


def _read_one(text: str, place: _Place, *, s_is_band: bool) -> None:
    """Read a place that stands in one cell."""
    rest, datum = split_datum(text)
    place.datum = datum or place.datum
    place.utm = mgrs_of(rest) or utm_of(rest, s_is_band=s_is_band)
    if place.utm is not None:
        return
    first, second, is_lat_first = _split(plain_marks(rest))
    lat, lon = (first, second) if is_lat_first else (second, first)
    _hold_letters(lat, lon)
    place.lat, place.lon = degrees_of(lat, "lat"), degrees_of(lon, "lon")


def _hold_letters(lat: str, lon: str) -> None:
    """Refuse a letter for one hemisphere beside none for the other."""
    lettered = [re.search(r"[NSEW]", text, re.IGNORECASE) is not None for text in (lat, lon)]
    bare = [re.fullmatch(r"[\d., \u00b0'\":]+", text) is not None for text in (lat, lon)]
    if any(lettered) and any(bare):
        raise Unreadable(
            "lat, lon: a letter for one hemisphere and none for the other "
            f"(came: {lat[:_SHOWN]}, {lon[:_SHOWN]})"
        )


def _split(text: str) -> tuple[str, str, bool]:
    """Part a cell with two angles; tell whether the latitude stands first."""
    pair = _by_letters(text) or _by_marks(text)
    if pair is None:
        raise Unreadable("not a position: write 37.4216 -119.2034, or 11 north 302345 4145678")
    first, second = pair
    letters = re.findall(r"[NSEW]", first.upper())
    return first, second, not (letters and letters[0] in "EW")


def _by_letters(text: str) -> tuple[str, str] | None:
    if len(re.findall(r"[NSEW]", text, re.IGNORECASE)) != 2:
        return None
    pattern = _BEFORE if text[0].upper() in "NSEW" else _BEHIND
    parts = pattern.fullmatch(text)
    return (parts[1], parts[2]) if parts else None


def _by_marks(text: str) -> tuple[str, str] | None:
    for mark in _MARKED:
        if text.count(mark) == 1:
            first, second = text.split(mark)
            return first, second
    spaced = text.split(", ")
    if len(spaced) == 2:
        return spaced[0], spaced[1]
    words = text.split(" ")
    if len(words) % 2 == 0 and len(words) <= 6:
        half = len(words) // 2
        return " ".join(words[:half]), " ".join(words[half:])
    if text.count(",") == 1:
        first, second = text.split(",")
        return first, second
    return None


def _placed(places: Sequence[_Place], index: pd.Index) -> Positions:
    """Project what is in UTM, move what is on another datum, and gather the faults."""
    lon = np.array([place.lon for place in places], dtype=np.float64)
    lat = np.array([place.lat for place in places], dtype=np.float64)
    grid = [row for row, place in enumerate(places) if place.utm is not None]
    utms = [utm for place in places if (utm := place.utm) is not None]
    lon[grid], lat[grid] = to_degrees(utms, [places[row].datum for row in grid])
    for row, utm in zip(grid, utms, strict=True):
        places[row].fault = outside_band(utm, lat[row])
        if not (np.isfinite(lon[row]) and np.isfinite(lat[row])):
            places[row].fault = "the easting and northing lie outside of the zone"
    faulty = np.array([place.fault is not None for place in places], dtype=bool)
    lon[faulty] = lat[faulty] = np.nan
    lon, lat = to_stored(lon, lat, [place.datum for place in places])
    lon = np.where(lon == 180, -180.0, lon)
    reasons = [place.fault for place in places if place.fault is not None]
    return Positions(
        lon=pd.Series(lon, index=index),
        lat=pd.Series(lat, index=index),
        faults=pd.Series(reasons, index=index[faulty], dtype="object"),
        notes=_notes(places, faulty),
    )


def _notes(places: Sequence[_Place], faulty: npt.NDArray[np.bool_]) -> tuple[str, ...]:
    counts: dict[str, int] = {}
    for place, bad in zip(places, faulty, strict=True):
        if not bad and (place.utm is not None or np.isfinite(place.lat)):
            counts[place.datum] = counts.get(place.datum, 0) + 1
    return tuple(
        f"{count} positions were moved from {datum} to WGS84, to within {MOVED_WITHIN_M[datum]} m"
        for datum, count in counts.items()
        if datum != "WGS84"
    )
