"""Exports beside the plain way with geopandas, pandas and zipfile, and reading them again.

The plain way writes times and well-known text as pandas and shapely give them, guards no cell,
explains no column, and reads a table back without holding it against a schema.
"""

from __future__ import annotations

import tempfile
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from carnivore_sign.exchange import (
    Content,
    read_package,
    write_archive,
    write_geojson,
    write_package,
)
from carnivore_sign.intake import read_file
from carnivore_sign.maps import Edition
from carnivore_sign.records.check import conform, empty
from carnivore_sign.records.season import create_season
from carnivore_sign.records.tables import FIXES, SEASON_TABLES

POINTS = 50_000


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time both ways for each form; `scale` multiplies the number of fixes."""
    fixes = drawn(max(1000, round(POINTS * scale)))
    rows: list[tuple[str, str, float, float]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for case, (plain, ours) in cases(folder, fixes).items():
            first, second = _seconds(plain), _seconds(ours)
            rows.append((f"{case}, {len(fixes):,} fixes", "plain", first, np.nan))
            rows.append((f"{case}, {len(fixes):,} fixes", "ours", second, first / second))
        back = read_package(folder / "package")["fixes"]
        assert (back.geometry.to_numpy() == fixes.geometry.to_numpy()).all()
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio"])


def drawn(count: int) -> gpd.GeoDataFrame:
    """Draw fixes of logs."""
    rng = np.random.default_rng(1)
    start = pd.Timestamp("2026-01-01T00:00Z")
    columns = {
        "receipt": "0123456789ab",
        "source_row": np.arange(1, count + 1),
        "log": [f"log {row // 500}" for row in range(count)],
        "part": 0,
        "time": start + pd.to_timedelta(np.arange(count) * 5, "s"),
        "elevation_m": rng.uniform(0, 3000, count).round(1),
        "hdop": rng.uniform(1, 3, count).round(1),
    }
    places = shapely.points(rng.uniform(-120, -119, count), rng.uniform(36, 37, count))
    return conform(gpd.GeoDataFrame(columns, geometry=places, crs=4326), FIXES)


def cases(
    folder: Path, fixes: gpd.GeoDataFrame
) -> dict[str, tuple[Callable[[], Any], Callable[[], Any]]]:
    """Return the plain way and ours for each form."""
    season = create_season(folder / "s.gpkg", name="s", time_zone="UTC")
    tables = {name: empty(table) for name, table in SEASON_TABLES.items()} | {"fixes": fixes}
    content = Content(season, Edition(), "puma", tables)
    csv, packed = folder / "plain.csv", folder / "plain.zip"
    return {
        "CSV written": (
            lambda: fixes.to_wkt().to_csv(csv, index=False),
            lambda: write_package(folder / "package", {"fixes": (FIXES, fixes)}, title="s"),
        ),
        "CSV read": (
            lambda: shapely.from_wkt(pd.read_csv(csv, parse_dates=["time"])["geometry"]),
            lambda: read_package(folder / "package"),
        ),
        "GeoJSON written": (
            lambda: fixes.to_file(folder / "plain.geojson", driver="GeoJSON", RFC7946="YES"),
            lambda: write_geojson(folder / "ours.geojson", fixes),
        ),
        "archive written": (
            lambda: _pack(packed, fixes.to_wkt().to_csv(index=False)),
            lambda: write_archive(folder / "ours.zip", content),
        ),
        "archive read": (
            lambda: shapely.from_wkt(pd.read_csv(packed, parse_dates=["time"])["geometry"]),
            lambda: read_file(folder / "ours.zip"),
        ),
    }


def _pack(path: Path, text: str) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("fixes.csv", text)


def _seconds(work: Callable[[], Any]) -> float:
    """Return the least of three times of the processor."""
    times = []
    for _ in range(3):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)
