"""Chain: the photos of notable trails, found in a folder by the names that the season knows.

A season holds what a photo says, and not the picture. A file is taken for a photo of the season
if it has its name, and its content too where the season knows the hash of it.
"""

from __future__ import annotations

import hashlib
import warnings
from pathlib import Path

import pandas as pd

from carnivore_sign.chain.analysis import Analysis
from carnivore_sign.errors import DataWarning, FileUnreadable, InputError
from carnivore_sign.reports import TrailPhoto, open_upright


def trail_photos(
    analysis: Analysis, trails: pd.DataFrame, folder: str | Path
) -> tuple[TrailPhoto, ...]:
    """Find the photos of some trails in a folder.

    Parameters
    ----------
    analysis : Analysis
        Of the season.
    trails : DataFrame
        TRAILS, in the order in which their photos are wanted.
    folder : path-like
        Where the photos are, in it or in folders of it.

    Returns
    -------
    tuple of TrailPhoto
        Only those that are there and can be read.

    Raises
    ------
    InputError
        If there is no such folder.

    Warns
    -----
    DataWarning
        If a file has the name of a photo and another content, or is no picture.
    """
    place = Path(folder)
    if not place.is_dir():
        raise InputError(
            "there is no such folder of photos", file=place, remedy="Name the folder they are in."
        )
    files = {path.name.casefold(): path for path in sorted(place.rglob("*")) if path.is_file()}
    known = analysis.season.read("photos")
    hashes = dict(zip(known["photo"].astype(str).str.casefold(), known["sha256"], strict=True))
    found = []
    for row in _photos_of(analysis, trails, known).itertuples():
        name = str(row.photo).casefold()
        if name in files and _is_it(files[name], hashes.get(name)):
            found.append(TrailPhoto(str(row.trail), str(row.sign), files[name]))
    return tuple(found)


def _photos_of(analysis: Analysis, trails: pd.DataFrame, known: pd.DataFrame) -> pd.DataFrame:
    """Name the photos of each trail: ``trail``, ``sign``, ``photo``; in the order of the trails."""
    noted = analysis.sign[["sign", "photo"]].dropna()
    noted = noted.assign(photo=noted["photo"].astype("str").str.split(";")).explode("photo")
    noted = noted.assign(photo=noted["photo"].astype("str").str.strip())
    said = known.loc[known["sign"].notna(), ["sign", "photo"]]
    rows = pd.concat([pd.DataFrame(noted), pd.DataFrame(said)], ignore_index=True)
    rows = rows.drop_duplicates().merge(analysis.members[["sign", "trail"]], on="sign")
    order = {trail: at for at, trail in enumerate(trails["trail"])}
    rows = rows[rows["trail"].isin(order)]
    return rows.assign(at=rows["trail"].map(order)).sort_values(["at", "sign", "photo"])


def _is_it(path: Path, sha256: str | None) -> bool:
    """Whether a file can be read and is the photo that the season knows."""
    if sha256 is not None and hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
        told = f"{path}: it has the name of a photo of the season, and another content"
    else:
        try:
            open_upright(path)
        except FileUnreadable as fault:
            told = str(fault)
        else:
            return True
    warnings.warn(f"left out of the report: {told}", DataWarning, stacklevel=4)
    return False
