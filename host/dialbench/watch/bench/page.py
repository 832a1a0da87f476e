"""The bench page: trace, table, and the keys that start, stop and save it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import ClassVar

import numpy as np
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.widget import Widget
from textual.worker import get_current_worker

from dialbench import whole
from dialbench.aperture import sweep as sweeps
from dialbench.aperture.bench import Found, GivenUp, LiveBench, worked_out
from dialbench.aperture.live import PERIOD_MS
from dialbench.aperture.setting import Setting
from dialbench.aperture.sweep import Sweep
from dialbench.sky import from_us
from dialbench.watch.bench.lamp import LampSheet
from dialbench.watch.bench.views import Bores, Response, Shown, Status
from dialbench.watch.desk import Desk
from dialbench.watch.events import Connected, Event, Lost, Traced, Tracing
from dialbench.watch.model import LiveState
from dialbench.watch.page import Keys, Page
from dialbench.watch.wishes import Trace

_SEEN_S = 0.25
_WARNED_S = 10.0  # so long a warning stands: later, the same key is pressed by mistake again


class Worked(Message):
    """A sweep of a bench has been worked out."""

    def __init__(self, bench: LiveBench, found: Found) -> None:
        super().__init__()
        self.bench = bench
        self.found = found


class Saved(Message):
    """So many looks of a bench are in a file now, or why not."""

    def __init__(self, bench: LiveBench, looks: int, said: str) -> None:
        super().__init__()
        self.bench = bench
        self.looks = looks
        self.said = said


class BenchPage(Page):
    """One bench, from the first look to its file."""

    DEFAULT_CSS = """
    BenchPage Status { height: 3; background: $surface; }
    BenchPage #bench { layout: vertical; height: 1fr; }
    BenchPage Response { height: 1fr; min-height: 8; }
    BenchPage Bores { height: 9; background: $background; }
    BenchPage.-tall Response { margin: 1 0; }
    BenchPage.-tall Bores { height: 1fr; }
    """
    label = "bench"
    page_key = "3"
    keys: ClassVar[Keys] = [
        ("space", "start or stop"),
        ("j k", "channel"),
        ("s", "save"),
        ("l", "light"),
        ("n", "anew"),
    ]
    about = (
        "The aperture bench: the dial turns on its polar shaft before a lamp or under the Sun,"
        " and each channel's level is traced against the angle. Turn by hand or by a stage,"
        " slowly, both ways, until no bore needs a pass. + marks a bore passed well, ! one that"
        " needs a pass, ^ where the shaft stands. Widths and axes are +- the half-width of their"
        " 95% interval. Tell the light with l; s writes a CSV file for dialbench aperture, which"
        " says more; dialbench sweep gives the same without a screen. CAUTION: never look into"
        " the lamp or at the Sun, through a bore or otherwise; never use a laser or an"
        " ultraviolet lamp. Lamps get hot enough to burn and to scorch prints. Keep fingers,"
        " hair and sleeves off a stage that moves."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "trace"),
        Binding("j,down", "channel(1)"),
        Binding("k,up", "channel(-1)"),
        Binding("s", "save"),
        Binding("l", "light"),
        Binding("n", "anew"),
    ]

    def __init__(self, desk: Desk, contents: Sequence[tuple[str, str]], common: Keys) -> None:
        super().__init__(desk, contents, common)
        self.bench = LiveBench(Setting(desk.dial, None))
        self._channel = 0
        self._wanted = False  # tracing, by the user's wish
        self._is_tracing = False
        self._is_connected = False
        self._said = ""
        self._saved = 0
        self._path: Path | None = None
        self._warned_s: float | None = None
        self._working = False
        self._is_new = False

    def body(self) -> Iterable[Widget]:
        blocks = self.desk.blocks
        yield Status(blocks)
        with Vertical(id="bench"):
            yield Response(blocks)
            yield Bores(blocks)

    def hear(self, event: Event) -> None:
        self._is_new = True
        match event:
            case Connected():
                self._is_connected = True
                self.bench.tracing.interrupted()
                if self._wanted:
                    self.desk.feed.ask(Trace(PERIOD_MS))
            case Lost():
                self._is_connected = self._is_tracing = False
            case Tracing(on, trouble):
                self._is_tracing = on
                if not on:
                    self._work(at_last=True)
                if trouble:
                    self._wanted = False
                    self._said = trouble
            case Traced(looks):
                for look in looks:
                    self.bench.hear(
                        look.utc_us, look.angle, look.state, look.gate, look.levels, look.dropped
                    )
                self._work()
            case _:
                pass

    def _work(self, at_last: bool = False) -> None:
        if not self.is_running:
            return  # it has not been looked at yet, and can start no work
        bench = self.bench
        sweep = bench.due(at_last)
        if sweep is not None:
            self._working = True
            setting = bench.setting
            self.run_worker(lambda: self._worked(bench, setting, sweep), thread=True)

    def _worked(self, bench: LiveBench, setting: Setting, sweep: Sweep) -> None:
        worker = get_current_worker()

        def is_wanted() -> bool:
            return bench is self.bench and not worker.is_cancelled

        with suppress(GivenUp):
            self.post_message(Worked(bench, worked_out(setting, sweep, is_wanted)))

    def on_worked(self, message: Worked) -> None:
        if message.bench is not self.bench:
            return  # it was begun anew meanwhile: what was traced before tells nothing of it
        self._working = False
        self.bench.worked(message.found)
        self._work()
        self._see()

    def show(self, live: LiveState) -> None:
        super().show(live)
        self._work()

    def on_mount(self) -> None:
        self.set_interval(_SEEN_S, self._see_news)
        self._see()

    def _see_news(self) -> None:
        # Looks come twenty times a second; nobody reads as fast.
        if self._is_new and self.is_current:
            self._see()

    def _see(self) -> None:
        self._is_new = False
        shown = self.shown()
        for kind in (Status, Response, Bores):
            for view in self.query(kind):
                view.see(shown)

    def shown(self) -> Shown:
        """The bench now."""
        bench, tracing = self.bench, self.bench.tracing
        states = tuple(bench.states())
        now: float | None = None
        places: tuple[tuple[float, bool], ...] = ()
        if tracing.turned is False:
            x = (tracing.utc_us() - tracing.utc_us()[:1]) / 6e7
        else:
            x = np.degrees(np.unwrap(np.radians(tracing.angle_deg())))
            now = bench.shaft.angle_deg if bench.shaft else None
            if now is not None and len(x):
                now = _near(now, float(x[-1]))
            places = tuple(
                (_near(at, float(x.mean())), bool(states[bore].needs))
                for bore, at in bench.places_deg(self._channel)
            )
        return Shown(
            setting=bench.setting,
            is_tracing=self._is_tracing,
            looks=len(tracing),
            dropped=tracing.counts.dropped,
            shaft=bench.shaft,
            trouble=bench.found.trouble if bench.found else "",
            said=self._said,
            is_working=self._working,
            channel=self._channel,
            states=states,
            x=x,
            y=tracing.levels(self._channel),
            unit="min" if tracing.turned is False else "deg",
            now=now,
            places=places,
        )

    def _say(self, text: str) -> None:
        self._said = text
        self._see()

    def action_trace(self) -> None:
        if not self._is_connected:
            self._say("there is no board: nothing to trace")
            return
        self._wanted = not self._wanted
        self.desk.feed.ask(Trace(PERIOD_MS if self._wanted else 0))
        self._say("")

    def action_channel(self, by: int) -> None:
        self._channel = (self._channel + by) % len(self.desk.dial.channels)
        self._say("")

    def action_light(self) -> None:
        self.app.push_screen(LampSheet(self.bench.setting, self.desk.blocks), self._relit)

    def _relit(self, setting: Setting | None) -> None:
        if setting is not None:
            self.bench.relit(setting)
            self._work()
        self._say("")

    def action_save(self) -> None:
        tracing = self.bench.tracing
        if not len(tracing):
            self._say("nothing was traced yet: nothing to save")
            return
        if self._path is None:
            stamp = f"{from_us(self.desk.clock_us()):%Y%m%d-%H%M%S}"
            self._path = self.desk.store_path.parent / f"sweep-{stamp}.csv"
        bench, path, sweep, looks = self.bench, self._path, tracing.sweep(), len(tracing)
        self.run_worker(lambda: self._save(bench, path, sweep, looks), thread=True)

    def _save(self, bench: LiveBench, path: Path, sweep: Sweep, looks: int) -> None:
        try:
            whole.write(path, sweeps.text(sweep))
        except OSError as wrong:
            self.post_message(Saved(bench, 0, f"not saved ({wrong.strerror}): {path}"))
        else:
            self.post_message(Saved(bench, looks, f"{looks} looks are saved: {path}"))

    def on_saved(self, message: Saved) -> None:
        if message.bench is self.bench:
            self._saved = max(self._saved, message.looks)
        self._say(message.said)

    def may_end(self) -> bool:
        return self._may_drop("q")

    def _may_drop(self, key: str) -> bool:
        """Whether nothing is lost with the looks traced, or the user knows; else it is said."""
        lost, now_s = len(self.bench.tracing) - self._saved, self.desk.monotonic_s()
        warned = self._warned_s is not None and now_s - self._warned_s <= _WARNED_S
        if lost > 0 and not warned:
            self._warned_s = now_s
            self._say(f"{lost} looks are not saved: s saves, {key} again drops them")
            return False
        return True

    def action_anew(self) -> None:
        if not self._may_drop("n"):
            return
        self._warned_s = None
        self._saved, self._path, self._working = 0, None, False
        self.bench = LiveBench(self.bench.setting)
        self._say("")


def _near(angle_deg: float, to_deg: float) -> float:
    """The same stand of the shaft, in the turn that lies nearest to another."""
    return angle_deg + 360 * round((to_deg - angle_deg) / 360)
