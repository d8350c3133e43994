"""Sidecars: the files beside a shapefile, which a wildcard hands in with it.

They are read with the ``.shp`` and are no files of their own. Without it they cannot be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

#: Endings of the files beside a shapefile. Source: ESRI, Shapefile Technical Description (1998),
#: for .shx and .dbf; the others are common practice, no source.
ENDINGS: Final = (
    *(".shx", ".dbf", ".prj", ".cpg", ".qpj", ".qix", ".qmd", ".sbn", ".sbx", ".fbn", ".fbx"),
    *(".ain", ".aih", ".atx", ".ixs", ".mxs", ".shp.xml"),
)


def files_in(paths: Sequence[Path]) -> list[Path]:
    """Return the paths with each folder replaced by the files in it and below it, in order.

    Hidden files and folders, which systems leave behind, are passed over.
    """
    files: list[Path] = []
    for path in paths:
        if not path.is_dir():
            files.append(path)
            continue
        below = sorted(file for file in path.rglob("*") if file.is_file())
        files += [
            file
            for file in below
            if not any(part.startswith(".") for part in file.relative_to(path).parts)
        ]
    return files


def shapefile_of(path: Path) -> str | None:
    """Return the path of the shapefile that a file belongs to by its name; None if to none.

    Examples
    --------
    >>> shapefile_of(Path("maps/roads.shp.xml")), shapefile_of(Path("walk.gpx"))
    ('maps/roads.shp', None)
    """
    name = path.name.lower()
    ending = next((one for one in reversed(ENDINGS) if name.endswith(one)), None)
    if ending is None:
        return None
    return str(path.with_name(path.name[: -len(ending)] + ".shp"))


def part_sidecars(paths: Sequence[Path]) -> tuple[list[Path], dict[Path, list[Path]]]:
    """Part files from those that belong to a shapefile among them.

    Returns
    -------
    files : list of Path
        The files to read, in order.
    passed_over : dict of Path to list of Path
        The files beside each shapefile.

    Examples
    --------
    >>> part_sidecars([Path("a.shp"), Path("a.DBF"), Path("b.dbf")])[0] == [
    ...     Path("a.shp"), Path("b.dbf")]
    True
    """
    layers = {str(path).lower(): path for path in paths if path.suffix.lower() == ".shp"}
    files: list[Path] = []
    passed_over: dict[Path, list[Path]] = {}
    for path in paths:
        layer = layers.get((shapefile_of(path) or "").lower())
        if layer is None:
            files.append(path)
        else:
            passed_over.setdefault(layer, []).append(path)
    return files, passed_over
