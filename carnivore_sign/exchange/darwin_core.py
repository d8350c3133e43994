"""Darwin Core: a season as a Darwin Core Archive, its core the events.

For managers the archive holds the whole record. What the standard has words for stands in its
terms: transects and visits are events, sign are occurrences, prints are measurements, photos are
media, effort and non-detections stand in the Humboldt extension. Tables for which it has none
(positions of logs, receipts, rows set aside, holdings, losses) are extensions with row types of
our own, which other readers pass over. `carnivore_sign.intake` reads all of it back.

For others it holds units and months alone, with places generalised; see ``cells.py``.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Final

import pandas as pd

from carnivore_sign.exchange import cells
from carnivore_sign.exchange.content import Content
from carnivore_sign.exchange.events import event_rows, season_id, visit_inventory
from carnivore_sign.exchange.facts import all_facts
from carnivore_sign.exchange.media import photo_rows
from carnivore_sign.exchange.metadata import Publisher, eml_of
from carnivore_sign.exchange.occurrences import absence_rows, sign_events, sign_rows
from carnivore_sign.exchange.star import ID, StarFile, blank_rows, write_star
from carnivore_sign.records.darwin_core import EVENT, FACT, INVENTORY, MEDIA, OCCURRENCE
from carnivore_sign.records.plain_text import write_words
from carnivore_sign.records.tables import SEASON_TABLES

#: Tables that the terms of the standard carry; the others are extensions of our own.
IN_TERMS: Final = ("transects", "sign", "prints", "photos")


def write_archive(
    path: str | Path,
    content: Content,
    *,
    publisher: Publisher | None = None,
    made_on: dt.date | None = None,
) -> Path:
    """Write a season as a Darwin Core Archive.

    Parameters
    ----------
    path : path-like
        The file, ``.zip``; one that is there is replaced.
    content : Content
        The season, what was computed from it, and for whom it is made.
    publisher : Publisher, optional
        Who publishes it; *not stated*, unless given.
    made_on : date, optional
        Date that it bears; today in the season's zone, unless given.

    Returns
    -------
    Path
        The file.

    Examples
    --------
    >>> import tempfile
    >>> from carnivore_sign.maps import Edition
    >>> from carnivore_sign.records.check import empty
    >>> from carnivore_sign.records.season import create_season
    >>> folder = Path(tempfile.mkdtemp())
    >>> season = create_season(folder / "s.gpkg", name="March", time_zone="UTC")
    >>> tables = {name: empty(table) for name, table in SEASON_TABLES.items()}
    >>> archive = write_archive(folder / "s.zip", Content(season, Edition(), "puma", tables))
    >>> import zipfile
    >>> zipfile.ZipFile(archive).namelist()
    ['meta.xml', 'eml.xml', 'event.csv']

    >>> from carnivore_sign.example import example_analysis
    >>> analysis = example_analysis()
    >>> from carnivore_sign import PageOptions
    >>> from carnivore_sign.chain.exporting import content_of
    >>> content, _ = content_of(analysis, None, PageOptions())
    >>> import tempfile
    >>> write_archive(Path(tempfile.mkdtemp()) / "season.zip", content).name
    'season.zip'
    """
    made_on = made_on or dt.datetime.now(content.season.zone).date()
    files = _whole(content) if content.edition.exact else _generalised(content)
    core, *extensions = (
        StarFile(name, kind, blank_rows(rows) if ID in rows else pd.DataFrame({ID: []}))
        for name, kind, rows in files
    )
    if content.edition.exact:
        extensions += _own_files(content)
    eml = eml_of(content, publisher or Publisher(), made_on)
    return write_star(Path(path), core, extensions, documents={"eml.xml": eml}, made_on=made_on)


def _whole(content: Content) -> list[tuple[str, str, pd.DataFrame]]:
    events = sign_events(content)
    sign = sign_rows(content, events)
    return [
        ("event.csv", EVENT, event_rows(content)),
        ("occurrence.csv", OCCURRENCE, _joined(sign, absence_rows(content))),
        ("measurement.csv", FACT, all_facts(content, events)),
        ("inventory.csv", INVENTORY, visit_inventory(content)),
        ("media.csv", MEDIA, photo_rows(content, events)),
    ]


def _own_files(content: Content) -> list[StarFile]:
    """Return the tables that no term of the standard fits, with row types of our own."""
    return [
        StarFile(f"record_{name}.csv", f"own:{name}", frame, _own_words(frame, name))
        for name, frame in content.tables.items()
        if name not in IN_TERMS and len(frame)
    ]


def _own_words(frame: pd.DataFrame, name: str) -> Callable[[pd.DataFrame], pd.DataFrame]:
    """Return what writes rows of a table out under terms of our own, without blank columns."""
    filled = [column for column in frame if frame[column].notna().any()]

    def words(rows: pd.DataFrame) -> pd.DataFrame:
        told = write_words(rows, SEASON_TABLES[name])[filled]
        told = told.rename(columns=lambda column: f"own:{column}")
        told.insert(0, ID, season_id())
        return told

    return words


def _generalised(content: Content) -> list[tuple[str, str, pd.DataFrame]]:
    return [
        ("event.csv", EVENT, cells.event_rows(content)),
        ("occurrence.csv", OCCURRENCE, cells.occurrence_rows(content)),
        ("measurement.csv", FACT, cells.unit_facts(content)),
        ("inventory.csv", INVENTORY, cells.unit_inventory(content)),
    ]


def _joined(*parts: pd.DataFrame) -> pd.DataFrame:
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
