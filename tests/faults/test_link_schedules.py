"""Random schedules of faults on the line, byte by byte, with the board's own code at its far
end: every pull ends complete or can be taken up again, nothing is lost or doubled.

LINK_SCHEDULES=10000 runs so many of them. A failure names its seed: see `schedule`.
"""

import math
import os
import random
from collections import Counter
from functools import cache

import pytest
from tests.board_double import stored
from tests.faults.simulation import (
    UID,
    ByteFaults,
    SimulatedBoard,
    SimulatedLine,
    Storage,
    Time,
    pages,
)

from dialbench.link import Board, LinkError
from dialbench.store import Store
from dialcore import records

UID_TEXT = UID.hex()
PLAIN = 70
DEEP = 600
_PATIENCE_S = 3600.0  # of simulated time, for one attempt


@cache
def _log(kind):
    return pages(5 + kind * 3, kind)


def _crossings(raw):
    return sum(record[0] == records.CROSSING for record in records.records(raw))


class _Trial:
    """One schedule: a board, a store, and attempts to bring the one into the other."""

    def __init__(self, seed, counts, folder):
        self.chance = chance = random.Random(seed)
        self.counts = counts
        self.time = Time()
        log = _log(chance.randrange(16))
        limit = chance.choice((1 << 30, 1 << 30, len(log) + 1))
        self.storage = Storage(log, limit)
        self.board = SimulatedBoard(self.time, self.storage, random.Random(f"board {seed}"))
        low, high = chance.choice(((-9, -9), (-4.5, -3.5), (-3.5, -2.7), (-2.7, -2.2), (-2.2, -2)))
        share = 10 ** chance.uniform(low, high)
        self.shares = (share * chance.choice((0, 1)), share)
        self.path = folder / f"{seed}.sqlite"
        self.store = Store.open(self.path)
        self.held = set()

    def attempt(self, shares, life=math.inf, reboot=math.inf):
        """One pull; what it brought, or None where it was cut short."""
        up, down = (ByteFaults(self.chance, share, self.counts) for share in shares)
        line = SimulatedLine(self.board, up, down, life, reboot)
        began_s = self.time.s
        boot = self.board.boot
        try:
            with Board(line, "test", self.time, self.time.seconds) as board:
                pulled = board.pull(self.store)
        except LinkError:
            pulled = None
        assert self.time.s - began_s < _PATIENCE_S
        self.check(boot)
        return pulled

    def check(self, boot):
        """All that is in the store is true, and nothing that was there is gone."""
        rows = stored(self.path)
        kept = {number: (boot, raw) for (boot, number), raw in rows.items()}
        assert len(kept) == len(rows)
        assert all(self.storage.ever[number] == page for number, page in kept.items())
        assert self.held <= set(kept)
        self.held = set(kept)
        if not kept or boot != self.board.boot:
            return
        for mark in self.store.marks(UID_TEXT):
            if mark.boot == boot:
                true_us = self.board.truth_us(mark.boot, mark.device_ms)
                assert abs(mark.utc_us - true_us) <= mark.sigma_us


def schedule(seed, counts, folder):
    """Run one schedule; how each of its attempts ended."""
    trial = _Trial(seed, counts, folder)
    chance, storage = trial.chance, trial.storage
    ends = []
    for _ in range(chance.randrange(1, 4)):
        life = chance.choice((math.inf, math.inf, 10 ** chance.uniform(1.5, 4.5)))
        reboot = chance.choice((math.inf,) * 4 + (10 ** chance.uniform(1.5, 4.5),))
        first = storage.first
        pulled = trial.attempt(trial.shares, life, reboot)
        if pulled is None:
            ends.append("cut")
            continue
        ends.append("lacking" if pulled.lacking else "complete")
        missing = {n for n in range(storage.first, storage.next) if n not in trial.held}
        if pulled.lacking == 0 and storage.first == first:
            # All that there was is here, but for what the board has logged since.
            assert not any(n < storage.next - 1 for n in missing)
        assert pulled.absent <= storage.first - first
    first = storage.first
    pulled = trial.attempt((0.0, 0.0))
    assert pulled is not None and pulled.lacking == 0
    assert pulled.absent <= storage.first - first
    assert set(range(storage.first, storage.next)) <= trial.held
    assert trial.store.losses(UID_TEXT).retired_pages == storage.next - len(trial.held)
    logged = sum(_crossings(storage.ever[number][1]) for number in trial.held)
    assert len(trial.store.crossings(UID_TEXT).channel) == logged
    trial.store.close()
    trial.path.unlink()
    return ends


def _run(seeds, folder):
    counts, ends = Counter(), Counter()
    for seed in seeds:
        try:
            ends.update(schedule(seed, counts, folder))
        except Exception as wrong:
            replay = f"schedule({seed}, Counter(), Path('.'))"
            raise AssertionError(f"{replay} replays this") from wrong
    return counts, ends


def _every_kind(counts, ends):
    assert set(counts) == set(ByteFaults.kinds)
    assert set(ends) == {"complete", "cut", "lacking"}


def test_pulls_over_bad_lines_end_complete_or_can_be_taken_up_again(tmp_path):
    counts, ends = _run(range(PLAIN), tmp_path)
    _every_kind(counts, ends)


@pytest.mark.deep
@pytest.mark.timeout(3000)
def test_many_more_of_them(tmp_path):
    number = int(os.environ.get("LINK_SCHEDULES", DEEP))
    first = int(os.environ.get("LINK_FIRST", PLAIN))
    counts, ends = _run(range(first, first + number), tmp_path)
    print(f"{number} schedules from {first}: faults {dict(counts)}, ends {dict(ends)}")
    _every_kind(counts, ends)
