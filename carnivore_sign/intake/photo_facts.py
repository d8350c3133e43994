"""Photo facts: where, when and which way, out of the tags of one photo.

CIPA DC-008 (Exif) is the source of the rules: the GPS date and time are UTC; the camera's
time is local and means nothing without its offset; a position needs its hemispheres; the
horizontal error is in metres and the dilution of precision is not. What a photo does not say
is never guessed: the value stays missing and the reason stands in the notes.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import Final

import pyproj

from carnivore_sign.intake.exif import Exif, Tags, Value, number, numbers, shown, text
from carnivore_sign.intake.photo_files import PhotoFile

#: Words that writers use for the four hemispheres, and their sign.
_HEMISPHERES: Final = {
    "Latitude": {"N": 1, "NORTH": 1, "S": -1, "SOUTH": -1},
    "Longitude": {"E": 1, "EAST": 1, "W": -1, "WEST": -1},
}
_LIMITS: Final = {"Latitude": 90.0, "Longitude": 180.0}
#: Exif 2: 0 is above and 1 below sea level. Exif 3 adds 2 and 3, above and below it, and
#: refers 0 and 1 to the ellipsoid.
_ALTITUDE_SIGNS: Final = {0.0: 1, 1.0: -1, 2.0: 1, 3.0: -1}
_NORTHS: Final = {"T": "true", "M": "magnetic"}
#: Datums by the letters and digits of their names, and their EPSG codes (EPSG registry).
_DATUMS: Final = {
    "WGS84": None, "WGS1984": None, "": None,
    "NAD27": "EPSG:4267", "NAD83": "EPSG:4269", "ED50": "EPSG:4230", "TOKYO": "EPSG:4301",
    "JGD2000": "EPSG:4612", "GDA94": "EPSG:4283",
}  # fmt: skip
_DATE: Final = re.compile(r"(\d{4})[:-](\d\d)[:-](\d\d)(?!\d)")
_MOMENT: Final = re.compile(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)(?:\.(\d+))?")
_OFFSET: Final = re.compile(r"([+-])(\d\d):?(\d\d)|Z")
_XMP_POSITION: Final = {
    axis: re.compile(
        rb"""exif:GPS%s\s*(?:=\s*["']|>)\s*(\d{1,3}(?:[.,][\d.]{1,20}){0,2}\s*[NSEW])"""
        % axis.encode()
    )
    for axis in _LIMITS
}
_MAX_OFFSET_HOURS: Final = 15
_HIGHEST_M: Final = 20_000.0
_LONGEST_SHOWN: Final = 60


@dataclass
class Facts:
    """What one photo says; columns of table ``photos``, and the notes on it."""

    lat: float = math.nan
    lon: float = math.nan
    position_source: str = "none"
    elevation_m: float = math.nan
    accuracy_m: float = math.nan
    dop: float = math.nan
    direction_deg: float = math.nan
    direction_ref: str | None = None
    gps_time: datetime | None = None
    gps_clock_s: float = math.nan
    camera_time: str | None = None
    camera_iso: str | None = None
    device: str | None = None
    notes: list[str] = field(default_factory=list)


def facts_of(photo: PhotoFile) -> Facts:
    """Interpret the tags of one photo."""
    facts = Facts(notes=list(photo.faults))
    gps = photo.exif.gps
    _place(facts, gps, photo.xmp)
    _height(facts, gps)
    _direct(facts, gps)
    facts.accuracy_m = _at_least_zero(facts, gps, "GPSHPositioningError")
    facts.dop = _at_least_zero(facts, gps, "GPSDOP")
    facts.gps_time = _gps_time(facts, gps)
    _camera_time(facts, photo.exif)
    facts.device = _device(photo.exif.main)
    return facts


def degrees(value: Value | None, hemisphere: str, axis: str) -> tuple[float, str | None]:
    """Turn degrees, minutes and seconds of an EXIF tag into signed degrees.

    Parameters
    ----------
    value : tuple of numbers, str or None
        The tag ``GPSLatitude`` or ``GPSLongitude``.
    hemisphere : str
        Its ``Ref``: N, S, E or W.
    axis : {"Latitude", "Longitude"}
        Which of the two it is.

    Returns
    -------
    degrees : float
        NaN if the tag does not say.
    reason : str or None
        Why not; None also where there is no tag.

    Examples
    --------
    >>> degrees((37, 30, 36), "S", "Latitude")
    (-37.51, None)
    >>> degrees((37, 30, 36), "", "Latitude")[1]
    'no hemisphere with the latitude 37, 30, 36'
    """
    if value is None:
        return math.nan, None
    size, reason = _arc(value, axis)
    if reason:
        return math.nan, reason
    sign = _HEMISPHERES[axis].get(hemisphere.upper())
    if sign is not None:
        return sign * size, None
    what = f"'{_short(hemisphere)}' is no hemisphere of" if hemisphere else "no hemisphere with"
    return math.nan, f"{what} the {axis.lower()} {_short(shown(value))}"


