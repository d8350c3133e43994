"""Metadata: what an archive says of itself, as EML.

Source: Ecological Metadata Language 2.1.1 with the GBIF metadata profile (elements and their
order from memory; the parts written here are title, creator, metadataProvider, pubDate, language,
abstract, intellectualRights, coverage, contact and methods).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import numpy as np
from lxml import etree

from carnivore_sign.exchange.content import Content, layers_of, withheld_words
from carnivore_sign.records.darwin_core import scientific_name
from carnivore_sign.records.plain_text import printable_xml

_EML: Final = "eml://ecoinformatics.org/eml-2.1.1"
_NOT_STATED: Final = "not stated"
METHOD: Final = (
    "Transects are walked again and again with a GPS receiver, and each sign of a carnivore is "
    "written down. Effort is the length of transect really walked, and the time since its surface "
    "was last wiped. Sign are linked into trails, the unit of detection; the probability of each "
    "taxon is computed from the characters of prints, from sizes and from what observers said."
)


@dataclass(frozen=True)
class Publisher:
    """Who publishes an archive, and what others may do with it.

    Attributes
    ----------
    name : str
        Person or organisation.
    licence : str
        What others may do with it, best the address of a public licence.
    """

    name: str = _NOT_STATED
    licence: str = _NOT_STATED


def eml_of(content: Content, publisher: Publisher, made_on: dt.date) -> str:
    """Return the EML document of an archive."""
    season, reader = content.season, content.edition.reader
    root = etree.Element(f"{{{_EML}}}eml", nsmap={"eml": _EML}, system="carnivore-sign")
    root.set("packageId", printable_xml(f"{season.name} ({reader}), {made_on}"))
    dataset = etree.SubElement(root, "dataset")
    _add(dataset, "title", f"{season.name}: tracks and sign of {content.taxon_name}")
    for role in ("creator", "metadataProvider"):
        _add(etree.SubElement(dataset, role), "organizationName", publisher.name)
    _add(dataset, "pubDate", str(made_on))
    _add(dataset, "language", "eng")
    abstract = etree.SubElement(dataset, "abstract")
    for sentence in (METHOD, *withheld_words(content)):
        if sentence:
            _add(abstract, "para", sentence)
    _add(etree.SubElement(dataset, "intellectualRights"), "para", publisher.licence)
    _add_coverage(dataset, content)
    _add(etree.SubElement(dataset, "contact"), "organizationName", publisher.name)
    step = etree.SubElement(etree.SubElement(dataset, "methods"), "methodStep")
    _add(etree.SubElement(step, "description"), "para", METHOD)
    text = etree.tostring(root, encoding="UTF-8", xml_declaration=True, pretty_print=True)
    return str(text.decode("utf-8"))


def _add_coverage(dataset: etree._Element, content: Content) -> None:
    coverage = etree.SubElement(dataset, "coverage")
    bounds = np.array([layer.total_bounds for layer in layers_of(content).values()])
    if len(bounds):
        place = etree.SubElement(coverage, "geographicCoverage")
        told = withheld_words(content)[0] or "The transects and what was found on them."
        _add(place, "geographicDescription", told)
        edges = etree.SubElement(place, "boundingCoordinates")
        west, south = bounds[:, :2].min(axis=0)
        east, north = bounds[:, 2:].max(axis=0)
        for side, degrees in (("west", west), ("east", east), ("north", north), ("south", south)):
            _add(edges, f"{side}BoundingCoordinate", repr(float(degrees)))
    taxon = etree.SubElement(
        etree.SubElement(coverage, "taxonomicCoverage"), "taxonomicClassification"
    )
    _add(taxon, "taxonRankName", "species")
    _add(taxon, "taxonRankValue", scientific_name(content.taxon))
    _add(taxon, "commonName", content.taxon_name)


def _add(of: etree._Element, name: str, text: str) -> None:
    etree.SubElement(of, name).text = printable_xml(text)
