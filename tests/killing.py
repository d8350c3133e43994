"""Kill imports, corrections and reports at random moments, and look at what is left.

    python tests/killing.py --moments 200
    python tests/killing.py --of correction --moments 200
    python tests/killing.py --of report --moments 200

Each runs in a process of its own, forked from this one, and is killed at a random moment of the
time that a whole run takes. The season must then open, be sound (`check_season`, and SQLite's own
check within it) and hold whole files only; a report may lack files but none is half written. The
same run once more must complete it.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from carnivore_sign import analyse, month
from carnivore_sign.demo import demo_folder
from carnivore_sign.intake import (
    import_files,
    list_set_aside,
    reimport_set_aside,
    write_set_aside,
    writing,
)
from carnivore_sign.integrity import check_season
from carnivore_sign.records.season import Season, create_season, open_season

POINTS = 40
#: Of fewer moments than this, all may fall before a run has done anything.
FEW = 10
FILES = 24
_MADE_ON = dt.date(2026, 4, 1)


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
    """Hold every table against the receipts; return the number of logs."""
    check = check_season(season.path)
    assert check.sound, "\n".join(check.lines())
    assert len(season.read("fixes")) >= POINTS * len(season.read("logs"))
    return len(season.read("logs"))


def run_and_die(work: Callable[[], object], seconds: float) -> None:
    """Do something in a process that is killed after so many seconds."""
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def seconds_of(work: Callable[[], object]) -> float:
    """Return how long something takes in a process of its own."""
    start = time.perf_counter()
    child = os.fork()
    if child == 0:
        try:
            work()
        finally:
            os._exit(0)
    os.waitpid(child, 0)
    return time.perf_counter() - start


def kill_imports(folder: Path, moments: int, *, seed: int, complete_every: int) -> list[float]:
    """Kill so many imports; return the share of its files that each season then had.

    The first of every `complete_every` seasons is completed by the same import once more.
    """
    paths = write_logs(folder, FILES)
    whole = create_season(folder / "whole.gpkg", name="S", time_zone="UTC")
    took = seconds_of(lambda: import_files(whole, paths))
    left = []
    for moment, seconds in enumerate(np.random.default_rng(seed).uniform(0, took, moments)):
        season = create_season(folder / f"{moment}.gpkg", name="S", time_zone="UTC")
        run_and_die(lambda at=season: import_files(at, paths), float(seconds))
        left.append(assert_whole_files(open_season(season.path)) / FILES)
        if moment % complete_every == 0:
            import_files(season, paths)
            assert assert_whole_files(season) == FILES
        season.path.unlink()
    return left


def kill_corrections(folder: Path, moments: int, *, seed: int, complete_every: int) -> list[float]:
    """Kill so many runs that read corrections; return the share of rows each had settled."""
    whole = create_season(folder / "whole.gpkg", name="S", time_zone="UTC")
    import_files(whole, write_logs(folder, FILES))
    corrected = _corrected(write_set_aside(whole, folder / "aside.csv"))
    body = whole.path.read_bytes()
    took = seconds_of(lambda: reimport_set_aside(whole, corrected))
    left = []
    for moment, seconds in enumerate(np.random.default_rng(seed).uniform(0, took, moments)):
        path = folder / f"{moment}.gpkg"
        path.write_bytes(body)
        run_and_die(lambda at=path: reimport_set_aside(open_season(at), corrected), float(seconds))
        season = open_season(path)
        assert assert_whole_files(season) == FILES
        listed = len(list_set_aside(season))
        assert len(season.read("fixes")) == (POINTS + 1) * FILES - listed
        left.append(1 - listed / FILES)
        if moment % complete_every == 0:
            reimport_set_aside(season, corrected)
            assert assert_whole_files(season) == FILES
            assert list_set_aside(season).empty
            assert len(season.read("fixes")) == (POINTS + 1) * FILES
        path.unlink()
    return left


def _corrected(path: Path) -> Path:
    """Put every point back on the earth, each at a place of its own."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    for number, row in enumerate(rows):
        row["corrected"] = f'<trkpt lat="{38 + number / 100:.2f}" lon="-119.3"/>'
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return path


def kill_reports(folder: Path, moments: int, *, seed: int, complete_every: int) -> list[float]:
    """Kill so many runs that write a month; return the share of its files that each had written.

    The same season gives the same bytes, so that each file is held against that of a whole run.
    """
    season = create_season(folder / "season.gpkg", name="S", time_zone="America/Los_Angeles")
    import_files(season, [demo_folder() / "logs", *sorted(demo_folder().glob("*.*[nv]"))])
    before, analysis = season.path.read_bytes(), analyse(season)
    took = seconds_of(lambda: month(analysis, "2026-03", folder / "whole", made_on=_MADE_ON))
    whole = contents(folder / "whole")
    left = []
    for moment, seconds in enumerate(np.random.default_rng(seed).uniform(0, took, moments)):
        out = folder / f"out{moment}"
        run_and_die(lambda at=out: month(analysis, "2026-03", at, made_on=_MADE_ON), float(seconds))
        there = {name: body for name, body in contents(out).items() if not is_fresh(name)}
        assert {name: whole[name] for name in there} == there
        assert season.path.read_bytes() == before
        left.append(len(there) / len(whole))
        if moment % complete_every == 0:
            month(analysis, "2026-03", out, made_on=_MADE_ON)
            assert contents(out) == whole
    return left


def contents(folder: Path) -> dict[str, bytes]:
    """Return every file below a folder, by its name there."""
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path.relative_to(folder)): path.read_bytes() for path in paths}


def is_fresh(name: str) -> bool:
    """Tell whether a file is one in the making: it is hidden, and replaced by the next run."""
    return Path(name).name.startswith(".")


_KINDS = {"import": kill_imports, "correction": kill_corrections, "report": kill_reports}


def main() -> None:
    """Kill the runs that the command line asks for, and say what was left."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--of", choices=tuple(_KINDS), default="import")
    parser.add_argument("--moments", type=int, default=200)
    parser.add_argument("--complete-every", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    writing.MAX_ROWS = 2 * POINTS  # a few files to the transaction, so that there are many
    with tempfile.TemporaryDirectory() as name:
        left = _KINDS[asked.of](
            Path(name), asked.moments, seed=asked.seed, complete_every=asked.complete_every
        )
    within = sum(0 < share < 1 for share in left)
    print(f"{len(left)} {asked.of}s were killed, {within} of them with some done and some not")
    if not within and asked.moments >= FEW:
        sys.exit("no moment fell into a run")


if __name__ == "__main__":
    main()
