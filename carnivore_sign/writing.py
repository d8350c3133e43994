"""Writing: a file is there whole or not at all, also when the process is killed in the middle."""

from __future__ import annotations

from pathlib import Path


def write_whole(path: Path, body: bytes) -> Path:
    """Write a file beside its place and move it there, so that it is never half written.

    Parameters
    ----------
    path : Path
        Where to; a file that is there is replaced.
    body : bytes
        What it holds.

    Returns
    -------
    Path
        `path`.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     write_whole(Path(folder) / "note.txt", b"dry sand").read_bytes()
    b'dry sand'
    """
    fresh = path.with_name(f".{path.name}.new")
    try:
        fresh.write_bytes(body)
        fresh.replace(path)
    finally:
        fresh.unlink(missing_ok=True)
    return path


def clear_database(path: Path) -> None:
    """Delete an unfinished SQLite file, and the journal that a killed process left beside it.

    A journal that stays would be rolled back into the next file of that name.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     unfinished = write_whole(Path(folder) / "s.gpkg-journal", b"left behind")
    ...     clear_database(Path(folder) / "s.gpkg")
    ...     unfinished.exists()
    False
    """
    for left in (path, path.with_name(f"{path.name}-journal")):
        left.unlink(missing_ok=True)
