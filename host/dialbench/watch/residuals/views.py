"""How the residuals page is painted: strips of dots on the left, what they say on the right."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from dialbench.errors import inert
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

    def show(self, look: Look | None, view: str) -> None:
        """Paint another view, from its top, or other crossings."""
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
        strips, axis = chart(found, self.view, width, self.blocks)
        room = max(1, height - _HEAD - len(axis))
        self._top = min(self._top, max(0, len(strips) - room))
        shown = strips[self._top : self._top + room]
        last = self._top + len(shown)
        part = f"  {self._top + 1}-{last} of {len(strips)}" if len(strips) > room else ""
        head: list[Run] = [(" seconds late by", "heading")]
        for view in VIEWS:
            head += [(" ", "plain"), (view, "here" if view == self.view else "quiet")]
        return [[*head, (part, "quiet")], *shown, *axis]


class Says(Roll):
    """Figures, the verdict, the solve and its advice."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self._look: Look | None = None
        self._solve: Solve | None = None

    def show(self, look: Look | None, solve: Solve | None) -> None:
        """Paint what is known now."""
        self._look, self._solve = look, solve
        self.update()

    def content(self, width: int) -> Rows:
        if not isinstance(self._look, Found):
            return []
        said = [*self._look.analysis.sentences, *self._look.doubts]
        verdict = [row for text in said for row in paragraph(text, width)]
        table, sentences = solved(self._solve)
        causes = _table(table, width)
        causes += [row for text in sentences for row in paragraph(text, width)]
        # What was asked for last comes first.
        parts = (verdict, causes) if self._solve is None else (causes, verdict)
        return [*_table(figures(self._look), width), *parts[0], *parts[1]]


def _table(pairs: Sequence[tuple[str, str]], width: int) -> Rows:
    """A label and its value a row, or two where both do not fit one."""
    rows: Rows = []
    for name, value in pairs:
        label = f" {inert(name)}"
        if len(label) + len(value) + 3 <= width:
            gap = " " * (width - len(label) - len(value) - 2)
            rows.append([(label, "label"), (f"{gap} {inert(value)}", "strong")])
        else:
            rows.append([(label, "label")])
            wrapped = textwrap.wrap(inert(value), max(10, width - 4))
            rows += [[(f"   {line}", "strong")] for line in wrapped]
    return [*rows, []] if rows else []
