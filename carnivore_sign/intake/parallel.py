"""Parallel: files read one after the other, or by several processes, in the order given.

Reading and encoding are shared out; what the season holds is known, and written, in one place.
So the season is the same whatever the number of workers.
"""

from __future__ import annotations

import multiprocessing
import multiprocessing.spawn
import sys
import threading
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Final

from carnivore_sign.errors import InputError, LibraryMissing
from carnivore_sign.intake.darwin_core import ARCHIVE
from carnivore_sign.intake.encoded import EncodedLog, encode_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.repair import repair_rollover
from carnivore_sign.intake.source import open_source
from carnivore_sign.spreading import Place, spread

#: Bytes of the files that are handed to a worker at once, and the most files.
_CHUNK_BYTES: Final = 2 * 2**20
_CHUNK_FILES: Final = 20
#: Bytes of the files that are read ahead: enough that workers have something to do while the
#: season is written, and what bounds the memory.
_AHEAD_BYTES: Final = 32 * 2**20


@dataclass(frozen=True)
class Options:
    """How files are read: as `read_file` takes it, and the hashes that need no reading."""

    crs: str | None
    observer: str | None
    time_zone: str
    rollover_repaired: bool = False
    known: frozenset[str] = frozenset()
    columns: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class FileRead:
    """What became of one file: a log, another reading, or the reason why there is neither.

    ``sha256`` alone is set if the content was known and not read.
    """

    path: Path
    sha256: str | None = None
    reading: Reading | EncodedLog | None = None
    problem: str | None = None


def read_one(path: Path, options: Options) -> FileRead:
    """Read one file; what is wrong with it is told and not raised."""
    try:
        source = replace(open_source(path), columns=options.columns)
        if source.sha256 in options.known:
            return FileRead(path, source.sha256)
        reading = read_any(
            source, crs=options.crs, observer=options.observer, time_zone=options.time_zone
        )
    except (InputError, LibraryMissing) as error:
        return FileRead(path, problem=str(error))
    if reading.kind == ARCHIVE:
        return FileRead(path, source.sha256, reading)
    if options.rollover_repaired:
        reading = repair_rollover(reading)
    found = encode_log(reading) if "logs" in reading.tables else reading
    return FileRead(path, source.sha256, found)


def read_many(
    paths: Iterable[Path], options: Options, workers: int = 1, *, on: Place = None
) -> Iterator[FileRead]:
    """Read files in the order given; with more than one worker, each in a process of its own.

    With `on`, they are read there (see `carnivore_sign.spreading.spread`), under the same paths.

    Notes
    -----
    The processes are started afresh and not forked, which is safe beside threads and takes a
    second or two; until the first of them is there, files are read here. A script that asks for
    workers needs ``if __name__ == "__main__":``.
    """
    rest = iter(paths)
    if on is not None:
        chunks = (chunk for _, chunk in _chunks(rest))
        for files in spread(partial(_read_chunk, options=options), chunks, on=on):
            yield from files
        return
    if workers <= 1:
        yield from (read_one(path, options) for path in rest)
        return
    # In a process that runs an unguarded script again, this fails before a file is read.
    multiprocessing.spawn.get_preparation_data("reader")
    pool = ProcessPoolExecutor(workers, mp_context=_context())
    starting = threading.Thread(target=_start, args=(pool, started := threading.Event()))
    starting.start()
    try:
        while not started.is_set() and (path := next(rest, None)) is not None:
            yield read_one(path, options)
        yield from _share_out(pool, rest, options, workers)
    finally:
        starting.join()
        pool.shutdown(wait=True, cancel_futures=True)


def _share_out(
    pool: ProcessPoolExecutor, paths: Iterator[Path], options: Options, workers: int
) -> Iterator[FileRead]:
    """Have files read by workers, some of them ahead."""
    waiting: deque[tuple[int, Future[list[FileRead]]]] = deque()
    ahead = 0
    for size, chunk in _chunks(paths):
        waiting.append((size, pool.submit(_read_chunk, chunk, options)))
        ahead += size
        while ahead > _AHEAD_BYTES and len(waiting) > workers:
            read, done = waiting.popleft()
            ahead -= read
            yield from done.result()
    for _, done in waiting:
        yield from done.result()


def _chunks(paths: Iterator[Path]) -> Iterator[tuple[int, list[Path]]]:
    """Part files into chunks, in their order, each with its size in bytes."""
    chunk: list[Path] = []
    total = 0
    for path in paths:
        chunk.append(path)
        total += path.stat().st_size if path.is_file() else 0
        if total >= _CHUNK_BYTES or len(chunk) == _CHUNK_FILES:
            yield total, chunk
            chunk, total = [], 0
    if chunk:
        yield total, chunk


def _read_chunk(paths: list[Path], options: Options) -> list[FileRead]:
    return [read_one(path, options) for path in paths]


def _start(pool: ProcessPoolExecutor, started: threading.Event) -> None:
    """Wait until a first process works; what fails here fails again when files are handed over."""
    try:
        pool.submit(int).result()
    except (OSError, BrokenExecutor):
        pass
    finally:
        started.set()


def _context() -> multiprocessing.context.BaseContext:
    if sys.platform == "win32":
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    return context
