"""Small seasons for the tests of the chain: drawn, written as a user's files, and imported."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from carnivore_sign.chain import Analysis, AnalysisOptions, analyse
from carnivore_sign.records.season import Season, create_season
from carnivore_sign.simulate import demo_settings, simulate_season, write_season

TABLES = (
    "logs", "fixes", "waypoints", "transects", "parcels", "clearings", "sign", "prints",
    "incidents",
)  # fmt: skip


def drawn_season(seed: int, folder: Path) -> tuple[Season, Path]:
    """Draw a season with the demo's settings; return it and the folder of its truth.

    The frames go into the season as they are, which is quicker than through files; that the
    files say the same is tested in the rooms that write and read them.
    """
    simulated = simulate_season(demo_settings(), np.random.default_rng(seed))
    write_season(simulated, folder / "files")
    season = create_season(
        folder / "season.gpkg", name=f"Drawn season {seed}", time_zone="America/Los_Angeles"
    )
    season.append({table: getattr(simulated, table) for table in TABLES})
    return season, folder / "files" / "truth"


def analysed(seed: int, folder: Path) -> tuple[Analysis, Path]:
    """Draw a season and analyse it; return the analysis and the folder of its truth."""
    season, truth = drawn_season(seed, folder)
    return analyse(season, AnalysisOptions(region="dry_range")), truth