def _arc(value: Value, axis: str) -> tuple[float, str | None]:
    """Add up degrees, minutes and seconds, without their sign."""
    came = f"{axis.lower()}: {_short(shown(value))}"
    if isinstance(value, str):
        return math.nan, f"text, where EXIF has three numbers of {came}"
    parts = numbers(value)
    if len(parts) == 3 and math.isnan(parts[2]) and parts[1] % 1:
        parts = parts[:2]  # decimal minutes, and the seconds left empty
    if any(math.isnan(part) for part in parts):
        return math.nan, f"an empty {came}"
    if len(parts) > 3 or min(parts) < 0 or any(part > 60 for part in parts[1:]):
        return math.nan, f"not degrees, minutes and seconds of {came}"
    size = sum(part / 60**power for power, part in enumerate(parts))
    return size, (f"out of range is the {came}" if size > _LIMITS[axis] else None)


def _place(facts: Facts, gps: Tags, xmp: bytes) -> None:
    """Fill in the position, from the tags or else from the XMP packet."""
    read = {
        axis: degrees(gps.get(f"GPS{axis}"), text(gps, f"GPS{axis}Ref"), axis) for axis in _LIMITS
    }
    lat, lon = (value for value, _ in read.values())
    why = [reason for _, reason in read.values() if reason]
    if ("GPSLatitude" in gps) != ("GPSLongitude" in gps):
        why.append("one of latitude and longitude is missing")
    source = "exif"
    if math.isnan(lat) or math.isnan(lon):
        lat, lon, source = *_xmp_position(xmp), "xmp"
    if math.isnan(lat) or math.isnan(lon):
        facts.notes += [f"no position: {reason}" for reason in why]
        return
    if lat == 0 and lon == 0:
        facts.notes.append("no position: 0, 0, which cameras write for unknown")
        return
    facts.lat, facts.lon = _from_datum(facts, gps, lat, lon)
    facts.position_source = source
    if source == "xmp":
        facts.notes.append("the position is that of the XMP packet" + "; ".join(["", *why]))
    if text(gps, "GPSStatus").upper() == "V":
        facts.notes.append("the receiver had lost its fix when it wrote the position")


def _from_datum(facts: Facts, gps: Tags, lat: float, lon: float) -> tuple[float, float]:
    name = text(gps, "GPSMapDatum")
    datum = _DATUMS.get(re.sub(r"[^A-Z0-9]", "", name.upper()), name)
    if datum is None:
        return lat, lon
    if not datum.startswith("EPSG"):
        facts.notes.append(f"unknown datum '{_short(name)}', taken as WGS84")
        return lat, lon
    moved_lon, moved_lat = _to_wgs84(datum).transform(lon, lat)
    if not (math.isfinite(moved_lon) and math.isfinite(moved_lat)):
        facts.notes.append(f"the position could not be moved from {name} to WGS84")
        return lat, lon
    facts.notes.append(f"the position was moved from {name} to WGS84")
    return moved_lat, moved_lon


