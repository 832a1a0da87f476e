"""Pages in flight: several FETCHes under way at once, so that the line never waits for us.

The board meets them in the order in which they came. What is not answered when a later one
is, has been lost: it is over, and whoever wants the rest of it asks anew.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator

from dialbench.link.errors import LinkLost
from dialbench.link.exchange import ANSWER_S, RETRIES, Exchange, Request
from dialbench.link.facts import Fetched
from dialcore import messages, records


def fetch(exchange: Exchange, batches: Iterable[range]) -> Iterator[Fetched]:
    """Ask for batches of page numbers, at most messages.FETCH_PAGES in each; yield what each
    brought, in their order, while the next are under way.

    After a second of silence all that is missing is asked for again. Where the board is lost,
    what came before is yielded first. Raises ValueError for an answer too short, Refused,
    SessionOver, LinkLost; Silence after RETRIES repetitions.
    """
    flight = _Flight(exchange)
    waiting = iter(batches)
    try:
        while flight.fill(waiting):
            flight.listen()
            for fetched in flight.landed():
                yield fetched
                flight.rested()
    except LinkLost:
        yield from flight.wreck()
        raise
    finally:
        flight.end()


class _Batch:
    """One batch, the request it is asked for with, and what has come of it."""

    def __init__(self, wanted: range, exchange: Exchange) -> None:
        self.wanted = wanted
        self.pages: dict[int, bytes] = {}
        self._exchange = exchange
        self.request = self._ask()

    def _ask(self) -> Request:
        missing = [number for number in self.wanted if number not in self.pages]
        first, count = (missing[0], missing[-1] + 1 - missing[0]) if missing else (0, 0)
        return self._exchange.post(messages.FETCH, messages.pack_fetch(first, count))

    def ask_again(self) -> None:
        """Ask for what is missing."""
        self._exchange.health.unanswered += 1
        self.end()
        self._gather()
        self.request = self._ask()

    def end(self) -> None:
        self._exchange.forget(self.request)

    def land(self) -> Fetched:
        """What came of it."""
        self.end()
        self._exchange.check(self.request)
        return self.so_far()

    def so_far(self) -> Fetched:
        seen = self._gather()
        if self.request.answer is None:
            return Fetched(self.wanted, self.pages, False, self.wanted.start)
        next, sent = messages.unpack_fetch(self.request.answer)
        return Fetched(self.wanted, self.pages, len(seen) == sent, next)

    def _gather(self) -> set[int]:
        """Keep the request's sound pages; return the numbers of all it brought."""
        seen: set[int] = set()
        for payload in self.request.pages:
            number = messages.unpack_number(payload)
            raw = payload[4:]
            seen.add(number)
            if number in self.wanted and _sound(raw, number):
                self.pages[number] = raw
            elif number in self.wanted:
                self._exchange.health.bad_pages += 1
        return seen


def _sound(raw: bytes, number: int) -> bool:
    try:
        return bool(records.check(raw)[0] == number)
    except ValueError:
        return False


class _Flight:
    """The batches under way, oldest first."""

    def __init__(self, exchange: Exchange) -> None:
        self._exchange = exchange
        self._batches: deque[_Batch] = deque()
        self._silences = 0
        self._rested_s = exchange.seconds()

    def fill(self, waiting: Iterator[range]) -> bool:
        """Send off as many as may be under way; False if none is."""
        while len(self._batches) < messages.FETCHES:
            wanted = next(waiting, None)
            if wanted is None:
                break
            self._batches.append(_Batch(wanted, self._exchange))
        return bool(self._batches)

    def listen(self) -> None:
        """Take what comes; after a second of silence ask for all of it again."""
        self._exchange.take()
        if any(batch.request.over for batch in self._batches):
            self._silences = 0
            return
        heard_s = max(self._rested_s, *(batch.request.heard_s for batch in self._batches))
        if self._exchange.seconds() < heard_s + ANSWER_S:
            return
        brought = any(batch.request.pages for batch in self._batches)
        self._silences = 0 if brought else self._silences + 1
        if self._silences > RETRIES:
            raise self._exchange.silence(messages.FETCH)
        for batch in self._batches:
            batch.ask_again()

    def landed(self) -> Iterator[Fetched]:
        """Those that are over, and those whose turn went by."""
        while any(batch.request.over for batch in self._batches):
            yield self._batches.popleft().land()

    def rested(self) -> None:
        """What came while nobody listened is still to be taken: silence begins now."""
        self._rested_s = self._exchange.seconds()

    def wreck(self) -> list[Fetched]:
        """What came of those that will never be over."""
        return [batch.so_far() for batch in self._batches]

    def end(self) -> None:
        for batch in self._batches:
            batch.end()
