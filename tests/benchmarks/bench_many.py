"""Visits of up to ten million fixes, some logs at a time: time, growth and memory.

Each size runs in a process of its own, so that its peak of memory is its own. At scale 1 there
are 1, 2, 5 and 10 million fixes and 20,000 segments; logs are drawn chunk by chunk, as they
would be read, and the drawing is not timed. Seconds are those of the processor, so that other
work on the machine does not bend the growth. There is no plain way beside it: of the whole at
once geopandas needs more memory than is allowed here.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.survey import make_visits_in_chunks

sys.path.insert(0, str(Path(__file__).parent))

from bench_matching import FIXES_PER_LOG, draw_fixes, draw_segments

SIZES = (1_000_000, 2_000_000, 5_000_000, 10_000_000)
CHUNK = 500_000


class Chunks:
    """Chunks of logs, each drawn when it is asked for; `seconds` went into the drawing."""

    def __init__(self, segments: gpd.GeoDataFrame, size: int) -> None:
        self.segments, self.size, self.seconds = segments, size, 0.0

    def __iter__(self) -> Iterator[gpd.GeoDataFrame]:
        for number in range(-(-self.size // CHUNK)):
            begun = time.process_time()
            rng = np.random.default_rng([21, number])
            fixes = draw_fixes(rng, self.segments, min(CHUNK, self.size - number * CHUNK))
            fixes["log"] = f"C{number}" + fixes["log"].astype("string")
            fixes["time"] += pd.Timedelta(days=number)
            self.seconds += time.process_time() - begun
            yield fixes


def measure(size: int, scale: float) -> dict[str, float]:
    """Make the visits of `size` fixes in this process."""
    segments = draw_segments(np.random.default_rng(20), int(20_000 * min(scale, 1.0)))
    chunks = Chunks(segments, size)
    names = [
        f"C{number}L{log:05d}"
        for number in range(-(-size // CHUNK))
        for log in range(CHUNK // FIXES_PER_LOG)
    ]
    logs = pd.DataFrame({"log": names, "observer": "X"})
    begun = time.process_time()
    visits = make_visits_in_chunks(chunks, segments, None, logs, time_zone="UTC")
    seconds = time.process_time() - begun - chunks.seconds
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": seconds, "peak_MiB": peak, "visits": len(visits)}


def run(scale: float = 1.0) -> pd.DataFrame:
    """Measure all sizes, each in a process of its own."""
    rows = []
    for whole in SIZES:
        size = max(int(whole * scale), FIXES_PER_LOG)
        told = subprocess.run(
            [sys.executable, __file__, str(size), str(scale)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        found = json.loads(told.stdout)
        rows.append(
            {
                "case": "visits of many fixes, by chunks of half a million",
                "what": f"{size:>10,} fixes",
                "seconds": found["seconds"],
                "ratio": np.nan,
                "microseconds_per_fix": round(found["seconds"] / size * 1e6, 2),
                "peak_MiB": round(found["peak_MiB"]),
                "visits": found["visits"],
            }
        )
    return pd.DataFrame(rows)


if __name__ == "__main__":
    print(json.dumps(measure(int(sys.argv[1]), float(sys.argv[2]))))
