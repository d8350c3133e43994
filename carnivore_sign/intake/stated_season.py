"""Stated season: the name and the time zone that an archive says of the season in it.

An archive of ours holds one event that is the season, with its name and zone; who reads it back
need not say them again. An archive of somebody else's states neither.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.intake.archive_rows import properties_in
from carnivore_sign.intake.archives import ZIP_MAGIC
from carnivore_sign.intake.clocks import require_zone
from carnivore_sign.intake.sidecars import files_in
from carnivore_sign.intake.source import open_source
from carnivore_sign.intake.star_archive import is_star, read_star
from carnivore_sign.records.darwin_core import EVENT, SEASON_EVENT


class StatedSeason(NamedTuple):
    """What files say of their season; None where none says it.

    Attributes
    ----------
    name : str or None
        Its title.
    time_zone : str or None
        IANA name of its local time zone.
    """

    name: str | None = None
    time_zone: str | None = None


def stated_season(paths: Iterable[str | Path]) -> StatedSeason:
    """Return what the first archive that states a season says of it.

    Parameters
    ----------
    paths : iterable of path-like
        Files of any kind, as for `import_files`; those that are no archives, or that cannot be
        read, say nothing.

    Returns
    -------
    StatedSeason
        Its name and its zone.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign import export
    >>> from carnivore_sign.example import example_analysis
    >>> made = export(example_analysis(), tempfile.mkdtemp())
    >>> stated_season(made.files.values()).time_zone
    'America/Los_Angeles'
    """
    for path in files_in([Path(path) for path in paths]):
        said = _said_in(path)
        if said != StatedSeason():
            return said
    return StatedSeason()


def _said_in(path: Path) -> StatedSeason:
    try:
        with path.open("rb") as file:
            if file.read(len(ZIP_MAGIC)) != ZIP_MAGIC:
                return StatedSeason()
        source = open_source(path)
        if not is_star(source):
            return StatedSeason()
        core = read_star(source).core
    except (FileUnreadable, OSError):
        return StatedSeason()
    kind, told = "dwc:eventType", "dwc:dynamicProperties"
    if core.row_type != EVENT or not {kind, told} <= set(core.cells):
        return StatedSeason()
    seasons = properties_in(core.cells.loc[core.cells[kind].eq(SEASON_EVENT), told])
    return _checked(seasons.iloc[0]) if len(seasons) else StatedSeason()


def _checked(said: dict[str, Any]) -> StatedSeason:
    """Return what is text, and a zone only if there is one of that name."""
    name, zone = (said.get(key) or None for key in ("name", "time_zone"))
    try:
        zone = require_zone(zone if isinstance(zone, str) else None)
    except InputError:
        zone = None
    return StatedSeason(name if isinstance(name, str) else None, zone)
