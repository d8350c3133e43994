"""Optional libraries: found when a file needs one, or told with the command that installs it."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType

from carnivore_sign.errors import LibraryMissing


def optional_library(name: str, *, file: str | Path, purpose: str) -> ModuleType:
    """Import a library that only some files need.

    Parameters
    ----------
    name : str
        Name of the module, under which it is installed as well.
    file : path-like
        The file that needs it.
    purpose : str
        What it is needed for, after the word *to*.

    Raises
    ------
    LibraryMissing
        If it is not installed; the message holds the install command.

    Examples
    --------
    >>> optional_library("no_such_library", file="walk.dat", purpose="show this")
    Traceback (most recent call last):
    ...
    carnivore_sign.errors.LibraryMissing: walk.dat: no_such_library is needed to show this. \
Install it with: pip install no_such_library
    """
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise LibraryMissing(
            f"{file}: {name} is needed to {purpose}. Install it with: pip install {name}"
        ) from error
