"""The residuals page."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.widget import Widget
from textual.worker import get_current_worker

from dialbench.analysis import analysed
from dialbench.diagnosis import diagnose
from dialbench.errors import UserError
from dialbench.logged import Logged, board_log, foreign_log
from dialbench.residuals import residuals
from dialbench.sky import Sky
from dialbench.solve.suspicion import of_crossings
from dialbench.store import Store
from dialbench.watch.desk import Desk
from dialbench.watch.events import Connected, Event, Pulled
from dialbench.watch.model import LiveState
from dialbench.watch.page import Keys, Page
from dialbench.watch.residuals.model import VIEWS, Found, Look, Refused, Solve, Solving
from dialbench.watch.residuals.views import Says, Strips
from dialbench.watch.which import chosen

_TELL_S = 0.2  # between two words about a solve's progress


class Looked(Message):
    """The log has been compared, or need not be again; kept: what the store held then."""

    def __init__(self, look: Look | None, kept: object) -> None:
        super().__init__()
        self.look = look
        self.kept = kept


class Solved(Message):
    """A solve goes on, or is over."""

    def __init__(self, solve: Solve, kept: object) -> None:
        super().__init__()
        self.solve = solve
        self.kept = kept


class Ended(Exception):
    """Nobody waits for the solve any more."""


class ResidualsPage(Page):
    """How late crossings come, from several sides, and what that says."""

    DEFAULT_CSS = """
    ResidualsPage #residuals { height: 1fr; }
    ResidualsPage Strips { width: 1fr; background: $background; }
    ResidualsPage Says { width: 34; background: $surface; }
    ResidualsPage.-wide Says { width: 46; }
    """
    label = "residuals"
    page_key = "5"
    keys: ClassVar[Keys] = [
        ("c", "channel"),
        ("h", "hour"),
        ("d", "day"),
        ("up, down", "strips"),
        ("page", "text"),
        ("s", "solve"),
    ]
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("c", "view('channel')"),
        Binding("h", "view('hour')"),
        Binding("d", "view('day')"),
        Binding("s", "solve"),
        Binding("up", "strips(-1)"),
        Binding("down", "strips(1)"),
        Binding("pageup", "text(-8)"),
        Binding("pagedown", "text(8)"),
    ]
    about = (
        "Measured less predicted times of the crossings in the store: a dot a crossing, late to "
        "the right, a strip for each channel, each hour by the Sun, or each day; beside a strip "
        "its median and how wide its middle half is. Beside them what they say of the dial, and "
        "after a solve what causes them and what to do. It needs no board."
    )

    facts: ClassVar[Mapping[str, str]] = {
        "Title": "watch:dial.name watch:dial.site watch:why_unobserved watch:counts",
        "Strips": (
            "compare:residuals.points.late_s compare:residuals.points.channel"
            " compare:residuals.by_channel[].name compare:residuals.by_hour[].name"
            " compare:residuals.by_day[].name"
        ),
        "median": "compare:residuals.by_channel[].median_s compare:residuals.by_day[].median_s",
        "half": "compare:residuals.by_channel[].low_s compare:residuals.by_channel[].high_s",
        "Says": "compare:verdict compare:suspicions solve:sentences solve:rows",
        "log": "compare:board",
        "crossings": "compare:comparison.crossings.matched solve:crossings.used",
        "missed": "compare:comparison.crossings.missed compare:comparison.crossings.unexpected",
        "late": ("compare:comparison.residual_s.median compare:comparison.residual_s.scatter_p95"),
    }

    def __init__(self, desk: Desk, contents: Sequence[tuple[str, str]], common: Keys) -> None:
        super().__init__(desk, contents, common)
        self._uid: str | None = None
        self._view = VIEWS[0]
        self._look: Look | None = None
        self._solve: Solve | None = None
        self._kept: object = None  # what the store held when it was compared
        self._solved: object = None  # and when it was solved
        self._stale = True  # the store may hold more since
        self._looking = False

    def body(self) -> Iterable[Widget]:
        with Horizontal(id="residuals"):
            yield Strips(self.desk.blocks)
            yield Says(self.desk.blocks)

    def hear(self, event: Event) -> None:
        if isinstance(event, Connected) and event.uid != self._uid:
            self._uid, self._stale = event.uid, True
        if isinstance(event, Pulled):
            self._stale = True

    def show(self, live: LiveState) -> None:
        super().show(live)
        if self._stale and not self._looking:
            self._stale, self._looking = False, True
            uid, kept = self._uid, self._kept
            self.run_worker(lambda: self._compare(uid, kept), thread=True)
        self._paint()

    def _paint(self) -> None:
        for strips in self.query(Strips):
            strips.show(self._look, self._view)
        for says in self.query(Says):
            says.show(self._look, self._solve)

    def _compare(self, uid: str | None, kept: object) -> None:
        found, now = looked(self.desk, uid, kept)
        self.post_message(Looked(found, now))

    def on_looked(self, message: Looked) -> None:
        self._looking = False
        if message.look is not None:
            self._look, self._kept = message.look, message.kept
        self._paint()

    def action_solve(self) -> None:
        running = isinstance(self._solve, Solving)
        known = self._solve is not None and self._solved == self._kept
        if isinstance(self._look, Found) and not running and not known:
            self._solve = Solving()
            uid, kept = self._uid, self._kept
            self.run_worker(lambda: self._work(uid, kept), thread=True)
            self._paint()

    def _work(self, uid: str | None, kept: object) -> None:
        worker = get_current_worker()
        told_s = 0.0

        def progress(what: str, share: float) -> None:
            nonlocal told_s
            if worker.is_cancelled:
                raise Ended
            if time.monotonic() - told_s >= _TELL_S:
                told_s = time.monotonic()
                self.post_message(Solved(Solving(what, share), kept))

        try:
            self.post_message(Solved(solved(self.desk, uid, progress), kept))
        except Ended:
            return

    def on_solved(self, message: Solved) -> None:
        self._solve, self._solved = message.solve, message.kept
        self._paint()

    def action_view(self, view: str) -> None:
        self._view = view
        self._paint()

    def action_strips(self, rows: int) -> None:
        self.query_one(Strips).move(rows)

    def action_text(self, rows: int) -> None:
        self.query_one(Says).move(rows)


def looked(desk: Desk, uid: str | None, kept: object) -> tuple[Look | None, object]:
    """The log compared, and what the store held; None in place of it where that is `kept`."""
    try:
        name, log, now = _log(desk, uid, kept)
        if log is None:
            return None, now
        sky = Sky(desk.dial.site)
        found = analysed(log, desk.dial, sky)
        late = residuals(found.comparison, desk.dial, sky)
        doubts = tuple(doubt.sentence for doubt in of_crossings(log, desk.dial, sky))
        return Found(name, late, found, doubts), now
    except UserError as error:
        return Refused(tuple(str(error).splitlines())), None


def solved(desk: Desk, uid: str | None, progress: Callable[[str, float], None]) -> Solve:
    """The log solved, or why it is not. progress may raise, to put an end to it."""
    try:
        _, log, _ = _log(desk, uid, None)
        assert log is not None
        return diagnose(log, desk.dial, Sky(desk.dial.site), progress)
    except UserError as error:
        return Refused(tuple(str(error).splitlines()))


def _log(desk: Desk, uid: str | None, kept: object) -> tuple[str, Logged | None, object]:
    """Whose log is looked at, the log, and what the store holds of all; the log is not read
    where that is `kept`. Raises UserError where there is none."""
    if not desk.store_path.exists():
        raise UserError("There is no store yet: p pulls a board's log into one.")
    with Store.look(desk.store_path) as store, store.reading():
        board = chosen(store.boards(), uid, desk.dial)
        foreign = [log for log in store.foreign.logs() if log.dial_hash == desk.dial.hash]
        if board is not None:
            now = (board.uid, store.extent())
            name = f"board {board.uid}"
            log = None if now == kept else board_log(store, board.uid, desk.dial.hash)
            return name, log, now
        if foreign:
            one = foreign[-1]
            now = (one.hash, store.extent())
            log = None if now == kept else foreign_log(store.foreign.get(one.hash), one.dial_hash)
            return f"log {one.hash}", log, now
    raise UserError("The store holds nothing of this dial yet: p pulls its board's log.")
