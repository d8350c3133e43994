"""Spreading: the same work on many items - here, in threads, in processes, or on a cluster.

Whoever has a cluster hands its Dask client in as ``on``; the call stays the same, and so does what
comes back, in the order of the items. Work and items travel to where they are done, so that an
item is best a small description (a path, a month) and not the data themselves.
"""

from __future__ import annotations

import itertools
import multiprocessing
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from typing import Any, Final, TypeAlias, TypeVar

from carnivore_sign.errors import InputError

Item = TypeVar("Item")
Result = TypeVar("Result")

#: Where work is done: None is here; "threads" and "processes" are on this machine; a Dask client is
#: a cluster, and anything else that keeps to `concurrent.futures.Executor` will do.
Place: TypeAlias = Any

#: Items under way or waiting to be fetched, for each worker; more would only fill memory.
_AHEAD: Final = 2
#: How often an item is begun again on a cluster when its worker was lost.
_RETRIES: Final = 3


def spread(
    work: Callable[[Item], Result], items: Iterable[Item], *, on: Place = None
) -> Iterator[Result]:
    """Do the same work on many items, and yield the results in the order of the items.

    Parameters
    ----------
    work : callable
        Takes one item. For processes and clusters it must be a function of a module, or a
        `functools.partial` of one; a script then needs ``if __name__ == "__main__":``.
    items : iterable
        What to work on; they are asked for as workers become free.
    on : None, ``"threads"``, ``"processes"``, dask.distributed.Client or Executor
        Where. On a cluster, an item whose worker is lost is begun again on another one.

    Yields
    ------
    object
        What `work` returned for each item. What it raises is raised here, when its turn comes.

    Raises
    ------
    InputError
        If `on` is none of these.

    Examples
    --------
    >>> list(spread(abs, [-3, 5, -7], on="threads"))
    [3, 5, 7]
    """
    if on is None:
        yield from map(work, items)
        return
    if _is_client(on):
        yield from _in_order(
            lambda item: on.submit(work, item, pure=False, retries=_RETRIES),
            items,
            _AHEAD * max(1, sum(on.nthreads().values())),
        )
        return
    with _executor(on) as executor:
        yield from _in_order(
            lambda item: executor.submit(work, item),
            items,
            _AHEAD * getattr(executor, "_max_workers", 8),
        )


def _is_client(on: object) -> bool:
    """Tell a Dask client without importing Dask, which may not be installed."""
    return any(kind.__module__.startswith("distributed.") for kind in type(on).__mro__)


def _executor(on: Place) -> AbstractContextManager[Executor]:
    if on == "threads":
        return ThreadPoolExecutor()
    if on == "processes":
        # Started afresh and not forked, which is safe beside threads.
        fresh = "spawn" if sys.platform == "win32" else "forkserver"
        return ProcessPoolExecutor(mp_context=multiprocessing.get_context(fresh))
    if isinstance(on, Executor):
        return nullcontext(on)
    raise InputError(
        f"on={on!r} is no place to work",
        remedy="Leave it out, or give 'threads', 'processes', a Dask client or an Executor.",
    )


def _in_order(
    submit: Callable[[Item], Any], items: Iterable[Item], most: int
) -> Iterator[Any]:  # what the futures hold
    """Keep so many items under way; give up what is waiting when the caller stops."""
    rest = iter(items)
    waiting = deque(submit(item) for item in itertools.islice(rest, most))
    try:
        while waiting:
            yield waiting.popleft().result()
            waiting.extend(submit(item) for item in itertools.islice(rest, 1))
    finally:
        for future in waiting:
            future.cancel()
