"""A curve of many points in few characters. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dialbench.watch.painted import Rows, Run

Floats = NDArray[np.float64]

_LABEL = 5  # characters left of the curve
_LEAST_SPAN_DEG = 1.0


def span(x: Floats) -> tuple[float, float]:
    """From where to where a curve over x is drawn."""
    if not len(x):
        return 0.0, 360.0
    low, high = float(x.min()), float(x.max())
    spare = max(0.0, _LEAST_SPAN_DEG - (high - low)) / 2
    return low - spare, high + spare


def column(at: float, low: float, high: float, width: int) -> int:
    """In which of the curve's columns a place lies; it may be outside 0..width - 1."""
    return int((at - low) / (high - low) * (width - 1) + 0.5)


def curve(x: Floats, y: Floats, width: int, height: int, blocks: bool) -> Rows:
    """Rows of a curve from y = 0 to the greatest y, at least 1: in each column all between the
    lowest and the highest of its points. Columns without a point stay empty."""
    wide = width - _LABEL
    if wide < 8 or height < 2:
        return []
    units = height * (2 if blocks else 1)
    top = max(1.0, float(y.max())) if len(y) else 1.0
    low, high = span(x)
    at = np.rint((x - low) / (high - low) * (wide - 1)).astype(np.int64)
    level = np.rint(np.clip(y / top, 0, 1) * (units - 1)).astype(np.int64)
    least = np.full(wide, units)
    most = np.full(wide, -1)
    np.minimum.at(least, at, level)
    np.maximum.at(most, at, level)
    rows: Rows = []
    for row in range(height):
        label = f"{top:4.1f} " if row == 0 else " 0.0 " if row == height - 1 else " " * _LABEL
        if blocks:
            upper = units - 1 - 2 * row
            text = "".join(
                " ▀▄█"[(a <= upper <= b) + 2 * (a <= upper - 1 <= b)]
                for a, b in zip(least.tolist(), most.tolist(), strict=True)
            )
        else:
            here = units - 1 - row
            text = "".join(
                "*" if a <= here <= b else " "
                for a, b in zip(least.tolist(), most.tolist(), strict=True)
            )
        rows.append([(label, "quiet"), (text, "lit")])
    return rows


def axis(low: float, high: float, width: int, unit: str) -> list[Run]:
    """The row below a curve: its left end, its middle and its right end."""
    wide = width - _LABEL
    if wide < 8:
        return []
    left, middle, right = f"{low:.1f}", f"{(low + high) / 2:.1f}", f"{high:.1f} {unit}"
    text = list(" " * wide)
    for start, label in (
        (0, left),
        (wide // 2 - len(middle) // 2, middle),
        (wide - len(right), right),
    ):
        if start >= 0 and all(one == " " for one in text[max(0, start - 1) : start + len(label)]):
            text[start : start + len(label)] = label
    return [(" " * _LABEL, "quiet"), ("".join(text), "quiet")]


def marks(places: list[tuple[float, str, str]], low: float, high: float, width: int) -> list[Run]:
    """A row of marks (place, character, style) under a curve; later ones over earlier ones."""
    wide = width - _LABEL
    if wide < 8:
        return []
    cells: list[Run] = [(" ", "plain")] * wide
    for place, character, style in places:
        at = column(place, low, high, wide)
        if 0 <= at < wide:
            cells[at] = (character, style)
    return [(" " * _LABEL, "quiet"), *cells]
