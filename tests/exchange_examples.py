"""Seasons for the tests of exchange: a drawn one, and rows in every table that are hard to keep."""

from __future__ import annotations

import atexit
import hashlib
import io
import warnings
import zipfile
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.chain import Analysis, AnalysisOptions, PageOptions, analyse
from carnivore_sign.chain.exporting import content_of
from carnivore_sign.exchange import Content
from carnivore_sign.records.check import check_table
from carnivore_sign.records.schema import Column, Table
from carnivore_sign.records.season import Season, create_season
from carnivore_sign.records.tables import SEASON_TABLES
from carnivore_sign.simulate import demo_settings, simulate_season

DRAWN = (
    "logs", "fixes", "waypoints", "transects", "parcels", "clearings", "sign", "prints",
    "incidents",
)  # fmt: skip
#: Texts that formats like to lose: formulas, quotes, line ends, other alphabets, blanks outside.
AWKWARD = (
    '=HYPERLINK("x")', "'=1+1", "a, \"b\"; 'c'\r\nd\te", "Ñandú 豹 é", " spaced ", "-3", "@home",
    "null", "NA", "1e5", "a | b", "line\rreturn", "\u2028para",
)  # fmt: skip
PLACES = {
    "Point": shapely.Point(-129.0123456789012, 33.1000000000000014),
    "LineString": shapely.MultiLineString(
        [[(-129.1, 33.05), (-129.09999999999999, 33.06)], [(-129.2, 33.1), (-129.3, 33.2)]]
    ),
    "Polygon": shapely.Polygon(
        [(-129, 33), (-129, 33.1), (-128.9, 33.1)], [[(-128.99, 33.08), (-128.97, 33.09),
                                                      (-128.98, 33.09)]]
    ),
}  # fmt: skip


def value_of(column: Column, number: int) -> Any:
    """Return a value of a column that is hard to keep."""
    if column.words:
        return column.words[number % len(column.words)]
    if column.kind == "text":
        return f"{AWKWARD[number % len(AWKWARD)]} {column.name} {number}"
    if column.kind == "time":
        return pd.Timestamp("2026-03-01T12:00:00.123Z") + pd.Timedelta(number, "min")
    if column.kind == "integer":
        return 1 if column.at_most is not None else number + 1
    low = 0.0 if column.at_least is None else float(column.at_least)
    high = low + 1.0 if column.at_most is None else float(column.at_most)
    return low + (high - low) * (0.1 + 0.2) / (number % 7 + 1)


