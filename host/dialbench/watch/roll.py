"""A column of text that rolls where it is longer than its place."""

from __future__ import annotations

import textwrap

from dialbench.errors import inert
from dialbench.watch.painted import Painted, Rows


class Roll(Painted):
    """Shows `content` from its top on; `move` rolls it as far as there is something to see."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self._top = 0

    def content(self, width: int) -> Rows:
        """All there is to see, in rows of so many characters."""
        return []

    def move(self, rows: int) -> None:
        """Roll down, or up."""
        width, height = self.size
        furthest = max(0, len(self.content(width)) - (height - 1))
        self._top = min(furthest, max(0, self._top + rows))
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        whole = self.content(width)
        if len(whole) <= height or height < 2:
            return whole[:height]
        room = height - 1
        top = min(self._top, len(whole) - room)
        more = f" rows {top + 1}-{top + room} of {len(whole)}: up, down"
        return [*whole[top : top + room], [(more[:width], "quiet")]]


def paragraph(text: str, width: int, style: str = "plain") -> Rows:
    """A sentence of anyone's, harmless, broken at words, with a row of air after it."""
    lines = textwrap.wrap(inert(text), max(10, width - 2))
    return [*([(f" {line}", style)] for line in lines), []]
