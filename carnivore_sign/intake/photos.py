"""Photos: table ``photos`` from JPEG, HEIC, PNG and TIFF files, one row each.

A photo without a position or a time is still a photo: it is kept, and its notes say what is
missing and why. Set aside are only files that are no photo, or the same photo once more.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.intake.clocks import NO_ZONE, require_zone, times_from_text
from carnivore_sign.intake.photo_facts import Facts, facts_of
from carnivore_sign.intake.photo_files import photo_header, read_photo_file
from carnivore_sign.intake.reading import Reading, rows_set_aside, sort_rows
from carnivore_sign.intake.source import Source, open_source
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import TIME, BoolArray
from carnivore_sign.records.tables import PHOTOS
from carnivore_sign.space import STORED_CRS

_DIGITS: Final = 6
#: GPS time and the camera's clock may differ by this before a note says so, in seconds: a
#: receiver that lost its fix keeps the time of the last one.
_CLOCKS_DIFFER_S: Final = 600.0
#: No two clocks on Earth differ by more than this for reason of their zones, in seconds.
_WIDEST_ZONE_S: Final = 14.0 * 3600


@dataclass(frozen=True)
class OpenedPhoto:
    """What one photo says: which one of the files it was, its size, its facts."""

    row: int
    name: str
    sha256: str
    width_px: int | None
    height_px: int | None
    facts: Facts


def read_photos(
    paths: Iterable[str | Path], *, time_zone: str | None = None, show_progress: bool = False
) -> Reading:
    """Read what photos say about where and when they were taken.

    Parameters
    ----------
    paths : iterable of path-like
        JPEG, HEIC, PNG or TIFF files; no pixel is decoded.
    time_zone : str, optional
        IANA name of the zone of the camera's clock, for photos that have neither a GPS time
        nor an offset. Without it such photos have no time.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    Reading
        Table ``photos``, times in UTC, positions in EPSG:4326. ``source_row`` counts the paths
        from 1; files that are no photo are set aside with their reason.

    Raises
    ------
    InputError
        If `time_zone` is unknown.

    Notes
    -----
    Of GPS time, camera time with an offset, and camera time in the stated zone, the first that
    is there is taken. The rules are those of CIPA DC-008 (Exif).

    Examples
    --------
    >>> import tempfile
    >>> photo = Path(tempfile.mkdtemp()) / "a.jpg"
    >>> tags = bytes.fromhex("49492a0008000000" "01000f01020004000000546f7900" "00000000")
    >>> _ = photo.write_bytes(
    ...     bytes.fromhex("ffd8ffe10022") + b"Exif" + bytes(2) + tags + bytes.fromhex("ffd90000"))
    >>> reading = read_photos([photo, "missing.jpg"])
    >>> reading.tables["photos"]["device"].item(), reading.rows_set_aside["photos"]
    ('Toy', 1)
    """
    zone = require_zone(time_zone)
    files = [Path(path) for path in paths]
    photos: list[OpenedPhoto] = []
    refused: list[tuple[int, str, str]] = []
    seen: dict[str, str] = {}
    hashes = hashlib.sha256()
    for row, path in enumerate(with_progress(files, "reading photos", show=show_progress), 1):
        try:
            source = open_source(path)
            photo = open_photo(source, row)
        except InputError as error:
            refused.append((row, str(error), path.name))
            continue
        hashes.update(bytes.fromhex(source.sha256))
        if source.sha256 in seen:
            refused.append((row, f"the same photo as {seen[source.sha256]}", path.name))
            continue
        seen[source.sha256] = path.name
        photos.append(photo)
    named = files[0].name if len(files) == 1 else f"{len(files)} photos"
    return _reading(photos, refused, file=named, sha256=hashes.hexdigest(), time_zone=zone)


def read_photo(source: Source, *, time_zone: str | None = None) -> Reading:
    """Read one photo that was opened; as `read_photos`.

    Raises
    ------
    UnknownKind
        If it is no photo.
    """
    return _reading(
        [open_photo(source, 1)],
        [],
        file=source.path.name,
        sha256=source.sha256,
        time_zone=time_zone,
        notes=source.notes,
    )


def photo_thumbnail(path: str | Path) -> bytes | None:
    """Return the small JPEG inside a photo, or None if there is none.

    Raises
    ------
    FileUnreadable
        If there is no such file or it cannot be read.
    UnknownKind
        If it is no photo.
    """
    return photo_header(path).exif.thumbnail


def open_photo(source: Source, row: int) -> OpenedPhoto:
    """Read what an open source says, without keeping its bytes; `row` is its number."""
    file = read_photo_file(source.data, file=source.path)
    size = file.width_px, file.height_px
    return OpenedPhoto(row, source.path.name, source.sha256, *size, facts_of(file))


def _reading(
    photos: Sequence[OpenedPhoto],
    refused: Sequence[tuple[int, str, str]],
    *,
    file: str,
    sha256: str,
    time_zone: str | None,
    notes: Sequence[str] = (),
) -> Reading:
    receipt = sha256[:12]
    rows, told = photo_rows(photos, [receipt] * len(photos), time_zone=time_zone)
    kept, aside = sort_rows(
        rows,
        PHOTOS,
        faults=pd.DataFrame({"row": [], "reason": []}),
        contents=rows["photo"],
        receipt=receipt,
    )
    unread = rows_set_aside(
        receipt,
        "photos",
        rows=[row for row, _, _ in refused],
        reasons=[reason for _, reason, _ in refused],
        contents=[name for _, _, name in refused],
    )
    frames = [frame for frame in (unread, aside) if len(frame)]
    return Reading(
        file=file,
        sha256=sha256,
        kind="photo",
        tables={"photos": kept},
        rows_in={"photos": len(photos) + len(refused)},
        set_aside=pd.concat(frames, ignore_index=True) if frames else unread,
        notes=(*notes, *told, *_summary(kept)),
    )


def photo_rows(
    photos: Sequence[OpenedPhoto],
    receipts: Sequence[str],
    *,
    time_zone: str | None,
    taken: Iterable[str] = (),
) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Make the rows of the table, index 0 to n-1, under names that are not `taken`.

    Returns
    -------
    rows : GeoDataFrame
        As table ``photos``, not yet held against it.
    notes : tuple of str
        What was assumed of all of them.
    """
    facts = [photo.facts for photo in photos]
    times, why, told = _times(facts, time_zone)
    notes = pd.Series(
        [
            "; ".join(dict.fromkeys([*one.notes, *reason])) or None
            for one, reason in zip(facts, why, strict=True)
        ],
        dtype="object",
    )
    columns: dict[str, Any] = {
        "receipt": list(receipts),
        "source_row": [photo.row for photo in photos],
        "photo": unique_names(
            [photo.name for photo in photos], [photo.sha256 for photo in photos], taken
        ),
        "sha256": [photo.sha256 for photo in photos],
        "width_px": pd.array([photo.width_px for photo in photos], dtype="Int64"),
        "height_px": pd.array([photo.height_px for photo in photos], dtype="Int64"),
        "notes": notes,
        **{name: [getattr(one, name) for one in facts] for name in _AS_READ},
        **times,
    }
    places = gpd.points_from_xy([one.lon for one in facts], [one.lat for one in facts])
    known = np.array([one.position_source != "none" for one in facts], dtype=bool)
    places = gpd.GeoSeries(places, crs=STORED_CRS).where(known, None)
    return gpd.GeoDataFrame(columns, geometry=places), told


