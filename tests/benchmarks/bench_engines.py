"""Where to work: the same seasons matched and counted here, by processes, and on a cluster.

At scale 1 there are 4 million fixes in 8 seasons of a programme. Every way makes the same visits;
the plain way is one process after the other. Workers are started and warmed before the clock.
"""

from __future__ import annotations

import logging
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import dask
import pandas as pd
from distributed import Client, LocalCluster

from carnivore_sign.programme import Programme
from carnivore_sign.spreading import spread
from tests.benchmarks.fixes_at_scale import draw_programme, visits_of

FIXES = 4_000_000
WORKERS = 2


@contextmanager
def here(_: Programme) -> Iterator[Callable[[Callable, list[str]], list[int]]]:
    """Work in this process."""
    yield lambda work, seasons: list(spread(work, seasons))


@contextmanager
def processes(_: Programme) -> Iterator[Callable[[Callable, list[str]], list[int]]]:
    """Work in processes of the standard library."""
    with ProcessPoolExecutor(WORKERS) as pool:
        list(pool.map(abs, range(WORKERS)))
        yield lambda work, seasons: list(spread(work, seasons, on=pool))


@contextmanager
def cluster(_: Programme) -> Iterator[Callable[[Callable, list[str]], list[int]]]:
    """Work on a cluster of Dask on this machine."""
    with (
        LocalCluster(
            n_workers=WORKERS, threads_per_worker=1, dashboard_address=None, memory_limit=None,
            silence_logs=logging.ERROR,
        ) as made,
        Client(made) as client,
    ):  # fmt: skip
        client.run(abs, 1)
        yield lambda work, seasons: list(spread(work, seasons, on=client))


@contextmanager
def graph(_: Programme) -> Iterator[Callable[[Callable, list[str]], list[int]]]:
    """Work in processes by Dask's own scheduler, without a cluster."""

    def run(work: Callable, seasons: list[str]) -> list[int]:
        tasks = [dask.delayed(work)(season) for season in seasons]
        return list(dask.compute(*tasks, scheduler="processes", num_workers=WORKERS))

    yield run


WAYS = {
    "one process": here,
    "two processes, standard library": processes,
    "two processes, Dask without a cluster": graph,
    "two processes, a cluster of Dask": cluster,
}


def run(scale: float = 1.0) -> pd.DataFrame:
    """Time each way on the same programme."""
    rows, alone = [], None
    with tempfile.TemporaryDirectory() as folder:
        programme = draw_programme(Path(folder) / "state", int(FIXES * scale))
        seasons = list(programme.seasons)
        work = partial(visits_of, programme)
        expected = [work(seasons[0])] * len(seasons)
        for what, way in WAYS.items():
            with way(programme) as do:
                begun = time.perf_counter()
                assert do(work, seasons) == expected
                seconds = time.perf_counter() - begun
            alone = alone or seconds
            rows.append(
                {
                    "case": f"{len(seasons)} seasons of half a million fixes",
                    "what": what,
                    "seconds": seconds,
                    "ratio": alone / seconds,
                }
            )
    return pd.DataFrame(rows)
