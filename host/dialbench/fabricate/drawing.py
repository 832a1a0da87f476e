"""A drawing in mm: lines, circles and words on named layers, and its DXF file."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from ezdxf._options import options
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new

from dialbench import __version__

Point = tuple[float, float]
Anchor = Literal["left", "middle"]


@dataclass(frozen=True)
class Pen:
    """How a layer looks: DXF colour index, red green blue 0..1, mm on paper, dashes in mm."""

    index: int
    rgb: tuple[float, float, float]
    width_mm: float
    dash_mm: tuple[float, ...] = ()


_BLACK, _GREY, _RED, _BLUE, _GREEN = (
    (0.0, 0.0, 0.0),
    (0.55, 0.55, 0.55),
    (0.75, 0.10, 0.10),
    (0.10, 0.25, 0.70),
    (0.05, 0.45, 0.25),
)

# What every layer's name stands for is its name.
PENS = {
    "outline": Pen(7, _BLACK, 0.35),
    "fold lines": Pen(8, _GREY, 0.25, (4, 2)),
    "axes": Pen(8, _GREY, 0.15, (6, 1.5, 1, 1.5)),
    "openings": Pen(5, _BLUE, 0.15),
    "pockets": Pen(8, _GREY, 0.12, (1, 1)),
    "exits": Pen(1, _RED, 0.15),
    "entries": Pen(1, _RED, 0.12),
    "numbers": Pen(7, _BLACK, 0.15),
    "notes": Pen(7, _BLACK, 0.15),
    "scale bar": Pen(7, _BLACK, 0.25),
    "joining marks": Pen(3, _GREEN, 0.2),
    "sensor holes": Pen(5, _BLUE, 0.25),
    "light openings": Pen(1, _RED, 0.2),
    "body screws": Pen(3, _GREEN, 0.25),
    "bed screws": Pen(3, _GREEN, 0.25),
    "cable slot": Pen(6, _BLUE, 0.25),
    "cheek": Pen(7, _BLACK, 0.35),
    "base plate": Pen(7, _BLACK, 0.35),
    "feet": Pen(1, _RED, 0.25),
    "screw holes": Pen(3, _GREEN, 0.25),
    "body in place": Pen(8, _GREY, 0.2, (4, 2)),
    "centre of mass": Pen(1, _RED, 0.2),
}


@dataclass(frozen=True)
class Stroke:
    layer: str
    points: tuple[Point, ...]
    closed: bool = False


@dataclass(frozen=True)
class Circle:
    layer: str
    centre: Point
    diameter_mm: float


@dataclass(frozen=True)
class Words:
    """height_mm is the height of a capital; the text begins, or has its middle, at `at`."""

    layer: str
    at: Point
    text: str
    height_mm: float
    turn_deg: float = 0.0
    anchor: Anchor = "left"


@dataclass
class Drawing:
    title: str
    strokes: list[Stroke] = field(default_factory=list)
    circles: list[Circle] = field(default_factory=list)
    words: list[Words] = field(default_factory=list)

    def line(self, layer: str, points: Sequence[Point], closed: bool = False) -> None:
        """A line through points; without effect for fewer than two."""
        if len(points) > 1:
            listed = tuple((float(x), float(y)) for x, y in points)
            self.strokes.append(Stroke(layer, listed, closed))

    def box(self, layer: str, low: Point, high: Point) -> None:
        self.line(layer, [low, (high[0], low[1]), high, (low[0], high[1])], closed=True)

    def circle(self, layer: str, centre: Point, diameter_mm: float) -> None:
        self.circles.append(Circle(layer, (float(centre[0]), float(centre[1])), diameter_mm))

    def cross(self, layer: str, at: Point, size_mm: float) -> None:
        """An upright cross, size_mm from end to end."""
        x, y = at
        half = size_mm / 2
        self.line(layer, [(x - half, y), (x + half, y)])
        self.line(layer, [(x, y - half), (x, y + half)])

    def say(
        self,
        layer: str,
        at: Point,
        text: str,
        height_mm: float,
        turn_deg: float = 0.0,
        anchor: Anchor = "left",
    ) -> None:
        self.words.append(Words(layer, at, text, height_mm, turn_deg, anchor))

    def bounds(self) -> tuple[Point, Point]:
        """Lowest and highest corner of all lines and circles."""
        points = [point for stroke in self.strokes for point in stroke.points]
        for circle in self.circles:
            (x, y), r = circle.centre, circle.diameter_mm / 2
            points += [(x - r, y - r), (x + r, y + r)]
        xs, ys = [x for x, _ in points], [y for _, y in points]
        return (min(xs), min(ys)), (max(xs), max(ys))


def _rounded(points: Sequence[Point]) -> list[Point]:
    """To a nanometre: what processors differ by in a last digit does not reach the file."""
    return [(round(x, 6), round(y, 6)) for x, y in points]


def round_line(centre: Point, diameter_mm: float, sides: int = 72) -> list[Point]:
    """A circle as a closed line, for paper."""
    turns = (2 * math.pi * k / sides for k in range(sides))
    r = diameter_mm / 2
    return [(centre[0] + r * math.cos(t), centre[1] + r * math.sin(t)) for t in turns]


def dxf(drawing: Drawing, stamp: str) -> bytes:
    """The drawing as DXF R2010, units mm; the same bytes for the same drawing."""
    before = options.write_fixed_meta_data_for_testing
    # Dates and names at random would make every file another one.
    options.write_fixed_meta_data_for_testing = True
    try:
        document = new("R2010", setup=False, units=4)
        document.header["$MEASUREMENT"] = 1
        document.header.custom_vars.append("made by", f"dialbench {__version__}")
        document.header.custom_vars.append("belongs to", stamp)
        document.header.custom_vars.append("title", _plain(drawing.title))
        space = document.modelspace()
        layers = {stroke.layer for stroke in drawing.strokes}
        layers |= {circle.layer for circle in drawing.circles}
        layers |= {words.layer for words in drawing.words}
        for layer in sorted(layers):
            document.layers.add(layer, color=PENS[layer].index)
        for stroke in drawing.strokes:
            attributes = {"layer": stroke.layer}
            if len(stroke.points) == 2:
                start, end = _rounded(stroke.points)
                space.add_line(start, end, dxfattribs=attributes)
            else:
                space.add_lwpolyline(
                    _rounded(stroke.points), close=stroke.closed, dxfattribs=attributes
                )
        for circle in drawing.circles:
            space.add_circle(
                circle.centre, circle.diameter_mm / 2, dxfattribs={"layer": circle.layer}
            )
        for words in drawing.words:
            text = space.add_text(
                _plain(words.text),
                height=words.height_mm,
                rotation=words.turn_deg,
                dxfattribs={"layer": words.layer},
            )
            middle = words.anchor == "middle"
            align = TextEntityAlignment.MIDDLE_CENTER if middle else TextEntityAlignment.LEFT
            text.set_placement(words.at, align=align)
        # The library would list these in the order of a set, which is another in every run.
        for kind in sorted(document.entitydb.dxf_types_in_use()):
            document.classes.add_class(kind)
        stream = io.StringIO(newline="")
        document.write(stream)
        return stream.getvalue().encode(document.output_encoding, errors="dxfreplace")
    finally:
        options.write_fixed_meta_data_for_testing = before


def _plain(text: str) -> str:
    """Text without what DXF would read as signs of its own (%%, ^, backslash)."""
    return text.replace("%%", "% %").replace("^", "'").replace("\\", "/")
