"""Scale: a programme of as many fixes as wished, and the visits made of it.

Half a million fixes are drawn and stand under as many ids as it takes: what is read, matched and
counted is the same work as of different ones, and the drawing takes a minute and not an hour.
"""

from __future__ import annotations

import shutil
import sys
from functools import partial
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.chain.many import visits_of_programme
from carnivore_sign.programme import Programme, add_tables, create_programme
from carnivore_sign.records.check import conform, empty
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.spreading import Place, spread

sys.path.insert(0, str(Path(__file__).parent))

from bench_matching import FIXES_PER_LOG, draw_fixes, draw_segments

FIXES_PER_SEASON = 500_000
TRANSECTS = 1000


def draw_programme(folder: Path, fixes: int) -> Programme:
    """Draw a season and put it into a new programme as often as it takes."""
    programme = create_programme(folder, name="A state, drawn")
    tables = draw_tables()
    add_tables(programme, "s00000", tables.__getitem__, name="Drawn", time_zone="UTC")
    for number in range(1, -(-fixes // FIXES_PER_SEASON)):
        shutil.copytree(
            programme.folder_of("s00000"),
            programme.folder_of(f"s{number:05d}"),
            copy_function=lambda source, target: Path(target).hardlink_to(source),
        )
    return programme


def draw_tables() -> dict[str, pd.DataFrame]:
    """Draw the tables of a season of half a million fixes on a thousand transects."""
    segments = draw_segments(np.random.default_rng(30), TRANSECTS)
    fixes = draw_fixes(np.random.default_rng(31), segments, FIXES_PER_SEASON)
    fixes = fixes.assign(receipt="drawn", part=0, source_row=range(len(fixes)))
    times = fixes.groupby("log")["time"]
    logs = times.agg(start="min", end="max").reset_index().assign(receipt="drawn", observer="X")
    lines = gpd.GeoDataFrame(
        {"transect": [f"T{n:04d}" for n in range(len(segments))], "receipt": "drawn"},
        geometry=segments.geometry.to_numpy(),
        crs=segments.crs,
    )
    drawn = {"fixes": fixes, "logs": logs, "transects": lines}
    return {
        name: conform(drawn[name], table) if name in drawn else empty(table)
        for name, table in SEASON_TABLES.items()
    }


def visits_of(programme: Programme, season: str) -> int:
    """Read, match and count one season; return how many visits it has."""
    return len(visits_of_programme(programme, season))


def count_visits(programme: Programme, *, on: Place = None) -> int:
    """Make the visits of every season of a programme; return how many there are."""
    return sum(spread(partial(visits_of, programme), programme.seasons, on=on))


__all__ = ["FIXES_PER_LOG", "FIXES_PER_SEASON", "count_visits", "draw_programme", "visits_of"]
