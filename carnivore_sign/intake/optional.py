"""Optional libraries: found when a file needs one, or told with the command that installs it."""

from __future__ import annotations

import importlib
from types import ModuleType

from carnivore_sign.errors import LibraryMissing


def optional_library(name: str, *, extra: str, purpose: str) -> ModuleType:
    """Import a library that only some files need.

    Parameters
    ----------
    name : str
        Name of the module.
    extra : str
        The extra of this package that installs it.
    purpose : str
        What it is needed for, after the word *to*.

    Raises
    ------
    LibraryMissing
        If it is not installed; the message holds the install command.

    Examples
    --------
    >>> optional_library("no_such_library", extra="none", purpose="show this")
    Traceback (most recent call last):
    ...
    carnivore_sign.errors.LibraryMissing: no_such_library is needed to show this. Install it with: \
pip install "carnivore-sign[none]"
    """
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise LibraryMissing(
            f'{name} is needed to {purpose}. Install it with: pip install "carnivore-sign[{extra}]"'
        ) from error
