"""Programme: many seasons in one folder of GeoParquet, parted by month and area.

Takes seasons. Gives their tables back: some months or some country of all of them, or a season as
a GeoPackage that holds what it held, checked by counts and fingerprints. The same seasons can be
kept in a PostGIS database instead. Does not compute anything of what was recorded.
"""

from carnivore_sign.programme.checking import check_programme
from carnivore_sign.programme.database import (
    extract_database,
    list_database,
    read_database,
    remove_from_database,
    write_database,
)
from carnivore_sign.programme.folder import Programme, create_programme, open_programme
from carnivore_sign.programme.reading import (
    extract_season,
    fixes_of_logs,
    partitions,
    read_programme,
)
from carnivore_sign.programme.seasons import add_season, add_tables, remove_season
from carnivore_sign.programme.seen import SeasonKept, season_of

__all__ = [
    "Programme",
    "SeasonKept",
    "add_season",
    "add_tables",
    "season_of",
    "check_programme",
    "create_programme",
    "extract_season",
    "fixes_of_logs",
    "open_programme",
    "partitions",
    "read_programme",
    "remove_season",
    "extract_database",
    "list_database",
    "read_database",
    "remove_from_database",
    "write_database",
]
