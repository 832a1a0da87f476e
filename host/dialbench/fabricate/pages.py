"""A drawing on paper, true to size, on as many pages as it takes.

A page is as wide as A4 and as high as Letter, so it prints on either at 100%. Neighbouring
pages overlap; the joining marks in the overlap are on both. Every page has two bars of
100 mm, one each way, for a printer may stretch paper in the direction of its feed.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from typing import Any

from reportlab.pdfbase.pdfdoc import PDFDictionary, PDFInfo, PDFString
from reportlab.pdfgen.canvas import Canvas

from dialbench import __version__
from dialbench.fabricate.drawing import PENS, Drawing, Point, Stroke, round_line

MM = 72 / 25.4  # PDF's points in a mm
PAGE_MM = (210.0, 279.4)
BAR_MM = 100.0
OVERLAP_MM = 10.0

_WINDOW = ((22.0, 40.0), (202.0, 271.0))  # of the page, for the drawing
_WIDE = _WINDOW[1][0] - _WINDOW[0][0]
_HIGH = _WINDOW[1][1] - _WINDOW[0][1]
_MARK_MM = 5.0
_MARK_PLACES = (0.12, 0.43, 0.91)  # of a window's side; uneven, to miss the drawing's axes
_NOTE = (
    'Print at 100% ("actual size"); no fitting to the page. '
    "Then measure both bars: each must be 100.0 mm."
)

Segment = tuple[Point, Point]


class _Undated(PDFInfo):
    """A file's own description without dates, so that it is the same file every time."""

    def format(self, document: Any) -> Any:
        told = {"Title": self.title, "Author": self.author, "Subject": self.subject}
        told |= {"Creator": self.creator, "Producer": self.producer}
        return PDFDictionary({key: PDFString(text) for key, text in told.items()}).format(document)


class UndatedCanvas(Canvas):
    """A PDF in the making whose bytes depend on nothing but what is drawn."""

    def __init__(self, *arguments: Any, **settings: Any) -> None:
        super().__init__(*arguments, **{**settings, "pageCompression": 0, "invariant": 1})
        document: Any = self._doc  # type: ignore[attr-defined]
        document.info = _Undated()


def described(title: str, stamp: str) -> dict[str, str]:
    """What a PDF says about itself."""
    maker = f"dialbench {__version__}"
    return {"title": latin(title), "subject": stamp, "author": maker, "creator": maker}


def latin(text: str) -> str:
    """Text as the fonts of every PDF reader have it; other letters are spelt out."""
    return text.encode("cp1252", "backslashreplace").decode("cp1252")


def pdf(drawing: Drawing, stamp: str) -> bytes:
    """The drawing as a PDF file, true to size."""
    (left, low), (right, high) = drawing.bounds()
    columns, rows = _count(right - left, _WIDE), _count(high - low, _HIGH)
    # The sheet made of all windows, the drawing in its middle.
    first_x = (left + right - _WIDE - (columns - 1) * (_WIDE - OVERLAP_MM)) / 2
    top_y = (low + high + _HIGH + (rows - 1) * (_HIGH - OVERLAP_MM)) / 2
    marks = list(_joining(first_x, top_y, columns, rows))
    stream = io.BytesIO()
    made = UndatedCanvas(stream, pagesize=(PAGE_MM[0] * MM, PAGE_MM[1] * MM))
    told = described(drawing.title, stamp)
    made.setTitle(told["title"])
    made.setSubject(told["subject"])
    made.setAuthor(told["author"])
    made.setCreator(told["creator"])
    for row in range(rows):
        for column in range(columns):
            corner = (
                first_x + column * (_WIDE - OVERLAP_MM),
                top_y - _HIGH - row * (_HIGH - OVERLAP_MM),
            )
            page = _Page(made, corner)
            page.draw(drawing, marks)
            page.frame(drawing.title, stamp, (column, row), (columns, rows))
            made.showPage()
    made.save()
    return stream.getvalue()


def _count(size_mm: float, window_mm: float) -> int:
    """How many windows side by side hold a size."""
    more = (size_mm - window_mm) / (window_mm - OVERLAP_MM)
    return 1 + max(0, math.ceil(more - 1e-9))


