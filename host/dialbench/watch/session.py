"""One open board: what is asked of it, and what its answers become."""

from __future__ import annotations

from collections.abc import Callable

from dialbench import dialfile
from dialbench.clock import ClockModel, Mark
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.link import Board, LinkLost, Live, Pulled, Status, Traced
from dialbench.store import Store, StoreError
from dialbench.watch import events
from dialbench.watch.events import Event

STREAM_MS = 50
POST_S = 0.04  # the screen hears of looks and progress no sooner again: below STREAM_MS
STATUS_S = 5.0
MARK_US = 600_000_000
_LISTEN_S = 0.1
_MARKS_KEPT = 12
STEP_S = 2.0  # no look takes so long to come
_STEP_LOOKS = 5  # in a row: what had waited in a buffer looks as late only once


class Stopped(Exception):
    """The feed was stopped while a pull was under way."""


class Session:
    """Asks and listens; `post` is told everything. Any method may raise LinkLost or
    another UserError: the session is over then."""

    def __init__(
        self,
        board: Board,
        store: Store,
        dial: Dial,
        port: str,
        utc_us: Callable[[], int],
        monotonic_s: Callable[[], float],
        post: Callable[[Event], None],
        speed: float = 1.0,
    ) -> None:
        """speed: seconds of the time that utc_us gives, per second of monotonic_s."""
        self._board = board
        self._store = store
        self._dial = dial
        self._port = port
        self._utc_us = utc_us
        self._monotonic_s = monotonic_s
        self._post = post
        self._step_us = STEP_S * 1e6 * max(1.0, speed)
        self._astray = 0  # looks in a row that are not of the time in which they came
        self._ours = board.hello.dial_hash == dial.hash
        self._marks: list[Mark] = []
        self._model = ClockModel([])
        self._look: Live | None = None
        self._look_s = 0.0
        self._unshown = 0  # looks that gave way to this one
        self._posted_s = -POST_S
        self._status_s = 0.0
        self._tracing = False

    def begin(self) -> None:
        """Say who is there, tie its clock, ask for its counters and its live looks."""
        hello = self._board.hello
        self._post(
            events.Connected(self._port, hello.uid, hello.dial_hash, hello.firmware, hello.trouble)
        )
        if self._ours:
            try:
                self._store.add_board(hello, dialfile.dump(self._dial))
            except StoreError as error:
                self._post(events.Noted(str(error)))
        self._mark()
        self._status()
        self._board.stream(STREAM_MS)

    def turn(self) -> None:
        """Listen for a moment, pass on what came, ask what is due."""
        self._listen(_LISTEN_S)
        if self._astray >= _STEP_LOOKS:
            self._follow_step()
        if self._monotonic_s() - self._status_s >= STATUS_S:
            if self._utc_us() - self._marks[-1].utc_us >= MARK_US:
                self._mark()
            self._status()

    def pull(self, stopped: Callable[[], bool]) -> None:
        """Bring the log into the store; looks go on in between. Raises Stopped."""
        hello = self._board.hello
        if not self._ours:
            reason = f"the board is another dial's ({hello.dial_hash}): watch it with its own"
            self._post(events.Failed(reason))
            return

        def progress(done: int, total: int, size: int) -> None:
            if stopped():
                raise Stopped
            self._listen(0.0)
            if self._due() or done == total:
                self._post(events.Pulling(done, total, size))

        self._post(events.Pulling(0, 0))
        try:
            pulled = self._board.pull(self._store, progress)
        except LinkLost:
            raise
        except UserError as error:
            self._post(events.Failed(str(error)))
        else:
            self._status()
            self._post(events.Pulled(hello.uid, pulled.pages, _left_behind(pulled), pulled.bytes))

    def trace(self, period_ms: int) -> None:
        """Have looks on the bench come, or with 0 no more of them; a board that cannot says so."""
        self._tracing = False
        try:
            self._board.trace(period_ms)
        except LinkLost:
            raise
        except UserError as error:
            self._post(events.Tracing(False, str(error)))
            return
        self._tracing = period_ms > 0
        self._post(events.Tracing(self._tracing, ""))

    def _pass_traced(self) -> None:
        """Post all looks on the bench that came; each is worth having."""
        looks: list[Traced] = []
        while (look := self._board.traced(0.0)) is not None:  # those alone that have come
            looks.append(look)
        if not looks:
            return
        if not all(self._model.covers(look.boot) for look in looks):
            raise LinkLost(f"the board at {self._port} has started anew")
        self._post(
            events.Traced(
                tuple(
                    events.Looked(
                        int(self._model.utc_us(look.boot, look.device_ms)),
                        look.angle,
                        look.state,
                        look.gate,
                        look.dropped,
                        look.levels,
                    )
                    for look in looks
                )
            )
        )

    def _listen(self, timeout_s: float) -> None:
        look = self._board.live(timeout_s)
        while look is not None:
            self._unshown += self._look is not None
            self._look, self._look_s = look, self._monotonic_s()
            look = self._board.live(0.0)  # those alone that have come
        if self._look is not None and self._due():
            self._post(self._frame(self._look))
            self._look, self._unshown = None, 0
        if self._tracing:
            self._pass_traced()

    def _due(self) -> bool:
        now_s = self._monotonic_s()
        if now_s - self._posted_s < POST_S:
            return False
        self._posted_s = now_s
        return True

    def _frame(self, look: Live) -> events.Frame:
        if not self._model.covers(look.boot):
            raise LinkLost(f"the board at {self._port} has started anew")
        utc_us = int(self._model.utc_us(look.boot, look.device_ms))
        astray = abs(self._utc_us() - utc_us) > self._step_us
        self._astray = self._astray + 1 if astray else 0
        dropped = look.dropped + self._board.health.live_dropped
        return events.Frame(utc_us, self._look_s, look.gate, look.levels, dropped, self._unshown)

    def _follow_step(self) -> None:
        """The board's clock is never set: it is this computer's that has been."""
        self._post(
            events.Noted("this computer's clock was set: the board's time is tied to it anew")
        )
        self._marks = []
        self._astray = 0
        self._mark()

    def _mark(self) -> None:
        mark = self._board.mark()
        self._marks = [*self._marks, mark][-_MARKS_KEPT:]
        self._model = ClockModel(self._marks)
        self._post(events.Marked(mark.utc_us, mark.sigma_us))

    def _status(self) -> None:
        self._status_s = self._monotonic_s()
        status = self._board.status()
        self._post(
            events.Health(
                first_page=status.first_page,
                next_page=status.next_page,
                pages_in_store=self._stored(status),
                overflow_records=status.overflow_records,
                torn_pages=status.torn_pages,
                retired_pages=status.retired_pages,
                blind_ms=status.blind_ms,
                bad_frames=status.bad_frames + self._board.health.bad_frames,
                open_records=status.open_records,
                free_bytes=status.heap_free,
            )
        )

    def _stored(self, status: Status) -> int | None:
        """How many of the board's pages the store holds; None where it cannot tell."""
        if not self._ours:
            return None
        first, next = status.first_page, status.next_page
        try:
            gaps = self._store.missing(self._board.hello.uid, first, next)
        except StoreError:
            return None  # the user was told as the board was noted, or is as it is pulled
        return next - first - sum(map(len, gaps))


def _left_behind(pulled: Pulled) -> str:
    parts = [pulled.unsealed] if pulled.unsealed else []
    if pulled.lacking:
        parts.append(f"{pulled.lacking} pages did not come through: pull again")
    if pulled.absent:
        parts.append(f"{pulled.absent} pages are not on the board any more")
    return "; ".join(parts)
