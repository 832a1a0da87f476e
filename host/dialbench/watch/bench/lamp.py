"""The sheet on which the light of the bench is told."""

from __future__ import annotations

import textwrap
from dataclasses import replace

from textual import events
from textual.app import ComposeResult
from textual.screen import ModalScreen

from dialbench.aperture.setting import Setting
from dialbench.errors import UserError
from dialbench.watch.bench.views import light_words
from dialbench.watch.painted import Painted, Rows

_MOST = 40
_TYPED = frozenset("0123456789.- ,sun")
_ASKED = (
    "Type the lamp's distance from the shaft, the diameter of its bright part and its height"
    " along the shaft from the middle of the face, in mm, such as 1000 8 0; or sun."
)
_CAUTION = (
    "Never look into the lamp or at the Sun. No lasers, no ultraviolet. Lamps burn skin and"
    " scorch prints."
)


def told(text: str, setting: Setting) -> Setting:
    """The bench under the light that was typed. Raises UserError, one sentence."""
    words = text.replace(",", " ").split()
    if words == ["sun"]:
        return replace(setting, distance_mm=None)
    try:
        numbers = [float(word) for word in words]
    except ValueError:
        numbers = []
    if not 1 <= len(numbers) <= 3 or numbers[0] <= 0 or min(numbers[1:2], default=0) < 0:
        raise UserError("write one to three numbers in mm, such as 1000 8 0, or sun")
    distance_mm, diameter_mm, height_mm = [*numbers, 0.0, 0.0][:3]
    found = replace(setting, distance_mm=distance_mm, diameter_mm=diameter_mm, height_mm=height_mm)
    found.check()
    return found


class LampSheet(ModalScreen[Setting | None]):
    """Enter tells the light, escape leaves it as it was."""

    DEFAULT_CSS = """
    LampSheet { align: center middle; background: $background 60%; }
    LampSheet Lines { width: 66; max-width: 96%; height: 13; background: $surface; }
    """

    def __init__(self, setting: Setting, blocks: bool) -> None:
        super().__init__()
        self._setting = setting
        self._blocks = blocks

    def compose(self) -> ComposeResult:
        yield Lines(light_words(self._setting), self._blocks)

    def on_key(self, event: events.Key) -> None:
        event.stop()
        lines = self.query_one(Lines)
        if event.key == "escape":
            self.dismiss(None)
        elif event.key == "backspace":
            lines.typed = lines.typed[:-1]
        elif event.key == "enter":
            try:
                self.dismiss(told(lines.typed, self._setting))
            except UserError as wrong:
                lines.wrong = str(wrong)
        elif event.character in _TYPED and len(lines.typed) < _MOST:
            lines.typed += event.character or ""
            lines.wrong = ""
        lines.update()


class Lines(Painted):
    """What is asked, what is typed, what is wrong with it."""

    def __init__(self, now: str, blocks: bool) -> None:
        super().__init__(blocks)
        self._now = now
        self.typed = ""
        self.wrong = ""

    def rows(self, width: int, height: int) -> Rows:
        room = max(10, width - 4)
        rows: Rows = [[(" the bench's light", "heading"), (f"  now {self._now}", "quiet")], []]
        rows += [[(f"  {line}", "plain")] for line in textwrap.wrap(_ASKED, room)]
        rows += [[(f"  {line}", "alert")] for line in textwrap.wrap(_CAUTION, room)]
        rows += [[], [("  > ", "quiet"), (self.typed, "strong"), ("_", "quiet")]]
        rows += [[(f"  ! {line}", "alert")] for line in textwrap.wrap(self.wrong, room - 2)[:3]]
        rows += [[]] * (height - 1 - len(rows))
        return [*rows[: height - 1], [("  enter tells it, escape leaves it", "quiet")]]
