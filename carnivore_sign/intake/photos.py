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
from carnivore_sign.intake.clocks import require_zone
from carnivore_sign.intake.photo_facts import Facts, facts_of
from carnivore_sign.intake.photo_files import photo_header, read_photo_file
from carnivore_sign.intake.photo_times import photo_times
from carnivore_sign.intake.reading import Reading, rows_set_aside, sort_rows
from carnivore_sign.intake.source import Source, open_source
from carnivore_sign.progress import with_progress
from carnivore_sign.records.tables import PHOTOS
from carnivore_sign.space import STORED_CRS

_DIGITS: Final = 6


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
    paths: Iterable[str | Path],
    *,
    time_zone: str | None = None,
    observer: str | None = None,
    show_progress: bool = False,
) -> Reading:
    """Read what photos say about where and when they were taken.

    Parameters
    ----------
    paths : iterable of path-like
        JPEG, HEIC, PNG or TIFF files; no pixel is decoded.
    time_zone : str, optional
        IANA name of the zone of the camera's clock, for photos that have neither a GPS time
        nor an offset. Without it such photos have no time.
    observer : str, optional
        Who took them.
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
    is there is taken; a GPS time without its date is put on the day of the camera's. The rules
    are those of CIPA DC-008 (Exif). GPS dates that an old receiver may have written 1024 weeks
    early are told in the notes; `import_files` puts them later if it is asked to.

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
    return _reading(
        photos,
        refused,
        file=named,
        sha256=hashes.hexdigest(),
        time_zone=zone,
        observer=observer,
    )


def read_photo(
    source: Source, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
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
        observer=observer,
        notes=source.notes,
    )


def photo_thumbnail(path: str | Path) -> bytes | None:
    """Return the small JPEG inside a photo, or None if there is none.

    Parameters
    ----------
    path : path-like
        A photo: JPEG, HEIF, PNG or TIFF.

    Returns
    -------
    bytes or None
        The JPEG as it lies in the file.

    Raises
    ------
    FileUnreadable
        If there is no such file or it cannot be read.
    UnknownKind
        If it is no photo.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from PIL import Image
    >>> path = Path(tempfile.mkdtemp()) / "photo.jpg"
    >>> Image.new("RGB", (64, 48)).save(path)
    >>> print(photo_thumbnail(path))
    None
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
    observer: str | None,
    notes: Sequence[str] = (),
) -> Reading:
    receipt = sha256[:12]
    rows, told = photo_rows(photos, [receipt] * len(photos), time_zone=time_zone, observer=observer)
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
    observer: str | None = None,
    rollover_repaired: bool = False,
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
    times, why, told = photo_times(facts, time_zone, rollover_repaired=rollover_repaired)
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
        "observer": pd.Series(observer, index=range(len(photos)), dtype="object"),
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
