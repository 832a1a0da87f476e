"""Several boards pulled at once into one store: a thread for each, who write in turn."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from dialbench import dialfile
from dialbench.clock import Mark
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.link import Pulled
from dialbench.link.client import Board, Clock
from dialbench.store import Store
from dialbench.store.facts import StatusFacts

Progress = Callable[[str, float], None]  # port, share of its pages
MOST = 256  # ports at once


@dataclass(frozen=True)
class Brought:
    """What came of one port: the board and its pull, or why there is none."""

    port: str
    board: str | None
    pulled: Pulled | None
    why_not: str

    @property
    def whole(self) -> bool:
        return self.pulled is not None and not (self.pulled.lacking or self.pulled.unsealed)


class Turns:
    """A lock that is given to those who wait in the order in which they came; whoever has it may
    take it again."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._waiting: deque[threading.Event] = deque()
        self._owner: int | None = None

    @contextmanager
    def taken(self) -> Iterator[None]:
        me = threading.get_ident()
        if self._owner == me:
            yield
            return
        turn = threading.Event()
        with self._guard:
            if self._owner is None:
                self._owner = me
                turn.set()
            else:
                self._waiting.append(turn)
        turn.wait()
        self._owner = me
        try:
            yield
        finally:
            with self._guard:
                if self._waiting:
                    self._owner = -1  # between two owners: nobody else takes it
                    self._waiting.popleft().set()
                else:
                    self._owner = None


class _InTurn(Store):
    """A store that writes in its turn among others of the same file in this process."""

    turns = Turns()

    @contextmanager
    def writing(self) -> Iterator[None]:
        with self.turns.taken(), super().writing():
            yield

    def add_status(self, uid: str, status: StatusFacts) -> None:
        with self.turns.taken():
            super().add_status(uid, status)

    def add_mark(self, uid: str, mark: Mark) -> None:
        with self.turns.taken():
            super().add_mark(uid, mark)


def pull_all(
    ports: Sequence[str], dial: Dial, store_path: Path, clock: Clock, progress: Progress
) -> list[Brought]:
    """Pull all ports at once, each as `dialbench pull` does; in the order of the ports.

    What goes wrong with one board hinders no other. progress is called from several threads,
    one at a time. Raises StoreError where the store cannot be opened at all.
    """
    Store.open(store_path).close()  # made, or refused, before anybody waits for a board
    lock, stop = threading.Lock(), threading.Event()
    toml, turns = dialfile.dump(dial), Turns()

    def one(port: str) -> Brought:
        board_uid = None
        if stop.is_set():
            return Brought(port, None, None, "interrupted")

        def tell(done: int, total: int, size: int) -> None:
            if stop.is_set():
                raise UserError(f"{port}: interrupted; what came is kept, so pull again")
            with lock:
                progress(port, done / max(total, 1))

        try:
            with Board.open(port, clock) as board:
                board_uid = board.hello.uid
                if board.hello.dial_hash != dial.hash:
                    raise UserError(
                        f"{port}: the board was set up for another dial ({board.hello.dial_hash})"
                        f" than the one named ({dial.hash}): name the right dial.toml"
                    )
                with _InTurn.open(store_path) as store:
                    store.turns = turns
                    store.add_board(board.hello, toml)
                    return Brought(port, board_uid, board.pull(store, tell), "")
        except UserError as wrong:
            return Brought(port, board_uid, None, str(wrong))

    with ThreadPoolExecutor(min(len(ports), MOST)) as pool:
        try:
            return list(pool.map(one, ports))
        except BaseException:
            stop.set()  # an interrupt: nobody begins anew, and who is at it stops
            raise
