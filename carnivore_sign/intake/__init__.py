"""Intake: field files in, tables of the record out, every row accounted for.

Takes GPS logs, photos, notebook tables and layers of transects and parcels as people have
them.
Gives readings: the good rows as tables of ``records``, the others set aside with their
reasons, and a receipt that adds up. Does not analyse, does not smooth, and deletes nothing:
what is doubtful about a fix is a flag beside it.

Names are loaded on first use, so that a process that only reads logs starts quickly.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from carnivore_sign.intake.asking import ask_columns
    from carnivore_sign.intake.cleaning import clean_track
    from carnivore_sign.intake.doubts import doubtful_rows, orphan_prints, tell_orphans
    from carnivore_sign.intake.files import read_file, read_log, read_table
    from carnivore_sign.intake.flags import flag_fixes
    from carnivore_sign.intake.gpx_writing import write_gpx
    from carnivore_sign.intake.guide import column_guide
    from carnivore_sign.intake.importing import import_files
    from carnivore_sign.intake.kinds import KINDS
    from carnivore_sign.intake.photo_clocks import estimate_clock_offsets
    from carnivore_sign.intake.photo_placing import place_photos
    from carnivore_sign.intake.photo_season import place_season_photos, season_photos
    from carnivore_sign.intake.photos import photo_thumbnail, read_photos
    from carnivore_sign.intake.placing import place_sign
    from carnivore_sign.intake.reading import Reading
    from carnivore_sign.intake.repair import repair_rollover
    from carnivore_sign.intake.set_aside import list_set_aside, reimport_set_aside, write_set_aside
    from carnivore_sign.intake.stated_season import StatedSeason, stated_season

#: The public names and the files that they are in.
_HOMES = {
    "ask_columns": "asking",
    "clean_track": "cleaning",
    "doubtful_rows": "doubts",
    "orphan_prints": "doubts",
    "tell_orphans": "doubts",
    "read_file": "files",
    "read_log": "files",
    "read_table": "files",
    "flag_fixes": "flags",
    "write_gpx": "gpx_writing",
    "column_guide": "guide",
    "import_files": "importing",
    "KINDS": "kinds",
    "estimate_clock_offsets": "photo_clocks",
    "place_photos": "photo_placing",
    "place_season_photos": "photo_season",
    "season_photos": "photo_season",
    "photo_thumbnail": "photos",
    "read_photos": "photos",
    "place_sign": "placing",
    "Reading": "reading",
    "repair_rollover": "repair",
    "list_set_aside": "set_aside",
    "reimport_set_aside": "set_aside",
    "write_set_aside": "set_aside",
    "StatedSeason": "stated_season",
    "stated_season": "stated_season",
}

__all__ = [
    "KINDS",
    "Reading",
    "StatedSeason",
    "ask_columns",
    "clean_track",
    "doubtful_rows",
    "estimate_clock_offsets",
    "flag_fixes",
    "column_guide",
    "import_files",
    "list_set_aside",
    "orphan_prints",
    "photo_thumbnail",
    "place_photos",
    "place_season_photos",
    "place_sign",
    "read_file",
    "read_log",
    "read_photos",
    "read_table",
    "reimport_set_aside",
    "repair_rollover",
    "season_photos",
    "tell_orphans",
    "stated_season",
    "write_gpx",
    "write_set_aside",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its file on first use (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'carnivore_sign.intake' has no attribute '{name}'")
    value = getattr(import_module(f"carnivore_sign.intake.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted(__all__)
