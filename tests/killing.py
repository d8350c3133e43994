"""Import files in processes that are killed at one moment after another.

    python tests/killing.py FOLDER MOMENTS MAX_ROWS

FOLDER holds the logs and empty seasons ``0.gpkg``, ``1.gpkg`` ...; each is filled by a process
of its own, forked from this one, which has nothing else to do, and killed.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

from carnivore_sign.intake import import_files, writing
from carnivore_sign.records.season import create_season, open_season


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


def main() -> None:
    folder, moments = Path(sys.argv[1]), int(sys.argv[2])
    writing.MAX_ROWS = int(sys.argv[3])
    paths = sorted(folder.glob("*.gpx"))
    start = time.perf_counter()
    import_files(create_season(folder / "whole.gpkg", name="S", time_zone="UTC"), paths)
    took = time.perf_counter() - start
    for moment in range(moments):
        import_and_die(folder / f"{moment}.gpkg", paths, took * moment / (moments - 2))


if __name__ == "__main__":
    main()
