"""The one kind of widget on the screen: rows of styled runs, painted only where they change."""

from __future__ import annotations

from typing import ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from dialbench.watch.glyphs import ascii_only
from dialbench.watch.theme import NAMES

Run = tuple[str, str]  # characters, and the name of their style in theme.CSS
Rows = list[list[Run]]

BANDED: Run = ("", "band")  # as the first run of a row: the row lies on a ground of its own


class Painted(Widget):
    """Paints `rows`; `update` after anything they depend on has changed.

    blocks is false for a terminal of plain ASCII, which then gets nothing else. Text in
    runs is never parsed: no markup, no escapes. It must come through `inert` where it is
    not the program's own.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = set(NAMES)

    def __init__(self, blocks: bool) -> None:
        super().__init__()
        self.blocks = blocks
        self.painted: Rows = []
        self.lines_drawn = 0
        self._inks: dict[tuple[str, bool], Style] = {}

    def rows(self, width: int, height: int) -> Rows:
        """What to show in width x height characters; fewer rows leave the rest empty."""
        return []

    def update(self) -> None:
        """Compute the rows anew and redraw those that differ."""
        width, height = self.size
        before, self.painted = self.painted, self.rows(width, height)
        for y in range(max(len(before), len(self.painted))):
            if before[y : y + 1] != self.painted[y : y + 1]:
                self.refresh(Region(0, y, width, 1))

    def on_resize(self) -> None:
        self.update()

    def notify_style_update(self) -> None:
        """Another theme: other colours."""
        self._inks.clear()
        super().notify_style_update()

    def render_line(self, y: int) -> Strip:
        self.lines_drawn += 1
        runs = self.painted[y] if y < len(self.painted) else []
        banded = runs[:1] == [BANDED]
        segments = [
            Segment(text if self.blocks else ascii_only(text), self._ink(name, banded))
            for text, name in runs
        ]
        return Strip(segments).adjust_cell_length(self.size.width, self._ink("", banded))

    def _ink(self, name: str, banded: bool) -> Style:
        """How runs of this name look, "" those of none; worked out once, as it takes long."""
        ink = self._inks.get((name, banded))
        if ink is None:
            ink = self.rich_style
            for part in (BANDED[1] if banded else "", name):
                if part:
                    ink += self.get_component_rich_style(part, partial=True)
            self._inks[name, banded] = ink
        return ink


def length(runs: list[Run]) -> int:
    """Cells that a row of runs takes."""
    return sum(cell_len(text) for text, _ in runs)


def spread(left: list[Run], right: list[Run], width: int) -> list[Run]:
    """left and right at the two ends of a row; right gives way where they do not both fit."""
    room = width - length(left) - length(right)
    return left if room < 1 else [*left, (" " * room, "plain"), *right]
