"""The live page: face, facts, events, legend."""

from __future__ import annotations

from collections.abc import Iterable

from textual.containers import Horizontal, Vertical
from textual.widget import Widget

from dialbench.watch import views
from dialbench.watch.page import Page


class LivePage(Page):
    """The dial as it stands, redrawn where it changes."""

    DEFAULT_CSS = """
    LivePage #side { height: 1fr; }
    LivePage #left { width: 1fr; }
    LivePage Face { height: 1fr; margin: 1 1 0 1; }
    LivePage Caption { height: 1; }
    LivePage Events { height: 3; background: $background; }
    LivePage Facts { width: 36; background: $surface; }
    LivePage Legend { height: 2; }
    LivePage.-tall Events { height: 6; margin: 1 0; }
    LivePage.-tall Caption { margin: 1 0 0 0; }
    LivePage.-wide Facts { width: 38; }
    """
    label = "live"
    page_key = "1"
    about = (
        "The face as it stands on the dial: what each channel measures against what is predicted "
        "for now; what the dial reads, what it should, and the next change."
    )

    def body(self) -> Iterable[Widget]:
        blocks = self.desk.blocks
        with Horizontal(id="side"):
            with Vertical(id="left"):
                yield views.Face(blocks)
                yield views.Caption(blocks)
                yield views.Events(blocks)
            yield views.Facts(blocks)
        yield views.Legend(blocks)
