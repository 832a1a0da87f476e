"""The setting page: what to do to the dial next, told by its own looks at the Sun."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.widget import Widget

from dialbench.errors import UserError
from dialbench.placing.first import First, first
from dialbench.placing.guide import Guidance
from dialbench.placing.later import Later, later
from dialbench.placing.setter import Setter
from dialbench.sky import from_us
from dialbench.solve import stand
from dialbench.watch.desk import Desk
from dialbench.watch.events import Connected, Event, Frame, Lost
from dialbench.watch.model import LiveState
from dialbench.watch.page import Keys, Page
from dialbench.watch.setting.views import Amount, Arrow, Setting, SettingView, Words

_DARK = "no direct sun"
_AHEAD_US = 900_000_000  # what the day will tell is foreseen so often


class Guided(Message):
    """A look has been thought about. begun: which start it belongs to; fault: why it could not
    be."""

    def __init__(
        self, begun: int, guidance: Guidance | None, ahead: Later | None, fault: str = ""
    ) -> None:
        super().__init__()
        self.begun, self.guidance, self.ahead, self.fault = begun, guidance, ahead, fault


class SettingPage(Page):
    """Thinks about looks only while it is on top, and about one at a time, in a thread."""

    DEFAULT_CSS = """
    SettingPage #large { height: 1fr; margin: 1 1 0 1; }
    SettingPage Arrow { width: 2fr; }
    SettingPage Amount { width: 3fr; margin: 0 0 0 2; }
    SettingPage Words { height: 8; margin: 1 0 0 0; }
    SettingPage.-tall Words { height: 10; margin: 2 0 0 0; }
    """
    label = "set"
    page_key = "2"
    keys: ClassVar[Keys] = [
        ("n", "next step of first placing"),
        ("m", "I have moved it"),
        ("f", "forget, start anew"),
    ]
    about = (
        "How the dial stands by its own face, and the one thing to do next: the arrow points the "
        "way to turn the base, seen from above, or up and down for a foot, and shrinks to nothing. "
        "Two bars: wait. A square: enough. Press m when you have moved it; what you do without a "
        "word is found out by the face, later. n leads through the steps of first placing."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("n", "next_step"),
        Binding("m", "moved"),
        Binding("f", "forget"),
    ]

    def __init__(self, desk: Desk, contents: Sequence[tuple[str, str]], common: Keys) -> None:
        super().__init__(desk, contents, common)
        self._setting = Setting(desk.dial)
        self._setter: Setter | None = None
        self._frame: Frame | None = None
        self._fault = ""
        self._moved = self._busy = self._ours = False
        self._begun = 0  # how often everything was forgotten

    def body(self) -> Iterable[Widget]:
        blocks = self.desk.blocks
        with Horizontal(id="large"):
            yield Arrow(blocks)
            yield Amount(blocks)
        yield Words(blocks)

    @property
    def setting(self) -> Setting:
        """What is shown."""
        return self._setting

    def hear(self, event: Event) -> None:
        match event:
            case Connected(dial_hash=carried):
                self._ours, self._frame = carried == self.desk.dial.hash, None
            case Lost():
                self._frame = None
            case Frame(levels=levels):
                # Another dial's looks, or a board's that contradicts its own HELLO, tell nothing.
                if self._ours and len(levels) == len(self.desk.dial.channels):
                    self._frame = event
            case _:
                pass

    def show(self, live: LiveState) -> None:
        super().show(live)
        why = "" if live.why_unobserved == _DARK else live.why_unobserved
        steps = self._setting.first or self._steps()
        self._turn_to(replace(self._setting, first=steps, trouble=self._fault or why))
        if not why:
            self._think()

    def on_guided(self, message: Guided) -> None:
        self._busy = False
        self._fault = message.fault
        if message.guidance is not None and message.begun == self._begun:
            ahead = message.ahead or self._setting.later
            self._turn_to(replace(self._setting, guidance=message.guidance, later=ahead))

    def action_next_step(self) -> None:
        told = self._setting
        steps = 0 if told.first is None else len(told.first.steps())
        step = 0 if told.step is None else told.step + 1
        self._turn_to(replace(told, step=step if step < steps else None))

    def action_moved(self) -> None:
        self._moved = True
        self._think()

    def action_forget(self) -> None:
        self._setter = None
        self._begun += 1  # what is being thought about now comes too late
        self._turn_to(replace(self._setting, guidance=None))

    def _turn_to(self, setting: Setting) -> None:
        self._setting = setting
        for view in self.query(SettingView):
            view.set_to(setting)

    def _steps(self) -> First:
        return first(self.desk.dial, self.desk.sky, from_us(self.desk.clock_us()).date())

    def _think(self) -> None:
        frame = self._frame
        if self._busy or (frame is None and not self._moved):
            return
        self._busy, self._frame = True, None
        moved, self._moved = self._moved, False
        ahead = self._setting.later
        due = ahead is None or (frame is not None and frame.utc_us - ahead.from_us > _AHEAD_US)
        begun = self._begun
        self.run_worker(lambda: self._thought(begun, frame, moved, due), thread=True)

    def _thought(self, begun: int, frame: Frame | None, moved: bool, due: bool) -> None:
        """In a thread of its own, one at a time."""
        desk = self.desk
        try:
            setter = self._setter
            if setter is None:
                setter = Setter(desk.dial, desk.sky, stand.footprint(desk.dial))
                self._setter = setter
            told = setter.moved() if moved else None
            if frame is not None:
                told = setter.look(frame.utc_us, frame.gate, frame.levels)
            ahead = later(desk.dial, desk.sky, frame.utc_us) if due and frame else None
            self.post_message(Guided(begun, told, ahead))
        except UserError as error:
            self.post_message(Guided(begun, None, None, str(error)))
