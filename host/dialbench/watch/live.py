"""The live screen: face, facts, events, legend."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.screen import Screen

from dialbench.watch import views
from dialbench.watch.model import LiveState


class LiveScreen(Screen[None]):
    """The dial as it stands, redrawn where it changes."""

    DEFAULT_CSS = """
    LiveScreen { background: $background; }
    LiveScreen Title, LiveScreen Keys { height: 1; background: $panel; }
    LiveScreen #side { height: 1fr; }
    LiveScreen #left { width: 1fr; }
    LiveScreen Face { height: 1fr; margin: 1 1 0 1; }
    LiveScreen Caption { height: 1; }
    LiveScreen Events { height: 3; background: $background; }
    LiveScreen Facts { width: 36; background: $surface; }
    LiveScreen Legend { height: 2; }
    LiveScreen.-tall Events { height: 6; margin: 1 0; }
    LiveScreen.-tall Caption { margin: 1 0 0 0; }
    LiveScreen.-wide Facts { width: 38; }
    """

    def __init__(self, keys: list[tuple[str, str]], blocks: bool) -> None:
        super().__init__()
        self.HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (100, "-wide")]
        self.VERTICAL_BREAKPOINTS = [(0, "-short"), (34, "-tall")]
        self._keys = keys
        self._blocks = blocks

    def compose(self) -> ComposeResult:
        blocks = self._blocks
        yield views.Title(blocks)
        with Horizontal(id="side"):
            with Vertical(id="left"):
                yield views.Face(blocks)
                yield views.Caption(blocks)
                yield views.Events(blocks)
            yield views.Facts(blocks)
        yield views.Legend(blocks)
        yield views.Keys(blocks, self._keys)

    def show(self, live: LiveState) -> None:
        """Show another live state."""
        for view in self.query(views.View):
            view.show(live)
