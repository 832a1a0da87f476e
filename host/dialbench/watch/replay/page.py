"""The replay page: a day is worked out in a thread of its own, then shown at any instant."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widget import Widget

from dialbench import whole
from dialbench.errors import UserError
from dialbench.logged import board_log
from dialbench.reading import zone_time
from dialbench.replay.days import ReplayError, predicted_day, stored_day
from dialbench.replay.picture import animated
from dialbench.replay.timeline import Kind, Timeline
from dialbench.store import Store
from dialbench.watch.desk import Desk
from dialbench.watch.events import Connected, Event, Pulled
from dialbench.watch.page import Keys, Page
from dialbench.watch.replay import views
from dialbench.watch.replay.tape import HOUR_US, MINUTE_US, Tape

_TICK_S = 0.1


@dataclass(frozen=True)
class Wanted:
    """A day, and as what."""

    day: date
    kind: Kind

    def __str__(self) -> str:
        return f"{self.day} {self.kind}"


class Found(Message):
    """A day that was wanted, or why there is none."""

    def __init__(self, wanted: Wanted, timeline: Timeline | None, reason: str) -> None:
        super().__init__()
        self.wanted = wanted
        self.timeline = timeline
        self.reason = reason


class Exported(Message):
    """What became of a picture, as a sentence."""

    def __init__(self, sentence: str, alert: bool) -> None:
        super().__init__()
        self.sentence = sentence
        self.alert = alert


class ReplayPage(Page):
    """Any day, predicted or as the store has it."""

    DEFAULT_CSS = """
    ReplayPage #middle { height: 1fr; }
    ReplayPage ReplayFace { width: 1fr; margin: 1 1 0 1; }
    ReplayPage #side { width: 36; background: $surface; }
    ReplayPage ReplayClock { height: 5; }
    ReplayPage ReplayFacts { height: 1fr; }
    ReplayPage Status { height: 1; background: $surface; }
    ReplayPage Strip { height: 4; }
    ReplayPage ReplayLegend { height: 2; }
    ReplayPage.-tall Strip { margin: 1 0; }
    ReplayPage.-tall ReplayClock { margin: 1 0 0 0; }
    ReplayPage.-wide #side { width: 38; }
    """
    label = "replay"
    page_key = "6"
    keys: ClassVar[Keys] = [
        ("space", "play"),
        ("arrows", "min"),
        ("PgUp/Dn", "hour"),
        ("[]", "day"),
        ("+-", "speed"),
        ("s", "source"),
        ("e", "export"),
        ("home/end", "of the day"),
    ]
    about = (
        "Any day of the face, as predicted without a cloud or as the store has it (source), "
        "scrubbed and played beside the clock. Below it the whole day: o where channels are "
        "missing, x where they are stray, * both; then its faces in turns. Export draws the day "
        "as a moving picture that any browser plays."
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "play"),
        Binding("left", f"scrub({-MINUTE_US})"),
        Binding("right", f"scrub({MINUTE_US})"),
        Binding("shift+left,pageup", f"scrub({-HOUR_US})"),
        Binding("shift+right,pagedown", f"scrub({HOUR_US})"),
        Binding("home", "edge(False)"),
        Binding("end", "edge(True)"),
        Binding("left_square_bracket", "day(-1)"),
        Binding("right_square_bracket", "day(1)"),
        Binding("plus,equals_sign", "speed(1)"),
        Binding("minus", "speed(-1)"),
        Binding("s", "source"),
        Binding("e", "export"),
    ]

    def __init__(self, desk: Desk, contents: list[tuple[str, str]], common: Keys) -> None:
        super().__init__(desk, contents, common)
        self.wanted: Wanted | None = None
        self.timeline: Timeline | None = None
        self.tape: Tape | None = None
        self._notice, self._alert = "", False
        self._finding = False
        self._ticked_s = 0.0
        self._uid: str | None = None
        self._clock = zone_time(desk.dial, desk.clock_us())

    def body(self) -> Iterable[Widget]:
        blocks = self.desk.blocks
        with Horizontal(id="middle"):
            yield views.ReplayFace(blocks)
            with Vertical(id="side"):
                yield views.ReplayClock(blocks)
                yield views.ReplayFacts(blocks)
        yield views.Status(blocks)
        yield views.Strip(blocks)
        yield views.ReplayLegend(blocks)

    def on_mount(self) -> None:
        self._ticked_s = self.desk.monotonic_s()
        self.set_interval(_TICK_S, self._tick)
        self._want(Wanted(self._clock.date(), "predicted"))

    def hear(self, event: Event) -> None:
        if isinstance(event, Connected):
            self._uid = event.uid
        elif isinstance(event, Pulled) and self.wanted and self.wanted.kind == "stored":
            self._want(self.wanted)

    # -- a day

    def _want(self, wanted: Wanted) -> None:
        self.wanted = wanted
        self.timeline, self.tape = None, None
        self._say(f"working out {wanted}")
        if not self._finding:  # one at a time, however fast days are leafed through
            self._finding = True
            self.run_worker(lambda: self._find(wanted), thread=True)

    def _find(self, wanted: Wanted) -> None:
        try:
            timeline = self._timeline(wanted)
        except UserError as error:
            self.post_message(Found(wanted, None, str(error)))
            return
        _ = timeline.stretches  # worked out here, and remembered
        self.post_message(Found(wanted, timeline, ""))

    def _timeline(self, wanted: Wanted) -> Timeline:
        dial, sky = self.desk.dial, self.desk.sky
        if wanted.kind == "predicted":
            return predicted_day(dial, sky, wanted.day)
        path = self.desk.store_path
        if not path.exists():
            raise ReplayError("nothing is stored yet: pull the log first")
        with Store.look(path) as store, store.reading():
            logged = board_log(store, self._board(store), dial.hash)
        return stored_day(logged, dial, sky, wanted.day)

    def _board(self, store: Store) -> str:
        """The board that talks, or the store's only one."""
        boards = [board.uid for board in store.boards()]
        if self._uid in boards:
            return self._uid
        if len(boards) != 1:
            raise ReplayError(
                f"the store holds {len(boards)} boards, and none of them talks: dialbench replay"
                " with --board shows any of them"
            )
        return boards[0]

    def on_found(self, message: Found) -> None:
        self._finding = False
        if self.wanted is not None and message.wanted != self.wanted:
            self._want(self.wanted)
            return
        self.timeline = timeline = message.timeline
        if timeline is not None:
            at_us = timeline.instant_us(self._clock.time())
            tape = Tape(timeline.start_us, timeline.end_us, timeline.start_us)
            self.tape = tape if at_us is None else tape.to(at_us)
        self._say(message.reason, alert=bool(message.reason))

    # -- what the keys do

    def _moved(self, tape: Tape | None) -> None:
        self.tape = tape
        if tape is not None:
            self._clock = zone_time(self.desk.dial, tape.at_us)
        self._paint()

    def _tick(self) -> None:
        now_s = self.desk.monotonic_s()
        passed_s, self._ticked_s = now_s - self._ticked_s, now_s
        if self.tape is not None and self.tape.playing and self.is_current:
            self._moved(self.tape.after(passed_s))

    def action_play(self) -> None:
        self._moved(self.tape and self.tape.switched())

    def action_scrub(self, us: int) -> None:
        self._moved(self.tape and self.tape.by(us))

    def action_edge(self, end: bool) -> None:
        self._moved(self.tape and self.tape.to(self.tape.end_us if end else self.tape.start_us))

    def action_speed(self, steps: int) -> None:
        self._moved(self.tape and self.tape.faster(steps))

    def action_day(self, days: int) -> None:
        if self.wanted is not None:
            self._want(replace(self.wanted, day=self.wanted.day + timedelta(days=days)))

    def action_source(self) -> None:
        if self.wanted is not None:
            kind: Kind = "stored" if self.wanted.kind == "predicted" else "predicted"
            self._want(replace(self.wanted, kind=kind))

    def action_export(self) -> None:
        timeline = self.timeline
        if timeline is not None:
            self._say("drawing the picture")
            self.run_worker(lambda: self._export(timeline), thread=True)

    def _export(self, timeline: Timeline) -> None:
        path = _free(f"replay-{timeline.day}-{timeline.kind}")
        try:
            text = animated(timeline)
            whole.write(path, text)
        except OSError as error:
            self.post_message(Exported(f"{path}: cannot be written ({error.strerror})", True))
        else:
            self.post_message(Exported(f"wrote {path} ({len(text) / 1000:.0f} kB)", False))

    def on_exported(self, message: Exported) -> None:
        self._say(message.sentence, message.alert)

    # -- what is seen

    def _say(self, notice: str, alert: bool = False) -> None:
        self._notice, self._alert = notice, alert
        self._paint()

    def _paint(self) -> None:
        timeline, tape = self.timeline, self.tape
        instant = timeline.at(tape.at_us) if timeline and tape else None
        for view in self.query(views.Shown):
            view.show(timeline, instant)
        self.query_one(views.Strip).show(timeline, tape.at_us if tape else 0)
        self.query_one(views.Status).show(str(self.wanted), tape, self._notice, self._alert)


def _free(stem: str) -> Path:
    """A name in the present folder that nothing has yet."""
    paths = (Path(f"{stem}{'' if n == 1 else f'-{n}'}.svg") for n in range(1, 10_000))
    return next(path for path in paths if not path.exists())
