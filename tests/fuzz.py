"""Fuzz the readers of field files by command: as many files as wanted, and a table of the end.

    python -m tests.fuzz gpx --files 100000
    python -m tests.fuzz all --way grammar --table tests/data/fuzz_table.csv

No crash, no file that takes longer than 5 s of the processor, no more than 1 GiB of memory, and
rows in = rows kept + rows set aside. The table keeps one row for each kind, way and seed, with the
most files that were tried; what was found and mended is written there by hand. A file that fails
is written to the folder from which the command was run; once mended, it goes into
``tests/data/corpus``. A third way is ``tests/fuzz_atheris.py``, led by the code that it reaches.
"""

from __future__ import annotations

import argparse
import hashlib
import resource
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import fuzz_grammar
import fuzz_seeds
import fuzzing
import pandas as pd
from hypothesis import HealthCheck, Phase, given, seed, settings

#: Files after which the command says how far it is, and after which the table is written.
STEP = 1000
TABLE = ["kind", "way", "seed", "files", "crashes", "over 5 s", "slowest s", "MiB",
         "found and mended"]  # fmt: skip
HEAD = ["kind", "way", "files", "read", "refused", "rows in", "kept", "set aside", "slowest s",
        "MiB"]  # fmt: skip
Keep = Callable[[fuzzing.Told], None]


def run_mutation(kind: str, files: int, number: int, keep: Keep) -> fuzzing.Told:
    """Read changed files of a kind, `STEP` at a time."""
    told = fuzzing.Told()
    coming = fuzzing.mutated_files(kind, files=files, seed=number)
    while told.files < files:
        fuzzing.read_all(kind, _kept(coming, kind, min(STEP, files - told.files)), told=told)
        keep(told)
    return told


def _kept(coming: Iterator[bytes], kind: str, count: int) -> Iterator[bytes]:
    """Yield some files; the one that was read when the reader failed is written."""
    for _ in range(count):
        data = next(coming)
        try:
            yield data
        except GeneratorExit:
            name = hashlib.sha256(data).hexdigest()[:8]
            Path(f"fuzzed-{kind.replace(' ', '-')}-{name}.dat").write_bytes(data)
            raise


def run_grammar(kind: str, files: int, number: int, keep: Keep) -> fuzzing.Told:
    """Read files that a grammar makes; one that fails is made small, and written."""
    told = fuzzing.Told()

    @seed(number)
    @settings(
        max_examples=files, database=None, deadline=None, phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(fuzz_grammar.GRAMMARS[kind])
    def read(data: bytes) -> None:
        try:
            fuzzing.read_all(kind, [data], told=told)
        except BaseException:
            Path(f"fuzzed-{kind.replace(' ', '-')}-grammar.dat").write_bytes(data)
            raise
        if told.files % STEP == 0:
            keep(told)

    read()
    return told


WAYS = {"mutation": run_mutation, "grammar": run_grammar}


def as_row(kind: str, way: str, told: fuzzing.Told) -> dict[str, object]:
    """Return what came of the files as a row; more memory than a GiB is a failure."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    assert peak < fuzzing.MAX_BYTES, f"{kind}: {peak / 2**20:.0f} MiB"
    return {
        "kind": kind, "way": way, "files": told.files, "read": told.read,
        "refused": told.refused, "rows in": told.rows_in, "kept": told.kept,
        "set aside": told.set_aside, "slowest s": round(told.slowest_s, 2), "MiB": peak // 2**20,
    }  # fmt: skip


def keep_row(table: Path, row: dict[str, object], number: int) -> None:
    """Put a row into the table of what was tried, in the place of one with fewer files."""
    frame = pd.read_csv(table) if table.exists() else pd.DataFrame(columns=TABLE)
    same = frame["kind"].eq(row["kind"]) & frame["way"].eq(row["way"]) & frame["seed"].eq(number)
    if (frame.loc[same, "files"] > row["files"]).any():
        return
    mended = frame.loc[same, "found and mended"].tolist() or [""]
    told = {name: row[name] for name in TABLE if name in row}
    new = {**told, "seed": number, "crashes": 0, "over 5 s": 0, "found and mended": mended[0]}
    rows = [*frame.loc[~same].to_dict("records"), new]
    kept = pd.DataFrame(rows, columns=TABLE).sort_values(["kind", "way", "seed"])
    counts = ["seed", "files", "MiB"]
    kept.astype(dict.fromkeys(counts, "Int64")).to_csv(table, index=False)


def main(arguments: Sequence[str] | None = None) -> int:
    """Fuzz the kinds that were named."""
    kinds = ", ".join(fuzz_seeds.KINDS)
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("kind", nargs="+", help=f"all, or some of: {kinds}")
    parser.add_argument("--way", choices=WAYS, default="mutation", help="(%(default)s)")
    parser.add_argument("--files", type=int, default=2000, help="of each kind (%(default)s)")
    parser.add_argument("--seed", type=int, default=5, help="of the changes (%(default)s)")
    parser.add_argument("--table", type=Path, help="CSV that keeps what was tried")
    chosen = parser.parse_args(arguments)
    there = fuzz_seeds.KINDS if chosen.way == "mutation" else fuzz_grammar.GRAMMARS
    wanted = list(there) if chosen.kind == ["all"] else chosen.kind
    strange = [kind for kind in wanted if kind not in there]
    if strange:
        parser.error(f"no kind {', '.join(strange)}; there are {', '.join(there)}")
    # A file that asks for more than a GiB beside what the libraries take ends with MemoryError.
    size = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (size + fuzzing.MAX_BYTES, resource.RLIM_INFINITY))
    warnings.simplefilter("error")
    print("  ".join(f"{name:>13}" for name in HEAD))
    for kind in wanted:

        def keep(told: fuzzing.Told, kind: str = kind) -> None:
            print(f"{kind}: {told.files} files", end="\r", file=sys.stderr, flush=True)
            if chosen.table is not None:
                keep_row(chosen.table, as_row(kind, chosen.way, told), chosen.seed)

        told = WAYS[chosen.way](kind, chosen.files, chosen.seed, keep)
        keep(told)
        row = as_row(kind, chosen.way, told)
        print("  ".join(f"{row[name]!s:>13}" for name in HEAD), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
