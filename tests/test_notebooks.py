"""The notebooks run from top to bottom, and are kept without outputs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


def code_of(notebook: Path) -> list[str]:
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    return ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]


def test_there_is_a_notebook() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_runs(notebook: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {"__name__": "__main__"}
    for number, source in enumerate(code_of(notebook)):
        exec(compile(source, f"{notebook.name}, cell {number}", "exec"), names)
    assert list(tmp_path.rglob("*.pdf"))


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_is_kept_without_outputs(notebook: Path) -> None:
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    assert all(not cell.get("outputs") for cell in cells if cell["cell_type"] == "code")
    assert "invented" in "".join(cells[0]["source"])
