"""Programme: the folder, what stands in it, and how a season comes into it whole or not at all.

::

    programme/
        programme.json                          name, version of the layout
        season=<id>/
            season.json                         the season, its tables and its partitions
            <table>/month=<YYYY-MM>/area=<N37W120>/rows.parquet

A season is written beside its place and moved there by one rename; whoever reads sees all of it
or nothing. A month is that of the first column of times, in UTC; an area is the degree
of latitude and longitude in which the middle of a row lies. Where a row has none, it is ``none``.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from carnivore_sign.errors import InputError, SeasonError, SeasonMissing, SeasonVersion
from carnivore_sign.programme.parquet import require_pyarrow
from carnivore_sign.writing import write_whole

#: Version of the folder's layout; the schema of the tables has one of its own.
LAYOUT_VERSION: Final = 1
_ABOUT: Final = "programme.json"
SEASON_ABOUT: Final = "season.json"
_SEASON: Final = "season="
_OLD: Final = ".old-"


@dataclass(frozen=True)
class Programme:
    """An open programme.

    Attributes
    ----------
    path : Path
        Its folder.
    name : str
        Its title.
    """

    path: Path
    name: str

    @property
    def seasons(self) -> tuple[str, ...]:
        """The ids of its seasons, in order."""
        settle(self.path)
        found = self.path.glob(f"{_SEASON}*/{SEASON_ABOUT}")
        return tuple(sorted(path.parent.name.removeprefix(_SEASON) for path in found))

    def about(self, season: str) -> dict[str, Any]:
        """Return what is written of a season: name, time zone, tables and partitions.

        Raises
        ------
        SeasonMissing
            If the programme has no such season.
        """
        settle(self.path)
        path = self.folder_of(season) / SEASON_ABOUT
        if not path.is_file():
            there = ", ".join(self.seasons) or "none"
            raise SeasonMissing(f"{self.path}: there is no season '{season}'. It has: {there}.")
        return dict(json.loads(path.read_text(encoding="utf-8")))

    def folder_of(self, season: str) -> Path:
        """Return the folder of a season, there or not."""
        return self.path / f"{_SEASON}{season}"


def create_programme(path: str | Path, *, name: str) -> Programme:
    """Create an empty programme.

    Parameters
    ----------
    path : path-like
        Its folder, which must be new or empty.
    name : str
        Its title.

    Returns
    -------
    Programme
        The folder, without a season.

    Raises
    ------
    SeasonError
        If there is something already.
    LibraryMissing
        If pyarrow, without which no season can be added, is not installed; no folder is made.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     create_programme(f"{folder}/state", name="The state").seasons
    ()
    """
    path = Path(path)
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise SeasonError(f"{path}: there is something already. Open it with open_programme.")
    require_pyarrow()
    path.mkdir(parents=True, exist_ok=True)
    about = {"programme": name, "layout_version": LAYOUT_VERSION}
    write_whole(path / _ABOUT, json.dumps(about, ensure_ascii=False, indent=1).encode())
    return Programme(path, name)


def open_programme(path: str | Path) -> Programme:
    """Open a programme.

    Parameters
    ----------
    path : path-like
        The folder.

    Returns
    -------
    Programme
        The folder and its seasons.

    Raises
    ------
    SeasonMissing
        If there is none in that folder.
    SeasonVersion
        If its layout is of another version.

    Examples
    --------
    >>> import tempfile
    >>> path = tempfile.mkdtemp() + "/range"
    >>> _ = create_programme(path, name="Tolvane Range (invented)")
    >>> open_programme(path).name
    'Tolvane Range (invented)'
    """
    path = Path(path)
    try:
        about = json.loads((path / _ABOUT).read_text(encoding="utf-8"))
        name, version = str(about["programme"]), int(about["layout_version"])
    except FileNotFoundError as error:
        raise SeasonMissing(
            f"{path}: there is no programme. Make one: create_programme."
        ) from error
    except (ValueError, KeyError, TypeError) as error:
        raise SeasonError(f"{path / _ABOUT}: this is not a programme ({error}).") from error
    if version != LAYOUT_VERSION:
        raise SeasonVersion(
            f"{path}: its layout is of version {version}, and this library reads {LAYOUT_VERSION}. "
            "Install the version of the library that wrote it."
        )
    return Programme(path, name)


def require_id(season: str) -> str:
    """Return the id of a season, if it can be the name of a folder.

    Raises
    ------
    InputError
        If it holds anything but letters, digits, hyphen, underscore and full stop.
    """
    if not season or season.startswith(".") or not all(c.isalnum() or c in "-_." for c in season):
        raise InputError(
            f"'{season}' cannot be the id of a season",
            remedy="Use letters, digits, hyphens, underscores and full stops.",
        )
    return season


def put_in_place(programme: Programme, season: str, fresh: Path) -> None:
    """Move a season that was written beside its place there; an earlier one of that id goes."""
    place, old = programme.folder_of(season), programme.path / f"{_OLD}{season}"
    if place.exists():
        place.rename(old)
    fresh.rename(place)
    shutil.rmtree(old, ignore_errors=True)


def settle(path: Path) -> None:
    """Finish what a process that was killed while it moved a season left behind."""
    for old in path.glob(f"{_OLD}*"):
        place = path / f"{_SEASON}{old.name.removeprefix(_OLD)}"
        if place.exists():
            shutil.rmtree(old, ignore_errors=True)
        else:
            old.rename(place)
