"""Kinds: what a file is, told from its content and never from its ending."""

from __future__ import annotations

import re
from typing import Final

from carnivore_sign.errors import UnknownKind
from carnivore_sign.intake.archives import ZIP_MAGIC
from carnivore_sign.intake.columns import TABLE_COLUMNS, is_point_table
from carnivore_sign.intake.fit import FIT_AT, FIT_MAGIC
from carnivore_sign.intake.form_tables import part_of_export
from carnivore_sign.intake.geojson import is_log as is_geojson_log
from carnivore_sign.intake.kml import is_kml, kind_of_kml
from carnivore_sign.intake.outlines import is_outlines
from carnivore_sign.intake.photo_files import form_of
from carnivore_sign.intake.sheets import read_header
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.star_archive import is_star
from carnivore_sign.intake.submissions import is_submission
from carnivore_sign.intake.workbook import is_workbook

#: Kinds that `read_file` reads, and what each is.
KINDS: Final[dict[str, str]] = {
    "gpx": "GPS log in GPX 1.0 or 1.1",
    "nmea": "log of NMEA 0183 sentences",
    "tcx": "training file of a sports watch, TCX",
    "kml": "log of a map viewer in KML or KMZ",
    "geojson": "log in GeoJSON: points and timed lines",
    "fit": "binary file of a sports watch or handheld, FIT",
    "points": "table of positions, one fix or waypoint a row",
    "photo": "photo: JPEG, HEIC, PNG or TIFF",
    "submission": "filled-in field form, one submission in XML",
    "form_table": "filled-in field forms exported as a table, one part of the form a file",
    "outlines": "outlines of prints in GeoJSON, traced on a photo",
    "layer": "vector layer: lines are transects, polygons are parcels",
    "sign": "notebook table, one place with sign a row",
    "prints": "notebook table, one footprint a row",
    "clearings": "table of events that wiped the surface",
    "walks": "table of walks as they are stated, one transect walked a row",
    "weather": "table of what surfaces were like, and how long they keep tracks",
    "incidents": "table of losses",
    "carcasses": "table of what was seen at the carcasses of losses, one carcass a row",
    "darwin_core": "Darwin Core Archive: events, occurrences, measurements and media in a zip",
}

_HEAD_BYTES: Final = 4096
_ROOT: Final = re.compile(r"<(?![?!])(?:[\w.-]+:)?([\w.-]+)")
#: A sentence of NMEA 0183, which may stand behind comments or binary messages.
_NMEA: Final = re.compile(rb"\$[A-Z]{2}(GGA|RMC|GNS|GLL|GSA|GSV|VTG|ZDA|WPL),[^$\r\n]*[*,]")
_NMEA_BYTES: Final = 65_536
_LAYER_MAGIC: Final = (b"SQLite format 3\x00", b"fgb\x03fgb", b"\x00\x00\x27\x0a")
#: Content that is recognised and not read: magic bytes, where they stand, and what to do.
_REFUSED: Final = (
    (b"\xd0\xcf\x11\xe0", 0, "a workbook of an old kind (XLS)", "Save it as XLSX or CSV."),
    (b"ustar", 257, "a tar archive", "Unpack it first."),
)  # fmt: skip


def recognise(source: Source) -> str:
    """Tell the kind of a file from its content.

    Returns
    -------
    str
        A key of `KINDS`.

    Raises
    ------
    UnknownKind
        If no reader fits; the message says what was seen and what would do.
    """
    for magic, where, what, remedy in _REFUSED:
        if source.data[where : where + len(magic)] == magic:
            raise UnknownKind(f"this is {what}", file=source.path, remedy=remedy)
    if source.data.startswith(ZIP_MAGIC):
        return _kind_of_archive(source)
    return _kind_of_bytes(source.data) or _kind_of_text(source)


def _kind_of_bytes(data: bytes) -> str | None:
    """Tell the kinds that a few bytes give away."""
    if data[FIT_AT : FIT_AT + len(FIT_MAGIC)] == FIT_MAGIC:
        return "fit"
    if form_of(data):
        return "photo"
    if data.startswith(_LAYER_MAGIC):
        return "layer"
    return "nmea" if _NMEA.search(as_utf8(data[:_NMEA_BYTES])[0]) else None


def _kind_of_text(source: Source) -> str:
    head = as_utf8(source.data[:_HEAD_BYTES])[0].decode("utf-8", errors="replace").lstrip()
    if head.startswith("<"):
        return _kind_of_xml(source, head)
    if head.startswith(("{", "[", "\x1e")):
        if is_outlines(source.data):
            return "outlines"
        return "geojson" if is_geojson_log(source.data) else "layer"
    return _kind_of_table(source)


def _kind_of_archive(source: Source) -> str:
    if is_star(source):
        return "darwin_core"
    if is_kml(source):
        return kind_of_kml(source)
    if is_workbook(source):
        return _kind_of_table(source)
    raise UnknownKind(
        "this is a zip archive without a KML in it, no workbook and no Darwin Core Archive",
        file=source.path,
        remedy="Unpack it first; save a spreadsheet as XLSX or CSV.",
    )


def _kind_of_xml(source: Source, head: str) -> str:
    bare = re.sub(r"<!--.*?-->", "", head, flags=re.DOTALL)
    root = _ROOT.search(bare)
    name = root[1].lower() if root else ""
    if name == "gpx":
        return "gpx"
    if name == "trainingcenterdatabase":
        return "tcx"
    if name == "kml":
        return kind_of_kml(source)
    if is_submission(bare):
        return "submission"
    raise UnknownKind(
        f"this is XML with the root element <{name}>, and not one of GPX, KML and TCX",
        file=source.path,
        remedy="Export the log as GPX.",
    )


def _kind_of_table(source: Source) -> str:
    header = read_header(source)
    if header is None:
        raise UnknownKind(
            "the content is neither a GPS log, nor a layer, nor a table",
            file=source.path,
            remedy="Export the log as GPX, or save the table as CSV.",
        )
    if part_of_export(header):
        return "form_table"
    scores = {
        kind: len(columns.match(header)[0]) + 10 * (not columns.missing(header))
        for kind, columns in TABLE_COLUMNS.items()
    }
    kind = max(scores, key=lambda one: scores[one])
    if scores[kind] < 10 and is_point_table(header):
        return "points"
    if scores[kind] < 2:
        wanted = "; ".join(
            f"{kind}: {', '.join(columns.required)}" for kind, columns in TABLE_COLUMNS.items()
        )
        raise UnknownKind(
            f"no table has these columns: {', '.join(header[:20])}",
            file=source.path,
            remedy=f"The first row names the columns. Needed are - {wanted}.",
        )
    return kind
