"""Progress: one bar for long work, on standard error, silent where nobody watches."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from typing import TypeVar

from tqdm import tqdm

Item = TypeVar("Item")


def with_progress(items: Iterable[Item], what: str, *, show: bool = False) -> Iterator[Item]:
    """Yield `items`, drawing a bar headed `what` if `show` and standard error is a terminal.

    Parameters
    ----------
    items : iterable
        The work, one item a step.
    what : str
        Two or three words in front of the bar.
    show : bool
        Off by default: a library that is called from code stays quiet.
    """
    silent = not (show and sys.stderr.isatty())
    yield from tqdm(items, desc=what, disable=silent, leave=False)
