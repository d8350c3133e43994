"""One content, two renderings: whole, escaped, tagged, and the same every time."""

from __future__ import annotations

import base64
import datetime as dt
import io
import re
from pathlib import Path

import lxml.html
import numpy as np
import pandas as pd
import pypdf
import pytest
from reporting_examples import answer_report, make_country, month_report, tiny_png

from carnivore_sign.incidents.words import MISSING
from carnivore_sign.reports import (
    Bullets,
    Caution,
    FigureBlock,
    Heading,
    NewPage,
    Paragraph,
    Report,
    TableBlock,
    cautions_for,
    render_html,
    render_pdf,
    write_html,
    write_pdf,
)
from carnivore_sign.reports.content import MISSING_NOTE, as_plain, cell_text, plain

COUNTRY = make_country()
MONTH = month_report(COUNTRY)
ANSWER = answer_report(COUNTRY.examine())
HOSTILE = {
    "script": "<script>alert(1)</script>",
    "quote": "\"><img src=x onerror=alert(1)> ' &amp;",
    "typst": '#let x = 1; #panic("no") #read("/etc/passwd") [ ] { }',
    "mathematics": r"$x^2$ \ _ * ` ``` @label <label>",
    "template": "{{ 7*7 }} {% if 1 %} {# note #}",
    "long": "Coldwater" * 60,
    "right to left": "مرعى أسفل שדה תחתון",
    "other scripts": "下牧場 ऊपरी 🐾",
    "control": "a\x00b\x1b[31m\ud800c\u2028d",
}


def report_of(*blocks: object, title: str = "A title") -> Report:
    return Report(title, "A subtitle", "en", dt.date(2031, 6, 3), blocks)


def everywhere(text: str) -> Report:
    """Put a text in every place that takes one."""
    names = pd.Index([text, "n"], dtype="object")
    frame = pd.DataFrame([[text, 1.0], [None, np.nan]], dtype="object").set_axis(names, axis=1)
    return report_of(
        Heading(text), Heading(text, level=3), Paragraph(text, lead=True), Paragraph(text),
        Bullets((text, text)), Caution(text, text, text), NewPage(),
        TableBlock(frame, text, units={"n": text}), FigureBlock(tiny_png(), text, text),
        title=text,
    )  # fmt: skip


def pdf_text(body: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(body)).pages
    return " ".join(" ".join(page.extract_text().replace("\u200b", "") for page in pages).split())


def html_text(body: str) -> str:
    return " ".join(lxml.html.fromstring(body).text_content().split())


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_no_text_becomes_markup_or_code(text: str) -> None:
    report = everywhere(text)
    tree = lxml.html.fromstring(render_html(report))
    assert not tree.xpath("//script | //*[@onerror] | //img[not(starts-with(@src, 'data:'))]")
    heading = tree.xpath("//h2")[0].text_content()
    assert heading.replace("\N{NO-BREAK SPACE}", " ") == plain(text)
    assert tree.xpath("//img/@alt")[0].replace("\N{NO-BREAK SPACE}", " ") == plain(text)
    assert pypdf.PdfReader(io.BytesIO(render_pdf(report))).metadata.title.replace(
        "\u200b", ""
    ) == plain(text)


@pytest.mark.parametrize("name", ["script", "typst", "mathematics", "template"])
def test_markup_is_printed_as_it_was_written(name: str) -> None:
    squeezed = "".join(pdf_text(render_pdf(report_of(Paragraph(HOSTILE[name])))).split())
    assert "".join(HOSTILE[name].split()) in squeezed


def test_long_words_stay_on_the_page() -> None:
    """Compare the boxes of the text with the page, as pypdf reads them."""
    reader = pypdf.PdfReader(io.BytesIO(render_pdf(everywhere(HOSTILE["long"]))))
    for page in reader.pages:
        starts: list[float] = []
        page.extract_text(
            visitor_text=lambda text, _, at, __, ___, starts=starts: starts.append(at[4])
        )
        assert max(starts) < float(page.mediabox.width)


@pytest.mark.parametrize("report", [MONTH, ANSWER], ids=["month", "answer"])
def test_the_same_report_gives_the_same_bytes(report: Report, tmp_path: Path) -> None:
    assert render_pdf(report) == write_pdf(report, tmp_path / "a.pdf").read_bytes()
    assert render_html(report).encode() == write_html(report, tmp_path / "a.html").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "a.pdf"]


