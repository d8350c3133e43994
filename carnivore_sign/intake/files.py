"""Files: one call for a file of any kind, and one for each family of kinds."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

from carnivore_sign.errors import FileUnreadable, InputError, UnknownKind
from carnivore_sign.intake.asking import require_columns
from carnivore_sign.intake.clocks import require_zone
from carnivore_sign.intake.darwin_core import ARCHIVE, read_archive
from carnivore_sign.intake.fit import read_fit
from carnivore_sign.intake.form_tables import read_form_table
from carnivore_sign.intake.geojson import read_geojson
from carnivore_sign.intake.gpx import read_gpx
from carnivore_sign.intake.kinds import KINDS, recognise
from carnivore_sign.intake.kml import is_kml, read_kml, read_kml_layer
from carnivore_sign.intake.layers import read_layer
from carnivore_sign.intake.nmea import read_nmea
from carnivore_sign.intake.outlines import read_outline_file
from carnivore_sign.intake.photos import read_photo
from carnivore_sign.intake.point_table import read_point_table
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source, open_source
from carnivore_sign.intake.submissions import read_submission
from carnivore_sign.intake.tables import read_notebook
from carnivore_sign.intake.tcx import read_tcx

#: Readers of the kinds that are GPS logs.
LOG_READERS: Final[dict[str, Callable[..., Reading]]] = {
    "gpx": read_gpx,
    "nmea": read_nmea,
    "tcx": read_tcx,
    "kml": read_kml,
    "fit": read_fit,
    "geojson": read_geojson,
    "points": read_point_table,
}

_RECORD_READERS: Final[dict[str, Callable[..., Reading]]] = {
    ARCHIVE: read_archive,
    "submission": read_submission,
    "form_table": read_form_table,
}

#: Kinds that are neither a log nor a table.
_NO_TABLES: Final = ("layer", "outlines", "photo", "submission", ARCHIVE)


def read_file(
    path: str | Path,
    *,
    time_zone: str | None = None,
    crs: str | None = None,
    observer: str | None = None,
    kind: str | None = None,
) -> Reading:
    """Read a field file of any kind, recognised by its content.

    Parameters
    ----------
    path : path-like
        A GPS log (FIT, GeoJSON, GPX, KML, NMEA 0183, TCX; packed or not), a notebook table
        (CSV, XLSX), a layer of transects or parcels (KML, and any that pyogrio reads), or a
        Darwin Core Archive.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such rows are set aside.
    crs : str, optional
        Reference system of a layer that states none.
    observer : str, optional
        Who carried the device; the author named in the log, unless given.
    kind : str, optional
        A key of `carnivore_sign.intake.kinds.KINDS`; recognised, unless given.

    Returns
    -------
    Reading
        The rows kept by table, the rows set aside with their reasons, and the counts.

    Raises
    ------
    FileUnreadable
        If the file is missing, empty or damaged from its first byte, or holds no row at all.
    UnknownKind
        If no reader recognises its content.
    InputError
        If a required column is missing, or `kind` or `time_zone` is unknown.
    CrsMissing
        If a layer states no reference system and none is given.

    Examples
    --------
    >>> import tempfile
    >>> log = Path(tempfile.mkdtemp()) / "walk.gpx"
    >>> _ = log.write_text(
    ...     '<gpx version="1.1"><trk><trkseg>'
    ...     '<trkpt lat="37.4" lon="-119.2"><time>2026-02-14T15:40:00Z</time></trkpt>'
    ...     '<trkpt lat="95" lon="-119.2"><time>2026-02-14T15:40:05Z</time></trkpt>'
    ...     "</trkseg></trk></gpx>"
    ... )
    >>> reading = read_file(log)
    >>> reading.rows_in["fixes"], len(reading.tables["fixes"])
    (2, 1)
    >>> reading.set_aside["reason"].item()
    'latitude out of range, -90 to 90 (came: 95)'
    """
    source = open_source(path)
    require_zone(time_zone)
    reading = read_any(source, time_zone=time_zone, crs=crs, observer=observer, kind=kind)
    return _with_rows(reading)


def read_log(
    path: str | Path, *, time_zone: str | None = None, observer: str | None = None
) -> Reading:
    """Read a GPS log; as `read_file`, and anything else is an error.

    Parameters
    ----------
    path : path-like
        The log.
    time_zone, observer : str, optional
        As for `read_file`.

    Returns
    -------
    Reading
        As `read_file` gives it.

    Raises
    ------
    UnknownKind
        If the content is not a GPS log.

    Examples
    --------
    >>> from carnivore_sign.demo import demo_folder
    >>> reading = read_log(demo_folder() / "logs" / "2026-02-05_quill.gpx")
    >>> reading.rows_in["fixes"], len(reading.tables["fixes"])
    (311, 311)
    """
    source = open_source(path)
    found = recognise(source)
    if found not in LOG_READERS:
        raise UnknownKind(
            f"this is not a GPS log ({KINDS[found]})",
            file=source.path,
            remedy="Read it with read_file.",
        )
    read = LOG_READERS[found]
    return _with_rows(read(source, time_zone=require_zone(time_zone), observer=observer))


def read_table(
    path: str | Path,
    *,
    time_zone: str | None = None,
    kind: str | None = None,
    columns: Mapping[str, str] | None = None,
) -> Reading:
    """Read a notebook table; as `read_file`, and anything else is an error.

    Parameters
    ----------
    path : path-like
        The table: CSV, or a workbook.
    time_zone, kind : str, optional
        As for `read_file`.
    columns : mapping of str to str, optional
        Names in the first row, and the columns that they are, as in `import_files`.

    Returns
    -------
    Reading
        As `read_file` gives it.

    Raises
    ------
    UnknownKind
        If the content is not a table.

    Examples
    --------
    >>> from carnivore_sign.demo import demo_folder
    >>> reading = read_table(demo_folder() / "sign.csv", time_zone="America/Los_Angeles")
    >>> reading.rows_in
    {'sign': 324}
    """
    source = replace(open_source(path), columns=require_columns(columns))
    found = kind or recognise(source)
    if found in _NO_TABLES or found in LOG_READERS:
        raise UnknownKind(
            f"this is not a notebook table ({KINDS[found]})",
            file=source.path,
            remedy="Read it with read_file.",
        )
    reading = read_any(source, time_zone=require_zone(time_zone), kind=found)
    return _with_rows(reading)


def read_any(
    source: Source,
    *,
    time_zone: str | None = None,
    crs: str | None = None,
    observer: str | None = None,
    kind: str | None = None,
) -> Reading:
    """Read an open source; as `read_file`, but a log without a point is a reading of no rows."""
    if kind is not None and kind not in KINDS:
        raise InputError(
            f"'{kind}' is not a kind of file that is read", remedy=f"Use one of {', '.join(KINDS)}."
        )
    found = kind or recognise(source)
    if found in LOG_READERS:
        return LOG_READERS[found](source, time_zone=time_zone, observer=observer)
    if found == "photo":
        return read_photo(source, time_zone=time_zone, observer=observer)
    if found == "outlines":
        return read_outline_file(source)
    if found in _RECORD_READERS:
        return _RECORD_READERS[found](source, time_zone=time_zone)
    if found == "layer":
        return read_kml_layer(source) if is_kml(source) else read_layer(source, crs=crs)
    return read_notebook(source, found, time_zone=time_zone)


def _with_rows(reading: Reading) -> Reading:
    if not sum(reading.rows_in.values()):
        raise FileUnreadable(
            "it holds no point",
            file=reading.file,
            remedy="Look whether the device recorded at all, and export the log once more.",
        )
    return reading
