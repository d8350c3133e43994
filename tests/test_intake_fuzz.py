"""Fuzz: files of every kind, changed at random or made by a grammar, do no harm.

Of many more files the table ``tests/data/fuzz_table.csv`` tells, which ``python -m tests.fuzz``
writes. Files that once failed are kept in ``tests/data/corpus``, beside a small one of each kind.
"""

from __future__ import annotations

from pathlib import Path

import fuzz_grammar
import fuzz_seeds
import fuzzing
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from carnivore_sign.intake.kinds import KINDS

DATA = Path(__file__).parent / "data"
CORPUS = sorted(path for path in (DATA / "corpus").rglob("*") if path.is_file())
#: Kinds of file as people hand them over, and the forms that each is changed in here.
FORMS = {
    "GPX": ("gpx",),
    "KML and KMZ": ("kml", "kmz"),
    "GeoJSON, also by lines": ("geojson", "geojson lines"),
    "layers of a GIS": ("gpkg", "shp", "fgb"),
    "FIT": ("fit",),
    "TCX": ("tcx",),
    "NMEA": ("nmea",),
    "tables of positions": ("csv points",),
    "notebook tables": tuple(f"csv {name}" for name in fuzz_seeds.TABLES if name != "points"),
    "workbooks": ("xlsx",),
    "photos": tuple(fuzz_seeds.PHOTOS),
    "outlines": ("outlines",),
}
#: Changed files of each form: together no fewer than `fuzzing.FILES` of a kind.
FILES = {form: -(-fuzzing.FILES // len(forms)) for forms in FORMS.values() for form in forms}
#: The least share of the changed files that gives a reading, so that the fuzz reaches the readers;
#: lower where one changed letter spoils the whole file, as in JSON and in binary layers.
LEAST_READ = {"geojson": 0.2, "outlines": 0.03, "fgb": 0.03, "shp": 0.25, "xlsx": 0.05}
#: Kinds by their name in the library, and in the fuzz where that is another.
CALLED = {
    "layer": {"gpkg", "shp", "fgb"},
    "photo": set(fuzz_seeds.PHOTOS),
    **{name: {f"csv {name}", "xlsx"} for name in fuzz_seeds.TABLES},
}
#: Kinds that come in pieces from a server or an archive; their own tests damage them.
OTHERS = {"submission", "form_table", "darwin_core"}


@pytest.mark.parametrize("kind", fuzz_seeds.KINDS)
def test_changed_files_do_no_harm(kind: str) -> None:
    before = fuzzing.begin_peak()
    told = fuzzing.read_all(kind, fuzzing.mutated_files(kind, files=FILES[kind]))
    assert told.files == FILES[kind]
    assert told.read > LEAST_READ.get(kind, 0.3) * told.files
    assert told.rows_in == told.kept + told.set_aside >= told.read
    assert fuzzing.peak() - before < fuzzing.MAX_BYTES


@pytest.mark.parametrize("kind", fuzz_grammar.GRAMMARS)
def test_files_made_by_a_grammar_do_no_harm(kind: str) -> None:
    told = fuzzing.Told()

    @settings(
        max_examples=12, database=None, deadline=None, derandomize=True,
        phases=[Phase.generate, Phase.shrink], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(fuzz_grammar.GRAMMARS[kind])
    def read(data: bytes) -> None:
        fuzzing.read_all(kind, [data], told=told)

    read()
    assert told.files >= 12
    assert told.read > 2


@pytest.mark.parametrize("path", CORPUS, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_files_of_the_corpus_do_no_harm(path: Path) -> None:
    kind = path.parent.name.replace("csv-", "csv ").replace("geojson-", "geojson ")
    told = fuzzing.read_all(kind, [path.read_bytes()])
    assert told.files == 1
    assert told.read == path.name.startswith("seed") or kind == "shp"


def test_of_every_kind_two_thousand_files_are_changed_and_some_are_in_the_corpus() -> None:
    for kind in KINDS.keys() - OTHERS:
        forms = CALLED.get(kind, {kind})
        assert forms <= set(fuzz_seeds.KINDS), kind
        assert forms <= set(FILES), kind
    assert set(FILES) == set(fuzz_seeds.KINDS)
    for kind, forms in FORMS.items():
        assert sum(FILES[form] for form in forms) >= 2000, kind
    folders = {path.parent.name for path in CORPUS}
    assert folders == {kind.replace(" ", "-") for kind in fuzz_seeds.KINDS}


def test_every_fault_in_the_table_of_what_was_tried_is_told_and_mended() -> None:
    table = pd.read_csv(DATA / "fuzz_table.csv")
    assert set(table["way"]) <= {"mutation", "grammar", "atheris"}
    changed = table[table["way"].eq("mutation")].groupby("kind")["files"].max()
    assert set(fuzz_seeds.KINDS) <= set(changed.index)
    assert changed.ge(2000).all()
    failed = table["crashes"].gt(0) | table["over 5 s"].gt(0)
    assert table.loc[failed, "found and mended"].str.len().gt(10).all()
