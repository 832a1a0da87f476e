"""A document as a PDF of A4 pages; the same bytes for the same document."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepTogether, Paragraph, SimpleDocTemplate, Spacer
from reportlab.platypus import Table as Grid

from dialbench.report.document import Block, Document, Picture, Table, Words

_INK, _SOFT, _RULE = colors.Color(0.13, 0.15, 0.18), colors.Color(0.4, 0.43, 0.47), 0.82
_PAGE = (210 * mm, 297 * mm)
_MARGIN = 18 * mm
_WIDTH = _PAGE[0] - 2 * _MARGIN
_TITLE = ParagraphStyle("title", fontName="Helvetica-Bold", fontSize=18, leading=23, textColor=_INK)
_HEADING = ParagraphStyle(
    "heading", fontName="Helvetica-Bold", fontSize=12, leading=16, spaceBefore=12, spaceAfter=4
)
_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=9, leading=12.5, spaceAfter=3)
_QUIET = ParagraphStyle("quiet", parent=_BODY, fontSize=8, leading=10.5, textColor=_SOFT)
_CELL = ParagraphStyle("cell", parent=_BODY, fontSize=7.2, leading=9, spaceAfter=0)


class _Undated(Canvas):
    """Without dates and numbers of chance, page numbers at the foot."""

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        super().__init__(*arguments, **{**settings, "invariant": True})

    def showPage(self) -> None:
        self.setFont("Helvetica", 8)
        self.setFillColor(_SOFT)
        self.drawRightString(_PAGE[0] - _MARGIN, 9 * mm, f"page {self.getPageNumber()}")
        super().showPage()


def rendered(document: Document) -> bytes:
    """The document's pages."""
    stream = io.BytesIO()
    pages = SimpleDocTemplate(
        stream,
        pagesize=_PAGE,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN,
        title=_latin(document.title),
        author="Dialbench",
        creator="Dialbench",
        subject=_latin(document.lead),
    )
    story: list[Flowable] = [_text(document.title, _TITLE), _text(document.lead, _QUIET)]
    for number, section in enumerate(document.sections, 1):
        head, *rest = [flow for block in section.blocks for flow in _block(block)] or [Spacer(0, 0)]
        title = _text(f"{number}. {section.title}", _HEADING)
        # A heading does not stand alone at a page's foot; a long table may break after it.
        story += [title, head] if isinstance(head, Grid) else [KeepTogether([title, head])]
        story += rest
    pages.build(story, canvasmaker=_Undated)
    return stream.getvalue()


def _block(block: Block) -> Iterator[Flowable]:
    match block:
        case Words():
            yield _text(block.text, _BODY)
        case Table():
            yield _text(block.caption, _QUIET)
            yield _grid(block)
            yield Spacer(0, 6)
        case Picture():
            scale = min(1.0, _WIDTH / (block.width_mm * mm))
            image = Image(
                io.BytesIO(block.png()),
                width=block.width_mm * mm * scale,
                height=block.height_mm * mm * scale,
            )
            yield KeepTogether([image, _text(block.caption, _QUIET)])


def _grid(block: Table) -> Grid:
    rows = [block.head, *block.rows] if block.head else list(block.rows)
    columns = max(len(row) for row in rows) if rows else 1
    cells = [[_text(cell, _CELL) for cell in row] for row in rows] or [[_text("none", _CELL)]]
    first = 0.34 if columns == 2 else 1 / columns
    widths = [_WIDTH * first] + [_WIDTH * (1 - first) / max(columns - 1, 1)] * (columns - 1)
    lines: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, colors.Color(_RULE, _RULE, _RULE)),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
    ]
    return Grid(cells, colWidths=widths, style=lines, repeatRows=1 if block.head else 0)


def _text(text: str, style: ParagraphStyle) -> Paragraph:
    return Paragraph(escape(_latin(text)), style)


def _latin(text: str) -> str:
    """What the standard fonts have; the rest is spelt out."""
    return text.encode("latin-1", "backslashreplace").decode("latin-1")
