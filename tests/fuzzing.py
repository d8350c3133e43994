"""Fuzzing: files changed at random, or made by a grammar, and a reader that must bear them.

The tests read 2,000 changed files of each kind (`FILES`). For many more, with a table of what came
of them: ``python -m tests.fuzz gpx --files 100000``. The seeds are in ``fuzz_seeds.py``, the
grammars in ``fuzz_grammar.py``.
"""

from __future__ import annotations

import csv
import functools
import io
import itertools
import random
import resource
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from fuzz_seeds import NAMED, PHOTOS, TABLES, Seeds, in_turn, seeds_of

from carnivore_sign.errors import InputError
from carnivore_sign.intake import read_photos
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.kinds import recognise
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.sheets import Grid, read_grid
from carnivore_sign.intake.source import Source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.tables import SEASON_TABLES

FILES = 2000
MAX_SECONDS = 5.0
MAX_BYTES = 2**30


def begin_peak() -> int:
    """Begin to watch the peak of memory anew; return what this process has now, in bytes.

    Source: proc(5), ``clear_refs`` and ``VmHWM``. Where there is no such file, the peak of the
    whole process is watched.
    """
    try:
        Path("/proc/self/clear_refs").write_text("5")
    except OSError:
        return peak()
    return _memory("VmRSS")


def peak() -> int:
    """Return the highest memory of this process since `begin_peak`, in bytes."""
    if Path("/proc/self/status").exists():
        return _memory("VmHWM")
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _memory(name: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(name))


#: Every how many readings one is held against the schema.
CHECKED_EVERY = 20
#: Rows of tables that are read together, and photos.
POOLED_ROWS = 1000
POOLED_PHOTOS = 100
_WORDS = (
    *(b"", b"\x00", b"\xff\xfe", b"\xc3", b"&", b"<", b">", b"]]>", b"<!--", b"{", b"[", b'"'),
    *(b"NaN", b"1e999", b"-", b",", b"*", b"$", b"\n", b"9" * 400, b"180", b"-90.0000001"),
)


@dataclass
class Told:
    """What came of the files that were read."""

    files: int = 0
    read: int = 0
    readings: int = 0
    rows_in: int = 0
    kept: int = 0
    set_aside: int = 0
    slowest_s: float = 0.0
    refused: int = 0


def mutations(contents: Sequence[bytes], *, files: int, seed: int = 5) -> Iterator[bytes]:
    """Yield `files` variants of the contents, in turn, changed in one to four places."""
    chance = random.Random(seed)
    for number in range(files):
        data = bytearray(contents[number % len(contents)])
        for _ in range(chance.randint(1, 4)):
            _change(data, chance)
        yield bytes(data)


def _change(data: bytearray, chance: random.Random) -> None:
    at = chance.randrange(len(data) + 1)
    end = min(len(data), at + chance.choice((1, 1, 2, 4, 16, 64)))
    kind = chance.randrange(6)
    if kind == 0:
        data[at:end] = bytes(chance.randrange(256) for _ in range(end - at))
    elif kind == 1:
        del data[at:end]
    elif kind == 2:
        data[at:at] = data[at:end] * chance.choice((1, 2, 5))
    elif kind == 3:
        data[at:at] = chance.choice(_WORDS)
    elif kind == 4:
        del data[max(1, at) :]
    else:
        other = chance.randrange(len(data) + 1)
        data[at:end] = data[other : other + 16]


def mutated_files(kind: str, *, files: int = FILES, seed: int = 5) -> Iterator[bytes]:
    """Yield `files` files of a kind, made of changed content."""
    seeds = seeds_of(kind)
    changed = mutations(seeds.contents, files=files, seed=seed)
    for (number, _), content in zip(in_turn(seeds), changed, strict=False):
        yield seeds.build(number, content)


def read_all(kind: str, files: Iterable[bytes], *, told: Told | None = None) -> Told:
    """Read every file of a kind; return what came of them.

    A reading adds up or cannot be made; a file may be refused with `InputError` and in no
    other way, and none may take longer than `MAX_SECONDS`. What was kept keeps to its schema,
    which an import relies on.
    """
    told = told or Told()
    if kind in PHOTOS:
        _read_photos(files, told)
        return told
    reader = TableReader() if kind.startswith(("csv", "xlsx")) else Reader(seeds_of(kind))
    try:
        for data in files:
            start = time.process_time()
            try:
                reader.read(data, told)
            except InputError:
                told.refused += 1
            told.files += 1
            _hold_time(start, told)
    finally:
        reader.finish(told)
    return told


