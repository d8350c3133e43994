"""Styles for a GIS: every unit has one rule, in both forms, and the file is the same each time."""

from __future__ import annotations

import datetime as dt
import re
import sqlite3
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
from lxml import etree
from reporting_examples import make_country

from carnivore_sign.chain.outputs import write_layers
from carnivore_sign.maps.gis_styles import (
    Rule,
    as_qml,
    as_sld,
    rules_of_parcels,
    rules_of_trails,
    rules_of_units,
)
from carnivore_sign.maps.style import STATES, TRAILS

COUNTRY = make_country()
SPACES = {
    "sld": "http://www.opengis.net/sld", "se": "http://www.opengis.net/se",
    "ogc": "http://www.opengis.net/ogc",
}  # fmt: skip
EVERY = pd.DataFrame(
    [(state, p) for state in STATES for p in (np.nan, 0.0, 0.19, 0.2, 0.5, 0.8, 1.0)],
    columns=["state", "p_presence"],
)


def taken_by_sql(rule: Rule, rows: pd.DataFrame) -> np.ndarray:
    """Let SQLite, a general tool, read the expression of a rule."""
    with sqlite3.connect(":memory:") as base:
        rows.to_sql("rows", base, index_label="at")
        found = base.execute(f"SELECT at FROM rows WHERE {rule.expression or '1'}").fetchall()
    return rows.index.isin([at for (at,) in found])


def taken_by_filter(rule: etree._Element, rows: pd.DataFrame) -> np.ndarray:
    """Read an OGC filter by what its elements mean (OGC 04-095)."""

    def truth(test: etree._Element) -> np.ndarray:
        name = etree.QName(test).localname
        if name in ("And", "Or"):
            parts = [truth(inner) for inner in test]
            return np.logical_and.reduce(parts) if name == "And" else np.logical_or.reduce(parts)
        column = rows[test.findtext("ogc:PropertyName", namespaces=SPACES)]
        if name == "PropertyIsNull":
            return column.isna().to_numpy()
        literal = test.findtext("ogc:Literal", namespaces=SPACES)
        if name == "PropertyIsEqualTo":
            return column.eq(literal).to_numpy(dtype=bool)
        over = column.ge(float(literal)) if "Greater" in name else column.lt(float(literal))
        return over.to_numpy(dtype=bool)

    filters = rule.find("ogc:Filter", SPACES)
    return np.ones(len(rows), dtype=bool) if filters is None else truth(filters[0])


@pytest.mark.parametrize("areas", [False, True])
def test_every_unit_belongs_to_one_rule_in_both_forms(areas: bool) -> None:
    rules = rules_of_units(areas=areas)
    by_sql = np.array([taken_by_sql(rule, EVERY) for rule in rules])
    made = etree.fromstring(as_sld("units", rules)).findall(".//se:Rule", SPACES)
    by_filter = np.array([taken_by_filter(rule, EVERY) for rule in made])
    assert (by_sql.sum(axis=0) == 1).all()
    assert (by_sql == by_filter).all()


def test_trails_belong_to_the_class_of_the_sheet() -> None:
    rows = pd.DataFrame({"p_puma": [0.95, 0.8, 0.5, 0.2, 0.1, np.nan]})
    rules = rules_of_trails("p_puma")
    taken = np.array([taken_by_sql(rule, rows) for rule in rules])
    assert (taken.sum(axis=0) == 1).all()
    labels = [rules[at].label for at in taken.argmax(axis=0)]
    assert labels == [TRAILS[at].label for at in (0, 0, 1, 1, 2, 2)]


def test_colours_are_those_of_the_sheet() -> None:
    tree = etree.fromstring(as_sld("units", rules_of_units(areas=False)))
    strokes = tree.xpath("//se:SvgParameter[@name='stroke']/text()", namespaces=SPACES)
    assert set(strokes) == {look.color for look in STATES.values()}
    qml = etree.fromstring(as_qml(rules_of_units(areas=True)))
    fills = set(qml.xpath("//Option[@name='color']/@value"))
    assert "20,33,61,219" in fills  # found, sure, and 0.86 of the area filled
    assert len(qml.xpath("//rule")) == len(qml.xpath("//symbol")) == 13
    assert len(rules_of_parcels()) == 1


def write(folder: Path, **options: object) -> Path:
    folder.mkdir()
    layers = {"segments": COUNTRY.monthly, "trails": COUNTRY.trails.iloc[:0]}
    rules = {"segments": rules_of_units(areas=False), "trails": rules_of_trails("p_puma")}
    return write_layers(folder / "layers.gpkg", layers, rules=rules, **options)


def test_a_gis_finds_the_style_beside_its_layer(tmp_path: Path) -> None:
    path = write(tmp_path / "a")
    assert set(pyogrio.list_layers(path)[:, 0]) == {"segments", "layer_styles"}
    (row,) = pyogrio.read_dataframe(path, layer="layer_styles").to_dict("records")
    assert row["f_table_name"] == "segments"
    assert row["useAsDefault"]
    assert etree.fromstring(row["styleSLD"]).tag == f"{{{SPACES['sld']}}}StyledLayerDescriptor"
    assert etree.fromstring(row["styleQML"]).tag == "qgis"
    with sqlite3.connect(path) as base:
        (geometry,) = base.execute(
            "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = 'segments'"
        ).fetchone()
    assert row["f_geometry_column"] == geometry
    assert len(pyogrio.read_dataframe(path, layer="segments")) == len(COUNTRY.monthly)


def test_the_same_layers_give_the_same_bytes(tmp_path: Path) -> None:
    day = dt.date(2031, 6, 3)
    first, second = (write(tmp_path / name, made_on=day).read_bytes() for name in "ab")
    assert first == second
    assert re.search(rb"2031-06-03T00:00:00.000Z", first)


def test_layers_of_an_earlier_run_do_not_stay(tmp_path: Path) -> None:
    path = write(tmp_path / "a")
    write_layers(path, {"segments": COUNTRY.monthly.iloc[:0]})
    assert not path.exists()