def awkward_rows(table: Table, count: int, *, skipped: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return rows of a table with something in every column, except those skipped."""
    rows = pd.DataFrame(
        [
            {c.name: value_of(c, at) for c in table.columns if c.name not in skipped}
            for at in range(count)
        ]
    )
    rows["source_row" if "source_row" in table.names else table.names[0]] = (
        range(1, count + 1) if "source_row" in table.names else rows[table.names[0]]
    )
    if table.geometry is None:
        return check_table(rows, table)
    shapes = [PLACES.get(str(table.geometry))] * count
    return check_table(gpd.GeoDataFrame(rows, geometry=shapes, crs=4326), table)


def whole_season(folder: Path, seed: int = 3) -> Season:
    """Return a drawn season with awkward rows in every table, and receipts for all of them."""
    drawn = simulate_season(replace(demo_settings(), months=1), np.random.default_rng(seed))
    season = create_season(
        folder / "season.gpkg", name="Drawn <season> & more", time_zone="America/Los_Angeles"
    )
    frames = {name: getattr(drawn, name) for name in DRAWN}
    frames["sign"] = frames["sign"].assign(notes="=1+1")
    awkward = {
        name: awkward_rows(table, 3)
        for name, table in SEASON_TABLES.items()
        if name not in ("receipts", "set_aside", "settled", "transects")
    }
    awkward["fixes"]["time"] = pd.NaT  # no effort, and none of the drawn walks
    awkward["clearings"]["transects"] = "nowhere"
    awkward["outlines"]["outline_mm"] = "POLYGON ((0 0, 30.5 0, 30 20, 0 0))"
    awkward["sign"].loc[1, "waypoint"] = awkward["waypoints"].loc[1, "name"]
    awkward["sign"] = awkward["sign"].set_geometry(
        gpd.GeoSeries([PLACES["Point"], None, None], crs=4326)
    )
    own = hashlib.sha256(b"awkward").hexdigest()
    together = {
        name: _both(frames.get(name), rows.assign(receipt=own[:12]), SEASON_TABLES[name])
        if "receipt" in rows
        else rows
        for name, rows in awkward.items()
    }
    together["transects"] = frames["transects"]
    together = _with_hashes(together)
    aside = awkward_rows(SEASON_TABLES["set_aside"], 3).assign(receipt=own[:12], table_name="sign")
    together["set_aside"] = aside
    together["settled"] = pd.DataFrame({"receipt": [own[:12]], "set_aside_no": [2]})
    together["receipts"] = _receipts(together)
    season.append(together)
    return season


def _both(first: pd.DataFrame | None, second: pd.DataFrame, table: Table) -> pd.DataFrame:
    if first is None:
        return second
    joined = pd.concat([pd.DataFrame(first), pd.DataFrame(second)], ignore_index=True)
    if table.geometry is None:
        return check_table(joined, table)
    return check_table(gpd.GeoDataFrame(joined, geometry="geometry", crs=4326), table)


def _with_hashes(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Name every receipt after a hash, as an import does."""
    return {
        name: rows.assign(receipt=rows["receipt"].map(lambda one: _hash(str(one))[:12]))
        if "receipt" in rows
        else rows
        for name, rows in frames.items()
    }


def _hash(name: str) -> str:
    awkward = hashlib.sha256(b"awkward").hexdigest()
    return awkward if name == awkward[:12] else hashlib.sha256(name.encode()).hexdigest()


def _receipts(frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return receipts that add up to the rows."""
    own = hashlib.sha256(b"awkward").hexdigest()
    rows = []
    for name, frame in frames.items():
        if "receipt" not in frame or name in ("settled", "set_aside"):
            continue
        for receipt, count in frame["receipt"].value_counts(sort=False).items():
            aside = 3 if receipt == own[:12] and name == "sign" else 0
            rows.append((receipt, name, int(count), aside))
    told = pd.DataFrame(rows, columns=["receipt", "table_name", "rows_kept", "rows_set_aside"])
    hashes = told["receipt"].map(lambda one: own if one == own[:12] else f"{one}{'0' * 52}")
    return told.assign(
        sha256=hashes, file="=file.csv", kind="sign", rows_known=0, notes="'quoted",
        rows_in=told["rows_kept"] + told["rows_set_aside"], library_version="0",
        imported_at=pd.Timestamp("2026-05-01T00:00:00.5Z"),
    )  # fmt: skip


_FOLDER = TemporaryDirectory()
atexit.register(_FOLDER.cleanup)


@cache
def drawn() -> Analysis:
    """Return the analysis of `whole_season`, made once in a process; nobody may change it."""
    return analysed(whole_season(Path(_FOLDER.name)))


def analysed(season: Season) -> Analysis:
    with warnings.catch_warnings():  # the awkward rows are left out of it, as it says
        warnings.simplefilter("ignore")
        return analyse(season, AnalysisOptions(region="dry_range"))


def content(analysis: Analysis, made_for: str = "managers", **page: Any) -> Content:
    return content_of(analysis, None, PageOptions(made_for=made_for, **page))[0]


def members(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def archive_of(path: Path, files: Mapping[str, str | bytes]) -> Path:
    """Write an archive from its members."""
    body = io.BytesIO()
    with zipfile.ZipFile(body, "w") as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    path.write_bytes(body.getvalue())
    return path
