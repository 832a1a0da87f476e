"""What stands where on the bench page: rows of runs from the bench as it is. Pure."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture.bench import BoreState, Shaft, of_95
from dialbench.aperture.setting import Setting
from dialbench.errors import inert
from dialbench.watch.bench import plot
from dialbench.watch.painted import BANDED, Painted, Rows, Run, spread

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Shown:
    """The bench at one instant. x: shaft's angle in degrees at each look, or minutes where only
    the Sun moves; y: the selected channel's level. now: where the shaft stands in x. said: the
    page's own last word. places: of the selected channel's bores (x, whether it needs a pass)."""

    setting: Setting
    is_tracing: bool
    looks: int
    dropped: int
    shaft: Shaft | None
    trouble: str
    said: str
    is_working: bool
    channel: int
    states: tuple[BoreState, ...]
    x: Floats
    y: Floats
    unit: str
    now: float | None
    places: tuple[tuple[float, bool], ...]

    def waiting(self) -> list[int]:
        """Channels that still need a pass."""
        return sorted({one.channel for one in self.states if one.needs})


class BenchView(Painted):
    """A view of the bench; blank until the first one is shown."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self.shown: Shown | None = None

    def see(self, shown: Shown) -> None:
        self.shown = shown
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        return [] if self.shown is None else self.bench_rows(self.shown, width, height)

    def bench_rows(self, shown: Shown, width: int, height: int) -> Rows:
        return []


class Status(BenchView):
    """What is going on: tracing or not, the shaft, the light; then what is wrong, or missing."""

    def bench_rows(self, shown: Shown, width: int, height: int) -> Rows:
        shaft = shown.shaft
        left: list[Run] = [
            (" tracing " if shown.is_tracing else " not tracing ", "strong"),
            (f" {shown.looks} looks", "plain"),
        ]
        if shown.dropped:
            left.append((f"  ! {shown.dropped} dropped", "alert"))
        if shaft is not None and shaft.angle_deg is not None:
            left += [("  shaft ", "quiet"), (f"{shaft.angle_deg:.2f} deg", "strong")]
        rows = [spread(left, [(f"{light_words(shown.setting)} ", "quiet")], width)]
        return rows + self._second(shown, width)

    def _second(self, shown: Shown, width: int) -> Rows:
        shaft = shown.shaft
        if shown.said:
            return _wrapped(shown.said, "strong", width, 2)
        if shown.is_tracing and shaft is not None and shaft.trouble:
            return _wrapped("! " + shaft.trouble, "alert", width, 2)
        if shown.trouble:
            return _wrapped("! " + shown.trouble, "alert", width, 2)
        if not shown.looks:
            text = "turn the shaft past all bores, slowly and both ways; space begins"
            return _wrapped(text, "plain", width, 2)
        if not any(one.entry_mm for one in shown.states) and not shown.is_working:
            return _wrapped(
                "too little traced yet to tell where the shaft stands", "plain", width, 2
            )
        waiting = shown.waiting()
        if not waiting:
            return _wrapped("no channel needs a pass any more", "strong", width, 2)
        numbers = " ".join(map(str, waiting))
        working = "  (working it out)" if shown.is_working else ""
        return _wrapped(f"need a pass: {numbers}{working}", "plain", width, 2)


class Response(BenchView):
    """The selected channel's level against the shaft's angle, and where its bores lie."""

    def bench_rows(self, shown: Shown, width: int, height: int) -> Rows:
        low, high = plot.span(shown.x)
        head: list[Run] = [(f" channel {shown.channel}", "heading"), ("  level by angle", "quiet")]
        if shown.unit == "min":
            head[1] = ("  level by time", "quiet")
        drawn = plot.curve(shown.x, shown.y, width, height - 3, self.blocks)
        marks = [
            (place, "!" if waits else "+", "alert" if waits else "plain")
            for place, waits in shown.places
        ]
        if shown.now is not None:
            marks.append((shown.now, "^", "strong"))
        return [
            head,
            *drawn,
            plot.marks(marks, low, high, width),
            plot.axis(low, high, width, shown.unit),
        ]


class Bores(BenchView):
    """Every channel's bores, the selected one's in the middle: width, axis, what each needs."""

    def bench_rows(self, shown: Shown, width: int, height: int) -> Rows:
        rows: Rows = [
            [(f" {'chan':>4} {'bore':>4}  {'width mm':<15} {'axis deg':<17} needs", "quiet")]
        ]
        states = sorted(shown.states, key=lambda one: (one.channel, one.bore))
        mine = [at for at, one in enumerate(states) if one.channel == shown.channel]
        room = max(0, height - 1)
        first = mine[0] - max(0, (room - len(mine)) // 2) if mine else 0
        first = max(0, min(first, len(states) - room))
        for one in states[first : first + room]:
            here = one.channel == shown.channel
            head = f"{'>' if here else ' '}{one.channel:>4} {one.bore:>4}  "
            row: list[Run] = [
                (head, "strong" if here else "plain"),
                (f"{of_95(one.entry_mm, 3):<15} ", "plain"),
                (f"{of_95(one.hour_angle_deg, 3):<17} ", "plain"),
            ]
            if one.needs:
                left = max(0, width - sum(len(text) for text, _ in row))
                row.append((_cut("! " + "; ".join(one.needs), left), "alert"))
            else:
                row.append(("done", "plain"))
            rows.append([BANDED, *row] if here else row)
        return rows


def light_words(setting: Setting) -> str:
    """The light that was told, in few words."""
    if setting.distance_mm is None:
        return "light: the Sun"
    height = f", {setting.height_mm:g} mm up" if setting.height_mm else ""
    return f"lamp: {setting.distance_mm:g} mm off, {setting.diameter_mm:g} mm wide{height}"


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else text[: max(0, room - 2)] + ".."


def _wrapped(text: str, style: str, width: int, most: int) -> Rows:
    lines = textwrap.wrap(inert(text), max(10, width - 2))
    if len(lines) > most:
        lines = [*lines[: most - 1], _cut(" ".join(lines[most - 1 :]), width - 2)]
    return [[(f" {line}", style)] for line in lines]
