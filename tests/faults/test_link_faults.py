"""Pulls over lines that drop, bend, double, delay and add bytes, and that are cut anywhere:
every one ends complete or can be taken up again, and nothing wrong is ever kept."""

import random

import pytest
from tests.board_double import (
    UID,
    BoardDouble,
    DirectLine,
    Faults,
    Time,
    log,
    on_pty,
    on_tcp,
    stored,
    utc_us_when_reading,
)

from dialbench.clock import SystemClock
from dialbench.link import Board, LinkError, LinkLost
from dialbench.store import Store
from dialcore import messages

UID_TEXT = UID.hex()
BYTE_S = 10 / 115200
SCHEDULES = 300


def pulled_once(double, store, time, faults, life=None):
    """One attempt; what it brought, or None where it was cut short."""
    try:
        line = DirectLine(double, time, faults, life, BYTE_S)
        return Board(line, "test", time, time.seconds).pull(store)
    except LinkError:
        return None


def check_kept(path, double, store):
    """All that is in the store is true; return the numbers of its pages."""
    kept = stored(path)
    assert all(double.pages[number] == raw for (_, number), raw in kept.items())
    told = {(mark[1], mark[2]) for mark in double.marks}
    for mark in store.marks(UID_TEXT) if kept else ():
        assert abs(mark.utc_us - utc_us_when_reading(mark.device_ms)) <= mark.sigma_us
        assert (mark.device_ms, mark.utc_us) in told
    return {number for _, number in kept}


@pytest.fixture(scope="module")
def ended():
    """How the schedules of this module ended, so that no kind of end is left untried."""
    ends = {"complete": 0, "cut": 0}
    yield ends
    assert all(ends.values()), ends


@pytest.mark.parametrize("block", range(10))
def test_whatever_the_line_does_the_pull_can_be_finished(tmp_path, block, ended):
    for seed in range(block * SCHEDULES // 10, (block + 1) * SCHEDULES // 10):
        chance = random.Random(seed)
        double = BoardDouble(log(chance.randrange(1, 60), seed=seed))
        time = Time()
        double.clock_ms = time.device_ms
        rates = {
            kind: chance.choice((0, 0, 0.01, 0.05, 0.2))
            for kind in ("drop", "flip", "double", "insert", "late")
        }
        path = tmp_path / f"{seed}.sqlite"
        with Store.open(path) as store:
            before = set()
            for attempt in range(chance.randrange(1, 5)):
                life = chance.choice((None, chance.randrange(1, 15_000)))
                pulled = pulled_once(
                    double, store, time, Faults(f"{seed} {attempt}", **rates), life
                )
                after = check_kept(path, double, store)
                assert before <= after
                before = after
                if pulled is None:
                    ended["cut"] += 1
                else:
                    assert pulled.lacking == len(double.pages) - len(after)
                    assert pulled.absent == 0
                    ended["complete"] += 1
            double.sent.clear()
            pulled = pulled_once(double, store, time, Faults(0))
            assert pulled is not None and pulled.lacking == 0
            lacked = set(double.pages) - before
            assert lacked <= set(double.sent) <= lacked | {0, max(double.pages), *before}
            assert len(set(double.sent) - lacked) <= 2  # the two ends, to compare them
            assert check_kept(path, double, store) == set(double.pages)


def test_looks_arriving_all_the_time_disturb_nothing(tmp_path):
    double = BoardDouble(log(50))
    answer = double.answer_to
    count = 0

    def with_looks(data):
        nonlocal count
        frames = []
        for frame in answer(data):
            count += 1
            frames += [double.live(count), frame]
        return frames

    double.answer_to = with_looks
    time = Time()
    with Store.open(tmp_path / "store.sqlite") as store:
        board = Board(DirectLine(double, time), "test", time, time.seconds)
        assert board.pull(store).pages == 50
    assert board.health.live_dropped == count - 64
    assert board.live(0).device_ms == count - 63


def test_a_slow_line_may_take_longer_than_an_answer_for_a_batch(tmp_path):
    double = BoardDouble(log(32))
    time = Time()
    with Store.open(tmp_path / "store.sqlite") as store:
        board = Board(DirectLine(double, time, byte_s=0.003), "test", time, time.seconds)
        assert board.pull(store).pages == 32
    assert time.s > 10
    assert board.health.unanswered == 0


def test_every_bad_frame_is_counted(tmp_path):
    double = BoardDouble(log(32))
    time = Time()
    line = DirectLine(double, time)
    board = Board(line, "test", time, time.seconds)
    line.faults = Faults(4, flip=1.0)
    with pytest.raises(LinkLost), Store.open(tmp_path / "store.sqlite") as store:
        board.pull(store)
    # Each request was bent on its way, so none was understood: nothing came to be counted.
    assert board.health.bad_frames == 0
    line.send = lambda data: setattr(
        line, "waiting", b"".join(map(line.faults.on, double.answer_to(data)))
    )
    with pytest.raises(LinkLost):
        board.status()
    assert board.health.bad_frames >= 4
    assert board.health.unasked == 0


class Cut:
    """Sends so many bytes of a double's answers, then hangs up, within a frame or not."""

    def __init__(self, double, budget):
        self.double, self.budget = double, budget

    def answer_to(self, data):
        for frame in self.double.answer_to(data):
            yield frame[: self.budget]
            self.budget -= len(frame)
            if self.budget <= 0:
                raise OSError


@pytest.mark.parametrize("place", [on_pty, on_tcp])
def test_a_real_line_cut_anywhere_leaves_what_came(tmp_path, place):
    double = BoardDouble(log(64))
    path = tmp_path / "store.sqlite"
    had = 0
    with Store.open(path) as store:
        for budget in (30, 300, 1_000, 2_000, 3_000, 2_500, 2_000):
            with (
                place(Cut(double, budget)) as (port, _),
                pytest.raises(LinkLost),
                Board.open(port, SystemClock()) as board,
            ):
                board.pull(store)
            kept = stored(path)
            assert len(kept) >= had
            had = len(kept)
            double.session = 0  # ten seconds later
            assert all(double.pages[number] == raw for (_, number), raw in kept.items())
        assert 0 < had < 64
        with place(double) as (port, _), Board.open(port, SystemClock()) as board:
            assert board.pull(store).pages == 64 - had
    assert {number for _, number in stored(path)} == set(double.pages)


def test_a_board_that_reboots_while_it_is_marked_refuses_the_mark(tmp_path):
    double = BoardDouble(log(2))
    time = Time()
    board = Board(DirectLine(double, time), "test", time, time.seconds)
    double.refusing[messages.MARK] = "mark of boot 1, this is boot 2"
    with Store.open(tmp_path / "store.sqlite") as store:
        with pytest.raises(LinkError, match="refuses MARK: mark of boot 1, this is boot 2"):
            board.pull(store)
        assert store.marks(UID_TEXT) == []
