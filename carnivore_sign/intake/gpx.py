"""GPX: logs, fixes, waypoints and route points from GPX 1.0 and 1.1.

The file is cut into track points that are regular, which ``gpx_scan.py`` reads as arrays, and
the rest, which ``gpx_document.py`` reads element by element. Here both become tables
(``gpx_tables.py``), and every point of the file is in one, or set aside with its reason.

Bounds are those of the GPX 1.1 schema: latitude from -90 to 90, longitude from -180 up to but
not including 180. Longitude 180 itself, which devices do write, is put at -180 and noted.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from carnivore_sign.intake.gpx_document import Document, read_document
from carnivore_sign.intake.gpx_points import PointArrays
from carnivore_sign.intake.gpx_scan import scan_track_points
from carnivore_sign.intake.gpx_tables import TABLE_OF, keep_points
from carnivore_sign.intake.log_tables import POINT_TABLES, KeptPoints, LogTables
from carnivore_sign.intake.logs import LogHead, log_name, log_row
from carnivore_sign.intake.reading import Reading, make_reading, rows_set_aside
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.intake.text_points import hold_count

if TYPE_CHECKING:
    import pandas as pd

IntArray = npt.NDArray[np.int64]


def read_gpx(
    source: Source,
    *,
    time_zone: str | None = None,
    observer: str | None = None,
) -> Reading:
    """Read a GPX file.

    Parameters
    ----------
    source : Source
        The file.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such points are set aside.
    observer : str, optional
        Who carried the device; the author named in the file, unless given.

    Returns
    -------
    Reading
        Tables ``logs`` (one row, none if there is no point), ``fixes``, ``waypoints`` and
        ``route_points``. ``source_row`` counts the points of each kind from 1.

    Raises
    ------
    FileUnreadable
        If the content is not XML, or declares entities.

    Notes
    -----
    Source: GPX 1.1 schema (bounds, names of elements); GPX 1.0 for ``author`` and ``name``.
    """
    data, notes = as_utf8(source.data)
    document, scanned = _read_points(data, source)
    notes = (*notes, *document.notes)
    log = log_name(source)
    points: dict[str, KeptPoints] = {}
    aside: list[pd.DataFrame] = []
    rows_in = dict.fromkeys(POINT_TABLES, 0)
    for kind, table in TABLE_OF.items():
        told: list[str] = []
        if kind == "trkpt" and scanned is not None:
            arrays = scanned
        elif document.points[kind] or document.lost[kind]:
            arrays, told = document.points[kind].arrays(time_zone)
        else:
            continue
        notes = (*notes, *(f"{table.name}: {note}" for note in (*told, *_repair(arrays))))
        rows = _numbered(arrays.begin, document.lost[kind])
        rows_in[table.name] = len(arrays.begin) + len(document.lost[kind])
        aside.append(_set_aside(document, kind, arrays, rows=rows, receipt=source.receipt))
        points[table.name] = keep_points(
            kind, arrays, rows=rows[0], receipt=source.receipt, log=log
        )
    row = None
    if sum(rows_in.values()):
        fixes = points.get("fixes")
        row = log_row(_head(document, observer), fixes, source, log)
        notes = (*notes, *(fixes.rollover_notes() if fixes else ()))
    return make_reading(
        source,
        "gpx",
        tables=LogTables(row, points),
        rows_in={"logs": int(row is not None), **rows_in},
        set_aside=aside,
        notes=notes,
    )


def _head(document: Document, observer: str | None) -> LogHead:
    """Return what the file says of itself."""
    return LogHead(
        device=document.creator,
        name=document.name or document.track_name,
        observer=observer or document.author,
        tracks=document.tracks,
        parts=document.parts,
    )


def _read_points(data: bytes, source: Source) -> tuple[Document, PointArrays | None]:
    """Read the document, its regular track points as arrays if they can be had that way."""
    file = source.path
    scan = scan_track_points(data)
    if scan is not None:
        hold_count(len(scan.lon), file)
        document = read_document(scan.rest, file)
        if not document.notes and scan.fits(document):
            return document, PointArrays(
                begin=scan.begin,
                part=scan.parts(document),
                lon=scan.lon,
                lat=scan.lat,
                measures=scan.measures,
                texts=scan.texts,
                time_ms=scan.time_ms,
                faults={},
            )
    return read_document(data, file), None


def _add_fault(faults: dict[int, str], place: int, reason: str) -> None:
    faults[place] = f"{faults[place]}; {reason}" if place in faults else reason


def _repair(arrays: PointArrays) -> list[str]:
    """Hold positions against the bounds of the schema; put longitude 180 at -180."""
    for values, limit, what in ((arrays.lat, 90, "latitude"), (arrays.lon, 180, "longitude")):
        with np.errstate(invalid="ignore"):
            outside = np.isfinite(values) & (np.abs(values) > limit)
        for place in np.flatnonzero(outside):
            reason = f"{what} out of range, -{limit} to {limit} (came: {values[place]:.10g})"
            _add_fault(arrays.faults, int(place), reason)
    edge = arrays.lon == 180
    if not edge.any():
        return []
    arrays.lon[edge] = -180.0
    return [f"longitude 180 written as -180 ({edge.sum()})"]


def _numbered(at: IntArray, lost: list[tuple[int, str]]) -> tuple[IntArray, IntArray]:
    """Number the points read and the points lost, from 1, as they stand in the file."""
    if not lost:
        return np.arange(1, len(at) + 1), np.empty(0, dtype=np.int64)
    where = np.concatenate([at, [begin for begin, _ in lost]])
    numbers = np.empty(len(where), dtype=np.int64)
    numbers[np.argsort(where, kind="stable")] = np.arange(1, len(where) + 1)
    return numbers[: len(at)], numbers[len(at) :]


def _set_aside(
    document: Document,
    kind: str,
    arrays: PointArrays,
    *,
    rows: tuple[IntArray, IntArray],
    receipt: str,
) -> pd.DataFrame:
    lost = document.lost[kind]
    places = sorted(arrays.faults)
    return rows_set_aside(
        receipt,
        TABLE_OF[kind].name,
        rows=[*(int(rows[0][place]) for place in places), *map(int, rows[1])],
        reasons=[*(arrays.faults[place] for place in places), *(reason for _, reason in lost)],
        contents=(
            document.content(begin, kind)
            for begin in chain(
                (int(arrays.begin[place]) for place in places), (begin for begin, _ in lost)
            )
        ),
    )
