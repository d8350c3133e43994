"""The one-way imports drawn in DEVELOPERS.md hold."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "carnivore_sign"
HEAVY_BELOW_MAPS = {"matplotlib", "typst", "jinja2"}
OPTIONAL: set[str] = set()


def drawn_levels() -> dict[str, int]:
    """Read the levels from the drawing in DEVELOPERS.md, so that it cannot go stale."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    drawing = text.split("    level  room\n", 1)[1].split("\n\n", 1)[0]
    levels: dict[str, int] = {}
    for line in drawing.splitlines():
        number, rooms = re.match(r"\s*(\d+)\s+(.*)", line).groups()
        for room in rooms.split("(")[0].split():
            levels[room] = int(number)
    return levels


LEVELS = drawn_levels()
FILES = sorted(PACKAGE.rglob("*.py"))


def room_of(file: Path) -> str:
    return file.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports(tree: ast.AST) -> list[tuple[int, str, bool]]:
    """List (line, dotted name, inside a function) of every import."""
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name, id(node) in inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            for alias in node.names:
                name = f"{base}.{alias.name}" if base == "carnivore_sign" else base
                found.append((node.lineno, name, id(node) in inside))
                if alias.name == "*":
                    found.append((node.lineno, "*", id(node) in inside))
    return found


def breaches(file: Path, source: str) -> list[str]:
    room = room_of(file)
    level = LEVELS[room]
    told = []
    for line, name, inside in imports(ast.parse(source)):
        where = f"{file.relative_to(ROOT)}:{line}"
        top, *rest = name.split(".")
        if name == "*":
            told.append(f"{where} star import")
        elif name.startswith("."):
            told.append(f"{where} relative import; write it out")
        elif top == "carnivore_sign":
            if not rest:
                if room == "cli":  # thin: it calls the public face
                    continue
                told.append(f"{where} imports the package root")
                continue
            other = rest[0]
            if other != room and LEVELS.get(other, 99) >= level:
                told.append(
                    f"{where} {room} (level {level}) imports {other} (level {LEVELS.get(other)})"
                )
        elif inside and top not in OPTIONAL and room != "__init__":
            told.append(f"{where} import of {name} inside a function")
        if top in HEAVY_BELOW_MAPS and level < LEVELS["maps"]:
            told.append(f"{where} {room} (level {level}) imports {top}")
    return told


@pytest.mark.parametrize("file", FILES, ids=lambda f: str(f.relative_to(PACKAGE)))
def test_no_file_imports_against_the_direction(file: Path) -> None:
    assert breaches(file, file.read_text(encoding="utf-8")) == []


def test_the_drawing_names_every_room_and_no_other() -> None:
    rooms = {room_of(file) for file in FILES}
    assert rooms == set(LEVELS)


@pytest.mark.parametrize(
    ("room", "source"),
    [
        ("survey", "from carnivore_sign.identify import weigh"),
        ("records", "import carnivore_sign.intake.gpx"),
        ("units", "from carnivore_sign import space"),
        ("trails", "from carnivore_sign import __version__"),
        ("presence", "import matplotlib.pyplot as plt"),
        ("maps", "def f():\n    import scipy"),
        ("maps", "from numpy import *"),
    ],
)
def test_a_breach_is_seen_and_told_with_its_line(room: str, source: str) -> None:
    told = breaches(PACKAGE / room / "made_up.py", source)
    assert told, source
    assert f"{room}/made_up.py:" in told[0]


@pytest.mark.parametrize(
    "room", sorted({f.parent for f in FILES if f.name == "__init__.py" and f.parent != PACKAGE})
)
def test_each_room_says_what_it_takes_gives_and_does_not(room: Path) -> None:
    words = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8")))
    words = words or ""
    assert re.search(r"\bTakes\b", words)
    assert re.search(r"\bGives\b", words)
    assert re.search(r"\bDoes not\b", words)


def test_importing_the_library_does_not_drag_in_the_heavy_libraries() -> None:
    code = (
        "import carnivore_sign, sys; "
        "print([m for m in ('matplotlib', 'typst', 'geopandas', 'scipy') if m in sys.modules])"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert run.stdout.strip() == "[]"
