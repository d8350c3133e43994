"""Scale: time, memory and use of two cores for up to fifty million fixes; the table is kept.

    python -m tests.benchmarks.scaling
    python -m tests.benchmarks.scaling --scale 0.02

Every size is read from a programme, matched to segments and counted into visits, by one and by two
worker processes of a cluster on this machine. What stands below the measured sizes is by
calculation from them, and says so. The result is written to ``scaling.csv`` beside this file.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from distributed import Client, LocalCluster

from tests.benchmarks.fixes_at_scale import count_visits, draw_programme

SIZES = (1_000_000, 10_000_000, 50_000_000)
KEPT = Path(__file__).with_name("scaling.csv")
#: What is calculated: a hundred million here, and a billion on sixteen such machines.
_HUNDRED_MILLION, _BILLION, _MACHINES = 10**8, 10**9, 16


def used() -> tuple[float, float]:
    """Return seconds of processor and peak of memory in MiB of the process that is asked."""
    said = resource.getrusage(resource.RUSAGE_SELF)
    return said.ru_utime + said.ru_stime, said.ru_maxrss / 1024


def measure(programme, workers: int) -> dict[str, float]:
    """Make all visits on so many worker processes, new ones."""
    with (
        LocalCluster(
            n_workers=workers, threads_per_worker=1, dashboard_address=None, memory_limit=None
        ) as cluster,
        Client(cluster) as client,
    ):
        client.run(count_visits, programme.__class__(Path(tempfile.mkdtemp()), "nothing"))
        before = client.run(used)
        begun = time.perf_counter()
        visits = count_visits(programme, on=client)
        seconds = time.perf_counter() - begun
        after = client.run(used)
    processor = sum(after[one][0] - before[one][0] for one in after)
    peak = max(peak for _, peak in after.values())
    return {
        "seconds": seconds,
        "processor_s": processor,
        "peak_MiB_a_worker": peak,
        "visits": visits,
    }


def run(scale: float) -> pd.DataFrame:
    """Measure all sizes, and calculate what is larger."""
    rows = []
    for whole in SIZES:
        size = int(whole * scale)
        with tempfile.TemporaryDirectory() as folder:
            programme = draw_programme(Path(folder) / "state", size)
            bytes_a_fix = (
                sum(
                    path.stat().st_size for path in programme.folder_of("s00000").rglob("*.parquet")
                )
                / 500_000
            )
            for workers in (1, 2):
                rows.append({"fixes": size, "workers": workers, **measure(programme, workers)})
    table = pd.DataFrame(rows).assign(how="measured")
    table["microseconds_a_fix"] = table["processor_s"] / table["fixes"] * 1e6
    alone = table[table["workers"].eq(1)].set_index("fixes")["seconds"]
    table["use_of_cores"] = table["fixes"].map(alone) / (table["seconds"] * table["workers"])
    return pd.concat([table, calculated(table, bytes_a_fix)], ignore_index=True)


def calculated(table: pd.DataFrame, bytes_a_fix: float) -> pd.DataFrame:
    """Carry the growth between the largest sizes on."""
    rows = []
    for workers, of_workers in table.groupby("workers"):
        sizes, seconds = of_workers["fixes"].to_numpy(), of_workers["seconds"].to_numpy()
        slope = (seconds[-1] - seconds[-2]) / (sizes[-1] - sizes[-2])
        told = {"workers": workers, "peak_MiB_a_worker": of_workers["peak_MiB_a_worker"].max()}
        rows.append({**told, "fixes": _HUNDRED_MILLION, "how": "by calculation",
                     "seconds": seconds[-1] + slope * (_HUNDRED_MILLION - sizes[-1])})  # fmt: skip
    rows.append(
        {
            "workers": 2 * _MACHINES,
            "fixes": _BILLION,
            "how": f"by calculation: {_MACHINES} such machines, files of "
            f"{_BILLION * bytes_a_fix / 1e9:.0f} GB that all of them see as fast as their own disk",
            "seconds": slope * _BILLION / _MACHINES,
            "peak_MiB_a_worker": table["peak_MiB_a_worker"].max(),
        }
    )
    return pd.DataFrame(rows)


def machine() -> str:
    """Describe the machine and what ran on it."""
    model = "processor not told"
    if Path("/proc/cpuinfo").exists():
        lines = Path("/proc/cpuinfo").read_text().splitlines()
        model = next((line.split(":")[1].strip() for line in lines if "model name" in line), model)
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    names = ("numpy", "pandas", "geopandas", "shapely", "pyarrow", "distributed")
    libraries = ", ".join(f"{name} {version(name)}" for name in names)
    return (
        f"{os.cpu_count()} cores ({model}), {memory:.0f} GiB, {platform.system()}, "
        f"Python {platform.python_version()}, {libraries}"
    )


def main() -> None:
    """Measure, print and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scale", type=float, default=1.0, help="share of the sizes (%(default)s)")
    parser.add_argument("--out", type=Path, default=KEPT, help="where the table goes")
    asked = parser.parse_args()
    table = run(asked.scale).round(
        {"seconds": 1, "processor_s": 1, "peak_MiB_a_worker": 0, "microseconds_a_fix": 2,
         "use_of_cores": 2}
    )  # fmt: skip
    table = table[["fixes", "workers", "how", "seconds", "processor_s", "microseconds_a_fix",
                   "use_of_cores", "peak_MiB_a_worker", "visits"]]  # fmt: skip
    table = table.assign(machine=np.where(table["how"].eq("measured"), machine(), ""))
    print(table.drop(columns="machine").to_string(index=False))
    table.to_csv(asked.out, index=False)


if __name__ == "__main__":
    main()
