"""A stand-in for whatever fills in the field form: it works on what pyxform makes of the form.

It fills answers into the primary instance, computes what the form computes, leaves out what is
not relevant, and tells which constraints are broken and what is missing. Expressions are XPath
1.0 with the functions of the XForms specification, evaluated by lxml.
"""

from __future__ import annotations

import copy
import csv
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from lxml import etree

FORMS = "{http://www.w3.org/2002/xforms}"
TEMPLATE = "{http://openrosa.org/javarosa}template"
META = "http://openrosa.org/xforms"
Answers = Mapping[str, Any]


@dataclass
class Client:
    """A form client with a clock that the test sets."""

    xform: str
    now: datetime
    broken: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        tree = etree.fromstring(self.xform.encode())
        self.instance = copy.deepcopy(tree.find(f".//{FORMS}instance")[0])
        for element in self.instance.iter(FORMS + "*"):
            element.tag = _local(element)  # names in expressions have no prefix
        self.binds = tree.findall(f".//{FORMS}bind")
        self.given = iter(f"{number:032x}" for number in range(1, 10_000))
        self.functions = {
            (None, "once"): self._once,
            (None, "uuid"): lambda _: next(self.given)[::-1],
            (None, "now"): lambda _: self.now.isoformat(timespec="milliseconds"),
            (None, "substr"): lambda _, text, low, high: str(text)[int(low) : int(high)],
            (None, "format-date-time"): lambda _, text, how: _moment(text).strftime(how),
            (None, "decimal-date-time"): lambda _, text: _moment(_text(text)).timestamp() / 86400,
            (None, "if"): lambda _, what, yes, no: yes if what else no,
        }

    @staticmethod
    def _once(context: Any, value: Any) -> str:
        return context.context_node.text or str(value)

    def fill(self, answers: Answers, *, instance: str, replaces: str | None = None) -> bytes:
        """Fill in the form; return the submission. What is wrong with it is kept."""
        root = copy.deepcopy(self.instance)
        self.broken, self.missing = [], []
        self._put(root, answers)
        self._compute(root)
        self._leave_out(root)
        self._check(root)
        meta = next(one for one in root if _local(one) == "meta")
        meta.find("{*}instanceID").text = instance
        if replaces:
            etree.SubElement(meta, f"{{{META}}}deprecatedID").text = replaces
        return etree.tostring(root, xml_declaration=True, encoding="UTF-8")

    def _put(self, element: Any, answers: Answers) -> None:
        for child in list(element):
            name = _local(child)
            if TEMPLATE in child.attrib:
                del child.attrib[TEMPLATE]
                place = element.index(child)
                for number, one in enumerate(answers.get(name, [])):
                    fresh = copy.deepcopy(child)
                    self._put(fresh, one)
                    element.insert(place + number, fresh)
                child.set("gone", "yes")
            elif name in answers and isinstance(answers[name], list):
                child.set("gone", "yes")
            elif len(child):
                self._put(child, answers)
            elif name in answers:
                child.text = str(answers[name])
        for child in list(element):
            if child.get("gone"):
                element.remove(child)

    def _compute(self, root: Any) -> None:
        for bind in self.binds:
            for node in self._nodes(root, bind):
                expression = (bind.get("calculate") or "").replace("position(..)", _position(node))
                if expression:
                    node.text = str(_text(self._value(node, expression)))

    def _leave_out(self, root: Any) -> None:
        for bind in self.binds:
            if bind.get("relevant"):
                for node in self._nodes(root, bind):
                    if not self._value(node, f"boolean({bind.get('relevant')})"):
                        node.getparent().remove(node)

    def _check(self, root: Any) -> None:
        for bind in self.binds:
            for node in self._nodes(root, bind):
                if bind.get("required") == "true()" and not node.text:
                    self.missing.append(_local(node))
                rule = bind.get("constraint")
                if rule and node.text and not self._value(node, f"boolean({rule})"):
                    self.broken.append(_local(node))

    def _nodes(self, root: Any, bind: Any) -> list[Any]:
        path = re.sub(r"^/data/?", "", bind.get("nodeset"))
        names = [f"*[local-name()='{name}']" for name in path.split("/")]
        return root.xpath("/".join(names))

    def _value(self, node: Any, expression: str) -> Any:
        return node.xpath(re.sub(r"/data/", "/*/", expression), extensions=self.functions)


def export_tables(submissions: list[bytes]) -> dict[str, str]:
    """Write submissions as CSV, a file for each repeated part: flat, with paths and keys."""
    tables: dict[str, list[dict[str, str]]] = {}
    for submission in submissions:
        root = etree.fromstring(submission)
        key = root.findtext(".//{*}instanceID")
        _export(root, "walks", key, "", tables)
    written = {}
    for name, rows in tables.items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        stream = io.StringIO()
        writer = csv.DictWriter(stream, columns)
        writer.writeheader()
        writer.writerows(rows)
        written[name] = stream.getvalue()
    return written


def _export(
    element: Any, name: str, key: str, parent: str, tables: dict[str, list[dict[str, str]]]
) -> None:
    row: dict[str, str] = {"SubmissionDate": "2031-03-09T10:00:00Z"} if name == "walks" else {}
    tables.setdefault(name, []).append(row)
    counts: dict[str, int] = {}
    waiting = [(element, ())]
    while waiting:
        at, path = waiting.pop(0)
        for child in at:
            own = _local(child)
            if own in ("surface_wiped", "sign_found", "print_seen"):
                counts[own] = counts.get(own, 0) + 1
                _export(child, own, f"{key}/{own}[{counts[own]}]", key, tables)
            elif len(child):
                waiting.append((child, (*path, own)))
            elif own == "place":
                parts = [*(child.text or "").split(), "", "", "", ""][:4]
                for part, text in zip(
                    ("Latitude", "Longitude", "Altitude", "Accuracy"), parts, strict=True
                ):
                    row["-".join((*path, own, part))] = text
            else:
                row["-".join((*path, own))] = child.text or ""
    row |= {"PARENT_KEY": parent} if parent else {}
    row["KEY"] = key


def _position(node: Any) -> str:
    parent = node.getparent()
    before = [one for one in parent.itersiblings(preceding=True) if one.tag == parent.tag]
    return f"string({len(before) + 1})"


def _moment(text: Any) -> datetime:
    return datetime.fromisoformat(_text(text))


def _text(value: Any) -> Any:
    if isinstance(value, list):
        return (value[0].text or "") if value else ""
    return value


def _local(element: Any) -> str:
    return etree.QName(element).localname
