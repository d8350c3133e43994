"""PDF: a report set by typst, tagged, with a title and a date that is given.

The words travel as data in a JSON file beside a fixed template. The template never evaluates
them, so that nothing written in a notebook can become markup or code.
"""

from __future__ import annotations

import json
import re
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import matplotlib as mpl
import typst

from carnivore_sign.maps.style import HAIRLINE, INK, QUIET
from carnivore_sign.reports.content import Report, as_plain, unbroken
from carnivore_sign.writing import write_whole

#: A word longer than this gets places where it may be broken. The template sets an empty space
#: of no width at each, so that the mark itself never reaches the page, and is not copied from it.
_LONG_WORD: Final = 18
_BREAK: Final = "\u200b"
_NO_HASH: Final = r"(?<!\S)(?![0-9a-f]{64}(?!\S))"
_AS_IT_IS: Final = ("file", "alt", "kind")
_SHORT_TITLE: Final = 70


def write_pdf(report: Report, path: str | Path) -> Path:
    """Write a report as PDF; the same report gives the same bytes on the same machine.

    Parameters
    ----------
    report : Report
        From `monthly_report` or `landowner_report`.
    path : path-like
        The file.

    Returns
    -------
    Path
        The file.

    Examples
    --------
    >>> import datetime as dt
    >>> from carnivore_sign.reports.content import Heading, Paragraph, Report
    >>> blocks = (Heading("Effort"), Paragraph("40 walks, 322 km."))
    >>> report = Report("A month", "Puma", "en", dt.date(2026, 4, 1), blocks)
    >>> import tempfile
    >>> write_pdf(report, Path(tempfile.mkdtemp()) / "month.pdf").name
    'month.pdf'
    """
    return write_whole(Path(path), render_pdf(report))


def render_pdf(report: Report) -> bytes:
    """Return a report as the bytes of a tagged PDF (PDF/UA-1).

    Parameters
    ----------
    report : Report
        From `monthly_report` or `landowner_report`.

    Returns
    -------
    bytes
        A tagged PDF.

    Examples
    --------
    >>> import datetime as dt
    >>> from carnivore_sign.reports.content import Heading, Paragraph, Report
    >>> blocks = (Heading("Effort"), Paragraph("40 walks, 322 km."))
    >>> report = Report("A month", "Puma", "en", dt.date(2026, 4, 1), blocks)
    >>> render_pdf(report)[:4]
    b'%PDF'
    """
    content, figures = as_plain(report)
    content["style"] = {"ink": INK, "quiet": QUIET, "hairline": HAIRLINE}
    content["short_title"] = content["title"][:_SHORT_TITLE]
    content["blocks"] = [_for_paper(unbroken(block)) for block in content["blocks"]]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        template = files("carnivore_sign.reports") / "templates" / "report.typ"
        (place / "report.typ").write_bytes(template.read_bytes())
        (place / "content.json").write_text(json.dumps(content), encoding="utf-8")
        for name, png in figures.items():
            (place / name).write_bytes(png)
        return bytes(
            typst.compile(
                str(place / "report.typ"),
                root=folder,
                font_paths=[str(Path(mpl.get_data_path()) / "fonts" / "ttf")],
                format="pdf",
                pdf_standards="ua-1",
            )
        )


def _for_paper(block: dict[str, Any]) -> dict[str, Any]:
    hashes = block["kind"] != "bullets"
    block = {
        name: _breakable(value, hashes=hashes) if name not in _AS_IT_IS else value
        for name, value in block.items()
    }
    if block["kind"] == "table":
        block["weights"] = _weights(block["head"], block["rows"])
    return block


def _breakable(value: Any, *, hashes: bool) -> Any:
    """Give every long word places where it may be broken; a hash only if `hashes`.

    A hash that stands in a line of its own fits the page, and is copied from there whole.
    """
    if isinstance(value, list):
        return [_breakable(item, hashes=hashes) for item in value]
    if not isinstance(value, str):
        return value
    return re.sub(
        rf"{'' if hashes else _NO_HASH}\S{{{_LONG_WORD + 1},}}",
        lambda word: _BREAK.join(re.findall(rf".{{1,{_LONG_WORD // 3}}}", word.group())),
        value,
    )


def _weights(head: list[str], rows: list[list[str]]) -> list[float]:
    """Widths of columns in proportion to what stands in them, within bounds.

    The longest cell decides, damped by a square root so that one long note does not starve
    the numbers beside it; a heading counts by its longest word.
    """
    widths = []
    for at, name in enumerate(head):
        longest = max((len(row[at]) for row in rows[:500]), default=0)
        word = max((len(part) for part in name.split()), default=1)
        widths.append(max(min(longest, 40), word + 1, 5) ** 0.75)
    return widths
