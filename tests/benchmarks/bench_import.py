"""Importing logs into a season: beside reading them, and beside the plain geopandas way.

200 logs of 5,000 points are a million fixes. The plain way reads each with geopandas and
appends it to one GeoPackage (`to_file(mode="a")`); it is timed on a twentieth of the logs and
given per log times their number. Seconds of one process are processor time, those of workers
are by the clock, their start included. The plain way neither checks nor flags a fix, keeps no
receipt, and does not know a log that it has already. ``parent_s`` is the processor time of the
process that writes, which is the least that more workers can bring the clock down to.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.intake import import_files, read_log
from carnivore_sign.records.season import Season, create_season
from tests.benchmarks.bench_gpx import POINTS, write_log

FILES = 200


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time each way of importing; `scale` multiplies the number of files."""
    count = max(4, round(FILES * scale))
    rows: list[dict[str, object]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        apart = [write_log(folder, number, "", day=number) for number in range(count)]
        rows += _one_process(folder, f"{count} logs x {POINTS} points, a day each", apart)
        rows += _workers(folder, f"{count} logs x {POINTS} points, by the clock", apart)
        at_once = [write_log(folder, number, "") for number in range(count)]
        rows += _one_process(folder, f"{count} logs x {POINTS} points, all at one time", at_once)
    return pd.DataFrame(rows, columns=["case", "what", "seconds", "ratio", "parent_s"])


def _one_process(folder: Path, case: str, paths: list[Path]) -> list[dict[str, object]]:
    few = paths[: max(2, len(paths) // 20)]
    len(read_log(paths[0]).tables["fixes"])
    start = time.process_time()
    for path in paths:
        assert len(read_log(path).tables["fixes"])
    reading = time.process_time() - start
    season = _season(folder, case)
    start = time.process_time()
    import_files(season, paths)
    ours = time.process_time() - start
    target = folder / f"plain {case}.gpkg"
    start = time.process_time()
    for path in few:
        gpd.read_file(path, layer="track_points").to_file(target, layer="fixes", mode="a")
    plain = (time.process_time() - start) * len(paths) / len(few)
    _assert_same(season, target)
    return [
        {"case": case, "what": "geopandas", "seconds": plain, "ratio": 1.0},
        {"case": case, "what": "import_files", "seconds": ours, "ratio": plain / ours},
        {"case": case, "what": "read_log alone", "seconds": reading, "ratio": np.nan},
        {"case": f"{case}, beside reading", "what": "read_log", "seconds": reading, "ratio": 1.0},
        {"case": f"{case}, beside reading", "what": "import_files", "seconds": ours,
         "ratio": reading / ours},
    ]  # fmt: skip


def _workers(folder: Path, case: str, paths: list[Path]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    one = np.nan
    for what, workers in (
        ("import_files, 1 worker", 1),
        ("2 workers, their start included", 2),
        ("2 workers, once more in the same program", 2),
    ):
        season = _season(folder, what)
        start, busy = time.perf_counter(), time.process_time()
        import_files(season, paths, workers=workers)
        took, parent = time.perf_counter() - start, time.process_time() - busy
        one = took if workers == 1 else one
        rows.append({"case": case, "what": what, "seconds": took, "ratio": one / took,
                     "parent_s": round(parent, 2)})  # fmt: skip
    return rows


def _season(folder: Path, name: str) -> Season:
    return create_season(folder / f"{name}.gpkg", name="Made", time_zone="UTC")


def _assert_same(season: Season, target: Path) -> None:
    """Hold the fixes of the season against those of the plain way, as far as it went."""
    plain = gpd.read_file(target, layer="fixes")
    ours = season.read("fixes").iloc[: len(plain)]
    assert np.array_equal(ours.geometry.x, plain.geometry.x)
    assert np.array_equal(ours.geometry.y, plain.geometry.y)
    assert np.array_equal(ours["elevation_m"], plain["ele"])
    times = pd.to_datetime(plain["time"], utc=True)
    assert (ours["time"].to_numpy() == times.to_numpy()).all()


if __name__ == "__main__":
    print(run(0.1))
