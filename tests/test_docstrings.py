"""Docstrings of everything public keep to the numpydoc standard, and show an example that runs.

numpydoc's own validation is the judge: of the summary, of the sections and their order, and of
parameters against the signature. Examples are run by pytest as doctests.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import io
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from docutils.core import publish_doctree
from numpydoc.docscrape import NumpyDocString
from numpydoc.validate import validate

ROOT = Path(__file__).parents[1]
HOMES = (
    "carnivore_sign",
    *(
        f"carnivore_sign.{path.parent.name}"
        for path in sorted((ROOT / "carnivore_sign").glob("*/__init__.py"))
    ),
)

#: What numpydoc finds that is a fault here. Not among it: types and extended summaries that some
#: need not (PR04, ES01), see-also sections, how a tuple of results is written (RT02).
FAULTS = {
    "GL01": "text begins on the line of the quotes, see SS and the formatter",
    "GL06": "an unknown section",
    "GL07": "sections out of order",
    "GL08": "no docstring",
    "SS01": "no summary",
    "SS02": "a summary without a capital",
    "SS03": "a summary without a full stop",
    "SS04": "a summary with spaces in front",
    "PR01": "a parameter that is not documented",
    "PR02": "a parameter that is not there",
    "PR03": "parameters out of order",
    "PR05": "a type with a full stop",
    "PR06": "an unusual name of a type",
    "PR07": "a parameter without a description",
    "PR08": "a description without a capital",
    "PR09": "a description without a full stop",
    "PR10": "no space around the colon",
    "RT01": "no returns section",
    "RT03": "a returned value without a description",
    "RT04": "a returned value whose description has no capital",
    "RT05": "a returned value whose description has no full stop",
    "YD01": "no yields section",
    "EX01": "no examples section",
}


#: Examples that are shown and not run: they take minutes, or need a database. The README's command,
#: and tests of their own, run these functions.
NOT_RUN = {
    "answer", "extract_database", "list_database", "month", "read_database",
    "remove_from_database", "run_demo", "write_database", "write_months",
}  # fmt: skip


def public(home: str) -> dict[str, Any]:
    """Return what a room, or the package, makes public: name to object."""
    module = importlib.import_module(home)
    return {name: getattr(module, name) for name in getattr(module, "__all__", ())}


def functions() -> dict[str, Any]:
    """Return every public function once, by the name under which it is found."""
    found: dict[int, tuple[str, Any]] = {}
    for home in HOMES:
        for name, thing in public(home).items():
            if inspect.isfunction(inspect.unwrap(thing)) and not inspect.isclass(thing):
                found.setdefault(id(thing), (f"{home}.{name}", thing))
    return dict(found.values())


def classes() -> dict[str, Any]:
    return {
        f"{home}.{name}": thing
        for home in HOMES
        for name, thing in public(home).items()
        if inspect.isclass(thing)
    }


FUNCTIONS = functions()
CLASSES = classes()


def test_rooms_and_functions_are_found() -> None:
    assert len(HOMES) > 12
    assert len(FUNCTIONS) > 200
    assert "carnivore_sign.analyse" in FUNCTIONS


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_function_is_documented_by_the_standard(name: str) -> None:
    found = [(code, told) for code, told in validate(name)["errors"] if code in FAULTS]
    assert found == []


@pytest.mark.parametrize("name", FUNCTIONS)
def test_an_example_uses_the_function(name: str) -> None:
    text = inspect.getdoc(FUNCTIONS[name]) or ""
    lines = [line for line in text.splitlines() if line.startswith((">>> ", "... "))]
    assert re.search(rf"\b{name.rsplit('.', 1)[1]}\(", "\n".join(lines))


def test_no_other_example_is_skipped() -> None:
    skipped = {
        name for name, thing in FUNCTIONS.items() if "+SKIP" in (inspect.getdoc(thing) or "")
    }
    assert {name.rsplit(".", 1)[1] for name in skipped} == NOT_RUN


@pytest.mark.parametrize("name", CLASSES)
def test_a_class_says_what_it_holds(name: str) -> None:
    """Each field of a dataclass or a named tuple has its words."""
    thing = CLASSES[name]
    text = inspect.getdoc(thing) or ""
    assert text.splitlines()[0].endswith((".", ":", ",")), text.splitlines()[0]
    fields = getattr(thing, "_fields", ())
    if dataclasses.is_dataclass(thing):
        fields = [field.name for field in dataclasses.fields(thing) if field.init]
    said = set(re.findall(r"\w+", text))
    assert [field for field in fields if field not in said and not field.startswith("_")] == []


def test_every_docstring_renders() -> None:
    """docutils, which every renderer of numpydoc builds on, finds nothing to complain about."""
    told = io.StringIO()
    quiet = {"warning_stream": told, "report_level": 2, "halt_level": 5}
    for thing in (*FUNCTIONS.values(), *CLASSES.values()):
        text = NumpyDocString(inspect.getdoc(thing) or "")
        words = [text["Summary"], text["Extended Summary"], text["Notes"]]
        sections = ("Parameters", "Attributes", "Returns", "Yields", "Raises", "Warns")
        words += [item.desc for section in sections for item in text[section]]
        publish_doctree("\n\n".join("\n".join(lines) for lines in words), settings_overrides=quiet)
    assert told.getvalue() == ""


def test_pytest_runs_the_examples() -> None:
    options = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    pytest_options = options["tool"]["pytest"]["ini_options"]
    assert "--doctest-modules" in pytest_options["addopts"]
    assert "carnivore_sign" in pytest_options["testpaths"]
