"""Styles for a GIS against the grammar of their standard, and their filters read by GDAL.

The grammar below says which elements a style may hold and in which order: Styled Layer Descriptor
1.1.0 (OGC 05-078r4), Symbology Encoding 1.1.0 (OGC 05-077r4) and Filter Encoding 1.1.0
(OGC 04-095), written down from memory as RELAX NG for what is used here. libxml2 validates. The
schemas of the OGC themselves are on no machine without a network; and the other form of style
has no published schema, so that only GDAL reads its filters.
"""

from __future__ import annotations

from pathlib import Path

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

GRAMMAR = """
<grammar xmlns="http://relaxng.org/ns/structure/1.0" ns="http://www.opengis.net/se"
  datatypeLibrary="http://www.w3.org/2001/XMLSchema-datatypes">
<start><element name="StyledLayerDescriptor" ns="http://www.opengis.net/sld">
  <attribute name="version" ns=""><value>1.1.0</value></attribute>
  <zeroOrMore><element name="NamedLayer" ns="http://www.opengis.net/sld">
    <ref name="name"/><optional><ref name="description"/></optional>
    <zeroOrMore><element name="UserStyle" ns="http://www.opengis.net/sld">
      <optional><ref name="name"/></optional><optional><ref name="description"/></optional>
      <oneOrMore><ref name="types"/></oneOrMore>
    </element></zeroOrMore>
  </element></zeroOrMore>
</element></start>
<define name="types"><element name="FeatureTypeStyle">
  <optional><ref name="name"/></optional><optional><ref name="description"/></optional>
  <oneOrMore><ref name="rule"/></oneOrMore>
</element></define>
<define name="name"><element name="Name"><text/></element></define>
<define name="description"><element name="Description">
  <optional><element name="Title"><text/></element></optional>
  <optional><element name="Abstract"><text/></element></optional>
</element></define>
<define name="rule"><element name="Rule">
  <optional><ref name="name"/></optional><optional><ref name="description"/></optional>
  <optional><choice>
    <element name="Filter" ns="http://www.opengis.net/ogc"><ref name="test"/></element>
    <element name="ElseFilter"><empty/></element>
  </choice></optional>
  <optional><element name="MinScaleDenominator"><data type="double"/></element></optional>
  <optional><element name="MaxScaleDenominator"><data type="double"/></element></optional>
  <oneOrMore><choice>
    <element name="PointSymbolizer"><element name="Graphic">
      <element name="Mark">
        <optional><element name="WellKnownName"><choice><value>square</value>
          <value>circle</value><value>triangle</value><value>star</value><value>cross</value>
          <value>x</value></choice></element></optional>
        <optional><ref name="fill"/></optional><optional><ref name="stroke"/></optional>
      </element>
      <optional><element name="Opacity"><data type="double"/></element></optional>
      <optional><element name="Size"><data type="double"/></element></optional>
      <optional><element name="Rotation"><data type="double"/></element></optional>
    </element></element>
    <element name="LineSymbolizer"><optional><ref name="stroke"/></optional></element>
    <element name="PolygonSymbolizer">
      <optional><ref name="fill"/></optional><optional><ref name="stroke"/></optional>
    </element>
  </choice></oneOrMore>
</element></define>
<define name="fill"><element name="Fill"><zeroOrMore><ref name="parameter"/></zeroOrMore>
</element></define>
<define name="stroke"><element name="Stroke"><zeroOrMore><ref name="parameter"/></zeroOrMore>
</element></define>
<define name="parameter"><element name="SvgParameter"><choice>
  <group><attribute name="name" ns=""><choice><value>stroke</value><value>fill</value></choice>
  </attribute><data type="string"><param name="pattern">#[0-9a-f]{6}</param></data></group>
  <group><attribute name="name" ns=""><value>stroke-width</value></attribute>
    <data type="double"/></group>
  <group><attribute name="name" ns=""><choice><value>stroke-opacity</value>
    <value>fill-opacity</value></choice></attribute>
    <data type="double"><param name="minInclusive">0</param><param name="maxInclusive">1</param>
    </data></group>
  <group><attribute name="name" ns=""><value>stroke-dasharray</value></attribute>
    <list><oneOrMore><data type="double"/></oneOrMore></list></group>
</choice></element></define>
<define name="test"><choice>
  <element ns="http://www.opengis.net/ogc">
    <choice><name ns="http://www.opengis.net/ogc">And</name>
      <name ns="http://www.opengis.net/ogc">Or</name></choice>
    <ref name="test"/><oneOrMore><ref name="test"/></oneOrMore></element>
  <element name="PropertyIsNull" ns="http://www.opengis.net/ogc"><ref name="property"/></element>
  <element ns="http://www.opengis.net/ogc">
    <choice><name ns="http://www.opengis.net/ogc">PropertyIsEqualTo</name>
      <name ns="http://www.opengis.net/ogc">PropertyIsLessThan</name>
      <name ns="http://www.opengis.net/ogc">PropertyIsGreaterThanOrEqualTo</name></choice>
    <ref name="property"/><element name="Literal"><text/></element></element>
</choice></define>
<define name="property"><element name="PropertyName" ns="http://www.opengis.net/ogc">
  <text/></element></define>
</grammar>
"""
SCHEMA = etree.RelaxNG(etree.fromstring(GRAMMAR))
STYLES = {
    "lines": rules_of_units(areas=False), "areas": rules_of_units(areas=True),
    "trails": rules_of_trails("p_puma"), "single": rules_of_trails("p_puma", points=True),
    "parcels": rules_of_parcels(),
}  # fmt: skip
COUNTRY = make_country()


@pytest.mark.parametrize("rules", STYLES.values(), ids=STYLES)
def test_every_style_keeps_to_the_grammar_of_the_standard(rules: tuple[Rule, ...]) -> None:
    assert SCHEMA.validate(etree.fromstring(as_sld("layer", rules))), SCHEMA.error_log


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("se:Stroke>", "se:Line>"),
        ('version="1.1.0"', 'version="1.0.0"'),
        ('name="stroke-width">0.76', 'name="stroke-width">thick'),
        ('name="fill">#4f97b6', 'name="fill">blue'),
        ("PropertyIsLessThan", "PropertyIsLess"),
    ],
)
def test_the_grammar_can_fail(right: str, wrong: str) -> None:
    style = as_sld("layer", rules_of_units(areas=True))
    assert right in style
    assert SCHEMA.validate(etree.fromstring(style))
    assert not SCHEMA.validate(etree.fromstring(style.replace(right, wrong)))


@pytest.mark.parametrize("name", ["lines", "areas"])
def test_gdal_reads_each_filter_and_gives_every_unit_to_one_rule(name: str, tmp_path: Path) -> None:
    rules = STYLES[name]
    path = write_layers(
        tmp_path / "layers.gpkg", {"units": COUNTRY.monthly}, rules={"units": rules}
    )
    qml = etree.fromstring(as_qml(rules))
    filters = [rule.get("filter") for rule in qml.iter("rule")]
    taken = [
        pyogrio.read_dataframe(path, layer="units", where=text or None)["segment"]
        for text in filters
    ]
    assert sum(map(len, taken)) == len(COUNTRY.monthly)
    assert set().union(*taken) == set(COUNTRY.monthly["segment"])
    symbols = {symbol.get("name") for symbol in qml.iter("symbol")}
    assert {rule.get("symbol") for rule in qml.iter("rule")} == symbols