_AS_READ: Final = (
    "camera_time", "position_source", "elevation_m", "accuracy_m", "dop", "direction_deg",
    "direction_ref", "device",
)  # fmt: skip


def _times(
    facts: Sequence[Facts], time_zone: str | None
) -> tuple[dict[str, pd.Series], list[list[str]], tuple[str, ...]]:
    """Return the columns of time, the reasons of each photo, and what was assumed of all."""
    gps = pd.to_datetime(pd.Series([one.gps_time for one in facts], dtype="object"), utc=True)
    gps = gps.dt.round("ms").astype(TIME)
    words = pd.Series([one.camera_iso for one in facts], dtype="object")
    camera, faults, told = times_from_text(words, time_zone=time_zone)
    stated = words.fillna("").str[19:].str.contains(r"[Z+-]")
    source = pd.Series(None, index=words.index, dtype="object")
    source[camera.notna()] = "camera_zone"
    source[camera.notna() & stated] = "camera_offset"
    source[gps.notna()] = "gps"
    behind = (gps - camera).dt.total_seconds()
    local = pd.to_datetime(words.str[:19], errors="coerce", utc=True, format="ISO8601")
    years = (gps - local).dt.total_seconds().where(behind.isna())
    why: list[list[str]] = [[] for _ in facts]
    for place, reason in faults.items():
        if reason != NO_ZONE:
            why[place].append(f"camera time: {reason}")
        elif pd.isna(gps[place]):
            why[place].append(f"no time: {reason}")
    for place in np.flatnonzero(_twice(words, camera.where(~stated & gps.isna()), time_zone)):
        why[place].append("the clocks went through this hour twice; the first was taken")
    for place in np.flatnonzero(behind.abs() > _CLOCKS_DIFFER_S):
        why[place].append(f"GPS time and the camera's clock differ by {behind[place]:.0f} s")
    for place in np.flatnonzero(years.abs() > _WIDEST_ZONE_S):
        days = years[place] / 86_400
        why[place].append(f"GPS time and the camera's clock differ by {days:.1f} days")
    columns = {"time": gps.fillna(camera), "time_source": source, "clock_behind_s": behind}
    return columns, why, told


def _twice(words: pd.Series, camera: pd.Series, time_zone: str | None) -> BoolArray:
    """Tell which local times the clocks of the zone went through twice."""
    if time_zone is None or camera.isna().all():
        return np.zeros(len(words), dtype=bool)
    local = pd.to_datetime(words.where(camera.notna()), format="ISO8601", errors="coerce")
    never = np.zeros(len(words), dtype=bool)
    second = local.dt.tz_localize(time_zone, ambiguous=never, nonexistent="NaT")
    return (second.dt.tz_convert("UTC") - camera > pd.Timedelta("1s")).to_numpy(dtype=bool)


def unique_names(
    names: Sequence[str], hashes: Sequence[str], taken: Iterable[str] = ()
) -> list[str]:
    """Give each photo a name of its own: that of its file, and part of its hash if it must.

    Examples
    --------
    >>> unique_names(["IMG_1.JPG", "IMG_1.JPG"], ["aa00bb11", "cc22dd33"])
    ['IMG_1.JPG', 'IMG_1.JPG-cc22dd']
    """
    used = set(taken)
    given = []
    for name, digest in zip(names, hashes, strict=True):
        own = name
        for digits in range(_DIGITS, len(digest) + 1):
            if own not in used:
                break
            own = f"{name}-{digest[:digits]}"
        used.add(own)
        given.append(own)
    return given


def _summary(photos: pd.DataFrame) -> list[str]:
    if len(photos) == 1:
        return photos["notes"].dropna().tolist()
    bare = int(photos["position_source"].eq("none").sum())
    timeless = int(photos["time"].isna().sum())
    said = [(bare, "without a position"), (timeless, "without a time")]
    return [f"{count} of {len(photos)} photos {what}" for count, what in said if count]
