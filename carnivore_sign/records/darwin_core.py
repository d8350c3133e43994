"""Darwin Core: the terms that an archive is written and read with, and what each stands for.

One place for both ways: ``exchange`` writes archives with these terms and ``intake`` reads them.
A term is written short, as ``dwc:eventID``, and `uri_of` gives its address in full.

Sources: Darwin Core, its text guide and its list of terms (TDWG); Humboldt Extension for
Ecological Inventories, list of terms of 2025-07-10 (TDWG); Audiovisual Core (TDWG); DCMI Metadata
Terms. Since 2026-05-26 Darwin Core says *detected* and *notDetected* where it said *present* and
*absent*: the new words are written, and both are read.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.records.computed import TRAILS, VISITS, taxon_column
from carnivore_sign.records.recorded import PRINTS, SIGN, TRANSECTS
from carnivore_sign.records.vocabularies import LIKELY_FROM, SURE_FROM, TAXA

#: Prefixes of terms. That of our own is a name and not an address.
PREFIXES: Final[dict[str, str]] = {
    "dwc": "http://rs.tdwg.org/dwc/terms/",
    "eco": "http://rs.tdwg.org/eco/terms/",
    "ac": "http://rs.tdwg.org/ac/terms/",
    "dcterms": "http://purl.org/dc/terms/",
    "xmp": "http://ns.adobe.com/xap/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "own": "urn:carnivore-sign:record:1:",
}

#: Row types, by what the library calls them.
EVENT: Final = "dwc:Event"
OCCURRENCE: Final = "dwc:Occurrence"
FACT: Final = "dwc:MeasurementOrFact"
INVENTORY: Final = "eco:Event"
MEDIA: Final = "ac:Multimedia"

#: Row types of other lists that say the same of a row as ours do.
SAME_ROW_TYPES: Final[dict[str, str]] = {
    "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact": FACT,
    "http://rs.gbif.org/terms/1.0/Multimedia": MEDIA,
}

DETECTED: Final = "detected"
NOT_DETECTED: Final = "notDetected"
#: Words of both vocabularies of occurrenceStatus, lower case: whether it was found.
STATUS_WORDS: Final[dict[str, bool]] = {
    "detected": True,
    "present": True,
    "notdetected": False,
    "not detected": False,
    "absent": False,
}

#: What kind an event is, as it stands in eventType.
SEASON_EVENT: Final = "Survey"
TRANSECT_EVENT: Final = "Transect"
VISIT_EVENT: Final = "Site Visit"

#: What stands in identificationVerificationStatus of sign that was weighed.
WEIGHED: Final = "unverified; probability computed from tracks and sign"
NAMED: Final = "unverified; as named by the observer"

#: Key in dynamicProperties of rows that are computed anew from the record, and never read back.
COMPUTED: Final = "computed"
#: Joins several values of one term (Darwin Core: space, vertical bar, space).
JOINED: Final = " | "

#: Scientific names, broadest first: kingdom, order, family, genus, species.
#: Source: Mammal Diversity Database, names as of 2024 (from memory).
RANKS: Final = ("kingdom", "order", "family", "genus", "species")
LINEAGES: Final[dict[str, tuple[str, ...]]] = {
    "puma": ("Animalia", "Carnivora", "Felidae", "Puma", "Puma concolor"),
    "bobcat": ("Animalia", "Carnivora", "Felidae", "Lynx", "Lynx rufus"),
    "lynx": ("Animalia", "Carnivora", "Felidae", "Lynx", "Lynx canadensis"),
    "dog": ("Animalia", "Carnivora", "Canidae", "Canis", "Canis familiaris"),
    "coyote": ("Animalia", "Carnivora", "Canidae", "Canis", "Canis latrans"),
    "wolf": ("Animalia", "Carnivora", "Canidae", "Canis", "Canis lupus"),
    "red_fox": ("Animalia", "Carnivora", "Canidae", "Vulpes", "Vulpes vulpes"),
    "black_bear": ("Animalia", "Carnivora", "Ursidae", "Ursus", "Ursus americanus"),
    "other": ("Animalia",),
}

_UNITS: Final = {
    "_mm": "mm", "_m": "m", "_km": "km", "_km_days": "km d", "_h": "h", "_deg": "degree",
    "_m_s": "m/s",
}  # fmt: skip


@dataclass(frozen=True)
class Measure:
    """How a column stands as a measurement: its type in words, and its unit."""

    type: str
    unit: str = ""


def _measure(what: str, column: str) -> Measure:
    if column.startswith("hours_"):
        return Measure(f"{what}: {column.replace('_', ' ')}", "h")
    ending = max((end for end in _UNITS if column.endswith(end)), key=len, default="")
    plain = column.removesuffix(ending).replace("_", " ")
    return Measure(f"{what}: {plain}", _UNITS.get(ending, ""))


def _measures(what: str, columns: tuple[str, ...]) -> dict[str, Measure]:
    return {column: _measure(what, column) for column in columns}


_SIGN_COLUMNS: Final = (
    "kind", "confidence", "age_min_h", "age_max_h", "direction_deg", "surface", "stride_m",
)  # fmt: skip
_VISIT_COLUMNS: Final = (
    "covered_m", "coverage", "hours_since_cleared", "cleared_by", "effort_km", "effort_km_days",
    "effort_source", "walked_m", "speed_m_s", "sun_deg", "surface_state", "tracking_quality",
)  # fmt: skip
_TRAIL_COLUMNS: Final = (
    "sign_count", "print_count", "made_after", "made_before", "direction_deg", "length_m",
)  # fmt: skip

#: Columns that travel as measurements, by table. Those of sign, prints and transects are read
#: back; those of visits and trails are computed anew.
MEASURES: Final[dict[str, dict[str, Measure]]] = {
    SIGN.name: _measures("sign", _SIGN_COLUMNS),
    PRINTS.name: _measures("footprint", PRINTS.names[4:]),
    TRANSECTS.name: _measures("transect", ("surface",)),
    VISITS.name: _measures("visit", _VISIT_COLUMNS),
    TRAILS.name: _measures("trail", _TRAIL_COLUMNS),
}
#: Type of the row that a footprint's measurements hang on.
PRINT: Final = "footprint"
#: Type of the probability of each taxon.
PROBABILITY_TYPES: Final[dict[str, str]] = {
    taxon: f"probability that the trail was made by {name}" for taxon, name in TAXA.items()
}

#: Columns of photos that have a term of their own; the others go into dynamicProperties.
PHOTO_TERMS: Final[dict[str, str]] = {
    "photo": "dcterms:title",
    "sha256": "ac:hashValue",
    "time": "xmp:CreateDate",
    "width_px": "exif:PixelXDimension",
    "height_px": "exif:PixelYDimension",
    "device": "ac:captureDevice",
    "notes": "ac:comments",
    "observer": "dcterms:creator",
}
#: Columns of sign that have a term of their own.
SIGN_TERMS: Final[dict[str, str]] = {
    "sign": "dwc:recordNumber",
    "time": "dwc:eventDate",
    "observer": "dwc:recordedBy",
    "named_as": "dwc:verbatimIdentification",
    "notes": "dwc:occurrenceRemarks",
}


def uri_of(term: str) -> str:
    """Return a term in full.

    Examples
    --------
    >>> uri_of("dwc:eventID")
    'http://rs.tdwg.org/dwc/terms/eventID'
    """
    prefix, _, name = term.partition(":")
    return PREFIXES[prefix] + name


def short_of(uri: str) -> str:
    """Return a term in short; an address of no list we know stays as it is.

    Examples
    --------
    >>> short_of("http://rs.tdwg.org/dwc/terms/eventID"), short_of("http://example.org/depth")
    ('dwc:eventID', 'http://example.org/depth')
    """
    uri = uri.strip()
    if uri in SAME_ROW_TYPES:
        return SAME_ROW_TYPES[uri]
    for prefix, address in PREFIXES.items():
        if uri.startswith(address) and len(uri) > len(address):
            return f"{prefix}:{uri.removeprefix(address)}"
    return uri


def names_of(probabilities: pd.DataFrame) -> pd.DataFrame:
    """Return the name that probabilities of taxa carry, no narrower than they allow.

    Parameters
    ----------
    probabilities : DataFrame
        Columns ``p_<taxon>``, which sum to 1.

    Returns
    -------
    DataFrame
        Columns ``dwc:scientificName``, ``dwc:taxonRank``, ``dwc:vernacularName`` and
        ``dwc:identificationQualifier``, with the index of `probabilities`. A species from
        `LIKELY_FROM` on, with *cf.* below `SURE_FROM`; otherwise the narrowest name that holds
        the fewest taxa that make up `SURE_FROM` together.

    Examples
    --------
    >>> p = pd.DataFrame({taxon_column(taxon): [0.0, 0.0, 0.0] for taxon in TAXA})
    >>> p["p_puma"], p["p_dog"], p["p_bobcat"] = [0.97, 0.6, 0.6], [0.03, 0.4, 0.0], [0, 0, 0.4]
    >>> names_of(p)["dwc:scientificName"].tolist()
    ['Puma concolor', 'Carnivora', 'Felidae']
    """
    taxa = list(TAXA)
    shares = probabilities[[taxon_column(taxon) for taxon in taxa]].to_numpy(dtype=float)
    best = shares.argmax(axis=1)
    top = shares.max(axis=1)
    held = _fewest_that_make_up(shares, SURE_FROM)
    alone = top >= LIKELY_FROM
    held[alone] = np.eye(len(taxa), dtype=bool)[best[alone]]
    name = np.full(len(shares), "Animalia", dtype=object)
    rank = np.full(len(shares), "kingdom", dtype=object)
    for depth, word in enumerate(RANKS):
        for found in dict.fromkeys(line[depth] for line in LINEAGES.values() if len(line) > depth):
            members = [len(LINEAGES[t]) > depth and LINEAGES[t][depth] == found for t in taxa]
            inside = ~(held & ~np.array(members)).any(axis=1)
            name[inside], rank[inside] = found, word
    species = rank == "species"
    doubt = np.array([f"cf. {one.split()[-1]}" for one in name], dtype=object)
    vernacular = np.array(list(TAXA.values()), dtype=object)[best]
    return pd.DataFrame(
        {
            "dwc:scientificName": name,
            "dwc:taxonRank": rank,
            "dwc:vernacularName": np.where(species, vernacular, ""),
            "dwc:identificationQualifier": np.where(species & (top < SURE_FROM), doubt, ""),
        },
        index=probabilities.index,
    )


def _fewest_that_make_up(shares: np.ndarray, wanted: float) -> np.ndarray:
    """Tell which taxa of each row are among the fewest that sum to what is wanted."""
    order = np.argsort(-shares, axis=1, kind="stable")
    sorted_ = np.take_along_axis(shares, order, axis=1)
    before = np.cumsum(sorted_, axis=1) - sorted_
    taken = (before < wanted - 1e-12) & (sorted_ > 0)
    held = np.zeros_like(taken)
    np.put_along_axis(held, order, taken, axis=1)
    return held


def scientific_name(taxon: str) -> str:
    """Return the scientific name of a taxon.

    Examples
    --------
    >>> scientific_name("puma")
    'Puma concolor'
    """
    return LINEAGES[taxon][-1]
