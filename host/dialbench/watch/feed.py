"""The one thread that owns the link, and comes back by itself after a loss."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from dialbench.dial import Dial
from dialbench.errors import UserError, inert
from dialbench.link import Board, LinkLost
from dialbench.link.client import Clock
from dialbench.store import Store
from dialbench.watch.events import Event, Lost
from dialbench.watch.session import Session, Stopped
from dialbench.watch.wishes import Pull, Trace, Wish

RETRY_S = 1.5
_STOP_S = 2.0


@dataclass(frozen=True)
class Source:
    """Where the board can be found, again and again, and the clock it lives by."""

    port: str
    clock: Clock

    def open(self) -> Board:
        """The board; LinkError where there is none."""
        return Board.open(self.port, self.clock)


class Feed:
    """Keeps a board talking between start() and stop(); whatever happens becomes an event."""

    def __init__(
        self,
        source: Source,
        dial: Dial,
        store_path: Path,
        monotonic_s: Callable[[], float] = time.monotonic,
        retry_s: float = RETRY_S,
    ) -> None:
        self._source = source
        self._dial = dial
        self._store_path = store_path
        self._monotonic_s = monotonic_s
        self._retry_s = retry_s
        self._stopping = threading.Event()
        self._wishes: queue.SimpleQueue[Wish] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def start(self, post: Callable[[Event], None]) -> None:
        """Begin; post is called from the feed's own thread."""
        self._thread = threading.Thread(target=self._run, args=(post,), name="feed", daemon=True)
        self._thread.start()

    def ask(self, wish: Wish) -> None:
        """Have a wish carried out, in its turn; returns at once."""
        self._wishes.put(wish)

    def stop(self) -> None:
        """End the thread. A pull under way is cut, which loses nothing; a request that the
        board leaves unanswered is not waited for."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(_STOP_S)

    def _run(self, post: Callable[[Event], None]) -> None:
        with suppress(Stopped):
            while not self._stopping.is_set():
                self._hold(post)
                self._stopping.wait(self._retry_s)

    def _hold(self, post: Callable[[Event], None]) -> None:
        """One board, from its first answer until it is lost."""
        port = self._source.port
        try:
            # In this order: where no board answers, no store is made.
            with self._source.open() as board, Store.open(self._store_path) as store:
                clock = self._source.clock
                session = Session(
                    board,
                    store,
                    self._dial,
                    port,
                    clock.utc_us,
                    self._monotonic_s,
                    post,
                    clock.speed,
                )
                session.begin()
                while not self._stopping.is_set():
                    if not self._wishes.empty():
                        self._grant(self._wishes.get(), session)
                    session.turn()
        except UserError as error:
            # What was wished of this board is not wished of whichever comes next.
            while not self._wishes.empty():
                self._wishes.get()
            post(Lost(port, str(error), vanished=isinstance(error, LinkLost)))
        except Stopped:
            raise
        except Exception as error:  # noqa: BLE001 - a dead thread would leave a screen that is silent
            what = inert(f"{type(error).__name__}: {error}")
            post(Lost(port, f"the link failed, please report it: {what}", vanished=True))

    def _grant(self, wish: Wish, session: Session) -> None:
        match wish:
            case Pull():
                session.pull(self._stopping.is_set)
            case Trace(period_ms):
                session.trace(period_ms)
