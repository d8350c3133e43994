"""Submissions: one filled-in field form, as the XML that a form client saves or sends.

The root element names the form in its attribute ``id``; below it stand the answers, in groups
and in repeated parts. Groups do not matter here: every question has a name of its own. A file
that is cut short is read as far as it goes: what had begun and not ended is set aside.

Source: W3C, XForms 1.1 (the instance as it is submitted), and the metadata block with
``instanceID`` and ``deprecatedID`` of the XForms metadata schema (from memory).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

from lxml import etree

from carnivore_sign.errors import FileUnreadable
from carnivore_sign.intake.form_rows import FormRows, SortedRows, sort_form_rows
from carnivore_sign.intake.reading import Reading, make_reading
from carnivore_sign.intake.source import Source, as_utf8
from carnivore_sign.records.form import FORM_ID, FORM_PARTS, FORM_VERSION

#: Largest submission that is read, in bytes: a form holds words, and photos lie beside it.
MAX_BYTES: Final = 16 * 2**20
_ROOT_TAG: Final = re.compile(r"<(?![?!])[^>]*>")
_NAMED: Final = re.compile(rf"""\sid\s*=\s*["']{FORM_ID}""")
_PART_OF: Final = {part.element: name for name, part in FORM_PARTS.items() if name != "walks"}
_META: Final = ("instanceID", "deprecatedID")


def is_submission(head: str) -> bool:
    """Tell from the first lines of XML whether it is a filled-in field form.

    Examples
    --------
    >>> is_submission('<?xml version="1.0"?><data id="carnivore_sign_walk" version="1"><walk>')
    True
    >>> is_submission('<gpx version="1.1">')
    False
    """
    root = _ROOT_TAG.search(head)
    return root is not None and _NAMED.search(root[0]) is not None


def read_submission(source: Source, *, time_zone: str | None = None) -> Reading:
    """Read one filled-in field form.

    Parameters
    ----------
    source : Source
        The XML.
    time_zone : str, optional
        IANA name of the zone of times that carry none.

    Returns
    -------
    Reading
        Tables ``walks``, ``clearings``, ``sign`` and ``prints``. ``source_row`` counts the
        rows of each table in the form, from 1.

    Raises
    ------
    FileUnreadable
        If it is no XML, too large, or declares a document type.
    """
    form = _parse(source)
    notes = list(form.notes)
    tables: dict[str, SortedRows] = {}
    for name, part in FORM_PARTS.items():
        came = form.rows[name]
        rows = FormRows(part, came, list(range(1, len(came) + 1)), form.broken[name])
        written = rows.written_in(always=name == "walks")
        if len(written.answers) < len(came):
            notes.append(passed_over(len(came) - len(written.answers), part.element))
        about = {
            "submission": [form.meta.get("instanceID")],
            "replaces": [form.meta.get("deprecatedID")],
        }
        more = about if name == "walks" else None
        tables[name] = sort_form_rows(written, source, time_zone=time_zone, more=more)
    return make_reading(
        source,
        "submission",
        tables={name: rows.kept for name, rows in tables.items()},
        rows_in={name: rows.count for name, rows in tables.items()},
        set_aside=[rows.set_aside for rows in tables.values()],
        notes=[*notes, *dict.fromkeys(note for rows in tables.values() for note in rows.notes)],
    )


def walk_name_of(instance: str) -> str:
    """Return the name of the walk of a submission that does not name it.

    Examples
    --------
    >>> walk_name_of("uuid:7c9e6679-7425-40de-944b-e07fc1f90ae7")
    'walk-7c9e6679'
    """
    return "walk-" + re.sub(r"\W", "", instance.removeprefix("uuid:"))[:8]


def passed_over(count: int, element: str) -> str:
    """Say how many parts of the form were opened and left blank."""
    return f"{count} of '{element}' passed over, in which nothing was written"


