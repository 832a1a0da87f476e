"""The thread that owns the link: what it asks, what it tells, and coming back by itself."""

import itertools
import queue
import random

import pytest

from dialbench import link
from dialbench.clock import Mark, SystemClock
from dialbench.errors import UserError
from dialbench.link import Board, LinkError, LinkLost
from dialbench.link.errors import Refused
from dialbench.store import Store
from dialbench.watch.events import (
    Connected,
    Failed,
    Frame,
    Health,
    Looked,
    Lost,
    Marked,
    Noted,
    Pulled,
    Pulling,
    Traced,
    Tracing,
)
from dialbench.watch.session import MARK_US, POST_S, STATUS_S, STREAM_MS, Session
from dialbench.watch.wishes import Pull, Trace


class Heard:
    """Collects events; `wait` gives the next one of a kind."""

    def __init__(self):
        self._events = queue.SimpleQueue()
        self.post = self._events.put

    def wait(self, kind):
        for _ in range(200):
            event = self._events.get(timeout=5)
            if isinstance(event, kind):
                return event
        raise AssertionError(f"no {kind.__name__} among 200 events, the last of them {event}")


@pytest.fixture
def heard():
    return Heard()


def test_a_board_is_greeted_marked_asked_and_streams(
    make_feed, make_source, make_board, heard, levels, now_us
):
    board = make_board()
    make_feed(make_source(board)).start(heard.post)
    assert heard.wait(Connected).uid == board.hello.uid
    assert heard.wait(Marked) == Marked(now_us, 2100)
    assert heard.wait(Health) == Health(12, 53, 0, 0, 0, 12, 1430, 2, 5, 4096)
    board.look(levels({0: 1}), gate=False, dropped=9)
    frame = heard.wait(Frame)
    assert (frame.levels, frame.gate, frame.dropped) == (levels({0: 1}), False, 9)
    assert frame.utc_us == now_us  # by the mark: at 60,000 ms of boot 3
    assert board.period_ms == STREAM_MS


def test_a_vanished_board_is_told_of_and_found_again(
    make_feed, make_source, make_board, heard, levels
):
    first, second = make_board(), make_board()
    source = make_source(first)
    make_feed(source).start(heard.post)
    heard.wait(Health)
    source.board = None
    first.gone = True
    lost = heard.wait(Lost)
    assert lost.vanished
    assert "is gone" in lost.reason
    assert "no port" in heard.wait(Lost).reason
    source.board = second
    heard.wait(Connected)
    second.look(levels())
    heard.wait(Frame)
    assert first.closed


def test_a_board_that_never_was_there_is_not_called_vanished(make_feed, heard):
    class Nothing:
        port = "/dev/dial"

        def open(self):
            raise LinkError("/dev/dial answers nothing")

    make_feed(Nothing()).start(heard.post)
    assert heard.wait(Lost) == Lost("/dev/dial", "/dev/dial answers nothing", vanished=False)


def test_a_board_that_started_anew_is_greeted_anew(
    make_feed, make_source, make_board, heard, levels
):
    board = make_board()
    source = make_source(board)
    make_feed(source).start(heard.post)
    heard.wait(Health)
    board.look(levels(), boot=4)
    assert "started anew" in heard.wait(Lost).reason
    heard.wait(Connected)
    assert source.opened == 2


def test_what_was_wished_of_a_board_that_is_gone_is_not_asked_of_the_next(
    make_feed, make_board, heard, now_us, make_source
):
    board = make_board()

    class Late(type(make_source(board))):
        def open(self):
            if not self.opened:
                self.opened = 1
                raise LinkError("/dev/dial answers nothing")
            return super().open()

    feed = make_feed(Late(board))
    feed.ask(Trace(50))
    feed.start(heard.post)
    heard.wait(Lost)
    heard.wait(Health)
    feed.ask(Trace(0))
    assert heard.wait(Tracing) == Tracing(False, "")  # the one before was dropped


