"""What stands where on the setting page: an arrow that shrinks to nothing, the amount, the words."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable
from dataclasses import dataclass

from dialbench.dial import Dial
from dialbench.errors import inert
from dialbench.placing.first import First
from dialbench.placing.guide import Action, Guidance, zone_clock
from dialbench.placing.later import Later
from dialbench.watch.painted import Painted, Rows
from dialbench.watch.setting import large

_CAUTION = "Never look at the Sun, nor through a bore: work with it at your back."
_FULL = {"deg": 8.0, "mm": 12.0}  # amounts at which the arrow is as long as it gets
_LEAST = 0.3  # of its length, so that its head can be seen
_ROUND = math.radians(150)  # from its middle to its ends, at most


@dataclass(frozen=True)
class Setting:
    """Everything the page shows. step: which step of first placing, from 0; None: the Sun's turn.

    trouble: why there is no guidance, "" where there is some, or will be soon.
    """

    dial: Dial
    guidance: Guidance | None = None
    first: First | None = None
    later: Later | None = None
    step: int | None = None
    trouble: str = ""


class SettingView(Painted):
    """A view of the setting; blank until there is one."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self.setting: Setting | None = None

    def set_to(self, setting: Setting) -> None:
        """Paint another state of things: only rows that differ are drawn."""
        self.setting = setting
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        return [] if self.setting is None else self.shown(self.setting, width, height)

    def shown(self, setting: Setting, width: int, height: int) -> Rows:
        """`rows` of a state of things; each view has its own."""
        return []


class Arrow(SettingView):
    """Which way: an arrow round with the base or up and down, two bars to wait, a square when done."""

    def shown(self, setting: Setting, width: int, height: int) -> Rows:
        told = setting.guidance
        if setting.step is not None or told is None or height < 3:
            return []
        state, style = told.state, "strong"
        if state == "act" and told.action is not None:
            shape, style = _arrow(told.action), "lit"
        elif state == "enough":
            shape, style = _square, "heading"
        elif state == "dark":
            shape, style = _bar, "quiet"
        else:
            shape = _pause
        return [[(row, style)] for row in large.drawn(width, height, self.blocks, shape)]


class Amount(SettingView):
    """How much, in large digits, and under it what they mean."""

    def shown(self, setting: Setting, width: int, height: int) -> Rows:
        if setting.step is not None:
            number = str(setting.step + 1)
            return self._large(number, "step of first placing", width, height)
        told = setting.guidance
        if told is None:
            return []
        action = told.action
        if told.state == "act" and action is not None:
            digits = f"{abs(action.amount):.{action.digits}f}"
            within = f"+- {action.half_width:.{action.digits}f} {action.unit}"
            return self._large(digits, f"{within}  {_order(action)}", width, height)
        if told.state == "enough" and told.off_deg is not None:
            within = f"+- {told.half_width_deg or 0:.2f} deg off, within the goal of"
            return self._large(f"{told.off_deg:.2f}", f"{within} {told.goal_deg:g}", width, height)
        if told.state == "wait" and told.next_us is not None:
            last = zone_clock(setting.dial.site, told.next_us[1])
            return self._large(last, "by then the face tells more", width, height)
        return self._large("-", "the face tells nothing now", width, height)

    def _large(self, digits: str, meaning: str, width: int, height: int) -> Rows:
        drawn = large.figures(digits, width - 2, height - 2, self.blocks)
        return [*([(row, "strong")] for row in drawn), [], [(meaning[:width], "heading")]]


class Words(SettingView):
    """The same in words: what to do, how far off, what the Sun cannot tell, and a caution."""

    def shown(self, setting: Setting, width: int, height: int) -> Rows:
        site = setting.dial.site
        caution = _wrapped(_CAUTION, width, "alert", "! ")
        if setting.step is not None and setting.first is not None:
            steps = setting.first.steps()
            head = f"First placing, step {setting.step + 1} of {len(steps)}"
            lines = [[(f" {head}", "heading")], *_wrapped(steps[setting.step], width, "strong")]
        elif setting.trouble:
            lines = _wrapped(setting.trouble, width, "alert", "! ")
        elif setting.guidance is None:
            lines = _wrapped("Looking at the face ...", width, "plain")
        else:
            first, *more = setting.guidance.sentences(site)
            lines = _wrapped(first, width, "strong")
            for sentence in more:
                lines += _wrapped(sentence, width, "plain")
            if setting.later is not None:
                lines += _wrapped(setting.later.sentence, width, "quiet")
        room = max(0, height - len(caution))
        return [*lines[:room], *caution][:height]


def _order(action: Action) -> str:
    return action.way if action.foot is None else f"{action.where} {action.way}"


def _wrapped(text: str, width: int, style: str, mark: str = "") -> Rows:
    lines = textwrap.wrap(inert(f"{mark}{text}"), max(10, width - 2))
    return [[(f" {line}", style)] for line in lines]


def _arrow(action: Action) -> Callable[[float, float], bool]:
    """Round, the way the base turns as seen from above; or up or down, for a foot."""
    share = max(_LEAST, min(1.0, abs(action.amount) / _FULL[action.unit]))
    sign = 1.0 if action.amount > 0 else -1.0

    def straight(x: float, y: float) -> bool:
        left, across = share + sign * y, abs(x)
        return left >= 0 and (across <= left if left < 0.6 else across < 0.2 and left < 2 * share)

    def round_(x: float, y: float) -> bool:
        left = _ROUND * share + sign * math.atan2(x, -y)
        across = abs(math.hypot(x, y) - 0.65)
        if left < 1.0:
            return 0 <= left and across <= 0.35 * left
        return left < 2 * _ROUND * share and across < 0.12

    return round_ if action.foot is None else straight


def _square(x: float, y: float) -> bool:
    return max(abs(x), abs(y)) <= 0.5


def _pause(x: float, y: float) -> bool:
    return 0.2 <= abs(x) <= 0.5 and abs(y) <= 0.7


def _bar(x: float, y: float) -> bool:
    return abs(x) <= 0.8 and abs(y) <= 0.12
