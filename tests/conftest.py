"""Shared fixtures: a new season, and the folder of real files when it is there."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from carnivore_sign.records.season import Season, create_season

ROOT = Path(__file__).parents[1]
REAL = Path(os.environ.get("CARNIVORE_SIGN_REAL_FILES", ROOT.parent / "shared" / "real"))


@pytest.fixture
def season(tmp_path: Path) -> Season:
    """Return an empty season whose local zone is America/Los_Angeles."""
    return create_season(
        tmp_path / "season.gpkg", name="Test season", time_zone="America/Los_Angeles"
    )


@pytest.fixture(scope="session")
def real_files() -> Path:
    """Return the folder of real field files; tests that need it are skipped without it."""
    if not (REAL / "MANIFEST.csv").is_file():
        pytest.skip(f"no folder of real files at {REAL} (set CARNIVORE_SIGN_REAL_FILES)")
    return REAL
