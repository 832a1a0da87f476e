"""The assembly sheet as PDF, with the pictures of the body and of its base."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    Flowable,
    Image,
    KeepTogether,
    ListFlowable,
    ListItem,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from dialbench.dial import Dial
from dialbench.fabricate.drawing import PENS, Drawing, round_line
from dialbench.fabricate.pages import MM, PAGE_MM, UndatedCanvas, described, latin
from dialbench.fabricate.sheet import Section
from dialbench.fabricate.table import stamp

_INK = colors.Color(0.13, 0.15, 0.18)
_SOFT = colors.Color(0.40, 0.43, 0.47)
_RULE = colors.Color(0.80, 0.82, 0.85)
_WARN = colors.Color(0.99, 0.94, 0.88)
_WARN_EDGE = colors.Color(0.80, 0.42, 0.10)


def pdf(dial: Dial, told: Sequence[Section], side: Drawing, picture: bytes | None = None) -> bytes:
    """assembly.pdf: side is the base's side view, picture a PNG of the body."""
    stream = io.BytesIO()
    title, made_by = f"Assembly: {dial.name}", stamp(dial)
    told_of = described(title, made_by)
    document = SimpleDocTemplate(
        stream,
        pagesize=(PAGE_MM[0] * MM, PAGE_MM[1] * MM),
        leftMargin=20 * MM,
        rightMargin=20 * MM,
        topMargin=18 * MM,
        bottomMargin=18 * MM,
        title=told_of["title"],
        subject=told_of["subject"],
        author=told_of["author"],
        creator=told_of["creator"],
    )

    def around(canvas: Canvas, _: Any) -> None:
        canvas.setFont("Helvetica", 8)
        canvas.setFillColor(_SOFT)
        canvas.drawString(20 * MM, 9 * MM, made_by)
        canvas.drawRightString((PAGE_MM[0] - 20) * MM, 9 * MM, f"page {canvas.getPageNumber()}")

    story: list[Flowable] = [
        Paragraph(_marked(title), _TITLE),
        Paragraph(_marked("Read the cautions before you touch a tool."), _LEAD),
    ]
    for section in told:
        story += _flow(section)
        if section.figures:
            story.append(_pictures(side, picture))
    document.build(story, onFirstPage=around, onLaterPages=around, canvasmaker=UndatedCanvas)
    return stream.getvalue()


_TITLE = ParagraphStyle("title", fontName="Helvetica-Bold", fontSize=20, leading=25, textColor=_INK)
_LEAD = ParagraphStyle("lead", fontName="Helvetica", fontSize=10, leading=14, textColor=_SOFT)
_HEADING = ParagraphStyle(
    "heading",
    fontName="Helvetica-Bold",
    fontSize=13,
    leading=17,
    textColor=_INK,
    spaceBefore=12,
    spaceAfter=5,
    keepWithNext=1,
)
_BODY = ParagraphStyle(
    "body", fontName="Helvetica", fontSize=9.5, leading=13, textColor=_INK, spaceAfter=3
)
_LABEL = ParagraphStyle("label", parent=_BODY, textColor=_SOFT, spaceAfter=0)
_VALUE = ParagraphStyle("value", parent=_BODY, spaceAfter=0)


def _marked(text: str) -> str:
    """Text as a paragraph's markup: what stands between backticks is what one types."""
    return re.sub(r"`([^`]+)`", r'<font face="Courier">\1</font>', escape(latin(text)))


def _flow(section: Section) -> list[Flowable]:
    heading = Paragraph(_marked(section.heading), _HEADING)
    rest: list[Flowable] = [Paragraph(_marked(text), _BODY) for text in section.paragraphs]
    if section.points:
        # The first point stays with the heading; a page may end after any other.
        rest += [
            _points(section, first, points)
            for first, points in ((1, section.points[:1]), (2, section.points[1:]))
            if points
        ]
    if section.figures:
        cells = [
            [Paragraph(_marked(label), _LABEL), Paragraph(_marked(value), _VALUE)]
            for label, value in section.figures
        ]
        style = TableStyle(
            [
                ("LINEBELOW", (0, 0), (-1, -2), 0.4, _RULE),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 2.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ]
        )
        rest.append(Table(cells, colWidths=[45 * MM, 125 * MM], style=style, hAlign="LEFT"))
    if not section.caution:
        return [KeepTogether([heading, rest[0]]), *rest[1:]]
    box = Table(
        [[[heading, *rest]]],
        colWidths=[170 * MM],
        style=TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), _WARN),
                ("LINEBEFORE", (0, 0), (0, -1), 3, _WARN_EDGE),
                ("LEFTPADDING", (0, 0), (-1, -1), 10),
                ("RIGHTPADDING", (0, 0), (-1, -1), 8),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
            ]
        ),
    )
    return [Spacer(1, 6), box]


def _points(section: Section, first: int, points: Sequence[str]) -> Flowable:
    """Some of a section's points, numbered from first or with bullets."""
    items: list[Any] = [ListItem(Paragraph(_marked(text), _BODY)) for text in points]
    return ListFlowable(
        items,
        bulletType="1" if section.numbered else "bullet",
        bulletFormat="%s." if section.numbered else None,
        start=first if section.numbered else "\u2022",
        bulletFontName="Helvetica",
        bulletFontSize=9.5,
        bulletColor=_SOFT,
        leftIndent=16,
    )


def _pictures(side: Drawing, picture: bytes | None) -> Flowable:
    """The body, and under it the body on its base."""
    view = _Figure(side, 110 * MM, 70 * MM)
    shown: list[Flowable] = [Spacer(1, 8)]
    if picture is not None:
        image = Image(io.BytesIO(picture), width=170 * MM, height=85 * MM, kind="proportional")
        image.hAlign = "LEFT"
        shown += [image, Paragraph("The body from outside, and from its face.", _LABEL)]
        shown.append(Spacer(1, 8))
    shown += [view, Paragraph("The body on its base, seen from the side.", _LABEL)]
    return KeepTogether(shown)


class _Figure(Flowable):
    """A drawing fitted into a box: for looking at, not to scale."""

    def __init__(self, drawing: Drawing, width: float, height: float) -> None:
        super().__init__()
        self._drawing = drawing
        self._low, high = drawing.bounds()
        spans = high[0] - self._low[0], high[1] - self._low[1]
        self._scale = min(width / spans[0], height / spans[1])
        self.width, self.height = spans[0] * self._scale, spans[1] * self._scale

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        lines = [(stroke.layer, stroke.points, stroke.closed) for stroke in self._drawing.strokes]
        for circle in self._drawing.circles:
            ring = tuple(round_line(circle.centre, circle.diameter_mm, 36))
            lines.append((circle.layer, ring, True))
        for layer, points, closed in lines:
            pen = PENS[layer]
            self.canv.setStrokeColorRGB(*pen.rgb)
            self.canv.setLineWidth(pen.width_mm * MM)
            self.canv.setDash([part * MM / 2 for part in pen.dash_mm], 0)
            path = self.canv.beginPath()
            path.moveTo(*self._place(points[0]))
            for point in points[1:]:
                path.lineTo(*self._place(point))
            if closed:
                path.close()
            self.canv.drawPath(path)
        self.canv.setFillColor(_INK)
        for words in self._drawing.words:
            self.canv.setFont("Helvetica", 7)
            self.canv.drawString(*self._place(words.at), latin(words.text))

    def _place(self, point: tuple[float, float]) -> tuple[float, float]:
        return (
            (point[0] - self._low[0]) * self._scale,
            (point[1] - self._low[1]) * self._scale,
        )
