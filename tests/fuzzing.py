"""Fuzzing: files changed at random, the same ones every time, for the tests of the readers.

The tests read 600 files of each kind, of slow kinds fewer; ``CARNIVORE_SIGN_FUZZ_FILES`` in
the environment asks for another number. For many more, with a table of what came of them:
``python -m tests.fuzz gpx --files 100000``.
"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from carnivore_sign.errors import InputError
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.source import Source
from carnivore_sign.records.check import conform, find_faults
from carnivore_sign.records.tables import SEASON_TABLES

FILES = int(os.environ.get("CARNIVORE_SIGN_FUZZ_FILES", "600"))
MAX_SECONDS = 5.0
#: Every how many readings one is held against the schema.
CHECKED_EVERY = 10
_WORDS = (
    *(b"", b"\x00", b"\xff\xfe", b"\xc3", b"&", b"<", b">", b"]]>", b"<!--", b"{", b"[", b'"'),
    *(b"NaN", b"1e999", b"-", b",", b"*", b"$", b"\n", b"9" * 400, b"180", b"-90.0000001"),
)


def assert_kept_to_schema(reading: Reading) -> None:
    """Hold the rows kept against their tables."""
    for name, frame in reading.tables.items():
        assert find_faults(frame, SEASON_TABLES[name]).empty
        assert conform(frame, SEASON_TABLES[name]).dtypes.equals(frame.dtypes)


def mutations(seeds: Sequence[bytes], *, files: int = FILES, seed: int = 5) -> Iterator[bytes]:
    """Yield `files` variants of the seeds, changed in one to four places."""
    chance = random.Random(seed)
    for number in range(files):
        data = bytearray(seeds[number % len(seeds)])
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


def read_all(
    kind: str, files: Iterator[bytes], *, read: Callable[[Source], Reading] | None = None
) -> tuple[int, int]:
    """Read every file as `kind`; return how many gave a reading, and how many rows there were.

    A reading adds up or cannot be made; a file may be refused with `InputError` and in no
    other way, and none may take longer than `MAX_SECONDS`. What was kept keeps to its schema,
    which an import relies on.
    """
    good = rows = 0
    for data in files:
        start = time.process_time()
        try:
            source = Source(Path("fuzzed.dat"), f"{good:064d}", data)
            reading = read(source) if read else read_any(source, kind=kind, time_zone="UTC")
        except InputError:
            pass
        else:
            good += 1
            rows += sum(reading.rows_in.values())
            if good % CHECKED_EVERY == 1:
                assert_kept_to_schema(reading)
        assert time.process_time() - start < MAX_SECONDS
    return good, rows


def from_disk(path: Path, kind: str) -> Callable[[Source], Reading]:
    """Return a reader of files that GDAL wants to have on the disk."""

    def read(source: Source) -> Reading:
        path.write_bytes(source.data)
        return read_any(Source(path, source.sha256, source.data), kind=kind, time_zone="UTC")

    return read