class Reader:
    """Reads files one by one, each recognised by its content."""

    def __init__(self, seeds: Seeds) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._path = Path(self._folder.name) / f"fuzzed{seeds.ending or '.dat'}"
        self._on_disk = bool(seeds.ending)
        self._beside = dict(seeds.beside)
        self._count = 0
        for ending, data in self._beside.items():
            self._path.with_suffix(ending).write_bytes(data)

    def read(self, data: bytes, told: Told) -> None:
        """Read one file."""
        self._count += 1
        if self._on_disk:
            data = self._laid_down(data)
        source = Source(self._path, f"{self._count:064d}", data)
        count_in(read_any(source, time_zone="UTC"), told)
        told.read += 1

    def finish(self, told: Told) -> None:
        """Clear away; nothing is left to be read."""
        self._folder.cleanup()

    def _laid_down(self, data: bytes) -> bytes:
        """Write the file; of a shapefile, each second one is the table beside the shapes."""
        changed = itertools.islice(itertools.cycle(self._beside), self._count - 1, None)
        ending = next(changed, self._path.suffix)
        for other, whole in self._beside.items():
            self._path.with_suffix(other).write_bytes(whole)
        self._path.with_suffix(ending).write_bytes(data)
        return self._beside.get(".shp", data) if ending == ".dbf" else data


class TableReader:
    """Reads tables: each file to its cells, and the cells of many files together.

    A file is recognised and laid out by itself. Its cells are then put under those of the files
    with the same header, `POOLED_ROWS` at a time, and read as one table, which is a hundred times
    faster; the names of its rows get its number, so that they stand in that table once. A file
    with a header of its own is read whole.
    """

    def __init__(self) -> None:
        self._pools: dict[tuple[str, ...], list[list[str]]] = {}
        self._count = 0

    def read(self, data: bytes, told: Told) -> None:
        """Read one file."""
        self._count += 1
        source = Source(Path("fuzzed.dat"), f"{self._count:064d}", data)
        kind = recognise(source)
        grid = read_grid(source, kind=kind) if kind in TABLES else None
        if grid is None or tuple(grid.header) not in _headers():
            count_in(read_any(source, kind=kind, time_zone="UTC"), told)
        else:
            self._pool(grid, told)
        told.read += 1

    def finish(self, told: Told) -> None:
        """Read the cells that are left."""
        for header in list(self._pools):
            self._read_pool(header, told)

    def _pool(self, grid: Grid, told: Told) -> None:
        header = tuple(grid.header)
        pool = self._pools.setdefault(header, [])
        named = header[0] in NAMED
        for cells in grid.rows:
            first = f"{cells[0]} of {self._count}" if named and cells[0] else cells[0]
            pool.append([first, *cells[1:]])
        if len(pool) >= POOLED_ROWS:
            self._read_pool(header, told)

    def _read_pool(self, header: tuple[str, ...], told: Told) -> None:
        rows = self._pools.pop(header)
        text = io.StringIO()
        csv.writer(text).writerows([header, *rows])
        source = Source(Path("pool.csv"), f"{self._count:064d}", text.getvalue().encode())
        reading = read_any(source, time_zone="UTC")
        assert sum(reading.rows_in.values()) - len(reading.tables.get("logs", ())) == len(rows)
        count_in(reading, told)


@functools.cache
def _headers() -> frozenset[tuple[str, ...]]:
    """Return the headers of the seeds of tables."""
    first = (text.splitlines()[0] for texts in TABLES.values() for text in texts)
    return frozenset(tuple(line.replace(";", ",").split(",")) for line in first)


def _read_photos(files: Iterable[bytes], told: Told) -> None:
    """Read photos many at a time, as people hand them over."""
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / f"{number}.dat" for number in range(POOLED_PHOTOS)]
        coming = iter(files)
        while some := list(itertools.islice(coming, POOLED_PHOTOS)):
            for path, data in zip(paths, some, strict=False):
                path.write_bytes(data)
            start = time.process_time()
            reading = read_photos(paths[: len(some)], time_zone="UTC")
            told.files += len(some)
            told.read += reading.rows_kept["photos"]
            assert reading.rows_in["photos"] == len(some)
            count_in(reading, told)
            _hold_time(start, told)


def _hold_time(start: float, told: Told) -> None:
    told.slowest_s = max(told.slowest_s, time.process_time() - start)
    assert told.slowest_s < MAX_SECONDS, f"{told.slowest_s:.1f} s"


def count_in(reading: Reading, told: Told) -> None:
    """Hold that a reading adds up and keeps to its schema, and count its rows."""
    rows_in, kept = sum(reading.rows_in.values()), sum(map(len, reading.tables.values()))
    aside = len(reading.set_aside)
    assert rows_in == kept + aside, f"{rows_in} rows in, {kept} kept, {aside} set aside"
    if told.readings % CHECKED_EVERY == 0:
        assert_kept_to_schema(reading)
    told.readings += 1
    told.rows_in += rows_in
    told.kept += kept
    told.set_aside += aside


def assert_kept_to_schema(reading: Reading) -> None:
    """Hold the rows kept against their tables."""
    for name, frame in reading.tables.items():
        assert find_faults(frame, SEASON_TABLES[name]).empty
        assert conform(frame, SEASON_TABLES[name]).dtypes.equals(frame.dtypes)
