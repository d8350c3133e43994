"""Shared fixtures: a new season, a real browser, and the folder of real files when it is there."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from carnivore_sign.records.season import Season, create_season

# No test is timed: how long an example takes says more of the machine than of the library.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

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


# Quiet switches: no sandbox (tests may run as root), and nothing that calls home.
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-sync",
    "--disable-background-networking",
    "--disable-component-update",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Return a headless Chromium; tests that need it are skipped where there is none."""
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    if chromium is None:
        pytest.skip("no Chromium on this machine")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=chromium, args=QUIET)
        yield running
        running.close()


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    """Return an empty page; the test fails if a script fails or a request leaves the machine."""
    context = browser.new_context(accept_downloads=True)
    opened = context.new_page()
    faults: list[str] = []
    opened.on("pageerror", lambda error: faults.append(f"a script failed: {error}"))
    opened.on(
        "request",
        lambda request: (
            None
            if request.url.startswith(("file:", "data:", "blob:", "about:"))
            else faults.append(f"the page asked for {request.url}")
        ),
    )
    yield opened
    context.close()
    assert not faults, faults
