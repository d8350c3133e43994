"""Star: the files of a Darwin Core Archive - a core, its extensions, and meta.xml over them.

Source: Darwin Core text guide (TDWG): archive, core, extension, id, coreid, files, field; text in
UTF-8, comma separated, quoted where it must be (RFC 4180).
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import pandas as pd
from lxml import etree

from carnivore_sign.records.darwin_core import uri_of
from carnivore_sign.writing import write_whole

TEXT_NAMESPACE: Final = "http://rs.tdwg.org/dwc/text/"
#: Column of every file that names the row of the core.
ID: Final = "id"
#: Rows of one file: with these, no file is too large to be read again.
ROWS_AT_ONCE: Final = 200_000


@dataclass(frozen=True, eq=False)
class StarFile:
    """One file of an archive.

    Attributes
    ----------
    name : str
        Its name in the archive.
    row_type : str
        What a row of it is, as a term in short.
    rows : DataFrame
        Its rows.
    words : callable
        Writes some of them out: column `ID`, and a column per term in short. Rows that are those
        already are taken as they are.
    """

    name: str
    row_type: str
    rows: pd.DataFrame
    words: Callable[[pd.DataFrame], pd.DataFrame] = field(default=lambda rows: rows)

    @property
    def terms(self) -> list[str]:
        """The columns that are written."""
        return list(self.words(self.rows.iloc[:0]))

    @property
    def parts(self) -> dict[str, slice]:
        """Names of the files it is written to, and which rows each holds: large ones are cut."""
        starts = range(0, max(len(self.rows), 1), ROWS_AT_ONCE)
        if len(starts) == 1:
            return {self.name: slice(None)}
        stem, _, ending = self.name.rpartition(".")
        return {
            f"{stem}_{number}.{ending}": slice(start, start + ROWS_AT_ONCE)
            for number, start in enumerate(starts, start=1)
        }


def write_star(
    path: Path,
    core: StarFile,
    extensions: Sequence[StarFile],
    *,
    documents: Mapping[str, str],
    made_on: dt.date,
) -> Path:
    """Write an archive, replacing the file whole.

    Parameters
    ----------
    path : Path
        The file.
    core : StarFile
        Whose rows the others name.
    extensions : sequence of StarFile
        Those without a row are left out.
    documents : mapping of str to str
        Other members by name; the first of them describes the archive.
    made_on : date
        Date of the members, so that the same content gives the same bytes.
    """
    filled = [one for one in extensions if len(one.rows)]
    said = {"meta.xml": _meta(core, filled, next(iter(documents))), **documents}
    body = io.BytesIO()
    with zipfile.ZipFile(body, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in (*said.items(), *_texts([core, *filled])):
            stamp = zipfile.ZipInfo(name, (made_on.year, made_on.month, made_on.day, 0, 0, 0))
            stamp.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(stamp, text.encode("utf-8", errors="replace"))
    return write_whole(path, body.getvalue())


def _texts(files: Sequence[StarFile]) -> Iterator[tuple[str, str]]:
    """Give the text of each file, one at a time."""
    for file in files:
        for name, rows in file.parts.items():
            words = file.words(file.rows.iloc[rows])
            yield name, str(words.to_csv(index=False, lineterminator="\r\n"))


def _meta(core: StarFile, extensions: Sequence[StarFile], metadata: str) -> str:
    root = etree.Element("archive", nsmap={None: TEXT_NAMESPACE}, metadata=metadata)
    for file, tag, link in (
        (core, "core", "id"),
        *((e, "extension", "coreid") for e in extensions),
    ):
        made = etree.SubElement(
            root,
            tag,
            encoding="UTF-8",
            fieldsTerminatedBy=",",
            linesTerminatedBy="\\r\\n",
            fieldsEnclosedBy='"',
            ignoreHeaderLines="1",
            rowType=uri_of(file.row_type),
        )
        locations = etree.SubElement(made, "files")
        for name in file.parts:
            etree.SubElement(locations, "location").text = name
        terms = file.terms
        etree.SubElement(made, link, index=str(terms.index(ID)))
        for place, term in enumerate(terms):
            if term != ID:
                etree.SubElement(made, "field", index=str(place), term=uri_of(term))
    return _written(root)


def _written(root: etree._Element) -> str:
    text = etree.tostring(root, encoding="UTF-8", xml_declaration=True, pretty_print=True)
    return str(text.decode("utf-8"))


def blank_rows(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows as text, blank where nothing is, without the terms that no row holds."""
    told = rows.astype("object").where(rows.notna(), "")
    kept = [name for name in told if name == ID or told[name].ne("").any()]
    return told[kept]
