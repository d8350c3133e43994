"""Fuzz the readers of field files by command: as many files as wanted, and a table of the end.

    python -m tests.fuzz gpx --files 100000
    python -m tests.fuzz all --table tests/data/fuzz_table.csv

The table keeps one row for each kind and seed, with the most files that were tried; what was
mended is written there by hand. No crash, no file that takes longer than 5 s of the processor, no
more than 1 GiB of memory, and rows in = rows kept + rows set aside. The changes are drawn from a
seed, so that a file that fails can be made again: it is written beside, and its number told.
"""

from __future__ import annotations

import argparse
import importlib
import resource
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import fuzzing
import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.intake.source import Source

GIB = 2**30
#: Files after which the command says how far it is.
STEP = 1000
TABLE = ["kind", "seed", "files", "crashes", "over 5 s", "slowest s", "MiB", "found and mended"]
HEAD = ["kind", "files", "read", "refused", "rows in", "kept", "set aside", "slowest s", "MiB"]

#: Test modules that hold the seeds of a kind, in a function ``fuzz_seeds``.
MODULES = {
    **{kind: f"test_intake_{kind}" for kind in ("fit", "geojson", "kml", "nmea", "points", "tcx")},
    **dict.fromkeys(("gpx", "sign", "prints", "clearings", "incidents"), "test_intake_fuzz"),
    "layer": "test_intake_fuzz",
    "photo": "test_intake_photos_files",
    "workbook": "test_intake_workbook",
    "kml-layer": "test_intake_kml",
}
#: What files are read as, where that is not their own kind.
READ_AS = {"workbook": "sign", "kml-layer": "layer"}


def seeds_of(kind: str) -> list[bytes]:
    """Return the files that those of a kind are made from."""
    module = importlib.import_module(MODULES[kind])
    return module.SEEDS[kind] if hasattr(module, "SEEDS") else module.fuzz_seeds()


def run(kind: str, files: int, *, seed: int = 5) -> dict[str, object]:
    """Read `files` mutated files of a kind; return one row of the table."""
    path = Path(tempfile.mkdtemp()) / "fuzzed.dat"
    read = fuzzing.from_disk(path, READ_AS.get(kind, kind))
    told = dict.fromkeys(("read", "refused", "rows in", "kept", "set aside"), 0)
    slowest = 0.0
    for number, data in enumerate(fuzzing.mutations(seeds_of(kind), files=files, seed=seed)):
        start = time.process_time()
        try:
            source = Source(Path("fuzzed.dat"), f"{number:064d}", data)
            reading = read(source)
            fuzzing.assert_kept_to_schema(reading)
        except InputError:
            told["refused"] += 1
        except BaseException:
            Path(f"fuzzed-{kind}-{number}.dat").write_bytes(data)
            print(f"{kind}: file {number} failed; it is fuzzed-{kind}-{number}.dat here")
            raise
        else:
            rows = [sum(one.values()) for one in (reading.rows_in, reading.rows_kept)]
            aside = len(reading.set_aside)
            assert rows[0] == rows[1] + aside, f"{kind}: file {number} does not add up"
            for name, count in zip(("rows in", "kept", "set aside"), (*rows, aside), strict=True):
                told[name] += count
            told["read"] += 1
        slowest = max(slowest, time.process_time() - start)
        assert slowest < fuzzing.MAX_SECONDS, f"{kind}: file {number} took {slowest:.1f} s"
        if number % STEP == STEP - 1:
            print(f"{kind}: {number + 1} files", end="\r", file=sys.stderr, flush=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    assert peak < GIB, f"{kind}: {peak / 2**20:.0f} MiB"
    return {"kind": kind, "files": files, **told, "slowest s": slowest, "MiB": peak // 2**20}


def keep_row(table: Path, row: dict[str, object], seed: int) -> None:
    """Put a row into the table of what was tried, in the place of one with fewer files."""
    frame = pd.read_csv(table) if table.exists() else pd.DataFrame(columns=TABLE)
    same = frame["kind"].eq(row["kind"]) & frame["seed"].eq(seed)
    if (frame.loc[same, "files"] > row["files"]).any():
        return
    mended = frame.loc[same, "found and mended"].tolist() or [""]
    new = {
        "kind": row["kind"], "seed": seed, "files": row["files"], "crashes": 0, "over 5 s": 0,
        "slowest s": round(float(str(row["slowest s"])), 2), "MiB": row["MiB"],
        "found and mended": mended[0],
    }  # fmt: skip
    kept = pd.concat([frame.loc[~same], pd.DataFrame([new])]) if len(frame) else pd.DataFrame([new])
    kept.sort_values(["kind", "seed"])[TABLE].to_csv(table, index=False)


def main(arguments: Sequence[str] | None = None) -> int:
    """Fuzz the kinds that were named."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("kind", nargs="+", help=f"all, or some of: {', '.join(MODULES)}")
    parser.add_argument("--files", type=int, default=2000, help="of each kind (%(default)s)")
    parser.add_argument("--seed", type=int, default=5, help="of the changes (%(default)s)")
    parser.add_argument("--table", type=Path, help="CSV that keeps what was tried")
    chosen = parser.parse_args(arguments)
    kinds = list(MODULES) if chosen.kind == ["all"] else chosen.kind
    strange = [kind for kind in kinds if kind not in MODULES]
    if strange:
        parser.error(f"no kind {', '.join(strange)}; there are {', '.join(MODULES)}")
    # A file that asks for more than a GiB beside what the libraries take ends with MemoryError.
    size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (size + GIB, resource.RLIM_INFINITY))
    print("  ".join(f"{name:>9}" for name in HEAD))
    for kind in kinds:
        row = run(kind, chosen.files, seed=chosen.seed)
        cells = [f"{row[name]:.3f}" if name == "slowest s" else str(row[name]) for name in HEAD]
        print("  ".join(f"{cell:>9}" for cell in cells), flush=True)
        if chosen.table is not None:
            keep_row(chosen.table, row, chosen.seed)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
