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
from pathlib import Path
from typing import Final

from carnivore_sign.errors import InputError, LibraryMissing
from carnivore_sign.intake.darwin_core import ARCHIVE
from carnivore_sign.intake.encoded import EncodedLog, encode_log
from carnivore_sign.intake.files import read_any
from carnivore_sign.intake.reading import Reading
from carnivore_sign.intake.repair import repair_rollover
from carnivore_sign.intake.source import open_source

#: Files that are read ahead for each worker; what bounds the memory.
_AHEAD: Final = 3


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


def read_many(paths: Iterable[Path], options: Options, workers: int = 1) -> Iterator[FileRead]:
    """Read files in the order given; with more than one worker, each in a process of its own.

    Notes
    -----
    The processes are started afresh and not forked, which is safe beside threads and takes a
    second or two; until the first of them is there, files are read here. A script that asks for
    workers needs ``if __name__ == "__main__":``.
    """
    rest = iter(paths)
    if workers <= 1:
        yield from (read_one(path, options) for path in rest)
        return
    # In a process that runs an unguarded script again, this fails before a file is read.
    multiprocessing.spawn.get_preparation_data("reader")
    waiting: deque[Future[FileRead]] = deque()
    pool = ProcessPoolExecutor(workers, mp_context=_context())
    starting = threading.Thread(target=_start, args=(pool, started := threading.Event()))
    starting.start()
    try:
        while not started.is_set() and (path := next(rest, None)) is not None:
            yield read_one(path, options)
        for path in rest:
            waiting.append(pool.submit(read_one, path, options))
            if len(waiting) > _AHEAD * workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        starting.join()
        pool.shutdown(wait=True, cancel_futures=True)


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
