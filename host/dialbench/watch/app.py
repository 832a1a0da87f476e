"""The watch application: events from the feed in, screens out."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from typing import ClassVar

from textual.app import App
from textual.binding import Binding, BindingType
from textual.message import Message
from textual.screen import ModalScreen

from dialbench.errors import UserError
from dialbench.watch import theme
from dialbench.watch.desk import Desk
from dialbench.watch.events import (
    Compared,
    Connected,
    Event,
    Frame,
    Judged,
    Noted,
    Pulled,
    Pulling,
)
from dialbench.watch.forecast import run_out
from dialbench.watch.inbox import Inbox
from dialbench.watch.known import Known, heard
from dialbench.watch.model import LiveState, live_state, news
from dialbench.watch.page import Page
from dialbench.watch.pages import PAGES
from dialbench.watch.sheets import Analysis, comparison_sheet, help_sheet
from dialbench.watch.wishes import Pull

KEYS = [("p", "pull"), ("t", "theme"), ("?", "help"), ("q", "quit")]
_CONTENTS = [(page.page_key, page.label) for page in PAGES]
_SAID = [  # of the same keys, with more room
    ("p", "pull the board's log into the store"),
    ("t", "light or dark"),
    ("?", "help"),
    ("q", "quit"),
]
_TICK_S = 0.5
_FORETELL_US = 60_000_000


class Heard(Message):
    """Events wait in the inbox, from the feed or from a worker."""


class Analysed(Message):
    """An analysis is ready to be shown."""

    def __init__(self, analysis: Analysis) -> None:
        super().__init__()
        self.analysis = analysis


class WatchApp(App[None]):
    """One dial, watched. NO_COLOR in the environment leaves the terminal's own colours alone.

    analyse takes a board's uid and compares what the store holds of it; it runs in a thread of
    its own.
    """

    CSS = theme.CSS
    TITLE = "dialbench watch"
    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(key, f"turn_to('{label}')") for key, label in _CONTENTS),
        Binding("p", "pull"),
        Binding("t", "other_theme"),
        Binding("question_mark", "help"),
        Binding("q", "quit"),
        # As everywhere else in a terminal, and as the first frame says.
        Binding("ctrl+c", "quit", priority=True),
    ]

    def __init__(self, desk: Desk, analyse: Callable[[str], Analysis]) -> None:
        # With ansi_color Textual's own NO_COLOR filter takes all colour away; without it
        # there would be shades of grey in place of colours.
        super().__init__(ansi_color=True if "NO_COLOR" in os.environ else None)
        self.register_theme(theme.DARK)
        self.register_theme(theme.LIGHT)
        self.theme = theme.DARK.name
        self._desk = desk
        self._dial = desk.dial
        self._feed = desk.feed
        self._forecast = desk.forecast
        self._analyse = analyse
        self._clock_us = desk.clock_us
        self._pages = {page.label: page(desk, _CONTENTS, KEYS) for page in PAGES}
        self.page: Page = self._pages[PAGES[0].label]
        self._inbox = Inbox()
        self._known = Known()
        self._judged = ""  # uid of the board that the store was asked about
        self._foretold_us: int | None = None
        self.live: LiveState | None = None

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return dict(theme.DARK.variables)

    def on_mount(self) -> None:
        for label, page in self._pages.items():
            self.install_screen(page, label)
        self.push_screen(self.page.label)
        self.set_interval(_TICK_S, self.show)
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        self.show()
        self._feed.start(self._post)

    def on_unmount(self) -> None:
        self._feed.stop()

    def _post(self, event: Event) -> None:
        if self._inbox.put(event):
            self.post_message(Heard())

    def on_heard(self) -> None:
        """All that waits, then one paint: keys need not wait for more than that."""
        events, passed_over = self._inbox.take()
        looks = sum(isinstance(event, Frame) for event in events)
        self._known = self._known.passing_over(passed_over + max(0, looks - 1))
        now_us = self._clock_us()
        for event in events:
            self._hear(event)
            self._reckon(now_us)
        self._paint()

    def _hear(self, event: Event) -> None:
        self._known = heard(self._known, event, self._clock_us(), self._dial)
        for page in self._pages.values():
            page.hear(event)
        if isinstance(event, Connected) and self._known.ours and event.uid != self._judged:
            self._judged = event.uid
            self.run_worker(lambda: self._judge(event.uid), thread=True)
        if isinstance(event, Pulled):
            self.run_worker(lambda: self._compare(event.uid), thread=True)

    def show(self) -> None:
        """Bring the screen up to the present."""
        self._reckon(self._clock_us())
        self._paint()

    def _paint(self) -> None:
        if self.live is None:
            return
        now_us = self.live.utc_us
        self.page.show(self.live)
        if run_out(self._known.changes, now_us) and self._may_foretell(now_us):
            self._foretold_us = now_us
            self.run_worker(lambda: self._foretell(now_us), thread=True)

    def _reckon(self, now_us: int) -> None:
        """The live state at the present; what it has that was not before is noted."""
        now = self._forecast.moment(now_us)
        frame = self._known.frame
        at_frame = None if frame is None else self._forecast.moment(frame.utc_us)
        live = live_state(self._dial, self._known, now, at_frame, self._desk.monotonic_s())
        lines = news(self.live, live)
        for line in lines:
            self._known = self._known.noting(now_us, line)
        self.live = replace(live, happened=self._known.happened) if lines else live

    def _may_foretell(self, now_us: int) -> bool:
        """Whether it is time to look ahead (again): it takes a while, and may fail."""
        return self._foretold_us is None or abs(now_us - self._foretold_us) > _FORETELL_US

    def _foretell(self, utc_us: int) -> None:
        try:
            self._post(self._forecast.changes(utc_us))
        except UserError as error:
            self._post(Noted(f"changes ahead: {error}"))

    def _compare(self, uid: str) -> None:
        try:
            found = self._analyse(uid)
            self._post(Judged(found.shift))
            self.post_message(Analysed(found))
        except UserError as error:
            self._post(Noted(f"comparison: {error}"))
        finally:
            self._post(Compared())

    def _judge(self, uid: str) -> None:
        """What the store says of the board already; nothing, where it cannot be asked."""
        with suppress(UserError):
            self._post(Judged(self._analyse(uid).shift))

    def on_analysed(self, message: Analysed) -> None:
        self.push_screen(comparison_sheet(message.analysis, self._desk.blocks))

    def action_pull(self) -> None:
        if not isinstance(self._known.connection, Connected):
            self._post(Noted("there is no board: nothing to pull from"))
        elif self._known.pulling is None:
            self._known = replace(self._known, pulling=Pulling(0, 0))
            self._feed.ask(Pull())
            self.show()

    def action_other_theme(self) -> None:
        light = self.theme == theme.LIGHT.name
        self.theme = theme.DARK.name if light else theme.LIGHT.name

    async def action_quit(self) -> None:
        for page in self._pages.values():
            if not page.may_end():
                if isinstance(self.screen, ModalScreen):
                    await self.pop_screen()
                self.action_turn_to(page.label)
                return
        self.exit()

    def action_help(self) -> None:
        page = self.page
        common = [*((key, label) for key, label in _CONTENTS), *_SAID]
        self.push_screen(help_sheet(page.about, page.keys, common, self._desk.blocks))

    def action_turn_to(self, label: str) -> None:
        if label != self.page.label:
            self.page = self._pages[label]
            self.switch_screen(label)
            self.call_after_refresh(self.show)