@pytest.mark.parametrize("report", [MONTH, ANSWER], ids=["month", "answer"])
def test_both_renderings_hold_every_cell_and_every_word(report: Report) -> None:
    """Check with pypdf and lxml, general readers of PDF and HTML."""
    content, _ = as_plain(report)
    shown = {
        "pdf": "".join(pdf_text(render_pdf(report)).split()),
        "html": "".join(html_text(render_html(report)).split()),
    }
    for block in content["blocks"]:
        words = [block.get(name, "") for name in ("text", "title", "source", "caption", "note")]
        words += [*block.get("items", []), *block.get("head", [])]
        words += [cell for row in block.get("rows", []) for cell in row]
        for word in words:
            for kind, text in shown.items():
                assert "".join(word.split()).replace("-", "") in text.replace("-", ""), (kind, word)


def test_the_pdf_has_title_language_date_and_tags() -> None:
    reader = pypdf.PdfReader(io.BytesIO(render_pdf(MONTH)))
    root = reader.trailer["/Root"]
    assert reader.metadata.title == "Puma in May 2031"
    assert reader.metadata.creation_date.date() == dt.date(2031, 6, 3)
    assert root["/Lang"].startswith("en")
    assert root["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in root
    assert b"pdfuaid" in root["/Metadata"].get_data()


def test_the_html_is_one_file_that_fetches_nothing() -> None:
    body = render_html(MONTH)
    tree = lxml.html.fromstring(body)
    assert body.startswith("<!DOCTYPE html>")
    assert not re.findall(r"https?://", body)
    assert not tree.xpath("//script | //link | //iframe")
    sources = tree.xpath("//img/@src")
    assert base64.b64decode(sources[0].split(",")[1]) == tiny_png()
    assert all(tree.xpath("//img/@alt"))
    assert tree.xpath("//html/@lang") == ["en"]
    assert len(tree.xpath("//h1")) == 1
    assert all(th.get("scope") == "col" for th in tree.xpath("//th"))


def test_missing_values_are_dashes_with_a_footnote() -> None:
    frame = pd.DataFrame(
        {"a": [1.5, np.nan], "t": pd.to_datetime(["2031-05-01", None], utc=True), "s": ["x", None]}
    )
    block = TableBlock(frame, "c", decimals={"a": 1})
    assert block.rows == [["1.5", "2031-05-01 00:00", "x"], [MISSING] * 3]
    body = render_html(report_of(block))
    assert MISSING_NOTE in body
    assert MISSING_NOTE not in render_html(report_of(TableBlock(frame.head(1), "c")))
    assert not re.search(r"\b(nan|NaT|None)\b", body)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (np.float64(2.345), "2.35"), (np.int64(3), "3"), (np.bool_(True), "yes"), (pd.NA, MISSING),
        (pd.NaT, MISSING), (None, MISSING), (float("nan"), MISSING), ("  ", MISSING), (0.0, "0.00"),
    ],
)  # fmt: skip
def test_each_kind_of_value_has_its_text(value: object, text: str) -> None:
    assert cell_text(value) == text


def test_a_number_is_not_parted_from_its_per_cent_sign() -> None:
    assert "5\N{NO-BREAK SPACE}%" in render_html(report_of(Paragraph("under 5 % of it")))


def test_an_empty_table_still_has_its_head() -> None:
    report = report_of(TableBlock(pd.DataFrame({"Trail": [], "km": []}), "Nothing."))
    assert "Trail" in html_text(render_html(report))
    assert "Nothing." in pdf_text(render_pdf(report))


@pytest.mark.parametrize("reader", ["manager", "landowner"])
def test_cautions_stand_in_both_renderings_with_their_source(reader: str) -> None:
    report = MONTH if reader == "manager" else ANSWER
    shown = pdf_text(render_pdf(report)), html_text(render_html(report))
    assert len(cautions_for(reader)) >= 5
    for caution in cautions_for(reader):
        assert caution.source
        for text in shown:
            assert caution.title in text
            assert caution.text[:60] in text


def test_a_failed_write_leaves_the_old_file(tmp_path: Path) -> None:
    place = write_html(MONTH, tmp_path / "a.html")
    before = place.read_bytes()
    with pytest.raises(FileNotFoundError):
        write_html(ANSWER, tmp_path / "no folder" / "a.html")
    assert place.read_bytes() == before


def test_columns_are_set_by_kind() -> None:
    block = TableBlock(pd.DataFrame({"n": [1], "t": ["a"], "b": [True]}), "c", units={"n": "km"})
    assert block.numeric == [True, False, False]
    assert block.head == ["n, km", "t", "b"]
