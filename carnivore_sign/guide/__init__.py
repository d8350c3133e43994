"""Guide: what the words mean, how the numbers are computed, and how sure *sure* is.

Takes the name of a page. Gives its text, Markdown as it lies beside this file. Does not compute
anything: the pages are held against the tables and functions that they speak of by the tests.
"""

from __future__ import annotations

from importlib.resources import files
from typing import Final

from carnivore_sign.errors import InputError

#: The pages, and what each is about.
GUIDE_PAGES: Final[dict[str, str]] = {
    "glossary": "the trade's terms as they are used here, with the columns that hold them",
    "formulas": "every model and statistic, with its source and the function that does it",
    "words": "how sure is sure: the range of each word for a probability",
}

__all__ = ["GUIDE_PAGES", "read_guide"]


def read_guide(page: str) -> str:
    """Return a page of the guide.

    Parameters
    ----------
    page : str
        A key of `GUIDE_PAGES`.

    Returns
    -------
    str
        Its text, in Markdown.

    Raises
    ------
    InputError
        If there is no such page.

    Examples
    --------
    >>> read_guide("words").splitlines()[0]
    '# How sure is sure'
    """
    if page not in GUIDE_PAGES:
        raise InputError(
            f"the guide has no page '{page}'", remedy=f"Read one of: {', '.join(GUIDE_PAGES)}."
        )
    return (files(__name__) / f"{page}.md").read_text(encoding="utf-8")
