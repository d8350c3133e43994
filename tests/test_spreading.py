"""Spreading: the same results in the same order, wherever the work is done."""

from __future__ import annotations

import os
import signal
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest

from carnivore_sign.errors import InputError
from carnivore_sign.spreading import spread


def slow_square(number: int, *, folder: str = "") -> int:
    time.sleep(0.01 * (number % 3))
    if number == 4 and folder:
        kill_this_process_once(Path(folder))
    return number * number


def kill_this_process_once(folder: Path) -> None:
    """Kill the worker, the first time that it comes here."""
    mark = folder / "killed"
    try:
        mark.touch(exist_ok=False)
    except FileExistsError:
        return
    os.kill(os.getpid(), signal.SIGKILL)


SQUARES = [number * number for number in range(12)]


@pytest.mark.parametrize("on", [None, "threads", "processes"])
def test_results_come_in_the_order_of_the_items(on):
    assert list(spread(slow_square, range(12), on=on)) == SQUARES


def test_an_executor_of_the_caller_is_used_and_left_running():
    with ThreadPoolExecutor(2) as pool:
        assert list(spread(slow_square, range(12), on=pool)) == SQUARES
        assert pool.submit(int).result() == 0


def test_items_are_taken_as_workers_become_free():
    taken = []

    def items():
        for number in range(50):
            taken.append(number)
            yield number

    with ThreadPoolExecutor(2) as pool:
        results = spread(slow_square, items(), on=pool)
        assert next(results) == 0
        assert len(taken) < 10
        results.close()
    assert len(taken) < 10


def fail_at(number: int) -> int:
    if number == 2:
        raise ValueError("no third one")
    return number


@pytest.mark.parametrize("on", [None, "threads", "processes"])
def test_what_work_raises_is_raised_in_its_turn(on):
    results = spread(fail_at, range(4), on=on)
    assert [next(results), next(results)] == [0, 1]
    with pytest.raises(ValueError, match="no third"):
        next(results)


@pytest.mark.parametrize("on", ["cluster", 4, object()])
def test_what_is_no_place_is_told(on):
    with pytest.raises(InputError, match="is no place to work"):
        list(spread(slow_square, [1], on=on))


@pytest.fixture(scope="module")
def client():
    """Return a client of a cluster with two workers on this machine."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, memory_limit=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        yield client


def test_a_cluster_gives_the_same_also_when_a_worker_is_killed_in_the_middle(client, tmp_path):
    work = partial(slow_square, folder=str(tmp_path))
    assert list(spread(work, range(12), on=client)) == SQUARES
    assert (tmp_path / "killed").exists()
    assert list(spread(slow_square, range(12), on=client)) == SQUARES
