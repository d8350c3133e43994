"""Run the benchmarks: ours beside the plain way, in one run, as ratios.

    python -m tests.benchmarks [name ...] [--scale 0.1]

A benchmark is a file ``bench_<name>.py`` in this folder with a function
``run(scale: float = 1.0) -> pandas.DataFrame``; see README.md here.
"""

from __future__ import annotations

import argparse
import importlib.util
import platform
import sys
import time
import traceback
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

import pandas as pd

FOLDER = Path(__file__).parent
COLUMNS = ["case", "what", "seconds", "ratio"]


def benchmarks() -> dict[str, Path]:
    """Name and file of every benchmark in this folder."""
    return {file.stem.removeprefix("bench_"): file for file in sorted(FOLDER.glob("bench_*.py"))}


def load(name: str, file: Path) -> ModuleType:
    """Import a benchmark from its file."""
    spec = importlib.util.spec_from_file_location(f"bench_{name}", file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def show(table: pd.DataFrame) -> str:
    """Lay out a table, one block per case, with the ratio to the plain way."""
    missing = [name for name in COLUMNS if name not in table]
    if missing:
        raise ValueError(f"the benchmark's table has no column {', '.join(missing)}")
    rest = [name for name in table if name not in COLUMNS]
    wide = max(table["what"].str.len())
    blocks = []
    for case, rows in table.groupby("case", sort=False):
        lines = [f"  {case}"]
        for row in rows.to_dict("records"):
            more = "  ".join(f"{n} {row[n]:,}" for n in rest if pd.notna(row[n]))
            ratio = "" if pd.isna(row["ratio"]) else f"{row['ratio']:8.1f} x"
            lines.append(f"    {row['what']:<{wide}}  {row['seconds']:9.3f} s {ratio:>10}  {more}")
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the benchmarks that were named, or all."""
    known = benchmarks()
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("name", nargs="*", help=f"which: {', '.join(known)} (all if none)")
    parser.add_argument("--scale", type=float, default=1.0, help="size of the data, 1 as a rule")
    chosen = parser.parse_args(arguments)
    strange = [name for name in chosen.name if name not in known]
    if strange:
        parser.error(f"no benchmark {', '.join(strange)}; there are {', '.join(known)}")
    print(f"Python {platform.python_version()}, {platform.machine()}, scale {chosen.scale:g}")
    print("ratio: how many times as fast as the plain way of the same case\n")
    failed = []
    for name in chosen.name or known:
        begun = time.perf_counter()
        try:
            table = load(name, known[name]).run(chosen.scale)
            print(f"{name} ({time.perf_counter() - begun:.0f} s)\n{show(table)}\n", flush=True)
        except Exception:
            failed.append(name)
            print(f"{name} failed:\n{traceback.format_exc()}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