@dataclass
class _Form:
    """What stands in a submission: the answers of each row by table, and the metadata."""

    rows: dict[str, list[dict[str, str]]] = field(
        default_factory=lambda: {name: [] for name in FORM_PARTS}
    )
    broken: dict[str, dict[int, str]] = field(
        default_factory=lambda: {name: {} for name in FORM_PARTS}
    )
    meta: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def _parse(source: Source) -> _Form:
    root, unended, fault = _tree(source)
    form = _Form()
    for one in root.iter(*("{*}" + name for name in _META)):
        if one.text and one.text.strip() and one not in unended:
            form.meta[_local(one)] = one.text.strip()
    if fault is not None:
        form.notes.append(f"it is not whole ({fault}); what stands before that was read")
    version = root.get("version")
    if version not in (None, FORM_VERSION):
        form.notes.append(f"version {version} of the form was read as version {FORM_VERSION}")
    walk: dict[str, str] = {}
    form.rows["walks"].append(walk)
    within = _Within(form, unended, f"the file is cut short in it ({fault})")
    within.collect(root, walk)
    walk.setdefault("form_walk", walk_name_of(form.meta.get("instanceID", source.sha256)))
    for table, parent, answers, number in within.inner:
        _name(table, parent, answers, number)
    return form


def _name(table: str, parent: dict[str, str], answers: dict[str, str], number: int) -> None:
    """Give a row the names that the form would have, where it did not fill them in."""
    if table == "sign":
        answers.setdefault("form_sign", f"{parent['form_walk']}-{number}")
        answers.setdefault("sign_walk", parent["form_walk"])
        answers.setdefault("sign_observer", parent.get("observer", ""))
    elif table == "prints":
        answers.setdefault("print_sign", parent.get("form_sign", ""))
        answers.setdefault("print_no", str(number))


@dataclass
class _Within:
    """The walk through the elements: which rows it found, each with what it belongs to."""

    form: _Form
    unended: frozenset[etree._Element]
    reason: str
    inner: list[tuple[str, dict[str, str], dict[str, str], int]] = field(default_factory=list)

    def collect(self, element: etree._Element, answers: dict[str, str]) -> None:
        """Put the answers below an element into a row, and those of repeated parts into theirs."""
        counts: Counter[str] = Counter()
        for child in element.iterchildren(etree.Element):
            name = _local(child)
            if name == "meta" or any(key.endswith("}template") for key in child.attrib):
                continue
            table = _PART_OF.get(name)
            if table is not None:
                counts[table] += 1
                self._new_row(table, child, answers, counts[table])
            elif len(child):
                self.collect(child, answers)
            elif child.text and child.text.strip() and child not in self.unended:
                answers[name] = child.text.strip()

    def _new_row(
        self, table: str, element: etree._Element, parent: dict[str, str], number: int
    ) -> None:
        row: dict[str, str] = {}
        if element in self.unended:
            self.form.broken[table][len(self.form.rows[table])] = self.reason
        self.form.rows[table].append(row)
        self.inner.append((table, parent, row, number))
        self.collect(element, row)


def _tree(source: Source) -> tuple[etree._Element, frozenset[etree._Element], str | None]:
    """Parse XML as far as it goes; return the root, the elements without an end, and the fault."""
    body, _ = as_utf8(source.data)
    if len(body) > MAX_BYTES or b"<!DOCTYPE" in body or b"<!ENTITY" in body:
        raise FileUnreadable(
            "a field form of more than 16 MiB, or one that declares a document type, is not read",
            file=source.path,
            remedy="Export it once more.",
        )
    parser = etree.XMLPullParser(
        ("start", "end"), resolve_entities=False, no_network=True, encoding="utf-8"
    )
    open_: list[etree._Element] = []
    root: etree._Element | None = None
    fault = None
    try:
        parser.feed(body)
        parser.close()
    except etree.XMLSyntaxError as error:
        fault = str(error.msg)
    for event, element in _events(parser):
        root = element if root is None else root
        if event == "start":
            open_.append(element)
        else:
            open_.pop()
    if root is None:
        raise FileUnreadable(
            f"it is not readable as XML ({fault})", file=source.path, remedy="Export it once more."
        )
    return root, frozenset(open_), fault


def _events(parser: etree.XMLPullParser) -> Iterator[tuple[str, etree._Element]]:
    """Yield what the parser saw, up to the fault that stopped it."""
    events = parser.read_events()
    while True:
        try:
            yield next(events)
        except (StopIteration, etree.XMLSyntaxError):
            return


def _local(element: etree._Element) -> str:
    return str(element.tag).rpartition("}")[2]
