"""The README says what is so: its commands, its counts, its table of truth, its picture."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest

from carnivore_sign.chain import AnalysisOptions, analyse
from carnivore_sign.cli.words import make_parser
from carnivore_sign.demo import against_truth, demo_folder
from carnivore_sign.intake import import_files
from carnivore_sign.records.season import Season, create_season

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def truth_table(held: pd.DataFrame) -> str:
    """Write the table of the README from the numbers beside the truth."""
    lines = ["| | month | truth | estimate (95 % limits) |", "| --- | --- | --- | --- |"]
    for row in held.itertuples():
        digits = 2 if row.what.startswith("share") else 3
        truth, estimate, low, high = (
            f"{value:.{digits}f}" for value in (row.truth, row.estimate, row.low, row.high)
        )
        month = row.period or "season"
        lines.append(f"| {row.what} | {month} | {truth} | {estimate} ({low} to {high}) |")
    return "\n".join(lines)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    folder = demo_folder()
    zone = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))["time_zone"]
    season = create_season(
        tmp_path_factory.mktemp("readme") / "season.gpkg", name="Demo", time_zone=zone
    )
    files = [*folder.glob("*.geojson"), *folder.glob("*.csv"), *folder.glob("logs/*.gpx")]
    assert import_files(season, files)["problem"].isna().all()
    return season


def test_the_table_of_truth_is_what_the_demo_computes(season: Season) -> None:
    analysis = analyse(season, AnalysisOptions(region="dry_range"))
    held = against_truth(analysis, demo_folder() / "truth")
    printed = re.search(r"<!-- truth table -->\n\n(.*?)\n\n<!--", README, re.DOTALL)
    assert printed, "the README has no table of truth"
    assert printed[1] == truth_table(held)
    said = re.search(r"Of the seven numbers beside the truth, (\d) have it within", README)
    assert said
    assert len(held) == 7
    assert int(said[1]) == held["inside"].sum() >= 6


def test_the_counts_of_the_demo_are_what_it_holds(season: Season) -> None:
    said = re.search(r"(\d+) GPS\s+logs, (\d+) sign, (\d+) prints", README)
    assert said
    counts = [len(season.read(table)) for table in ("logs", "sign", "prints")]
    assert [int(number) for number in said.groups()] == counts


@pytest.mark.parametrize("name", ["demo", "test"])
def test_the_two_commands_are_one_line_each(name: str) -> None:
    command = re.search(rf"<!-- {name} command -->\n\n    (.+)\n\n", README)
    assert command
    assert command[1].startswith("python3 -m venv .venv && ")
    assert "\\" not in command[1]


def test_the_commands_for_ones_own_files_are_understood() -> None:
    lines = re.findall(r"^    (carnivore-sign .+)$", README, re.MULTILINE)
    assert len(lines) == 4
    parser = make_parser()
    for line in lines:
        parser.parse_args(line.split()[1:])


def test_every_command_is_named_in_the_table_and_no_other() -> None:
    cells = re.findall(r"^\| (`[^|]+`) \|", README, re.MULTILINE)
    named = {word for cell in cells for word in re.findall(r"`([\w-]+)`", cell)}
    actions = [action for action in make_parser()._actions if action.choices]
    assert named == set(actions[0].choices) - {"demo"}


def test_pictures_and_links_are_there() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)", README)
    assert any(target.endswith(".png") for target in targets)
    for target in targets:
        assert (ROOT / target).exists(), target


def test_the_first_paragraph_states_the_job_and_the_place_is_called_invented() -> None:
    first = README.split("\n\n")[1]
    assert all(word in first for word in ("puma", "transects", "landowner", "probability"))
    assert "invented place with invented people" in README
