"""Reading GPX logs: beside gpxpy and beside the plain geopandas way.

200 logs of 5,000 points, as a hand-held device writes them. Seconds are processor time per
file, the mean over the files; the slow readers are timed on a tenth of them. `read_log` also
checks every point and flags it; its table of fixes is made and counted in.
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

from carnivore_sign.intake import read_log
from carnivore_sign.intake.gpx_document import Document, read_document

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
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio"])


HEART_RATE = (
    "<extensions><gpxtpx:TrackPointExtension><gpxtpx:hr>99</gpxtpx:hr>"
    "</gpxtpx:TrackPointExtension></extensions>"
)


def write_log(folder: Path, number: int, extension: str, *, day: int = 0) -> Path:
    """Write one log of a random walk, `day` days after the first."""
    rng = np.random.default_rng(number)
    start = np.array([37.4, -119.2])
    steps = start + rng.normal(0, 1e-5, (POINTS, 2)).cumsum(axis=0)
    begun = pd.Timestamp("2026-02-14T15:40Z") + pd.Timedelta(days=day)
    clock = begun + pd.to_timedelta(np.arange(POINTS), unit="s")
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
    _assert_same(paths[0])
    ours = _per_file(_fixes, paths)
    rows: list[dict[str, object]] = []
    for name, read in (("gpxpy", _gpxpy), ("geopandas", _geopandas)):
        plain = _per_file(read, few)
        referee = _per_file(_referee, few)
        beside = f"{case}, beside {name}"
        rows += [
            {"case": beside, "what": name, "seconds": plain, "ratio": 1.0},
            {"case": beside, "what": "referee, no tables", "seconds": referee,
             "ratio": plain / referee},
            {"case": beside, "what": "read_log", "seconds": ours, "ratio": plain / ours},
        ]  # fmt: skip
    return rows


def _assert_same(path: Path) -> None:
    """Hold the three ways against each other, every value of a file."""
    fixes = read_log(path).tables["fixes"]
    points = [p for t in _gpxpy(path).tracks for s in t.segments for p in s.points]
    frame = _geopandas(path)
    for lon, lat, ele in (
        ([p.longitude for p in points], [p.latitude for p in points],
         [p.elevation for p in points]),
        (frame.geometry.x, frame.geometry.y, frame["ele"]),
    ):  # fmt: skip
        assert np.array_equal(fixes.geometry.x, lon)
        assert np.array_equal(fixes.geometry.y, lat)
        assert np.array_equal(fixes["elevation_m"], ele)
    for times in ([p.time for p in points], frame["time"]):
        assert (fixes["time"].to_numpy() == pd.to_datetime(times, utc=True).to_numpy()).all()


def _per_file(read: Callable[[Path], object], paths: list[Path]) -> float:
    start = time.process_time()
    for path in paths:
        read(path)
    return (time.process_time() - start) / len(paths)


def _fixes(path: Path) -> pd.DataFrame:
    return read_log(path).tables["fixes"]


def _referee(path: Path) -> Document:
    return read_document(path.read_bytes(), path)


def _geopandas(path: Path) -> gpd.GeoDataFrame:
    return gpd.read_file(path, layer="track_points")


def _gpxpy(path: Path) -> gpxpy.gpx.GPX:
    return gpxpy.parse(path.read_bytes())