def _joining(first_x: float, top_y: float, columns: int, rows: int) -> Iterator[tuple[Point, str]]:
    """Places in the drawing, and names, of marks in the middle of every overlap."""
    step_x, step_y = _WIDE - OVERLAP_MM, _HIGH - OVERLAP_MM
    number = 0
    for row in range(rows):
        for column in range(columns):
            x, y = first_x + column * step_x, top_y - row * step_y
            if column < columns - 1:
                for share in _MARK_PLACES:
                    number += 1
                    yield (x + _WIDE - OVERLAP_MM / 2, y - share * _HIGH), f"m{number}"
            if row < rows - 1:
                for share in _MARK_PLACES:
                    number += 1
                    yield (x + share * _WIDE, y - _HIGH + OVERLAP_MM / 2), f"m{number}"


class _Page:
    """One window on the drawing, its lower left corner at `corner`."""

    def __init__(self, made: Canvas, corner: Point) -> None:
        self._made = made
        self._corner = corner

    def draw(self, drawing: Drawing, marks: Sequence[tuple[Point, str]]) -> None:
        strokes = list(drawing.strokes)
        for circle in drawing.circles:
            line = round_line(circle.centre, circle.diameter_mm)
            strokes.append(Stroke(circle.layer, tuple(line), closed=True))
        half = _MARK_MM / 2
        for (x, y), _ in marks:
            strokes.append(Stroke("joining marks", ((x - half, y), (x + half, y))))
            strokes.append(Stroke("joining marks", ((x, y - half), (x, y + half))))
        by_layer: dict[str, list[Stroke]] = {}
        for stroke in strokes:
            by_layer.setdefault(stroke.layer, []).append(stroke)
        for layer, listed in by_layer.items():
            self._pen(layer)
            for stroke in listed:
                self._stroke(stroke)
        for words in drawing.words:
            self._say(
                words.layer,
                words.at,
                words.text,
                words.height_mm,
                words.turn_deg,
                words.anchor == "middle",
            )
        for (x, y), name in marks:
            self._say("joining marks", (x + 1, y + 1), name, 2.0, 0.0, middle=False)

    def _pen(self, layer: str) -> None:
        pen = PENS[layer]
        self._made.setStrokeColorRGB(*pen.rgb)
        self._made.setLineWidth(pen.width_mm * MM)
        self._made.setDash([part * MM for part in pen.dash_mm], 0)
        self._made.setLineJoin(1)

    def _on_page(self, point: Point) -> Point:
        (x, y), (left, low) = point, self._corner
        return (x - left + _WINDOW[0][0]) * MM, (y - low + _WINDOW[0][1]) * MM

    def _stroke(self, stroke: Stroke) -> None:
        (left, low), points = self._corner, stroke.points
        right, high = left + _WIDE, low + _HIGH
        xs, ys = [x for x, _ in points], [y for _, y in points]
        if max(xs) < left or min(xs) > right or max(ys) < low or min(ys) > high:
            return
        ends = (*points[1:], points[0]) if stroke.closed else points[1:]
        pairs = zip(points, ends, strict=False)
        cut = [_clipped(pair, (left, low), (right, high)) for pair in pairs]
        path, at = self._made.beginPath(), None
        for segment in cut:
            if segment is None:
                continue
            start, end = (self._on_page(point) for point in segment)
            if start != at:
                path.moveTo(*start)
            path.lineTo(*end)
            at = end
        if at is not None:
            self._made.drawPath(path)

    def _say(
        self, layer: str, at: Point, text: str, height_mm: float, turn_deg: float, middle: bool
    ) -> None:
        (x, y), (left, low) = at, self._corner
        if not (left <= x <= left + _WIDE and low <= y <= low + _HIGH):
            return
        made, size = self._made, height_mm * MM / 0.72  # a capital is 0.72 of its size high
        made.saveState()
        made.setFillColorRGB(*PENS[layer].rgb)
        made.translate(*self._on_page(at))
        made.rotate(turn_deg)
        made.setFont("Helvetica", size)
        if middle:
            made.drawCentredString(0, -height_mm * MM / 2, latin(text))
        else:
            made.drawString(0, 0, latin(text))
        made.restoreState()

    def frame(self, title: str, stamp: str, place: tuple[int, int], pages: tuple[int, int]) -> None:
        """What stands around the window: bars, notes, and which page of which it is."""
        made, count = self._made, pages[0] * pages[1]
        self._pen("scale bar")
        self._bar((_WINDOW[0][0], 24.0), upright=False)
        self._bar((12.0, _WINDOW[0][1]), upright=True)
        made.setFillColorRGB(0, 0, 0)
        made.setFont("Helvetica-Bold", 11)
        made.drawString(_WINDOW[0][0] * MM, 14 * MM, _short(latin(title), 70))
        made.setFont("Helvetica", 8)
        made.drawString(_WINDOW[0][0] * MM, 9.5 * MM, _NOTE)
        made.setFillColorRGB(0.35, 0.35, 0.35)
        text = f"{stamp}; page {place[1] * pages[0] + place[0] + 1} of {count}"
        if count > 1:
            text += f" (row {place[1] + 1}, column {place[0] + 1})"
        made.drawString(_WINDOW[0][0] * MM, 6 * MM, text)
        if count > 1:
            self._map(place, pages)
            made.setLineWidth(0.1 * MM)
            made.setDash([], 0)
            made.setStrokeColorRGB(0.8, 0.8, 0.8)
            made.rect(_WINDOW[0][0] * MM, _WINDOW[0][1] * MM, _WIDE * MM, _HIGH * MM)

    def _bar(self, at: Point, upright: bool) -> None:
        """A bar of 100 mm: one line, and ticks every 10 mm."""
        made, (x, y) = self._made, at
        way = (0.0, 1.0) if upright else (1.0, 0.0)
        made.line(x * MM, y * MM, (x + BAR_MM * way[0]) * MM, (y + BAR_MM * way[1]) * MM)
        for k in range(11):
            long = 3.0 if k % 5 == 0 else 1.8
            start = (x + 10 * k * way[0], y + 10 * k * way[1])
            end = (start[0] - long * way[1], start[1] + long * way[0])
            made.line(start[0] * MM, start[1] * MM, end[0] * MM, end[1] * MM)
        made.saveState()
        made.setFillColorRGB(0, 0, 0)
        made.setFont("Helvetica", 7)
        made.translate((x + 50 * way[0]) * MM, (y + 50 * way[1]) * MM)
        made.rotate(90 if upright else 0)
        made.drawCentredString(0, -3.2 * MM if not upright else 4.2 * MM, "100 mm")
        made.restoreState()

    def _map(self, place: tuple[int, int], pages: tuple[int, int]) -> None:
        """Where this page belongs, and how pages are joined."""
        made = self._made
        cell = min(5.0, 40.0 / pages[0], 16.0 / pages[1])
        left, top = 202.0 - pages[0] * cell, 34.0
        self._pen("joining marks")
        made.setFillColorRGB(0.75, 0.85, 0.78)
        for row in range(pages[1]):
            for column in range(pages[0]):
                here = (column, row) == place
                made.rect(
                    (left + column * cell) * MM,
                    (top - (row + 1) * cell) * MM,
                    cell * MM,
                    cell * MM,
                    stroke=1,
                    fill=1 if here else 0,
                )
        made.setFillColorRGB(0.35, 0.35, 0.35)
        made.setFont("Helvetica", 7)
        made.drawRightString(
            202 * MM, 14.8 * MM, "Join pages so that marks of one name lie on each other."
        )


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


def _clipped(segment: Segment, low: Point, high: Point) -> Segment | None:
    """The part of a segment inside a box; None outside. (Liang and Barsky 1984, from memory.)"""
    (x, y), (x2, y2) = segment
    first, last = 0.0, 1.0
    for way, room_low, room_high in (
        (x2 - x, low[0] - x, high[0] - x),
        (y2 - y, low[1] - y, high[1] - y),
    ):
        if way == 0:
            if room_low > 0 or room_high < 0:
                return None
            continue
        near, far = sorted((room_low / way, room_high / way))
        first, last = max(first, near), min(last, far)
    if first > last:
        return None

    def at(share: float) -> Point:
        if share in (0.0, 1.0):
            return segment[int(share)]
        return x + share * (x2 - x), y + share * (y2 - y)

    return at(first), at(last)
