"""How the residuals page is painted: strips of dots on the left, what they say on the right."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from dialbench.errors import inert
from dialbench.residuals import Residuals
from dialbench.watch.painted import Painted, Rows, Run
from dialbench.watch.residuals.model import (
    VIEWS,
    Found,
    Look,
    Refused,
    Solve,
    chart,
    figures,
    solved,
)
from dialbench.watch.roll import Roll, paragraph

_HEAD = 1


class Strips(Painted):
    """Groups of crossings, a strip of dots each, on one axis of seconds late."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self.look: Look | None = None
        self.view = VIEWS[0]
        self._top = 0
        self._drawn: tuple[object, tuple[Rows, Rows]] | None = None

    def show(self, look: Look | None, view: str) -> None:
        """Paint another view, from its top, or other crossings."""
        if look is self.look and view == self.view:
            return
        if view != self.view:
            self._top = 0
        self.look, self.view = look, view
        self.update()

    def move(self, rows: int) -> None:
        """Roll the strips; the axis stays."""
        self._top = max(0, self._top + rows)
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        if self.look is None:
            return [[(" comparing the log with the prediction ...", "plain")]]
        if isinstance(self.look, Refused):
            return [row for text in self.look.sentences for row in paragraph(text, width)]
        found = self.look.residuals
        if not len(found):
            return paragraph("No crossing matches what was predicted: nothing to show.", width)
        strips, axis = self._chart(found, width)
        room = max(1, height - _HEAD - len(axis))
        self._top = min(self._top, max(0, len(strips) - room))
        shown = strips[self._top : self._top + room]
        last = self._top + len(shown)
        part = f"  {self._top + 1}-{last} of {len(strips)}" if len(strips) > room else ""
        head: list[Run] = [(" seconds late by", "heading")]
        for view in VIEWS:
            head += [(" ", "plain"), (view, "here" if view == self.view else "quiet")]
        return [[*head, (part, "quiet")], *shown, *axis]

    def _chart(self, found: Residuals, width: int) -> tuple[Rows, Rows]:
        """Drawn once: a long log's takes some milliseconds, and the screen is painted often."""
        key = (id(found), self.view, width)
        if self._drawn is None or self._drawn[0] != key:
            self._drawn = (key, chart(found, self.view, width, self.blocks))
        return self._drawn[1]


class Says(Roll):
    """Figures, the verdict, the solve and its advice."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self._look: Look | None = None
        self._solve: Solve | None = None

    def show(self, look: Look | None, solve: Solve | None) -> None:
        """Paint what is known now."""
        if look is self._look and solve is self._solve:
            return
        self._look, self._solve = look, solve
        self.update()

    def content(self, width: int) -> Rows:
        if not isinstance(self._look, Found):
            return []
        said = [*self._look.analysis.sentences, *self._look.doubts]
        verdict = [row for text in said for row in paragraph(text, width)]
        table, sentences = solved(self._solve)
        causes = _table(table, width, "quiet")
        causes += [row for text in sentences for row in paragraph(text, width)]
        # What was asked for last comes first.
        parts = (verdict, causes) if self._solve is None else (causes, verdict)
        return [*_table(figures(self._look), width, "label"), *parts[0], *parts[1]]


def _table(pairs: Sequence[tuple[str, str]], width: int, style: str) -> Rows:
    """A label and its value a row, or two where both do not fit one."""
    rows: Rows = []
    for name, value in pairs:
        label = f" {inert(name)}"
        if len(label) + len(value) + 3 <= width:
            gap = " " * (width - len(label) - len(value) - 2)
            rows.append([(label, style), (f"{gap} {inert(value)}", "strong")])
        else:
            rows.append([(label, style)])
            wrapped = textwrap.wrap(inert(value), max(10, width - 4))
            rows += [[(f"   {line}", "strong")] for line in wrapped]
    return [*rows, []] if rows else []
