"""Paper: pages set by typst, in A4 or US letter, with lengths that are true on paper.

The words travel as data beside a fixed template, which never evaluates them. Ink is black on
white, so that any printer will do.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, Literal

import matplotlib as mpl
import typst

from carnivore_sign.errors import InputError
from carnivore_sign.writing import write_whole

Paper = Literal["a4", "letter"]

#: Papers, and what typst calls them.
PAPERS: Final[dict[str, str]] = {"a4": "a4", "letter": "us-letter"}


def render_page(
    template: str,
    content: Mapping[str, Any],
    *,
    paper: str,
    pictures: Mapping[str, str] | None = None,
) -> bytes:
    """Return a page as the bytes of a PDF.

    Parameters
    ----------
    template : str
        Name of a file in ``field/templates``.
    content : mapping
        What it prints; goes to it as JSON.
    paper : {'a4', 'letter'}
        The paper.
    pictures : mapping of str to str, optional
        Drawings in SVG by the name of their file.

    Raises
    ------
    InputError
        If the paper is unknown.
    """
    if paper not in PAPERS:
        raise InputError(f"'{paper}' is no paper", remedy=f"Use {' or '.join(PAPERS)}.")
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        body = (files("carnivore_sign.field") / "templates" / template).read_bytes()
        (place / template).write_bytes(body)
        whole = {**content, "paper": PAPERS[paper]}
        (place / "content.json").write_text(json.dumps(whole), encoding="utf-8")
        for name, svg in (pictures or {}).items():
            (place / name).write_text(svg, encoding="utf-8")
        return bytes(
            typst.compile(
                str(place / template),
                root=folder,
                font_paths=[str(Path(mpl.get_data_path()) / "fonts" / "ttf")],
                format="pdf",
                pdf_standards="ua-1",
            )
        )


def write_page(path: str | Path, body: bytes) -> Path:
    """Write a page whole or not at all.

    Parameters
    ----------
    path : path-like
        Where to, ending in .pdf.
    body : bytes
        From `field_sheet`, `scale_card` or `character_key`.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    InputError
        If the path does not end in .pdf.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_page(Path(folder) / "card.pdf", b"%PDF-").name
    'card.pdf'
    """
    target = Path(path)
    if target.suffix.lower() != ".pdf":
        raise InputError("a page ends in .pdf", file=target, remedy="Name it so.")
    return write_whole(target, body)
