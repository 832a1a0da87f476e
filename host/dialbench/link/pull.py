"""Pull: bring the store up to date with a board's log.

A pull may be cut anywhere and repeated: what came is in the store, batch by batch, and
the next pull asks only for the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dialbench.clock import Mark
from dialbench.link.errors import LinkError, Refused
from dialbench.link.facts import Fetched
from dialbench.store import Store
from dialcore.messages import FETCH_PAGES

if TYPE_CHECKING:
    from dialbench.link.client import Board

_TRIES = 4  # without one new page, before the rest is left for another time

Progress = Callable[[int, int, int], None]  # pages done, pages in all, bytes


@dataclass(frozen=True)
class Pulled:
    """What a pull brought.

    pages, bytes: new in the store. absent: pages the board should hold and does not have,
    or has damaged. lacking: pages that did not come through; pull again. unsealed: "" or
    why the board could not store its newest records. marks: made before and after.
    """

    pages: int
    bytes: int
    absent: int
    lacking: int
    unsealed: str
    marks: tuple[Mark, Mark]


def pull(board: Board, store: Store, progress: Progress | None = None) -> Pulled:
    """Pull from board into store; progress is told pages done, pages in all, bytes.

    Raises LinkError, LinkLost, and StoreError, also where the board's log is not the one
    in the store any more and takes up its page names again.
    """
    uid = board.hello.uid
    store.add_board(board.hello)
    before = _mark(board, store)
    unsealed = ""
    try:
        board.seal()
    except Refused as refused:
        unsealed = str(refused)  # what is stored already can be pulled all the same
    status = board.status()
    store.add_status(uid, status)
    work = _Pull(board, store, range(status.first_page, status.next_page), progress)
    work.compare_ends()
    work.fetch_missing()
    return Pulled(
        pages=work.pages,
        bytes=work.bytes,
        absent=len(work.absent),
        lacking=work.lacking(),
        unsealed=unsealed,
        marks=(before, _mark(board, store)),
    )


def _mark(board: Board, store: Store) -> Mark:
    mark = board.mark()
    store.add_mark(board.hello.uid, mark)
    return mark


class _Pull:
    """The pages of one pull; log says which the board holds."""

    def __init__(self, board: Board, store: Store, log: range, progress: Progress | None) -> None:
        self._board = board
        self._store = store
        self._log = log
        self.pages = 0
        self.bytes = 0
        self.absent: set[int] = set()
        self._progress = progress or (lambda done, total, size: None)
        self._total = self.lacking()

    def compare_ends(self) -> None:
        """Make sure that store and board mean the same pages by the same numbers.

        The board's oldest page tells the store which boots are of its present log. The
        newest page that both should have must be the same on both sides: where a board
        has begun its log anew, old and new numbers meet first at that end.
        """
        if not self._log:
            return
        if not self._fetch_surely(self._log.start, 1):
            self._fetch_surely(self._log.start, FETCH_PAGES)
        newest = self._log.stop - 1
        for gap in reversed(self._gaps()):
            if newest in gap:
                newest = gap.start - 1
        if newest in self._log:
            self._fetch_surely(newest, 1)

    def fetch_missing(self) -> None:
        """Ask for what the store lacks, and again for what did not come through."""
        self._total = self.pages + self.lacking()
        self._tell()
        idle = 0
        while self.lacking() and idle < _TRIES:
            before = self.pages
            for fetched in self._fetch(_batches(self._gaps(), self.absent)):
                self.absent.update(fetched.absent)
            idle = 0 if self.pages > before else idle + 1

    def lacking(self) -> int:
        """How many pages the board may still have and the store has not."""
        return max(0, sum(len(gap) for gap in self._gaps()) - len(self.absent))

    def _gaps(self) -> list[range]:
        return self._store.missing(self._board.hello.uid, self._log.start, self._log.stop)

    def _fetch(self, batches: Iterable[range]) -> Iterator[Fetched]:
        """Fetch and store batch by batch; what comes is kept, whatever happens next."""
        for fetched in self._board.fetch(batches):
            with self._store.writing():
                for raw in fetched.pages.values():
                    if self._store.add_page(self._board.hello.uid, raw):
                        self.pages += 1
                        self.bytes += len(raw)
            self._tell()
            yield fetched

    def _tell(self) -> None:
        self._progress(self.pages, max(self._total, self.pages), self.bytes)

    def _fetch_surely(self, first: int, count: int) -> bool:
        """Fetch until nothing sent is missing; whether the board had any of the pages."""
        for _ in range(_TRIES):
            for fetched in self._fetch([range(first, first + count)]):
                if fetched.complete:
                    return bool(fetched.pages)
        raise LinkError(
            f"the line loses too much: page {first} did not come through in {_TRIES} tries; what"
            " came is kept, so pull again when the line is better"
        )


def _batches(gaps: Iterable[range], absent: set[int]) -> Iterator[range]:
    """Runs of at most FETCH_PAGES numbers of the gaps, without the absent ones."""
    for gap in gaps:
        first = gap.start
        while first < gap.stop:
            stop = first
            while stop < min(gap.stop, first + FETCH_PAGES) and stop not in absent:
                stop += 1
            if stop > first:
                yield range(first, stop)
            first = max(stop, first + 1)
