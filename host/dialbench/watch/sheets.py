"""Sheets laid over the screen: help, and the comparison after a pull. Escape puts them away."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from typing import ClassVar, Protocol

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.screen import ModalScreen

from dialbench.errors import inert
from dialbench.shares import Shift
from dialbench.states import RAMP, State
from dialbench.watch import glyphs
from dialbench.watch.painted import Painted, Rows

MEANING = {
    State.LIT: "measured lit, and so predicted",
    State.DARK: "measured dark, and so predicted",
    State.MISSING: "predicted lit, measured dark",
    State.STRAY: "measured lit, predicted dark",
    State.UNOBSERVED: "no direct sun on the open-sky sensor, or no data",
}


_RAMP_NOTE = (
    f"While a channel is predicted to pass between dark and lit (lit fraction {RAMP[0]:.2f} to "
    f"{RAMP[1]:.2f}) it counts as predicted, whichever it measures. The dial knows no summer "
    "time: the zone's standard time is shown. Dial - clock is the middle of the interval that "
    "the dial reads, minus zone time."
)


_LEAST = 10  # columns that text is broken for, however narrow the terminal


class Analysis(Protocol):
    """What a comparison has to say: a table, sentences, and how late crossings come."""

    @property
    def rows(self) -> Sequence[tuple[str, str]]: ...

    @property
    def sentences(self) -> Sequence[str]: ...

    @property
    def shift(self) -> Shift | None: ...


class Sheet(ModalScreen[None]):
    """A titled sheet of text in the middle of the screen."""

    DEFAULT_CSS = """
    Sheet { align: center middle; background: $background; }
    Sheet Paper { background: $surface; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,question_mark", "dismiss", "close"),
        Binding("up", "move(-1)"),
        Binding("down", "move(1)"),
    ]

    def __init__(
        self, title: str, content: Callable[[int], Rows], width: int, blocks: bool
    ) -> None:
        super().__init__()
        self._blocks = blocks
        self._sheet_title = title
        self._content = content
        self._width = width

    def compose(self) -> ComposeResult:
        yield Paper(self._sheet_title, self._content, self._blocks)

    def on_mount(self) -> None:
        self._place()

    def on_resize(self) -> None:
        self._place()

    def _place(self) -> None:
        paper = self.query_one(Paper)
        width = min(self._width, self.app.size.width - 2)
        paper.styles.width = width
        paper.styles.height = min(paper.needs(width), self.app.size.height - 2)

    def action_move(self, rows: int) -> None:
        self.query_one(Paper).move(rows)


class Paper(Painted):
    """The sheet itself: its own frame, so that it looks the same on every terminal."""

    def __init__(self, title: str, content: Callable[[int], Rows], blocks: bool) -> None:
        super().__init__(blocks)
        self._title = title
        self._content = content
        self._top = 0

    def _lines(self, width: int) -> Rows:
        return self._content(max(_LEAST, width - 6))

    def needs(self, width: int) -> int:
        """Rows that show everything at a width."""
        return len(self._lines(width)) + 4

    def move(self, rows: int) -> None:
        """Scroll, as far as there is something to see."""
        width, height = self.size
        furthest = max(0, self.needs(width) - height)
        self._top = min(furthest, max(0, self._top + rows))
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        inside = self._lines(width)
        room = height - 4
        shown = inside[self._top : self._top + room]
        more = "arrows show more, " if len(inside) > room else ""
        head = f" {self._title} "
        foot = f" {more}escape closes "
        line = "-" * width
        return [
            [("--", "quiet"), (head, "heading"), (line[: width - len(head) - 2], "quiet")],
            [],
            *([("   ", "plain"), *row] for row in shown),
            *([[]] * (room - len(shown))),
            [],
            [(line[: width - len(foot) - 2], "quiet"), (foot, "quiet"), ("--", "quiet")],
        ]


def help_sheet(
    about: str, keys: Sequence[tuple[str, str]], common: Sequence[tuple[str, str]], blocks: bool
) -> Sheet:
    """What a page shows and its keys, the keys of all pages, and the states."""

    def content(width: int) -> Rows:
        rows: Rows = [[(line, "plain")] for line in textwrap.wrap(about, width)]
        for pairs in (keys, common):
            if pairs:
                label = max(len(key) for key, _ in pairs) + 2
                rows.append([])
                rows += [[(f"{key:{label}}", "heading"), (does, "plain")] for key, does in pairs]
        rows.append([])
        for state in State:
            top, bottom = glyphs.sample(state, 3, blocks)
            rows += [
                [(top, state.value), (f"   {state.value}", "strong")],
                [(bottom, state.value), (f"   {MEANING[state]}", "plain")],
            ]
        rows.append([])
        rows += [[(line, "quiet")] for line in textwrap.wrap(_RAMP_NOTE, width)]
        return rows

    return Sheet("help", content, 66, blocks)


def comparison_sheet(analysis: Analysis, blocks: bool) -> Sheet:
    """What the log says against the prediction: the verdict in sentences, then figures."""

    def content(width: int) -> Rows:
        label = min(30, max((len(name) for name, _ in analysis.rows), default=0) + 3)
        rows: Rows = []
        for sentence in analysis.sentences:
            rows += [[(line, "plain")] for line in textwrap.wrap(inert(sentence), width)]
            rows.append([])
        for name, value in analysis.rows:
            head = inert(name)[: label - 1]
            for line in textwrap.wrap(inert(value), max(10, width - label)) or [""]:
                rows.append([(f"{head:{label}}", "quiet"), (line, "strong")])
                head = ""
        return rows

    return Sheet("measured against predicted", content, 76, blocks)
