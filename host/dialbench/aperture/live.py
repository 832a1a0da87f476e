"""A bench traced from a board's looks until told to stop, whatever becomes of the board."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor

from dialbench.aperture.bench import Found, LiveBench, worked_out
from dialbench.clock import Mark
from dialbench.errors import UserError
from dialbench.link import Board, Traced
from dialbench.link.client import Clock
from dialbench.link.patience import with_board

PERIOD_MS = 50
_LISTEN_S = 0.1
_NEVER = 1e9


class BoardError(UserError):
    """A board that cannot be traced for this dial; one sentence."""


def utc_us(mark: Mark, device_ms: int) -> int:
    """When a look was, by the one mark made before it: within an hour, to a tenth of a second."""
    return mark.utc_us + 1000 * (device_ms - mark.device_ms)


def fit_to(bench: LiveBench, board: Board) -> None:
    """Raises BoardError where the board cannot be this bench's."""
    channels = len(bench.setting.dial.channels)
    if board.hello.channels != channels:
        why = board.hello.trouble or f"it has {board.hello.channels} channels"
        raise BoardError(
            f"the board at {board.port} is not this dial's, which has {channels} channels: {why}"
        )


class Workshop:
    """One thread that works out what is due; never two at once."""

    def __init__(self, bench: LiveBench) -> None:
        self._bench = bench
        self._pool = ThreadPoolExecutor(1, "bench")
        self._is_wanted = True
        self._under_way: Future[Found] | None = None

    def turn(self) -> bool:
        """Take what is ready, give what is due; True where something was ready."""
        if self._under_way is not None:
            if not self._under_way.done():
                return False
            self._bench.worked(self._under_way.result())
            self._under_way = None
            return True
        sweep = self._bench.due()
        if sweep is not None:
            self._under_way = self._pool.submit(
                worked_out, self._bench.setting, sweep, lambda: self._is_wanted
            )
        return False

    def end(self, *, finish: bool) -> None:
        """finish: wait for what is under way, and work out what came after it."""
        self._is_wanted = finish
        if finish:
            if self._under_way is not None:
                self._bench.worked(self._under_way.result())
            sweep = self._bench.due(at_last=True)
            if sweep is not None:
                self._bench.worked(worked_out(self._bench.setting, sweep))
        self._pool.shutdown(cancel_futures=True)


class _Over(Exception):
    """The time is up while there is no board."""


def trace(
    bench: LiveBench,
    port: str | None,
    clock: Clock,
    note: Callable[[str], None],
    seconds: float | None,
    turned: Callable[[], None],
    period_ms: int = PERIOD_MS,
) -> None:
    """Trace until so many seconds of the computer's are over (None: until interrupted). A board
    that goes away is waited for; what was traced stays. turned is called ten times a second.
    Raises LinkError, BoardError."""
    until_s = time.monotonic() + (_NEVER if seconds is None else seconds)

    def work(board: Board) -> None:
        fit_to(bench, board)
        if board.hello.dial_hash != bench.setting.dial.hash:
            note(f"the board was set up for another dial ({board.hello.dial_hash}), or none")
        mark = board.mark()
        board.trace(period_ms)
        bench.tracing.interrupted()
        lost = 0
        while time.monotonic() < until_s:
            look = board.traced(_LISTEN_S)
            if look is not None:
                heard(bench, mark, look)
            bench.tracing.counts.dropped += board.health.live_dropped - lost
            lost = board.health.live_dropped
            turned()

    def pause(wait_s: float) -> None:
        turned()
        if time.monotonic() >= until_s:
            raise _Over
        time.sleep(min(wait_s, max(until_s - time.monotonic(), 0.0)))

    try:
        with_board(port, clock, work, note, pause)
    except _Over:
        return


def heard(bench: LiveBench, mark: Mark, look: Traced) -> None:
    """Give a look to the bench."""
    bench.hear(
        utc_us(mark, look.device_ms), look.angle, look.state, look.gate, look.levels, look.dropped
    )
