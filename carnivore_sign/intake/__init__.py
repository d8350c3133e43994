"""Intake: field files in, tables of the record out, every row accounted for.

Takes GPS logs, photos, notebook tables and layers of transects and parcels as people have
them.
Gives readings: the good rows as tables of ``records``, the others set aside with their
reasons, and a receipt that adds up. Does not analyse, does not smooth, and deletes nothing:
what is doubtful about a fix is a flag beside it.
"""

from carnivore_sign.intake.files import read_file, read_log, read_table
from carnivore_sign.intake.flags import flag_fixes
from carnivore_sign.intake.importing import import_files
from carnivore_sign.intake.kinds import KINDS
from carnivore_sign.intake.photo_placing import estimate_clock_offsets, place_photos
from carnivore_sign.intake.photos import photo_thumbnail, read_photos
from carnivore_sign.intake.placing import place_sign
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.repair import repair_rollover

__all__ = [
    "KINDS",
    "Reading",
    "estimate_clock_offsets",
    "flag_fixes",
    "import_files",
    "photo_thumbnail",
    "place_photos",
    "place_sign",
    "read_file",
    "read_log",
    "read_photos",
    "read_table",
    "repair_rollover",
]
