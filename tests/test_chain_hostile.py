"""A season whose every name and note is hostile: nothing runs, nothing is written elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chain_examples import TABLES

from carnivore_sign import AnalysisOptions, analyse, answer, month
from carnivore_sign.records.season import Season, create_season
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.simulate import demo_settings, simulate_season

#: Markup, script, template, path, formula, typesetting, direction, control, length, other scripts.
CORPUS = (
    "<script>window.hit=1</script>",
    "\"><img src=x onerror='window.hit=1'>",
    "</script><svg onload=window.hit=1>",
    "{{ 7*7 }}{% include '/etc/passwd' %}",
    "../../outside",
    "/tmp/outside",
    "..\\..\\outside",
    '=HYPERLINK("http://example.org","x")',
    '#read("/etc/passwd") $ \\ ` @x <y>',
    "\u202egnp.exe",
    "a\x07b\x1b[31m",
    "Coldwater" * 40,
    "javascript:window.hit=1",
    "'; DROP TABLE sign; --",
    "下牧場 مرعى 🐾",
)
#: Columns that name or tell something, and that no vocabulary bounds.
_NAMES = {"log", "transect", "parcel", "sign", "incident", "waypoint", "name"}
_NOTES = {"notes", "observer", "device", "comment", "carcass_notes", "owner_reference", "livestock"}


def hostile(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Give each thing a hostile name, the same wherever it is named, and hostile notes."""
    made: dict[str, str] = {}

    def new_name(part: str) -> str:
        text = CORPUS[len(made) % len(CORPUS)].replace(";", ",")
        return made.setdefault(part, f"{text} {len(made)}")

    def renamed(word: object) -> object:
        if not isinstance(word, str) or word == "all":
            return word
        return ";".join(map(new_name, word.split(";")))

    out = {}
    for table, frame in frames.items():
        columns = {}
        for column in SEASON_TABLES[table].columns:
            if column.name in _NAMES | {"transects"}:
                columns[column.name] = (
                    frame[column.name].map(renamed).astype(frame[column.name].dtype)
                )
            elif column.name in _NOTES:
                words = np.resize(np.array(CORPUS, dtype=object), len(frame))
                columns[column.name] = pd.array(words, dtype=frame[column.name].dtype)
        out[table] = frame.assign(**columns)
    return out


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    """Return a drawn season in which every name and note is hostile."""
    simulated = simulate_season(demo_settings(), np.random.default_rng(5))
    made = create_season(
        tmp_path_factory.mktemp("hostile") / "season.gpkg",
        name=CORPUS[0],
        time_zone="America/Los_Angeles",
    )
    made.append(hostile({table: getattr(simulated, table) for table in TABLES}))
    return made


def tree(folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if path.is_file()}


def test_no_page_runs_a_word_of_it_and_no_file_is_written_elsewhere(
    season: Season, tmp_path: Path, page: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = tmp_path / "a" / "b" / "work"
    work.mkdir(parents=True)
    monkeypatch.chdir(work)
    beside = tree(season.path.parent)
    analysis = analyse(season, AnalysisOptions(region="dry_range"))
    incident = season.read("incidents")["incident"].iloc[0]
    made = [month(analysis, "2026-03", work / "month"), answer(analysis, incident, work / "answer")]
    written = tree(work)
    assert {path for outcome in made for path in outcome.files.values()} <= written
    assert tree(tmp_path) == written
    assert tree(season.path.parent) == beside
    assert not Path("/tmp/outside").exists()
    assert not list(tmp_path.rglob("*outside*"))
    pages = sorted(path for path in written if path.suffix == ".html")
    assert len(pages) == 3
    for path in pages:
        page.goto(path.as_uri())
        page.wait_for_timeout(300)
        assert page.evaluate("window.hit") is None, path
        assert page.locator("img[src=x], svg[onload], a[href^=javascript]").count() == 0
        assert "window.hit" in page.content()  # it stands there, as text
    for path in (path for path in written if path.suffix == ".csv"):
        cells = pd.read_csv(path, dtype="str").to_numpy().ravel()
        assert not any(str(cell).startswith(("=", "@")) for cell in cells), path
