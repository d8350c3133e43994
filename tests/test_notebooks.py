"""The notebooks run from top to bottom, draw what they show, and are kept without outputs."""

from __future__ import annotations

import ast
import io
import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import field_folder
import matplotlib as mpl
import matplotlib.pyplot as plt
import pytest
from matplotlib.figure import Figure

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def code_of(notebook: Path) -> list[str]:
    """Return the code of each cell; lines that begin with % speak to Jupyter alone."""
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    return [
        "".join(line for line in cell["source"] if not line.startswith("%"))
        for cell in cells
        if cell["cell_type"] == "code"
    ]


def run_cell(source: str, title: str, names: dict[str, object]) -> object:
    """Run a cell as Jupyter does, and return what its last line says."""
    body = ast.parse(source, title).body
    last = body.pop() if body and isinstance(body[-1], ast.Expr) else None
    exec(compile(ast.Module(body, []), title, "exec"), names)
    if last is None:
        return None
    return eval(compile(ast.Expression(last.value), title, "eval"), names)


def pictures_of(said: object) -> Iterator[Figure]:
    """Give what a cell shows: the figure it ends with, and those of pyplot, which it closes."""
    if isinstance(said, Figure):
        yield said
    yield from map(plt.figure, plt.get_fignums())
    plt.close("all")


def test_there_is_a_notebook_for_each_use() -> None:
    assert [notebook.stem for notebook in NOTEBOOKS] == [
        "a_landowner_calls",
        "a_month_for_the_manager",
        "a_print_and_a_trail",
        "import_gps_logs",
        "planning_next_season",
    ]


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
@pytest.mark.filterwarnings("default::carnivore_sign.errors.DataWarning")
def test_it_runs_and_draws(notebook: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shutil.copytree(FOLDER / "field_folder", tmp_path / "field_folder")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {"__name__": "__main__"}
    drawn = 0
    with mpl.rc_context({"figure.dpi": 40}):
        for number, source in enumerate(code_of(notebook)):
            said = run_cell(source, f"{notebook.name}, cell {number}", names)
            assert repr(said)
            for picture in pictures_of(said):
                picture.savefig(io.BytesIO(), format="png")
                drawn += bool(picture.axes)
    assert drawn >= 3


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_is_kept_without_outputs(notebook: Path) -> None:
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    assert all(not cell["outputs"] and cell["execution_count"] is None for cell in code)


@pytest.mark.parametrize("notebook", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_says_that_it_is_invented_and_ends_with_the_readers_own_data(notebook: Path) -> None:
    cells = json.loads(notebook.read_text(encoding="utf-8"))["cells"]
    words = [" ".join("".join(cell["source"]).split()) for cell in cells]
    assert "an invented place with invented people" in words[0]
    assert words[-1].startswith("## The same on your own ")


def test_the_field_folder_is_as_it_is_drawn(tmp_path: Path) -> None:
    """Photos may differ by a library's encoder; their facts are read in the notebook."""
    field_folder.draw_folder(tmp_path)
    kept = {path.name: path.read_bytes() for path in (FOLDER / "field_folder").iterdir()}
    drawn = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert drawn.keys() == kept.keys()
    assert [name for name in drawn if not name.endswith(".jpg") and drawn[name] != kept[name]] == []
