"""The thread that owns the link: what it asks, what it tells, and coming back by itself."""

import queue

import pytest

from dialbench.errors import UserError
from dialbench.link import LinkError, LinkLost
from dialbench.store import Store
from dialbench.watch.events import (
    Connected,
    Failed,
    Frame,
    Health,
    Lost,
    Marked,
    Pulled,
    Pulling,
)
from dialbench.watch.session import MARK_US, POST_S, STATUS_S, STREAM_MS, Session
from dialbench.watch.wishes import Pull


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


def test_looks_reach_the_screen_at_most_20_times_a_second_and_the_newest_does(turns, levels):
    shown = []
    for n in range(200):  # 200 looks a second
        turns.board.look(levels({0: n % 4}))
        shown += turns.turn(at_s=n / 200)
    assert 15 <= len(shown) <= 1 / POST_S + 1
    turns.board.look(levels({0: 1}))
    assert turns.turn(at_s=1.001)[0].levels == levels({0: 1})
    turns.board.look(levels({0: 2}))
    turns.board.look(levels({0: 3}))
    assert turns.turn(at_s=1.002) == []
    assert turns.turn(at_s=1.1)[0].levels == levels({0: 3})


def test_the_counters_are_asked_for_every_few_seconds_and_a_mark_every_ten_minutes(turns):
    assert turns.turn(at_s=STATUS_S - 0.1) == []
    assert [type(event) for event in turns.turn(at_s=STATUS_S)] == [Health]
    turns.us += MARK_US
    assert [type(event) for event in turns.turn(at_s=2 * STATUS_S)] == [Marked, Health]
    assert turns.board.marks == 2
