"""Kit: everything for the field in one folder - form, sheet, scale card and character key."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from carnivore_sign.errors import InputError, LibraryMissing
from carnivore_sign.field.card import scale_card
from carnivore_sign.field.key import character_key
from carnivore_sign.field.paper import PAPERS, Paper, write_page
from carnivore_sign.field.sheet import field_sheet
from carnivore_sign.field.workbook import write_field_form
from carnivore_sign.records.season import Season

_FORM: Final = "field_form.xlsx"


@dataclass(frozen=True)
class FieldKit:
    """The files of a field kit.

    Attributes
    ----------
    form : Path
        The form for the phone, an XLSForm.
    pages : tuple of Path
        The PDFs to print.
    transects : int
        How many transects the form lets choose from.
    """

    form: Path
    pages: tuple[Path, ...]
    transects: int

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, ready for JSON."""
        return {
            "form": str(self.form),
            "pages": [str(page) for page in self.pages],
            "transects": self.transects,
        }

    def lines(self) -> list[str]:
        """Return what a person reads on the terminal."""
        chosen = (
            f"{self.transects} transects to choose from" if self.transects else "transect typed"
        )
        return [
            f"{self.form}: the form for the phone, an XLSForm ({chosen}). What is filled in: "
            "carnivore-sign intake SEASON FILES",
            *(f"{page}: print at 100 %, not fitted to the page" for page in self.pages),
        ]


def write_field_kit(
    out: str | Path,
    *,
    season: Season | None = None,
    paper: Literal["a4", "letter", "both"] = "both",
) -> FieldKit:
    """Write the field form, the field sheet, the scale card and the character key to a folder.

    Parameters
    ----------
    out : path-like
        The folder; made if it is not there.
    season : Season, optional
        Whose transects the form lets choose from, and whose name stands on the sheet.
    paper : {'a4', 'letter', 'both'}
        The paper of what is printed.

    Returns
    -------
    FieldKit
        The files, and what they hold.

    Raises
    ------
    InputError
        If the paper is unknown.
    LibraryMissing
        If openpyxl, which writes the form, is not installed; the pages to print are written all
        the same.

    Examples
    --------
    >>> import tempfile
    >>> kit = write_field_kit(tempfile.mkdtemp(), paper="a4")
    >>> kit.form.name, len(kit.pages) > 0
    ('field_form.xlsx', True)
    """
    papers: tuple[Paper, ...] = ("a4", "letter") if paper == "both" else (paper,)
    if paper not in (*PAPERS, "both"):
        raise InputError(f"'{paper}' is no paper", remedy=f"Use {', '.join(PAPERS)} or both.")
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    transects = [] if season is None else season.read("transects")["transect"].tolist()
    title = "" if season is None else season.name
    pages: list[Path] = []
    for one in papers:
        made = {
            "field_sheet": field_sheet(paper=one, season_name=title),
            "scale_card": scale_card(paper=one),
            "character_key": character_key(paper=one),
        }
        pages += [write_page(folder / f"{name}_{one}.pdf", body) for name, body in made.items()]
    try:
        form = write_field_form(folder / _FORM, transects=transects)
    except LibraryMissing as error:
        raise LibraryMissing(
            f"the form for the phone is missing from the kit. {error} Then write the kit again. "
            f"The pages to print are written: {', '.join(map(str, pages))}"
        ) from error
    return FieldKit(form, tuple(pages), len(transects))
