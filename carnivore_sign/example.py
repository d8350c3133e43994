"""Example: the demo season, imported and analysed once, for trying things out.

The examples of the docstrings begin here. Everything in it is invented: the place, its people and
its animals (see ``data/demo/README.md``).
"""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from carnivore_sign.chain import (
    Analysis,
    AnalysisOptions,
    LandownerAnswer,
    analyse,
    landowner_answer,
)
from carnivore_sign.demo import demo_folder
from carnivore_sign.intake import import_files
from carnivore_sign.programme import Programme, add_season, create_programme
from carnivore_sign.records.season import Season, create_season


@cache
def example_season() -> Season:
    """Return the season of the demo files, in a folder that goes when Python ends.

    Returns
    -------
    Season
        The same one each time: do not write to it.

    Examples
    --------
    >>> season = example_season()
    >>> season.name, len(season.read("sign"))
    ('Tolvane Range (invented)', 324)
    """
    season = create_season(
        _folder() / "season.gpkg", name="Tolvane Range (invented)", time_zone="America/Los_Angeles"
    )
    files = demo_folder()
    tables = [path for path in files.iterdir() if path.suffix in (".csv", ".geojson")]
    import_files(season, [*sorted(tables), files / "logs"])
    return season


@cache
def example_analysis() -> Analysis:
    """Return everything that is computed from `example_season`.

    Returns
    -------
    Analysis
        With the region ``dry_range``; the same one each time.

    Examples
    --------
    >>> analysis = example_analysis()
    >>> len(analysis.segments), sorted(analysis.visits["period"].unique())
    (46, ['2026-02', '2026-03', '2026-04'])
    """
    return analyse(example_season(), AnalysisOptions(region="dry_range"))


@cache
def example_answer() -> LandownerAnswer:
    """Return the answer to the one loss of `example_season`.

    Returns
    -------
    LandownerAnswer
        Of the incident ``I1``; the same one each time.

    Examples
    --------
    >>> example_answer().findings.incident
    'I1'
    """
    return landowner_answer(example_analysis(), "I1")


@cache
def example_programme() -> Programme:
    """Return a programme that holds `example_season`, under the name ``spring``.

    Returns
    -------
    Programme
        The same one each time: do not write to it. Needs pyarrow.

    Examples
    --------
    >>> example_programme().name
    'Tolvane Range (invented)'
    """
    programme = create_programme(_folder() / "range", name="Tolvane Range (invented)")
    add_season(programme, example_season(), season_id="spring")
    return programme


def _folder() -> Path:
    """Return a fresh folder that goes when Python ends."""
    folder = Path(tempfile.mkdtemp(prefix="carnivore-sign-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
