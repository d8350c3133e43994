"""Reading GPX logs: beside a general-purpose GPX reader and the plain geopandas way.

200 logs of 5,000 points, as a hand-held device writes them. The slow readers are timed on a
tenth of the files; seconds are processor time per file, so that rows compare. Ratio is the
time of that row over the time of `read_log`: how many times faster ours is.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import gpxpy
import numpy as np
import pandas as pd

from carnivore_sign.intake import import_files, read_log
from carnivore_sign.intake.gpx_document import read_document
from carnivore_sign.records.season import create_season

FILES = 200
POINTS = 5_000


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time each way of reading; `scale` multiplies the number of files."""
    count = max(2, round(FILES * scale))
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as folder:
        for case, extension in (("plain points", ""), ("points with heart rate", HEART_RATE)):
            paths = [write_log(Path(folder), number, extension) for number in range(count)]
            rows += _case(f"{count} logs x {POINTS} points, {case}", paths)
        rows += _importing(paths)
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio"])


HEART_RATE = (
    "<extensions><gpxtpx:TrackPointExtension><gpxtpx:hr>99</gpxtpx:hr>"
    "</gpxtpx:TrackPointExtension></extensions>"
)


def write_log(folder: Path, number: int, extension: str) -> Path:
    """Write one log of a random walk."""
    rng = np.random.default_rng(number)
    start = np.array([37.4, -119.2])
    steps = start + rng.normal(0, 1e-5, (POINTS, 2)).cumsum(axis=0)
    clock = pd.Timestamp("2026-02-14T15:40Z") + pd.to_timedelta(np.arange(POINTS), unit="s")
    words = clock.strftime("%Y-%m-%dT%H:%M:%SZ")
    height = rng.normal(600, 20, POINTS)
    points = "".join(
        f'      <trkpt lat="{lat:.7f}" lon="{lon:.7f}">\n        <ele>{ele:.1f}</ele>\n'
        f"        <time>{word}</time>\n{extension}      </trkpt>\n"
        for (lat, lon), ele, word in zip(steps, height, words, strict=True)
    )
    path = folder / f"{'hr' if extension else 'plain'}{number:03d}.gpx"
    path.write_text(
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="Made" '
        'xmlns="http://www.topografix.com/GPX/1/1" xmlns:gpxtpx="http://example.com/tpx">\n'
        f"  <trk>\n    <trkseg>\n{points}    </trkseg>\n  </trk>\n</gpx>\n"
    )
    return path


def _case(case: str, paths: list[Path]) -> list[dict[str, object]]:
    few = paths[: max(2, len(paths) // 10)]
    read_log(paths[0])
    ways = {
        "read_log": _per_file(read_log, paths),
        "the referee alone, no tables": _per_file(_referee, few),
        "geopandas.read_file(layer='track_points')": _per_file(_geopandas, few),
        "gpxpy.parse": _per_file(_gpxpy, few),
    }
    ours = ways["read_log"]
    return [
        {"case": case, "what": what, "seconds": seconds, "ratio": seconds / ours}
        for what, seconds in ways.items()
    ]


def _per_file(read: Callable[[Path], object], paths: list[Path]) -> float:
    start = time.process_time()
    for path in paths:
        read(path)
    return (time.process_time() - start) / len(paths)


def _referee(path: Path) -> object:
    return read_document(path.read_bytes(), path)


def _geopandas(path: Path) -> object:
    return gpd.read_file(path, layer="track_points")


def _gpxpy(path: Path) -> object:
    return gpxpy.parse(path.read_bytes())


def _importing(paths: list[Path]) -> list[dict[str, object]]:
    """Time an import end to end beside the reading of the same files."""
    reading = _per_file(read_log, paths)
    with tempfile.TemporaryDirectory() as folder:
        season = create_season(Path(folder) / "s.gpkg", name="Made", time_zone="UTC")
        start = time.process_time()
        import_files(season, paths)
        importing = (time.process_time() - start) / len(paths)
    case = f"{len(paths)} logs into a season"
    return [
        {"case": case, "what": "read_log", "seconds": reading, "ratio": 1.0},
        {"case": case, "what": "import_files", "seconds": importing, "ratio": importing / reading},
    ]
