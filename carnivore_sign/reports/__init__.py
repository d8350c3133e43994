"""Reports: the manager's month and the landowner's answer, and a page to trace prints on.

Takes summaries (MONTHLY, rates, VISITS, TRAILS, the findings of an incident), a `PageRecord`
with the receipts and the choices behind them, and finished figures as PNG; or a photo of a
print. Gives a `Report`, and writes it as one HTML file or as a tagged PDF from the same content;
or a page that measures what is traced on it, without a verdict. Does not compute a
probability, does not say which animal did it, and does not advise anything against an animal.
"""

from carnivore_sign.reports.cautions import cautions_for
from carnivore_sign.reports.choices import Choices
from carnivore_sign.reports.content import (
    Bullets,
    Caution,
    FigureBlock,
    Heading,
    NewPage,
    Paragraph,
    Report,
    TableBlock,
)
from carnivore_sign.reports.explaining import Passages
from carnivore_sign.reports.grounds import segments_on_word, with_grounds
from carnivore_sign.reports.html import render_html, write_html
from carnivore_sign.reports.landowner import landowner_report
from carnivore_sign.reports.monthly import monthly_report
from carnivore_sign.reports.notable import TrailPhoto, notable_trails
from carnivore_sign.reports.pdf import render_pdf, write_pdf
from carnivore_sign.reports.public_answer import public_answer
from carnivore_sign.reports.rates import Change
from carnivore_sign.reports.record import PageRecord
from carnivore_sign.reports.tracing import tracing_page, write_tracing_page
from carnivore_sign.reports.tracing_photo import open_upright

__all__ = [
    "Bullets",
    "Caution",
    "Change",
    "Choices",
    "FigureBlock",
    "Heading",
    "NewPage",
    "PageRecord",
    "Paragraph",
    "Passages",
    "Report",
    "TableBlock",
    "TrailPhoto",
    "cautions_for",
    "landowner_report",
    "monthly_report",
    "notable_trails",
    "open_upright",
    "public_answer",
    "render_html",
    "render_pdf",
    "segments_on_word",
    "tracing_page",
    "with_grounds",
    "write_html",
    "write_pdf",
    "write_tracing_page",
]