def test_looks_on_the_bench_come_all_of_them_once_they_are_asked_for(
    make_feed, make_source, make_board, heard, levels, now_us
):
    board = make_board()
    board.trace_error = Refused("older than live traces", 2)
    feed = make_feed(make_source(board))
    feed.start(heard.post)
    heard.wait(Health)
    feed.ask(Trace(50))
    assert heard.wait(Tracing) == Tracing(False, "older than live traces")
    board.trace_error = None
    feed.ask(Trace(50))
    assert heard.wait(Tracing) == Tracing(True, "") and board.trace_ms == 50
    for k in range(100):
        board.benched.put(link.Traced(3, 60_000 + 50 * k, True, 7, 16 * k, 1, (1024, -3)))
    looks = []
    while len(looks) < 100:
        looks += heard.wait(Traced).looks
    assert [look.angle for look in looks] == [16 * k for k in range(100)]
    assert looks[2] == Looked(now_us + 100_000, 32, 1, True, 7, (1024, -3))
    feed.ask(Trace(0))
    assert heard.wait(Tracing) == Tracing(False, "") and board.trace_ms == 0
    feed.ask(Trace(50))
    heard.wait(Tracing)
    board.benched.put(link.Traced(4, 5, True, 0, 16, 0, (1, 2)))
    assert "started anew" in heard.wait(Lost).reason


def test_a_pull_tells_its_progress_and_lets_the_looks_through(
    make_feed, make_source, make_board, heard, levels
):
    board = make_board()
    board.trouble.update(lacking=2, absent=1, unsealed="it is full")
    feed = make_feed(make_source(board))
    feed.start(heard.post)
    heard.wait(Health)
    feed.ask(Pull())
    assert heard.wait(Pulling) == Pulling(0, 0)
    board.look(levels({0: 2}))
    assert heard.wait(Frame).levels == levels({0: 2})
    board.steps.release(board.pages)
    while heard.wait(Pulling) != Pulling(41, 41, 4100):
        pass
    pulled = heard.wait(Pulled)
    assert (pulled.uid, pulled.new_pages) == (board.hello.uid, 41)
    assert pulled.trouble == (
        "it is full; 2 pages did not come through: pull again; "
        "1 pages are not on the board any more"
    )


def test_a_pull_that_fails_leaves_the_board_connected(
    make_feed, make_source, make_board, heard, levels
):
    board = make_board()
    board.pull_error = UserError("the disk is full")
    feed = make_feed(make_source(board))
    feed.start(heard.post)
    feed.ask(Pull())
    assert heard.wait(Failed) == Failed("the disk is full")
    board.look(levels())
    heard.wait(Frame)


def test_a_board_lost_while_pulling_is_lost(make_feed, make_source, make_board, heard):
    board = make_board()
    board.pull_error = LinkLost("it is gone")
    feed = make_feed(make_source(board))
    feed.start(heard.post)
    feed.ask(Pull())
    assert heard.wait(Lost).reason == "it is gone"


def test_a_board_of_another_dial_is_not_pulled_into_the_store(
    make_feed, make_source, make_board, heard, tmp_path
):
    feed = make_feed(make_source(make_board(dial_hash="00" * 8)))
    feed.start(heard.post)
    assert heard.wait(Health).pages_in_store is None
    feed.ask(Pull())
    assert "another dial's (0000000000000000)" in heard.wait(Failed).reason
    feed.stop()
    with Store.open(tmp_path / "store.sqlite") as store:
        assert store.boards() == []


def test_the_store_knows_the_board_and_its_dial(
    make_feed, make_source, make_board, heard, tmp_path, dial
):
    feed = make_feed(make_source(make_board()))
    feed.start(heard.post)
    heard.wait(Health)
    feed.stop()
    with Store.open(tmp_path / "store.sqlite") as store:
        [board] = store.boards()
    assert (board.dial_hash, dial.name in board.dial_toml) == (dial.hash, True)


def test_stop_cuts_a_pull(make_feed, make_source, make_board, heard):
    board = make_board()
    feed = make_feed(make_source(board))
    feed.start(heard.post)
    feed.ask(Pull())
    heard.wait(Pulling)
    feed.stop()
    assert board.closed


def test_a_file_that_is_no_store_is_told_of(make_feed, make_source, make_board, heard, tmp_path):
    (tmp_path / "store.sqlite").write_text("a letter to the editor, much longer than a header")
    make_feed(make_source(make_board())).start(heard.post)
    assert "store.sqlite" in heard.wait(Lost).reason


class Turns:
    """A session by hand, with clocks that a test sets."""

    def __init__(self, board, store, dial, now_us):
        self.s = 0.0
        self.us = now_us
        self.events = []
        self.session = Session(
            board, store, dial, "/dev/dial", lambda: self.us, lambda: self.s, self.events.append
        )
        self.session.begin()
        self.events.clear()

    def turn(self, at_s):
        self.s = at_s
        self.events.clear()
        self.session.turn()
        return self.events


