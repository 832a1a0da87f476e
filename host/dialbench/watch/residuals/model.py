"""What the residuals page shows: figures, sentences and strips of dots. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.analysis import Analysis
from dialbench.diagnosis import Diagnosis
from dialbench.residuals import Group, Residuals
from dialbench.watch.painted import Rows, Run

VIEWS = ("channel", "hour", "day")
_DENSE = ("░▒▓█", ".:+#")  # from one crossing to many: with blocks, in ASCII
_ENDS_PERCENT = (1.0, 99.0)  # of the crossings; the rest stand at the ends of a strip
_LEAST_S = 5.0  # half the width of an axis


@dataclass(frozen=True)
class Found:
    """What a comparison found: every residual, the verdict, and wrong inputs suspected."""

    log: str
    residuals: Residuals
    analysis: Analysis
    doubts: tuple[str, ...]


@dataclass(frozen=True)
class Refused:
    """There is nothing to see, and why, a sentence each."""

    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Solving:
    """A solve on its way: what is being done, and the share of it done."""

    what: str = "reading the log"
    share: float = 0.0


Look = Found | Refused
Solve = Diagnosis | Refused | Solving


@dataclass(frozen=True)
class Axis:
    """Seconds late across a strip of cells."""

    low_s: float
    high_s: float
    cells: int

    @classmethod
    def over(cls, late_s: NDArray[np.float64], cells: int) -> Axis:
        """An axis for all of a log's crossings but the farthest few."""
        low, high = np.percentile(late_s, _ENDS_PERCENT).tolist() if len(late_s) else (0.0, 0.0)
        short = max(0.0, _LEAST_S - (high - low) / 2)
        return cls(low - short, high + short, cells)

    def cell(self, late_s: NDArray[np.float64]) -> NDArray[np.int64]:
        """The cell of each value; those beyond the ends lie in the outermost."""
        share = (late_s - self.low_s) / (self.high_s - self.low_s)
        cells = np.floor(share * self.cells).astype(np.int64)
        return np.clip(cells, 0, self.cells - 1)

    def zero(self) -> int | None:
        """The cell of no lateness; None beyond the ends."""
        if not self.low_s <= 0 <= self.high_s:
            return None
        return int(self.cell(np.zeros(1))[0])


def groups(found: Residuals, view: str) -> list[Group]:
    """The residuals in groups, by one of VIEWS."""
    by = {"channel": found.by_channel, "hour": found.by_hour, "day": found.by_day}
    return by[view]()


def chart(found: Residuals, view: str, width: int, blocks: bool) -> tuple[Rows, Rows]:
    """A row for each group, and the axis below them."""
    shown = groups(found, view)
    label = max([len(group.name) for group in shown], default=1)
    axis = Axis.over(found.late_s, max(8, width - label - 17))
    rows: Rows = []
    for group in shown:
        count = np.bincount(axis.cell(found.late_s[group.points]), minlength=axis.cells)
        middle = int(axis.cell(np.array([group.median_s]))[0])
        spread = group.high_s - group.low_s
        rows.append(
            [
                (f" {group.name:>{label}} ", "plain"),
                *_strip(count, middle, axis.zero(), blocks),
                (f" {group.median_s:+7.1f}", "strong"),
                (f" {spread:6.1f}", "plain"),
            ]
        )
    return rows, _axis(axis, label)


def _strip(count: NDArray[np.int64], middle: int, zero: int | None, blocks: bool) -> list[Run]:
    """Dots of one group: the denser, the more crossings; the median's cell stands out."""
    shades = _DENSE[0 if blocks else 1]
    most = max(1, int(count.max()))
    runs: list[Run] = []
    for cell, many in enumerate(count.tolist()):
        if many:
            shade = shades[min(len(shades) - 1, (many * len(shades) - 1) // most)]
        else:
            shade = ("│" if blocks else "|") if cell == zero else " "
        style = "heading" if cell == middle else "plain" if many else "quiet"
        if runs and runs[-1][1] == style:
            runs[-1] = (runs[-1][0] + shade, style)
        else:
            runs.append((shade, style))
    return runs


def _axis(axis: Axis, label: int) -> Rows:
    """The ends of a strip in seconds, and where nothing is late."""
    low, high = f"{axis.low_s:+.0f}", f"{axis.high_s:+.0f} s"
    text = list(low + " " * (axis.cells - len(low) - len(high)) + high)
    zero = axis.zero()
    if zero is not None and len(low) < zero < axis.cells - len(high) - 1:
        text[zero] = "0"
    return [
        [(" " * (label + 2) + "".join(text), "quiet"), ("  median", "label"), ("   half", "label")]
    ]


def figures(found: Found) -> list[tuple[str, str]]:
    """The least there is to know, with labels."""
    whole = found.analysis.comparison
    counts, late = whole.counts, whole.residual
    rows = [
        ("log", found.log),
        ("crossings", f"{counts['matched']} of {counts['predicted']} came"),
        ("missed", f"{counts['missed']}, unexpected {counts['unexpected']}"),
    ]
    if late["median"] is not None and late["scatter_p95"] is not None:
        rows.append(("late", f"{late['median']:+.1f} s, +-{late['scatter_p95']:.1f} s (95%)"))
    return rows


def solved(solve: Solve | None) -> tuple[Sequence[tuple[str, str]], Sequence[str]]:
    """Table and sentences of the solve, or what there is to say without one."""
    match solve:
        case None:
            return (), ("s solves for the causes: pose, bores, sensors, and what to do.",)
        case Solving(what=what, share=share):
            return (), (f"Solving: {what}, {share:.0%} ...",)
        case Refused(sentences=sentences):
            return (), sentences
        case Diagnosis():
            return solve.solved.rows(), solve.sentences()
