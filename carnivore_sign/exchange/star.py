"""Star: the files of a Darwin Core Archive - a core, its extensions, and meta.xml over them.

Source: Darwin Core text guide (TDWG): archive, core, extension, id, coreid, files, field; text in
UTF-8, comma separated, quoted where it must be (RFC 4180).
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd
from lxml import etree

from carnivore_sign.records.darwin_core import uri_of
from carnivore_sign.writing import write_whole

TEXT_NAMESPACE: Final = "http://rs.tdwg.org/dwc/text/"
#: Column of every file that names the row of the core.
ID: Final = "id"


@dataclass(frozen=True, eq=False)
class StarFile:
    """One file of an archive.

    Attributes
    ----------
    name : str
        Its name in the archive.
    row_type : str
        What a row of it is, as a term in short.
    rows : DataFrame of str
        Column `ID`, and a column per term in short.
    """

    name: str
    row_type: str
    rows: pd.DataFrame


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
    members = {"meta.xml": _meta(core, filled, next(iter(documents))), **documents}
    members |= {one.name: _text(one) for one in (core, *filled)}
    body = io.BytesIO()
    with zipfile.ZipFile(body, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            stamp = zipfile.ZipInfo(name, (made_on.year, made_on.month, made_on.day, 0, 0, 0))
            stamp.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(stamp, content.encode("utf-8", errors="replace"))
    return write_whole(path, body.getvalue())


def _text(file: StarFile) -> str:
    return str(file.rows.to_csv(index=False, lineterminator="\r\n"))


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
        etree.SubElement(etree.SubElement(made, "files"), "location").text = file.name
        etree.SubElement(made, link, index=str(file.rows.columns.get_loc(ID)))
        for place, term in enumerate(file.rows.columns):
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
