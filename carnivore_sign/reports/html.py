"""HTML: a report as one file that opens anywhere, with its figures inside and no script."""

from __future__ import annotations

import base64
from functools import cache
from pathlib import Path
from typing import Final

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from carnivore_sign.maps.style import HAIRLINE, INK, PAPER, QUIET
from carnivore_sign.reports.content import Report, as_plain, unbroken
from carnivore_sign.writing import write_whole

_MIME: Final = {"png": "image/png", "jpg": "image/jpeg"}


def write_html(report: Report, path: str | Path) -> Path:
    """Write a report as one self-contained HTML file; the same report gives the same bytes.

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
    >>> write_html(report, Path(tempfile.mkdtemp()) / "month.html").name
    'month.html'
    """
    return write_whole(Path(path), render_html(report).encode("utf-8"))


def render_html(report: Report) -> str:
    """Return a report as HTML; every string of it is escaped.

    Parameters
    ----------
    report : Report
        From `monthly_report` or `landowner_report`.

    Returns
    -------
    str
        One page that fetches nothing.

    Examples
    --------
    >>> import datetime as dt
    >>> from carnivore_sign.reports.content import Heading, Paragraph, Report
    >>> blocks = (Heading("Effort"), Paragraph("40 walks, 322 km."))
    >>> report = Report("A month", "Puma", "en", dt.date(2026, 4, 1), blocks)
    >>> "<h1" in render_html(report)
    True
    """
    content, figures = as_plain(report)
    images = {
        name: f"data:{_MIME[name[-3:]]};base64,{base64.b64encode(picture).decode('ascii')}"
        for name, picture in figures.items()
    }
    colors = {"ink": INK, "paper": PAPER, "quiet": QUIET, "hairline": HAIRLINE}
    return _template().render(**unbroken(content), **colors, images=images)


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("carnivore_sign.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    return environment.get_template("report.html.jinja")
