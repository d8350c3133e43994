"""GIS styles: the visual language of `style` as rules that a GIS shows a layer with at once.

The rules of a layer are written twice: as a Styled Layer Descriptor 1.1.0 with Symbology
Encoding (OGC 05-078r4 and 05-077r4), and as QML. Both go into the table ``layer_styles`` that
desktop GIS look for in a GeoPackage. A unit is drawn by its state and by the step of its
probability of use, as on the sheet; the pale edge of the upper limit is left to the sheet.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from lxml import etree

from carnivore_sign.maps.style import (
    AREA_EDGE,
    INK,
    PARCEL,
    PLAIN_PT,
    STATE_LABELS,
    STATES,
    TRAILS,
    WEIGHTS,
)

_SLD: Final = "http://www.opengis.net/sld"
_SE: Final = "http://www.opengis.net/se"
_OGC: Final = "http://www.opengis.net/ogc"
_MM_PER_PT: Final = 25.4 / 72
_PIXELS_PER_PT: Final = 1 / (0.28 / 25.4 * 72)  # a pixel of Symbology Encoding is 0.28 mm
_DISC_PT: Final = 6.0  # a trail of a single sign
#: What a rule of each kind is drawn with: kind of symbol, and of its one layer.
_QML_KINDS: Final = {
    "line": ("line", "SimpleLine"),
    "point": ("marker", "SimpleMarker"),
    "fill": ("fill", "SimpleFill"),
    "outline": ("fill", "SimpleFill"),
}


@dataclass(frozen=True)
class Rule:
    """One rule: which rows it takes, and how they are drawn.

    Attributes
    ----------
    label : str
        What stands in the legend.
    kind : str
        ``line``, ``fill``, ``outline`` or ``point``.
    color : str
        Of the line, or of the fill.
    width_pt : float
        Of the line, or of the outline.
    state : str, optional
        Value of the column ``state``.
    column : str
        Column of probabilities.
    at_least, below : float, optional
        Bounds of that column; a row without a probability belongs to the lowest step.
    dashed : bool
        Whether the line is dashed.
    """

    label: str
    kind: str
    color: str
    width_pt: float
    state: str | None = None
    column: str = "p_presence"
    at_least: float | None = None
    below: float | None = None
    dashed: bool = False

    @property
    def expression(self) -> str:
        """The rule as an expression in the manner of SQL; empty where it takes every row."""
        parts = [f"\"state\" = '{self.state}'"] if self.state else []
        name = f'"{self.column}"'
        if self.at_least:
            parts.append(f"{name} >= {self.at_least:g}")
        if self.below is not None:
            least = "" if self.at_least else f" OR {name} IS NULL"
            parts.append(f"({name} < {self.below:g}{least})")
        return " AND ".join(parts)


def rules_of_units(*, areas: bool) -> tuple[Rule, ...]:
    r"""Return the rules for units, by state and step of probability.

    Examples
    --------
    >>> [rule.expression for rule in rules_of_units(areas=False)][0]
    '"state" = \'not_looked\''
    """
    return tuple(_rules_of_units("fill" if areas else "line"))


def _rules_of_units(kind: str) -> Iterator[Rule]:
    bounds = [step.at_least for step in WEIGHTS]
    for state in reversed(STATES):
        look = STATES[state]
        if look.dotted:
            plain = "outline" if kind == "fill" else kind
            yield Rule(STATE_LABELS[state], plain, look.color, PLAIN_PT, state, dashed=True)
            continue
        for at, step in enumerate(WEIGHTS):
            below = bounds[at + 1] if at + 1 < len(WEIGHTS) else None
            label = f"{STATE_LABELS[state]}; used: {step.label}"
            least = step.at_least or None
            yield Rule(label, kind, look.color, step.width_pt, state, "p_presence", least, below)


def rules_of_trails(column: str, *, points: bool = False) -> tuple[Rule, ...]:
    """Return the rules for trails, by the probability in a column.

    Those of a single sign are `points`: discs, filled as on the sheet.
    """
    rules, below = [], None
    for look in TRAILS:
        least = look.at_least or None
        kind, color = ("point", look.fill) if points else ("line", look.edge)
        dashed = look.fill != INK and not points
        rules.append(Rule(look.label, kind, color, 1.0, None, column, least, below, dashed))
        below = look.at_least
    return tuple(reversed(rules))


def rules_of_parcels() -> tuple[Rule, ...]:
    """Return the one rule for parcels."""
    return (Rule("holding or pasture", "outline", PARCEL, 0.9, dashed=True),)


def as_sld(layer: str, rules: tuple[Rule, ...]) -> str:
    """Write rules as a Styled Layer Descriptor."""
    names = {None: _SLD, "se": _SE, "ogc": _OGC}
    root = etree.Element(f"{{{_SLD}}}StyledLayerDescriptor", nsmap=names, version="1.1.0")
    named = etree.SubElement(root, f"{{{_SLD}}}NamedLayer")
    _add(named, _SE, "Name", layer)
    style = etree.SubElement(named, f"{{{_SLD}}}UserStyle")
    features = _add(style, _SE, "FeatureTypeStyle")
    for rule in rules:
        made = _add(features, _SE, "Rule")
        _add(made, _SE, "Name", rule.label)
        _add_filter(made, rule)
        _add_symbol(made, rule)
    return _written(root)


def _add_filter(of: etree._Element, rule: Rule) -> None:
    tests: list[tuple[str, str, str]] = []
    if rule.state:
        tests.append(("PropertyIsEqualTo", "state", rule.state))
    if rule.at_least:
        tests.append(("PropertyIsGreaterThanOrEqualTo", rule.column, f"{rule.at_least:g}"))
    if rule.below is not None:
        tests.append(("PropertyIsLessThan", rule.column, f"{rule.below:g}"))
    if not tests:
        return
    filters = _add(of, _OGC, "Filter")
    place = _add(filters, _OGC, "And") if len(tests) > 1 else filters
    for name, column, value in tests:
        inner = place
        if name == "PropertyIsLessThan" and not rule.at_least:
            inner = _add(place, _OGC, "Or")
            _add(_add(inner, _OGC, "PropertyIsNull"), _OGC, "PropertyName", column)
        test = _add(inner, _OGC, name)
        _add(test, _OGC, "PropertyName", column)
        _add(test, _OGC, "Literal", value)


def _add_symbol(of: etree._Element, rule: Rule) -> None:
    if rule.kind == "point":
        _add_disc(of, rule)
        return
    kind = "LineSymbolizer" if rule.kind == "line" else "PolygonSymbolizer"
    symbol = _add(of, _SE, kind)
    if rule.kind == "fill":
        _parameter(_add(symbol, _SE, "Fill"), "fill", rule.color)
        _parameter(symbol[0], "fill-opacity", f"{opacity_of(rule):g}")
    stroke = _add(symbol, _SE, "Stroke")
    _parameter(stroke, "stroke", AREA_EDGE if rule.kind == "fill" else rule.color)
    width = 0.6 if rule.kind == "fill" else rule.width_pt
    _parameter(stroke, "stroke-width", f"{width * _PIXELS_PER_PT:.2f}")
    if rule.dashed:
        _parameter(stroke, "stroke-dasharray", "4 3")


def _add_disc(of: etree._Element, rule: Rule) -> None:
    graphic = _add(_add(of, _SE, "PointSymbolizer"), _SE, "Graphic")
    mark = _add(graphic, _SE, "Mark")
    _add(mark, _SE, "WellKnownName", "circle")
    _parameter(_add(mark, _SE, "Fill"), "fill", rule.color)
    stroke = _add(mark, _SE, "Stroke")
    _parameter(stroke, "stroke", INK)
    _parameter(stroke, "stroke-width", f"{rule.width_pt * _PIXELS_PER_PT:.2f}")
    _add(graphic, _SE, "Size", f"{_DISC_PT * _PIXELS_PER_PT:.2f}")


def opacity_of(rule: Rule) -> float:
    """Opacity of an area: the share of it that a core fills on the sheet."""
    return next(step.core_share for step in WEIGHTS if step.width_pt == rule.width_pt)


def as_qml(rules: tuple[Rule, ...]) -> str:
    """Write rules as QML."""
    root = etree.Element("qgis", version="3.22", styleCategories="Symbology")
    renderer = etree.SubElement(root, "renderer-v2", type="RuleRenderer", symbollevels="0")
    listed = etree.SubElement(renderer, "rules", key="root")
    symbols = etree.SubElement(renderer, "symbols")
    for at, rule in enumerate(rules):
        number = str(at)
        found = etree.SubElement(listed, "rule", key=f"r{at}", symbol=number, label=rule.label)
        if rule.expression:
            found.set("filter", rule.expression)
        kind, drawn = _QML_KINDS[rule.kind]
        symbol = etree.SubElement(symbols, "symbol", name=number, type=kind, alpha="1")
        layer = etree.SubElement(symbol, "layer", {"class": drawn})
        options = etree.SubElement(layer, "Option", type="Map")
        for name, value in _qml_options(rule).items():
            etree.SubElement(options, "Option", name=name, type="QString", value=value)
    return _written(root)


def _qml_options(rule: Rule) -> dict[str, str]:
    width = f"{(0.6 if rule.kind == 'fill' else rule.width_pt) * _MM_PER_PT:.2f}"
    dash = "dash" if rule.dashed else "solid"
    if rule.kind == "line":
        return {
            "line_color": _rgba(rule.color),
            "line_width": width,
            "line_width_unit": "MM",
            "line_style": dash,
            "capstyle": "flat",
        }
    if rule.kind == "point":
        return {
            "name": "circle",
            "color": _rgba(rule.color),
            "outline_color": _rgba(INK),
            "outline_width": width,
            "outline_width_unit": "MM",
            "size": f"{_DISC_PT * _MM_PER_PT:.2f}",
            "size_unit": "MM",
        }
    filled = rule.kind == "fill"
    return {
        "color": _rgba(rule.color, opacity_of(rule) if filled else 0.0),
        "style": "solid" if filled else "no",
        "outline_color": _rgba(AREA_EDGE if filled else rule.color),
        "outline_width": width,
        "outline_width_unit": "MM",
        "outline_style": dash,
    }


def _rgba(color: str, opacity: float = 1.0) -> str:
    red, green, blue = (int(color[at : at + 2], 16) for at in (1, 3, 5))
    return f"{red},{green},{blue},{round(255 * opacity)}"


def _add(of: etree._Element, space: str, name: str, text: str | None = None) -> etree._Element:
    made = etree.SubElement(of, f"{{{space}}}{name}")
    made.text = text
    return made


def _parameter(of: etree._Element, name: str, value: str) -> None:
    _add(of, _SE, "SvgParameter", value).set("name", name)


def _written(root: etree._Element) -> str:
    return str(etree.tostring(root, encoding="unicode", pretty_print=True))
