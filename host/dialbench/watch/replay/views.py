"""What stands where on the replay page, as rows of runs."""

from __future__ import annotations

from dialbench.errors import inert
from dialbench.face import GLYPHS
from dialbench.reading import zone_time
from dialbench.replay.timeline import Instant, Stretch, Timeline
from dialbench.watch import views
from dialbench.watch.painted import Painted, Rows, Run
from dialbench.watch.replay import panel
from dialbench.watch.replay.tape import HOUR_US, SPEEDS, Tape


class Shown(Painted):
    """A view of one instant of a day; blank until there is one."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self.timeline: Timeline | None = None
        self.instant: Instant | None = None

    def show(self, timeline: Timeline | None, instant: Instant | None) -> None:
        """Paint another instant, or none."""
        self.timeline, self.instant = timeline, instant
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        if self.timeline is None or self.instant is None:
            return []
        return self.shown_rows(self.timeline, self.instant, width, height)

    def shown_rows(self, timeline: Timeline, instant: Instant, width: int, height: int) -> Rows:
        """`rows` of an instant; each view has its own."""
        return []


class ReplayFace(Shown):
    """The face as it was, or will be."""

    def shown_rows(self, timeline: Timeline, instant: Instant, width: int, height: int) -> Rows:
        channels = timeline.dial.channels
        return views.face_rows(channels, instant.states, width, height, self.blocks)


class ReplayClock(Shown):
    """The zone's clock in large digits."""

    def shown_rows(self, timeline: Timeline, instant: Instant, width: int, height: int) -> Rows:
        return [[(row, "strong")] for row in clock_rows(f"{instant.zone_time:%H:%M}", self.blocks)]


class ReplayFacts(Shown):
    """The facts beside the face."""

    def shown_rows(self, timeline: Timeline, instant: Instant, width: int, height: int) -> Rows:
        return views.section_rows(panel.sections(timeline, instant), height)


class ReplayLegend(Shown):
    """The five states and how many channels are in each."""

    def shown_rows(self, timeline: Timeline, instant: Instant, width: int, height: int) -> Rows:
        return views.legend_rows(instant.states, "", width, self.blocks)


class Status(Painted):
    """Which day it is, how it plays, and what there is to be said of it."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self._row: list[Run] = []

    def show(self, day: str, tape: Tape | None, notice: str, alert: bool) -> None:
        played = "" if tape is None else f"{SPEEDS[tape.speed]} x " * tape.playing or "stopped "
        self._row = [
            (f" {day}  ", "heading"),
            (f"{played} ", "plain"),
            (f"{'! ' * alert}{inert(notice)}", "alert" if alert else "quiet"),
        ]
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        return [self._row]


class Strip(Painted):
    """The whole day: what was wrong when, its faces one after the other, where it stands."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self._timeline: Timeline | None = None
        self._at_us = 0
        self._drawn: tuple[int, Rows] = (0, [])

    def show(self, timeline: Timeline | None, at_us: int) -> None:
        """Paint another instant of a day, or no day."""
        if timeline is not self._timeline:
            self._timeline, self._drawn = timeline, (0, [])
        self._at_us = at_us
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        if self._timeline is None or width < 8:
            return []
        if self._drawn[0] != width:
            self._drawn = width, day_rows(self._timeline, width, self.blocks)
        wrong, bar, hours = self._drawn[1]
        column = _column(self._timeline, self._at_us, width)
        cursor: list[Run] = [(" " * column, "plain"), ("^", "heading")]
        return [wrong, bar, cursor, hours]


def day_rows(timeline: Timeline, width: int, blocks: bool) -> Rows:
    """Three rows: where channels are not as predicted; the faces; full hours.

    o missing, x stray, * both, whatever else is in the same column; faces take turns in two
    shades, so that each is seen to end; without one, and unobserved, is lighter still.
    """
    shades = "█▓" if blocks else "#="
    marks, bar = [" "] * width, [" "] * width
    faces, before = 0, None
    for one in timeline.stretches:
        first, last = (_column(timeline, at, width) for at in (one.start_us, one.end_us - 1))
        fill = "-" if not one.observed else "."
        if one.reads is not None:
            faces += one.reads != before
            fill, before = shades[faces % 2], one.reads
        for column in range(first, last + 1):
            if column > first or bar[column] in " .-" or fill in shades:
                bar[column] = fill
            marks[column] = _mark(marks[column], one)
    labels = [" "] * (width + 2)
    start = zone_time(timeline.dial, timeline.start_us)
    past_us = (60 * start.minute + start.second) * 1_000_000 + start.microsecond
    every = 1 if width >= 60 else 3
    free = 0
    for hour in range(1, 26):
        at_us = timeline.start_us - past_us + hour * HOUR_US
        if at_us >= timeline.end_us:
            break
        column = _column(timeline, at_us, width)
        name = str((start.hour + hour) % 24)
        if (start.hour + hour) % every == 0 and column >= free:
            labels[column : column + len(name)] = name
            free = column + len(name) + 1
    styles = {"o": "missing", "x": "stray", "*": "alert"}
    return [
        [(mark, styles.get(mark, "plain")) for mark in marks],
        [("".join(bar), "heading")],
        [("".join(labels[:width]), "quiet")],
    ]


def _mark(before: str, one: Stretch) -> str:
    missing = bool(one.missing) or before in "o*"
    stray = bool(one.stray) or before in "x*"
    return "*" if missing and stray else "o" if missing else "x" if stray else " "


def _column(timeline: Timeline, at_us: int, width: int) -> int:
    return min(width - 1, (at_us - timeline.start_us) * width // timeline.states.span_us)


def clock_rows(clock: str, blocks: bool) -> list[str]:
    """A time HH:MM in digits of five rows."""
    full = "█" if blocks else "#"
    rows = [" "] * 5
    for sign in clock:
        for y in range(5):
            drawn = GLYPHS[int(sign)][y] if sign.isdigit() else ".#"[y % 2]
            rows[y] += "".join(2 * (full if dot == "#" else " ") for dot in drawn) + "  "
    return [row.rstrip() for row in rows]
