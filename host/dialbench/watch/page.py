"""What all pages of the app have in common: a title above, the keys below."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.screen import Screen
from textual.widget import Widget

from dialbench.watch import views
from dialbench.watch.desk import Desk
from dialbench.watch.events import Event
from dialbench.watch.model import LiveState

Keys = list[tuple[str, str]]


class Page(Screen[None]):
    """One page. The app calls `hear` for every event, also while another page is on top, and
    `show` when there is something new to see while this one is.

    label, page_key: its name among the pages, and the key that brings it up. keys: those of its
    own and what they do, free of the app's; each needs its binding. about: what the page
    shows, for the help sheet. facts: where a command with --json gives what this page shows, by
    the labels painted in the style "label", and by the class of a view without any: "COMMAND:PATH",
    several with blanks between. contents: (key, label) of all pages.
    """

    DEFAULT_CSS = """
    Page { background: $background; }
    Page Title, Page KeyRow, Page Contents { height: 1; background: $panel; }
    """
    label: ClassVar[str]
    page_key: ClassVar[str]
    keys: ClassVar[Keys] = []
    about: ClassVar[str]
    facts: ClassVar[Mapping[str, str]] = {}

    def __init__(self, desk: Desk, contents: Sequence[tuple[str, str]], common: Keys) -> None:
        super().__init__()
        self.desk = desk
        self.HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (100, "-wide")]
        self.VERTICAL_BREAKPOINTS = [(0, "-short"), (34, "-tall")]
        self._contents = contents
        self._common = common

    def compose(self) -> ComposeResult:
        blocks = self.desk.blocks
        yield views.Title(blocks)
        yield from self.body()
        if self.keys:
            yield views.KeyRow(blocks, self.keys)
        yield views.Contents(blocks, self._contents, self.page_key, self._common)

    def body(self) -> Iterable[Widget]:
        """What stands between title and keys."""
        return ()

    def hear(self, event: Event) -> None:
        """An event came from the feed; pages that take no notice leave this as it is."""

    def may_end(self) -> bool:
        """Whether the app may end without a loss that the user does not know of; a page that
        says no tells them why."""
        return True

    def show(self, live: LiveState) -> None:
        """Show another live state."""
        for view in self.query(views.View):
            view.show(live)