@cache
def _to_wgs84(datum: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(datum, "EPSG:4326", always_xy=True)


def _xmp_position(xmp: bytes) -> tuple[float, float]:
    """Read ``48,53.32358N``, which XMP writes for degrees and minutes; NaN if not there."""
    found = []
    for axis, pattern in _XMP_POSITION.items():
        match = pattern.search(xmp)
        words = match[1].decode("ascii").strip() if match else ""
        try:
            parts = tuple(float(part) for part in words[:-1].split(","))
        except ValueError:
            parts = ()
        found.append(degrees(parts, words[-1:], axis)[0] if parts else math.nan)
    return found[0], found[1]


def _height(facts: Facts, gps: Tags) -> None:
    if "GPSAltitude" not in gps:
        return
    height = number(gps, "GPSAltitude")
    # Exif 2.32, 4.6.6: 0, above sea level, is the default.
    reference = number(gps, "GPSAltitudeRef") if "GPSAltitudeRef" in gps else 0.0
    sign = _ALTITUDE_SIGNS.get(reference)
    if math.isnan(height):
        facts.notes.append(f"the elevation is empty: {_short(shown(gps['GPSAltitude']))}")
    elif not abs(height) < _HIGHEST_M:
        facts.notes.append(f"no elevation on the ground: {height:g} m")
    elif sign is None:
        facts.notes.append(f"elevation {height:g} m is neither above nor below sea level")
    else:
        facts.elevation_m = sign * height + 0.0


def _direct(facts: Facts, gps: Tags) -> None:
    """Fill in which way the camera pointed."""
    direction = number(gps, "GPSImgDirection")
    if math.isnan(direction):
        return
    if not 0 <= direction <= 360:
        facts.notes.append(f"direction {direction:g} is not between 0 and 360 degrees")
        return
    facts.direction_deg = direction
    facts.direction_ref = _NORTHS.get(text(gps, "GPSImgDirectionRef").upper())
    if facts.direction_ref is None:
        facts.notes.append("the direction does not say whether from true or magnetic north")


def _at_least_zero(facts: Facts, gps: Tags, name: str) -> float:
    value = number(gps, name)
    if value < 0 or math.isinf(value):
        facts.notes.append(f"{name} cannot be {value:g}")
        return math.nan
    return value


def _gps_time(facts: Facts, gps: Tags) -> datetime | None:
    """Read date and time of day of the receiver, which are UTC."""
    clock = numbers(gps.get("GPSTimeStamp", ()))
    stamp = text(gps, "GPSDateStamp")
    if not stamp and "GPSTimeStamp" not in gps:
        return None
    if not stamp or "GPSTimeStamp" not in gps:
        missing = "time of day" if stamp else "date"
        facts.notes.append(f"the GPS time lacks its {missing}")
        if not stamp and len(clock) == 3 and _is_clock(clock):
            hour, minute, second = clock
            facts.gps_clock_s = hour * 3600 + minute * 60 + second
        return None
    date = _DATE.match(stamp)
    came = f"{_short(stamp)} {_short(shown(gps['GPSTimeStamp']))}"
    if date is None or len(clock) != 3 or not _is_clock(clock):
        facts.notes.append(f"not a GPS date and time: {came}")
        return None
    try:
        year, month, number_of_day = (int(part) for part in date.groups())
        day = datetime(year, month, number_of_day, tzinfo=UTC)
        return day + timedelta(hours=clock[0], minutes=clock[1], seconds=clock[2])
    except (ValueError, OverflowError):
        facts.notes.append(f"no such GPS date: {came}")
        return None


def _is_clock(clock: tuple[float, ...]) -> bool:
    hour, minute, second = clock
    return 0 <= hour < 24 and 0 <= minute < 60 and 0 <= second < 61


def _camera_time(facts: Facts, exif: Exif) -> None:
    """Read the camera's local time as it stands, and in ISO 8601 with its offset if it has one."""
    camera = exif.camera
    which = "Original" if text(camera, "DateTimeOriginal") else "Digitized"
    stood = text(camera, f"DateTime{which}")
    if not stood:
        return
    match = _MOMENT.fullmatch(stood)
    part = text(camera, f"SubSecTime{which}")
    if match and match[7] is None and part.isascii() and part.isdigit():
        stood = f"{stood}.{part}"
    facts.camera_time = stood
    if which == "Digitized":
        facts.notes.append("the camera time is that of digitising, for there is no other")
    if match is None:
        facts.notes.append(f"not a camera time: {_short(stood)}")
        return
    year, month, day, hour, minute, second, _ = match.groups()
    offset = _camera_offset(facts, camera, which)
    fraction = stood[19:] and "." + stood[20:29]
    facts.camera_iso = f"{year}-{month}-{day}T{hour}:{minute}:{second}{fraction}{offset}"


def _camera_offset(facts: Facts, camera: Tags, which: str) -> str:
    """Read the offset of the camera's clock; nothing if it states none that there is."""
    stated = text(camera, f"OffsetTime{which}") or text(camera, "OffsetTime")
    if not stated:
        return ""
    match = _OFFSET.fullmatch(stated)
    if match is None or (match[2] and (int(match[2]) >= _MAX_OFFSET_HOURS or int(match[3]) > 59)):
        if stated.strip(" :"):
            facts.notes.append(f"'{_short(stated)}' is not an offset of a clock")
        return ""
    return "Z" if match[1] is None else f"{match[1]}{match[2]}:{match[3]}"


def _device(main: Tags) -> str | None:
    make, model = text(main, "Make"), text(main, "Model")
    named = model if model.startswith(make) else f"{make} {model}"
    return named.strip() or None


def _short(words: str) -> str:
    plain = "".join(letter if letter.isprintable() else "?" for letter in words[:_LONGEST_SHOWN])
    return plain + ("..." if len(words) > _LONGEST_SHOWN else "")
