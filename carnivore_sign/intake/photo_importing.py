"""Importing photos: a hundred files in one transaction, each with a receipt of its own.

A photo is one row, and most of what an import of one row costs is not the row. Interrupted,
the season holds the batches that were finished.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pandas as pd

from carnivore_sign._version import __version__
from carnivore_sign.errors import InputError
from carnivore_sign.intake.photo_files import form_of
from carnivore_sign.intake.photos import OpenedPhoto, open_photo, photo_rows
from carnivore_sign.intake.reading import sort_rows
from carnivore_sign.intake.source import open_source
from carnivore_sign.records.check import TIME, conform
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import PHOTOS, RECEIPTS

#: Photos that are written at once.
BATCH: Final = 100
_HEAD_BYTES: Final = 256
_NO_FAULTS: Final = pd.DataFrame({"row": [], "reason": []})


def is_photo(path: Path) -> bool:
    """Tell from its first bytes whether a file is a photo; False if it cannot be read."""
    try:
        with path.open("rb") as file:
            return form_of(file.read(_HEAD_BYTES)) is not None
    except OSError:
        return False


def import_photos(
    season: Season,
    paths: Sequence[Path],
    *,
    time_zone: str,
    observer: str | None = None,
    rollover_repaired: bool = False,
) -> pd.DataFrame:
    """Import photos into a season in one transaction.

    Parameters
    ----------
    season : Season
        The season; it grows by the photos and their receipts.
    paths : sequence of Path
        The photos; at most about `BATCH` of them, for they are written at once.
    time_zone : str
        IANA name of the zone of camera times that carry none.
    observer : str, optional
        Who took them.
    rollover_repaired : bool
        Put GPS dates that may be 1024 weeks early later, but where the camera's clock agrees.

    Returns
    -------
    DataFrame
        One row per file in the order of `paths`, as `import_files` returns it.
    """
    held = season.read("receipts")
    names = dict(zip(held["sha256"], held["file"], strict=True))
    photos: list[OpenedPhoto] = []
    hashes: list[str | None] = []
    problems: list[str | None] = []
    for row, path in enumerate(paths):
        try:
            source = open_source(path)
            if source.sha256 not in names:
                photos.append(open_photo(source, row))
                names[source.sha256] = path.name
            told: tuple[str | None, str | None] = (source.sha256, None)
        except InputError as error:
            told = (None, str(error))
        hashes.append(told[0])
        problems.append(told[1])
    fresh = conform(pd.DataFrame(), RECEIPTS)
    if photos:
        rows, _ = photo_rows(
            photos,
            [photo.sha256[:12] for photo in photos],
            time_zone=time_zone,
            observer=observer,
            rollover_repaired=rollover_repaired,
            taken=season.read("photos")["photo"],
        )
        fresh = _write(season, photos, rows)
    receipts = pd.concat([held, fresh] if len(held) else [fresh], ignore_index=True)
    receipts = receipts.drop_duplicates("sha256").set_index("sha256", drop=False)
    new = {photo.row for photo in photos}
    rows = [
        _refused(path, problem)
        if digest is None
        else _told(receipts.loc[[digest]], path, names[digest], new=row in new)
        for row, (path, digest, problem) in enumerate(zip(paths, hashes, problems, strict=True))
    ]
    return pd.concat(rows, ignore_index=True)


def _write(season: Season, photos: Sequence[OpenedPhoto], rows: pd.DataFrame) -> pd.DataFrame:
    """Add the photos to the season; return their receipts."""
    receipts = rows["receipt"].tolist()
    kept, aside = sort_rows(
        rows, PHOTOS, faults=_NO_FAULTS, contents=rows["photo"], receipt=receipts[0]
    )
    by_row = dict(zip(rows["source_row"], receipts, strict=True))
    aside = aside.assign(
        receipt=aside["source_row"].map(by_row).astype(aside["receipt"].dtype), source_row=1
    )
    written = _receipts(photos, rows, aside)
    frames = {"photos": kept.assign(source_row=1), "set_aside": aside, "receipts": written}
    season.append({name: frame for name, frame in frames.items() if len(frame)})
    return written


def _receipts(
    photos: Sequence[OpenedPhoto], rows: pd.DataFrame, aside: pd.DataFrame
) -> pd.DataFrame:
    now = pd.Timestamp(datetime.now(UTC)).round("ms")
    files = pd.Series([photo.name for photo in photos], dtype="object")
    lost = rows["receipt"].isin(aside["receipt"]).astype(int)
    renamed = "another photo of the season is called " + files
    notes = rows["notes"].astype("object")
    notes = notes.where(
        rows["photo"].eq(files), (notes.fillna("") + "; " + renamed).str.strip("; ")
    )
    frame = pd.DataFrame(
        {
            "receipt": rows["receipt"],
            "file": files,
            "sha256": rows["sha256"],
            "kind": "photo",
            "table_name": "photos",
            "rows_in": 1,
            "rows_kept": 1 - lost,
            "rows_set_aside": lost,
            "rows_known": 0,
            "notes": notes,
            "imported_at": pd.Series(now, index=rows.index, dtype=TIME),
            "library_version": __version__,
        }
    )
    return conform(frame, RECEIPTS)


def _told(receipt: pd.DataFrame, path: Path, name: str, *, new: bool) -> pd.DataFrame:
    if new:
        lost = receipt["rows_set_aside"].item() > 0
        problem = f"{path.name}: the photo was set aside." if lost else None
        return receipt.assign(outcome="imported", problem=problem, path=str(path))
    note = f"the season has this content already, as {name}; nothing changed"
    return receipt.assign(
        file=path.name,
        rows_known=receipt["rows_kept"],
        notes=note,
        outcome="known",
        problem=None,
        path=str(path),
    )


def _refused(path: Path, problem: str | None) -> pd.DataFrame:
    row = conform(pd.DataFrame({"file": [path.name]}), RECEIPTS)
    return row.assign(outcome="refused", problem=problem, path=str(path))
