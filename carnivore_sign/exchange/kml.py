"""KML: layers for a map viewer, one folder each, with a sentence on every feature.

Source: OGC KML 2.3 (12-007r2): longitude, latitude; rings closed; colours as aabbggrr.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pandas as pd
import shapely
from lxml import etree

from carnivore_sign.errors import InputError
from carnivore_sign.maps.style import INK, PARCEL, STATE_LABELS, STATES
from carnivore_sign.records.plain_text import printable_xml
from carnivore_sign.space import stored
from carnivore_sign.writing import write_whole

NAMESPACE: Final = "http://www.opengis.net/kml/2.2"
#: Column that a feature of each layer is named by.
_NAMES: Final = {
    "units": "segment",
    "trails": "trail",
    "transects": "transect",
    "parcels": "parcel",
    "sign": "sign",
    "incidents": "incident",
}
_TAGS: Final = {0: "Point", 1: "LineString", 3: "Polygon"}


def write_kml(
    path: str | Path, layers: Mapping[str, gpd.GeoDataFrame], *, title: str, about: str = ""
) -> Path:
    """Write layers as KML.

    Parameters
    ----------
    path : path-like
        The file; one that is there is replaced.
    layers : mapping of str to GeoDataFrame
        From `carnivore_sign.exchange.layers_of`, by name.
    title : str
        Title of the document.
    about : str
        What there is to know of it, such as what was done to places.

    Returns
    -------
    Path
        The file. Every column of a feature stands in its ExtendedData.

    Raises
    ------
    InputError
        If there is no layer.

    Examples
    --------
    >>> import tempfile
    >>> mark = gpd.GeoDataFrame({"sign": ["S1"]}, geometry=[shapely.Point(-119, 37)], crs=4326)
    >>> path = write_kml(Path(tempfile.mkdtemp()) / "s.kml", {"sign": mark}, title="March")
    >>> "<name>S1</name>" in path.read_text()
    True

    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "transects.kml"
    >>> write_kml(path, {"transects": analysis.transects}, title="Transects").name
    'transects.kml'
    """
    path = Path(path)
    if not layers:
        raise InputError("there is no layer to write", file=path)
    root = etree.Element(f"{{{NAMESPACE}}}kml", nsmap={None: NAMESPACE})
    document = etree.SubElement(root, f"{{{NAMESPACE}}}Document")
    _add(document, "name", title)
    if about:
        _add(document, "description", about)
    for state, look in STATES.items():
        _add_style(document, state, look.color)
    _add_style(document, "plain", INK)
    _add_style(document, "parcels", PARCEL)
    for name, layer in layers.items():
        folder = _add(document, "Folder")
        _add(folder, "name", name)
        frame = stored(layer, f"the layer {name}")
        columns = [column for column in frame if column != "geometry"]
        cells = {column: _words(frame[column]) for column in columns}
        for at, shape in enumerate(frame.geometry):
            _add_placemark(folder, name, shape, {c: cells[c][at] for c in columns})
    body = etree.tostring(root, encoding="UTF-8", xml_declaration=True, pretty_print=True)
    return write_whole(path, bytes(body))


def _words(values: pd.Series) -> list[str]:
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        values = values.dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return ["" if pd.isna(value) else printable_xml(str(value)) for value in values.tolist()]


def _add_placemark(folder: etree._Element, layer: str, shape: Any, cells: dict[str, str]) -> None:
    made = _add(folder, "Placemark")
    name = cells.get(_NAMES.get(layer.partition(" ")[0], ""), "")
    period = cells.get("period", "")
    _add(made, "name", f"{name}, {period}" if period else name)
    state = cells.get("state", "")
    if state:
        _add(made, "description", STATE_LABELS.get(state, state))
    style = state if state in STATES else "parcels" if layer == "parcels" else "plain"
    _add(made, "styleUrl", f"#{style}")
    data = _add(made, "ExtendedData")
    for column, word in cells.items():
        if word:
            entry = _add(data, "Data")
            entry.set("name", column)
            _add(entry, "value", word)
    _add_shape(made, shape)


def _add_shape(of: etree._Element, shape: Any) -> None:
    kind = int(shapely.get_type_id(shape))
    if kind not in _TAGS:
        several = _add(of, "MultiGeometry")
        for part in shape.geoms:
            _add_shape(several, part)
        return
    made = _add(of, _TAGS[kind])
    if kind != 3:
        _add(made, "coordinates", _places(shape))
        return
    turned = shapely.orient_polygons(shape)
    for tag, ring in (("outerBoundaryIs", turned.exterior), *(
        ("innerBoundaryIs", inner) for inner in turned.interiors
    )):  # fmt: skip
        _add(_add(_add(made, tag), "LinearRing"), "coordinates", _places(ring))


def _places(shape: Any) -> str:
    return " ".join(f"{lon:.7f},{lat:.7f}" for lon, lat in shapely.get_coordinates(shape).tolist())


def _add_style(document: etree._Element, name: str, color: str) -> None:
    style = _add(document, "Style")
    style.set("id", name)
    line = _add(style, "LineStyle")
    _add(line, "color", _abgr(color, 255))
    _add(line, "width", "3")
    _add(_add(style, "PolyStyle"), "color", _abgr(color, 110))


def _abgr(color: str, opacity: int) -> str:
    """Write a colour the way KML does: opacity, blue, green, red."""
    return f"{opacity:02x}{color[5:7]}{color[3:5]}{color[1:3]}"


def _add(of: etree._Element, name: str, text: str | None = None) -> etree._Element:
    made = etree.SubElement(of, f"{{{NAMESPACE}}}{name}")
    made.text = None if text is None else printable_xml(text)
    return made
