"""Kill imports at random moments, and hold what is left of the season against its receipts.

    python tests/killing.py --moments 200

Each import runs in a process of its own, forked from this one, and is killed at a random moment
of the time that a whole import takes. The season must then open, pass SQLite's own check and hold
whole files only; the same import once more must complete it.
"""

from __future__ import annotations

import argparse
import os
import signal
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from carnivore_sign.intake import import_files, writing
from carnivore_sign.records.season import Season, create_season, open_season

POINTS = 40
FILES = 24


def log(number: int) -> str:
    """Return a log of one day with one point that cannot be used."""
    points = "".join(
        f'<trkpt lat="{37.4 + i / 1e4:.6f}" lon="-119.2"><time>2026-02-{number % 28 + 1:02d}T15:'
        f"{i // 60:02d}:{i % 60:02d}Z</time></trkpt>"
        for i in range(POINTS)
    )
    return f'<gpx><trk><trkseg>{points}<trkpt lat="95" lon="0"/></trkseg></trk></gpx>'


def write_logs(folder: Path, count: int) -> list[Path]:
    """Write so many logs to a folder."""
    paths = [folder / f"walk{number:02d}.gpx" for number in range(count)]
    for number, path in enumerate(paths):
        path.write_text(log(number))
    return paths


def assert_whole_files(season: Season) -> int:
    """Hold every table against the receipts; return the number of files."""
    receipts = season.read("receipts")
    tables = {name: season.read(name) for name in ("logs", "fixes", "set_aside")}
    for row in receipts.itertuples():
        if row.table_name in tables:
            assert (tables[row.table_name]["receipt"] == row.receipt).sum() == row.rows_kept
    aside = receipts.groupby("receipt")["rows_set_aside"].sum()
    assert tables["set_aside"].groupby("receipt").size().to_dict() == aside[aside > 0].to_dict()
    assert len(tables["logs"]) == receipts["receipt"].nunique()
    assert len(tables["fixes"]) == POINTS * len(tables["logs"])
    return len(tables["logs"])


def import_and_die(season: Path, paths: list[Path], seconds: float) -> None:
    """Import the files in a process that is killed after so many seconds."""
    child = os.fork()
    if child == 0:
        try:
            import_files(open_season(season), paths)
        finally:
            os._exit(0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def kill_imports(folder: Path, moments: int, *, seed: int, complete_every: int) -> list[int]:
    """Kill so many imports; return how many files each season then had.

    The first of every `complete_every` seasons is completed by the same import once more.
    """
    paths = write_logs(folder, FILES)
    start = time.perf_counter()
    import_files(create_season(folder / "whole.gpkg", name="S", time_zone="UTC"), paths)
    took = time.perf_counter() - start
    left = []
    for moment, seconds in enumerate(np.random.default_rng(seed).uniform(0, took, moments)):
        path = folder / f"{moment}.gpkg"
        create_season(path, name="S", time_zone="UTC")
        import_and_die(path, paths, float(seconds))
        season = open_season(path)
        left.append(assert_whole_files(season))
        with sqlite3.connect(path) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        connection.close()
        if moment % complete_every == 0:
            import_files(season, paths)
            assert assert_whole_files(season) == FILES
        path.unlink()
    return left


def main() -> None:
    """Kill the imports that the command line asks for, and say what was left."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--moments", type=int, default=200)
    parser.add_argument("--complete-every", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    writing.MAX_ROWS = 2 * POINTS  # a few files to the transaction, so that there are many
    with tempfile.TemporaryDirectory() as name:
        left = kill_imports(
            Path(name), asked.moments, seed=asked.seed, complete_every=asked.complete_every
        )
    within = sum(0 < files < FILES for files in left)
    print(f"{len(left)} imports were killed, {within} of them with some files in and some not")
    if not within:
        sys.exit("no moment fell into an import")


if __name__ == "__main__":
    main()
