"""Grids: positions in UTM and in the military grid (MGRS), turned into degrees.

The projection is pyproj's. The letters of the military grid are read here: they only add
multiples of 100 km, and pyproj has no reader for them. A grid reference names a square; its
middle is taken.

Source: NGA.STND.0037, Universal Grids and the Transverse Mercator and Polar Stereographic Map
Projections (lettering of zones, bands and squares), from memory; the tests hold it against
published references.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pyproj

from carnivore_sign.intake.angles import Unreadable
from carnivore_sign.space import STORED_CRS

FloatArray = npt.NDArray[np.float64]

#: Bands of 8 degrees of latitude from 80 S on; X, the last, has 12.
BANDS: Final = "CDEFGHJKLMNPQRSTUVWX"
#: Geographic reference systems of the datums that can be stated, by name without signs.
DATUMS: Final = {
    "WGS84": "EPSG:4326",
    "NAD27": "EPSG:4267",
    "NAD83": "EPSG:4269",
    "SIRGAS2000": "EPSG:4674",
    "SAD69": "EPSG:4618",
    "PSAD56": "EPSG:4248",
    "ETRS89": "EPSG:4258",
    "ED50": "EPSG:4230",
}
#: Metres within which a position moved from a datum to WGS84 is right, without the shift grids
#: that pyproj does not bring. Source: EPSG registry, accuracy of the first transformation that
#: pyproj lists.
MOVED_WITHIN_M: Final = {
    "NAD27": 20, "NAD83": 4, "SIRGAS2000": 1, "SAD69": 19, "PSAD56": 42, "ETRS89": 1, "ED50": 10,
}  # fmt: skip
_DATUM_WORDS: Final = re.compile(
    r"\(?\b(wgs[ _-]?(?:19)?84|nad[ _-]?(?:19)?(?:27|83)|sirgas[ _-]?2000|sad[ _-]?(?:19)?69"
    r"|psad[ _-]?(?:19)?56|etrs[ _-]?(?:19)?89|ed[ _-]?50)\b\)?",
    re.IGNORECASE,
)
_UTM: Final = re.compile(
    r"(?:UTM\s*)?(?:ZONE\s*)?(?P<zone>\d{1,2})\s*(?P<letter>[A-Z]|NORTH|SOUTH)?[\s,;]+"
    r"(?:E\s*)?(?P<east>\d{5,6}(?:[.,]\d+)?|0\d{6}(?:[.,]\d+)?)\s*(?:M?\s*E)?[\s,;]+"
    r"(?:N\s*)?(?P<north>\d{1,8}(?:[.,]\d+)?)\s*(?:M?\s*N)?",
)
_MGRS: Final = re.compile(
    r"(?:MGRS:?\s*|USNG:?\s*)?(?P<zone>\d{1,2})\s*(?P<band>[A-HJ-NP-Z])\s*"
    r"(?P<square>[A-HJ-NP-Z]\s*[A-HJ-NP-V])\s*(?P<digits>[\d\s]*)"
)
_COLUMN_SETS: Final = ("STUVWXYZ", "ABCDEFGH", "JKLMNPQR")
_ROWS: Final = "ABCDEFGHJKLMNPQRSTUV"
_SQUARE_M: Final = 100_000
_CYCLE_M: Final = 2_000_000
_FALSE_NORTHING_M: Final = 10_000_000
#: Northings of band S, which a zone with the letter S may mean, or the southern hemisphere.
_BAND_S: Final = (3_530_000.0, 4_440_000.0)
#: Degrees by which a position may lie outside of the band that its letter names.
_BAND_SLACK_DEG: Final = 0.1


@dataclass(frozen=True)
class Utm:
    """A position in UTM, in metres; the band letter if there is one."""

    zone: int
    is_north: bool
    easting_m: float
    northing_m: float
    band: str | None = None


def split_datum(text: str) -> tuple[str, str | None]:
    """Take the name of a datum out of a position.

    Examples
    --------
    >>> split_datum("37.4 -119.2 (NAD 27)")
    ('37.4 -119.2', 'NAD27')
    """
    found = _DATUM_WORDS.search(text)
    if found is None:
        return text, None
    rest = (text[: found.start()] + " " + text[found.end() :]).strip(" ,;")
    return rest, datum_of(found[1])


def datum_of(text: str) -> str:
    """Return the datum of a name as people write it; raise `Unreadable` if it is unknown.

    Examples
    --------
    >>> datum_of("wgs 84"), datum_of("NAD 1927")
    ('WGS84', 'NAD27')
    """
    plain = re.sub(r"[^A-Z0-9]", "", text.upper())
    plain = re.sub(r"(?<=[A-Z])19(?=\d\d$)", "", plain)
    if plain not in DATUMS:
        raise Unreadable(f"unknown datum: use one of {', '.join(DATUMS)}")
    return plain


def utm_of(text: str, *, s_is_band: bool = False) -> Utm | None:
    """Read a position in UTM with its zone; None if the text is nothing of the kind.

    A letter S may be the band from 32 to 40 north or the southern hemisphere. Where both are
    possible it is a fault, unless `s_is_band` says that letters are bands.

    Raises
    ------
    Unreadable
        If it cannot be placed; the message says why.

    Examples
    --------
    >>> utm_of("11 north 302345 4145678")
    Utm(zone=11, is_north=True, easting_m=302345.0, northing_m=4145678.0, band=None)
    """
    parts = _UTM.fullmatch(text.upper().strip())
    if parts is None:
        return None
    return utm_from_parts(
        (parts["zone"], parts["letter"] or ""), parts["east"], parts["north"], s_is_band=s_is_band
    )


def utm_from_parts(
    zone: tuple[str, str], easting: str, northing: str, *, s_is_band: bool = False
) -> Utm:
    """Put a position in UTM together from its parts as text; raise `Unreadable` if it cannot."""
    try:
        number = int(zone[0])
        east, north = (float(part.replace(",", ".")) for part in (easting, northing))
    except ValueError as error:
        raise Unreadable("not a zone, an easting and a northing in metres") from error
    if not 1 <= number <= 60:
        raise Unreadable(f"there is no UTM zone {number}")
    if not 100_000 <= east < 1_000_000:
        raise Unreadable("an easting is from 100000 to 999999 m")
    if not 0 <= north < _FALSE_NORTHING_M:
        raise Unreadable("a northing is from 0 to 9999999 m")
    is_north, band = _hemisphere(zone[1].strip().upper(), north, s_is_band)
    return Utm(number, is_north, east, north, band)


def mgrs_of(text: str) -> Utm | None:
    """Read a reference of the military grid; None if the text is nothing of the kind.

    Raises
    ------
    Unreadable
        If there is no such square; the message says why.

    Examples
    --------
    >>> mgrs_of("18S UJ 23480 06470")
    Utm(zone=18, is_north=True, easting_m=323480.5, northing_m=4306470.5, band='S')
    """
    parts = _MGRS.fullmatch(text.upper().strip())
    if parts is None:
        return None
    zone, band = int(parts["zone"]), parts["band"]
    digits = re.sub(r"\s", "", parts["digits"])
    if not 1 <= zone <= 60 or band not in BANDS:
        raise Unreadable(f"there is no grid zone {zone}{band}")
    if len(digits) % 2 or len(digits) > 10:
        raise Unreadable("a grid reference has as many digits east as north, five at most")
    column, row = parts["square"][0], parts["square"][-1]
    columns = _COLUMN_SETS[zone % 3]
    if column not in columns:
        raise Unreadable(f"zone {zone} has no square {column}{row}")
    size = 10 ** (5 - len(digits) // 2)
    half = len(digits) // 2
    east = int(digits[:half] or 0) * size + size / 2
    north = int(digits[half:] or 0) * size + size / 2
    first_row = (_ROWS.index(row) - 5 * (zone % 2 == 0)) % len(_ROWS)
    base = first_row * _SQUARE_M
    lowest = _lowest_northing_m(zone, band)
    base += -(-max(lowest - base - _SQUARE_M + 1, 0) // _CYCLE_M) * _CYCLE_M
    return Utm(
        zone, band >= "N", (columns.index(column) + 1) * _SQUARE_M + east, base + north, band
    )


def to_degrees(places: Sequence[Utm], datums: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """Turn positions in UTM into longitude and latitude on their own datum, in degrees."""
    lon, lat = np.full(len(places), np.nan), np.full(len(places), np.nan)
    groups: dict[tuple[int, bool, str], list[int]] = {}
    for row, (place, datum) in enumerate(zip(places, datums, strict=True)):
        groups.setdefault((place.zone, place.is_north, datum), []).append(row)
    for key, rows in groups.items():
        east = [places[row].easting_m for row in rows]
        north = [places[row].northing_m for row in rows]
        lon[rows], lat[rows] = _projection(*key)(east, north, inverse=True)
    return lon, lat


def to_stored(
    lon: FloatArray, lat: FloatArray, datums: Sequence[str]
) -> tuple[FloatArray, FloatArray]:
    """Move positions in degrees from their datums to that of the record, WGS84."""
    lon, lat = lon.copy(), lat.copy()
    for datum in dict.fromkeys(datums):
        if datum == "WGS84":
            continue
        rows = np.array([one == datum for one in datums]) & np.isfinite(lon) & np.isfinite(lat)
        if rows.any():
            lon[rows], lat[rows] = _mover(datum).transform(lon[rows], lat[rows])
    return lon, lat


def outside_band(place: Utm, lat: float) -> str | None:
    """Tell that a position does not lie in the band its letter names."""
    if place.band is None:
        return None
    south = -80 + 8 * BANDS.index(place.band)
    north = 84 if place.band == "X" else south + 8
    if south - _BAND_SLACK_DEG <= lat <= north + _BAND_SLACK_DEG:
        return None
    return f"the northing lies at latitude {lat:.1f}, and band {place.band} is {south} to {north}"


def zone_letter(text: str) -> str:
    """Return the letter behind the zone of a position in UTM, blank if there is none."""
    parts = _UTM.fullmatch(text.upper().strip())
    return (parts["letter"] or "") if parts else ""


def _hemisphere(letter: str, northing_m: float, s_is_band: bool) -> tuple[bool, str | None]:
    """Tell the hemisphere and the band that a letter behind the zone means."""
    if letter in ("NORTH", "N"):
        return True, None
    if letter == "SOUTH":
        return False, None
    if letter == "S":
        if _BAND_S[0] <= northing_m <= _BAND_S[1]:
            if s_is_band:
                return True, "S"
            raise Unreadable(
                "S may be the band from 32 to 40 north, or the southern hemisphere: "
                "write 'north' or 'south' behind the zone"
            )
        return False, None
    if not letter:
        raise Unreadable("the hemisphere is missing: write 'north' or 'south' behind the zone")
    if letter not in BANDS:
        raise Unreadable(f"there is no band {letter}")
    return letter >= "N", letter


@functools.cache
def _projection(zone: int, is_north: bool, datum: str) -> pyproj.Proj:
    ellipsoid = pyproj.CRS(DATUMS[datum]).ellipsoid
    if ellipsoid is None:
        raise Unreadable(f"{datum} has no ellipsoid")
    flattening = ellipsoid.inverse_flattening
    return pyproj.Proj(
        proj="utm", zone=zone, south=not is_north, a=ellipsoid.semi_major_metre, rf=flattening
    )


@functools.cache
def _mover(datum: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(DATUMS[datum], STORED_CRS, always_xy=True)


@functools.cache
def _lowest_northing_m(zone: int, band: str) -> int:
    """Return the northing of the lower edge of a band, down to full 100 km."""
    is_north = band >= "N"
    lat = -80 + 8 * BANDS.index(band)
    middle = zone * 6 - 183
    edges = [_projection(zone, is_north, "WGS84")(middle + off, lat)[1] for off in (0, 3)]
    return int(min(edges) // _SQUARE_M * _SQUARE_M)
