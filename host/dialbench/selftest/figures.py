"""What a test of a board measures, over its link."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from dialbench.link.client import Board
from dialbench.link.facts import Check, Hello, Look, Status
from dialcore import examining, wiring

LOOKS = 8
SPAN_S = 10.0  # between the two looks at counters
LOW_TAP, HIGH_TAP = wiring.FIRST_TAP, 15  # of the root: what a broken line follows


@dataclass(frozen=True)
class Figures:
    """places: by what the select lines of root and leaf were set to; drawn: by root, its input 0
    after the lowest tap and after the highest; before and after: counters at the beginning and
    the end; utc_s: as the chip was read at the end."""

    hello: Hello
    places: dict[tuple[int, int], Look]
    drawn: dict[int, tuple[int, int]]
    before: tuple[Check, Status]
    after: tuple[Check, Status]
    utc_s: float
    probe_ms: float
    trip_ms: float
    bytes_per_s: float

    @property
    def leaves(self) -> int:
        """How many leaves carry channels; all, where the board cannot say."""
        return _leaves(self.hello)


def _leaves(hello: Hello) -> int:
    return wiring.leaves(hello.channels or wiring.CHANNELS)


def measure(
    board: Board, utc_us: Callable[[], int], step: Callable[[float], None], span_s: float = SPAN_S
) -> Figures:
    """Measure a board; step is told the share done. Raises LinkError as the link does."""
    begun_s = time.monotonic()
    before = board.check(), board.status()
    leaves = _leaves(board.hello)
    roots = [*range(leaves), *range(wiring.LADDER_LEAF, wiring.INPUTS)]
    places = {}
    probing_s = time.monotonic()
    for done, root in enumerate(roots):
        for leaf in range(wiring.INPUTS):
            places[root, leaf] = board.probe(examining.NO_TAP, root, leaf, LOOKS)
        step((done + 1) / (len(roots) + 1))
    probe_ms = 1000 * (time.monotonic() - probing_s) / len(places)
    drawn = {
        root: (
            board.probe(LOW_TAP, root, 0, LOOKS).mean,
            board.probe(HIGH_TAP, root, 0, LOOKS).mean,
        )
        for root in [*range(leaves), wiring.LADDER_LEAF]
    }
    trips = []
    for _ in range(8):
        asked_s = time.monotonic()
        status = board.status()
        trips.append(time.monotonic() - asked_s)
    asked_s = time.monotonic()
    wanted = range(max(status.first_page, status.next_page - 32), status.next_page)
    size = sum(
        len(page) for got in board.fetch([wanted] if wanted else []) for page in got.pages.values()
    )
    fetching_s = max(time.monotonic() - asked_s, 1e-6)
    while time.monotonic() - begun_s < span_s:
        time.sleep(0.2)
        board.status()  # the session is kept
    after = board.check(), board.status()
    step(1.0)
    return Figures(
        board.hello,
        places,
        drawn,
        before,
        after,
        utc_us() / 1e6,
        probe_ms,
        1000 * min(trips),
        size / fetching_s,
    )