@pytest.fixture
def turns(make_board, dial, now_us, tmp_path):
    board = make_board()
    with Store.open(tmp_path / "store.sqlite") as store:
        made = Turns(board, store, dial, now_us)
        made.board = board
        yield made


def test_looks_reach_the_screen_so_often_and_no_more_and_the_others_are_counted(turns, levels):
    shown = []
    for n in range(200):  # 200 looks a second
        turns.board.look(levels({0: n % 4}))
        shown += turns.turn(at_s=n / 200)
    shown += turns.turn(at_s=1.1)
    assert 15 <= len(shown) <= 1 / POST_S + 1
    assert len(shown) + sum(frame.unshown for frame in shown) == 200
    turns.board.look(levels({0: 1}))
    assert turns.turn(at_s=2.001)[0].levels == levels({0: 1})
    turns.board.look(levels({0: 2}))
    turns.board.look(levels({0: 3}))
    assert turns.turn(at_s=2.002) == []
    [frame] = turns.turn(at_s=2.1)
    assert (frame.levels, frame.unshown) == (levels({0: 3}), 1)


@pytest.mark.parametrize("step_s", [7200, -7200])
def test_a_computers_clock_that_is_set_ties_the_board_anew(turns, levels, now_us, step_s):
    def look(at_s):
        turns.us = begin_us + round(at_s * 1e6)
        turns.board.look(levels(), device_ms=60_000 + round(at_s * 1000))
        return turns.turn(at_s)

    begin_us = now_us
    turns.board.mark = lambda: Mark(
        3, 60_000 + (turns.us - begin_us) // 1000, turns.us, 2100, "link"
    )
    assert [type(event) for n in range(20) for event in look(n / 10)] == [Frame] * 20
    begin_us += step_s * 1_000_000  # the computer's, not the board's
    told = [event for n in range(20, 26) for event in look(n / 10)]
    [noted] = [event for event in told if isinstance(event, Noted)]
    assert "clock was set" in noted.text
    assert [type(event) for event in told].count(Marked) == 1
    [frame] = look(3.0)
    assert abs(frame.utc_us - turns.us) < 10_000
    # One look that had waited is not a clock that was set.
    turns.board.look(levels(), device_ms=50_000)
    assert [type(event) for event in turns.turn(3.1)] == [Frame]
    assert [type(event) for event in look(3.2)] == [Frame]


def test_what_nobody_thought_of_is_told_and_the_board_found_again(
    make_feed, make_source, make_board, heard
):
    board = make_board()
    status = board.status
    board.status = lambda: 1 / 0
    make_feed(make_source(board)).start(heard.post)
    assert "please report it: ZeroDivisionError" in heard.wait(Lost).reason
    board.status = status
    heard.wait(Health)


def test_a_line_of_noise_is_told_and_the_board_behind_it_found(
    make_feed, make_board, heard, levels
):
    board, noise = make_board(), random.Random(7)

    class Noise:
        alone = True

        def send(self, data):
            pass

        def receive(self):
            return noise.randbytes(500)

        def close(self):
            pass

    class Source:
        port = "/dev/dial"
        clock = SystemClock()
        opened = 0

        def open(self):
            self.opened += 1
            if self.opened > 1:
                return board
            time = itertools.count()
            return Board(Noise(), self.port, self.clock, lambda: next(time) / 10)

    make_feed(Source()).start(heard.post)
    assert "talks, but not as a dial" in heard.wait(Lost).reason
    heard.wait(Connected)


def test_a_stream_of_20_a_second_is_shown_look_by_look(turns, levels):
    assert STREAM_MS == 50
    shown = []
    for n in range(60):
        turns.board.look(levels())
        shown += turns.turn(at_s=(n * STREAM_MS + 4 * (-1) ** n) / 1000)  # it comes as it comes
    assert len(shown) == 60


def test_looks_that_the_link_gave_up_count_as_dropped(turns, levels):
    turns.board.look(levels(), dropped=4)
    turns.board.health.live_dropped = 3
    assert turns.turn(at_s=1.0)[0].dropped == 7


def test_the_counters_are_asked_for_every_few_seconds_and_a_mark_every_ten_minutes(turns):
    assert turns.turn(at_s=STATUS_S - 0.1) == []
    assert [type(event) for event in turns.turn(at_s=STATUS_S)] == [Health]
    turns.us += MARK_US
    assert [type(event) for event in turns.turn(at_s=2 * STATUS_S)] == [Marked, Health]
    assert turns.board.marks == 2
