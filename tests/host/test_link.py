"""The link to a board: greeting, asking, marking, looking, pulling, and what goes wrong."""

import fcntl
import os
import socket
import tempfile
import tty
from contextlib import contextmanager
from types import SimpleNamespace

import pytest
from tests.board_double import (
    DIAL_HASH,
    START_US,
    UID,
    BoardDouble,
    DirectLine,
    Faults,
    Time,
    log,
    on_pty,
    on_tcp,
    page,
    stored,
    utc_us_when_reading,
)

from dialbench.clock import SystemClock
from dialbench.link import Board, LinkError, LinkLost, prompt
from dialbench.link.errors import Busy, Refused
from dialbench.link.exchange import ANSWER_S, LIVE_KEPT, Exchange, Instant
from dialbench.link.transport import open_line
from dialbench.store import Store, StoreError
from dialcore import framing, messages, records

UID_TEXT = UID.hex()


def linked(double, *, time=None, **line):
    """(board, its line) over memory."""
    time = time or Time()
    double.clock_ms = time.device_ms
    line = DirectLine(double, time, **line)
    return Board(line, "test", time, time.seconds), line


@pytest.fixture
def path(tmp_path):
    return tmp_path / "store.sqlite"


@pytest.fixture
def store(path):
    with Store.open(path) as store:
        yield store


# -- greeting


def test_a_board_on_a_terminal_is_greeted_and_asked():
    double = BoardDouble(log(3), boot=7)
    with on_pty(double) as (port, _), Board.open(port, SystemClock()) as board:
        hello = board.hello
        assert (hello.uid, hello.dial_hash) == (UID_TEXT, DIAL_HASH.hex())
        assert (hello.channels, hello.boot, hello.heap_bytes) == (33, 7, 131072)
        assert (hello.firmware, hello.runtime, hello.trouble) == ("0.1.0", "MicroPython", "")
        status = board.status()
        assert (status.boot, status.first_page, status.next_page) == (7, 0, 3)
        assert (status.torn_pages, status.scans, status.open_records) == (2, 9, 4)
        assert status.gate is True and status.channels == 33
        assert board.seal() == 3
        assert board.health.bad_frames == board.health.unanswered == 0


def test_a_board_over_tcp_is_pulled_whole(store, path):
    double = BoardDouble(log(40))
    with on_tcp(double) as (port, _), Board.open(port, SystemClock()) as board:
        pulled = board.pull(store)
    assert pulled.pages == 40 and pulled.lacking == pulled.absent == 0
    assert stored(path) == {(1, n): raw for n, raw in double.pages.items()}


def test_what_a_board_says_cannot_steer_a_terminal():
    double = BoardDouble()
    double.hello.update(firmware="0.1\x1b[2J\u202e", trouble="no\r\nconfig")
    double.refusing[messages.SEAL] = "full\x07\x9b"
    board, _ = linked(double)
    assert board.hello.firmware == "0.1\\x1b[2J\\u202e"
    assert board.hello.trouble == "no\\r\\nconfig"
    with pytest.raises(LinkError) as caught:
        board.seal()
    assert str(caught.value) == "the board at test refuses SEAL: full\\x07\\x9b"


def test_versions_that_do_not_meet_are_told():
    for told, sentence in (
        ({"protocol": (3, 4)}, "speaks protocol 3 to 4, and this Dialbench speaks 2"),
        ({"page_version": 2}, "writes pages of version 2, and this Dialbench reads version 1"),
    ):
        double = BoardDouble()
        double.hello.update(told)
        with pytest.raises(LinkError, match=sentence):
            linked(double)
    double = BoardDouble()
    double.refusing[messages.HELLO] = "this board speaks protocol 1"
    with pytest.raises(LinkError, match="speaks protocol 1, and this Dialbench speaks 2: update"):
        linked(double)


def test_an_answer_that_makes_no_sense_is_told():
    double = BoardDouble()
    board, _ = linked(double)
    double.status = lambda: b"\1\2\3"
    with pytest.raises(LinkError, match="cannot read .payload of 3 bytes, 52 expected.: update"):
        board.status()
    double.status = lambda: messages.pack_status(1, 1 << 63, *[0] * 12)
    with pytest.raises(LinkError, match="device time of 9223372036854775808 ms"):
        board.status()
    for first, next in ((5, 4), (0, (1 << 20) + 1)):
        double.status = lambda held=(first, next): messages.pack_status(1, 0, *held, *[0] * 10)
        with pytest.raises(LinkError, match=f"cannot read .pages {first} to {next} held."):
            board.status()


def test_no_greeting_can_stop_a_board_or_start_it_anew():
    for _ in range(300):
        heard = []
        for alone in (True, False):
            line = SimpleNamespace(alone=alone, send=heard.append)
            exchange = Exchange(line, "test", lambda: Instant(0.0, 0))
            for _ in range(4):
                ask = messages.pack_ask_hello(exchange.session, alone)
                exchange.post(messages.HELLO, ask)
        assert len(heard) == 8 and not {3, 4}.intersection(b"".join(heard))
        assert all(framing.Decoder().received(frame) for frame in heard)


def test_who_is_refused_says_no_goodbye():
    double = BoardDouble()
    double.session = 0x0605
    time = Time()
    line = DirectLine(double, time)
    line.alone = False
    with pytest.raises(Busy):
        Board(line, "test", time, time.seconds)
    assert line.closed and double.asked == [messages.HELLO]


def test_a_goodbye_ends_the_session_once():
    double = BoardDouble()
    board, _ = linked(double)
    assert double.session == board._exchange.session
    board.close()
    board.close()
    assert double.session == 0 and double.asked.count(messages.BYE) == 1


# -- ports that are no board's


def sentence_of(port):
    with pytest.raises(LinkError) as caught:
        Board.open(port, SystemClock())
    text = str(caught.value)
    assert "\n" not in text and text.isprintable()
    return text


def test_an_absent_port_is_told():
    assert sentence_of("/dev/ttyNone0").startswith("there is no port /dev/ttyNone0 (ports here: ")
    assert sentence_of("/dev/tty\x1b[1m").startswith("there is no port /dev/tty\\x1b[1m (ports")


def test_a_busy_port_is_told():
    with on_pty(BoardDouble()) as (port, _):
        holder = os.open(port, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(holder, fcntl.LOCK_EX)
        try:
            assert sentence_of(port) == f"{port} is in use by another program: close that first"
        finally:
            os.close(holder)
        with Board.open(port, SystemClock()):
            assert "in use by another program" in sentence_of(port)


@contextmanager
def _unprivileged():
    """What follows runs as a user that may not do everything."""
    if os.geteuid():
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_port_one_may_not_open_is_told():
    with tempfile.NamedTemporaryFile() as file:
        os.chmod(file.name, 0)
        with _unprivileged():
            assert sentence_of(file.name).startswith(f"you may not open {file.name}: let your user")


def test_what_is_no_serial_port_is_told(tmp_path):
    file = tmp_path / "notes.txt"
    file.write_text("no port")
    for place in (file, tmp_path):
        assert f"{place} cannot be opened as a serial port (" in sentence_of(str(place))


class Chatter:
    """Something that sends the same whatever it hears."""

    def __init__(self, said):
        self.said = said

    def answer_to(self, data):
        return [self.said(data)]


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        (lambda data: b"", "test answers nothing: is this the dial's port, and is its firmware"),
        (lambda data: b"$GPRMC,1235\r\n\0", "test talks, but not as a dial: is it another"),
        (lambda data: b"\0\0\0", "test talks, but not as a dial"),
        (lambda data: data, "test sends frames as a dial does, but does not answer"),
    ],
    ids=["silent", "text", "zeros", "echo"],
)
def test_what_answers_otherwise_is_told(said, sentence):
    time = Time()
    with pytest.raises(LinkError, match=sentence) as caught:
        Board(DirectLine(Chatter(said), time), "test", time, time.seconds)
    assert not isinstance(caught.value, LinkLost)
    assert time.s <= 4 * ANSWER_S + len(prompt.QUESTIONS) * prompt.PATIENCE_S + 0.3


def test_only_what_says_that_it_is_in_the_middle_of_something_is_interrupted():
    class Listed(Chatter):
        """What was typed to it."""

        typed = b""

        def answer_to(self, data):
            self.typed += data
            return super().answer_to(data)

    def middle(data):
        return b"\r\n>>> " if b"\x03" in data else b"\r\n...     "

    for said, at_prompt in (
        (lambda data: b"$GPRMC,1235\r\n\0", False),
        (middle, True),
        (lambda data: b"=== " if b"\x03" not in data else b"\r\n>>> ", True),
    ):
        time = Time()
        device = Listed(said)
        with pytest.raises(LinkError, match="is at its prompt" if at_prompt else "talks, but not"):
            Board(DirectLine(device, time), "test", time, time.seconds)
        assert (b"\x03" in device.typed) == at_prompt


def test_a_flood_of_noise_ends_in_time():
    class Flood(DirectLine):
        def receive(self):
            self.time.s += 0.01
            return os.urandom(500)

    time = Time()
    with pytest.raises(LinkError, match="talks, but not as a dial"):
        Board(Flood(BoardDouble(), time), "test", time, time.seconds)
    assert time.s <= 4 * ANSWER_S + len(prompt.QUESTIONS) * prompt.PATIENCE_S + 0.1


def test_addresses_that_lead_nowhere_are_told():
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = f"socket://127.0.0.1:{server.getsockname()[1]}"
    assert sentence_of(closed).startswith(f"nothing can be reached at {closed} (")
    for bad in ("socket://", "socket://host", "socket://host:port", "socket://host:99999"):
        assert sentence_of(bad).startswith(f"{bad} names no line: write socket://host:port")


def test_a_failed_greeting_leaves_the_port_free():
    double = BoardDouble()
    double.hello["protocol"] = (9, 9)
    with on_pty(double) as (port, _):
        assert "protocol 9" in sentence_of(port)
        assert "protocol 9" in sentence_of(port)


# -- boards that vanish


@pytest.mark.parametrize("place", [on_pty, on_tcp])
def test_an_unplugged_board_is_lost(place):
    with place(BoardDouble()) as (port, unplug), Board.open(port, SystemClock()) as board:
        unplug()
        with pytest.raises(LinkLost, match="is gone: check its cable and its power"):
            board.status()
        with pytest.raises(LinkLost):
            board.live(1.0)


def test_a_board_that_falls_silent_is_lost_after_three_more_tries():
    double = BoardDouble()
    board, line = linked(double)
    double.released = True
    began = line.time.s
    with pytest.raises(LinkLost, match="no longer answers .STATUS was sent 4 times."):
        board.status()
    assert 4 * ANSWER_S <= line.time.s - began <= 4 * ANSWER_S + 0.3
    assert board.health.unanswered == 4


def test_a_late_answer_is_dropped_and_the_fresh_one_taken():
    double = BoardDouble()
    board, line = linked(double)
    line.faults = Faults(1, late=1.0)
    line.send(framing.encode(messages.body(messages.STATUS, 0)))  # its answer is held back
    line.faults = Faults(1)
    line.time.s = 50.0
    assert board.status().device_ms == 50_000
    assert board.health.unasked == 1


def test_every_try_has_a_fresh_sequence_number():
    double = BoardDouble()
    board, _ = linked(double)
    heard = []
    decoder = framing.Decoder()

    def deaf_at_first(data):
        heard.extend(body[1] for body in decoder.received(data))
        return BoardDouble.answer_to(double, data) if len(heard) > 2 else []

    double.answer_to = deaf_at_first
    board.status()
    assert len(set(heard)) == 3
    assert board.health.unanswered == 2


# -- clock marks


def test_a_mark_takes_the_shortest_of_several_round_trips():
    double = BoardDouble(boot=3)
    board, line = linked(double)
    trips = iter([0.050, 0.030, 0.020, 0.004, 0.080, 0.010, 0.060, 0.040, 0.001])
    answer, receive = double.answer_to, line.receive

    def slowly(data):
        line.trip = next(trips)
        line.time.s += line.trip * 0.75  # the way there is the longer one
        return answer(data)

    def back():
        line.time.s += line.trip * 0.25
        return receive()

    double.answer_to, line.receive = slowly, back
    line.faults.chance = type(
        "Whole", (), {"random": lambda s: 1.0, "randrange": lambda s, *a: 999}
    )()
    mark = board.mark()
    assert double.asked[1:] == [messages.STATUS] * 8 + [messages.MARK]
    assert (mark.boot, mark.source, mark.sigma_us) == (3, "link", 2500)
    assert abs(mark.utc_us - utc_us_when_reading(mark.device_ms)) <= mark.sigma_us
    assert double.marks == [(3, mark.device_ms, mark.utc_us, mark.sigma_us)]


@pytest.mark.parametrize("speed", [1.0, 60.0])
def test_a_mark_is_as_sure_as_the_time_the_board_lives_in_allows(speed):
    time = Time(speed)
    board, _ = linked(BoardDouble(), time=time, byte_s=0.0001)
    mark = board.mark()
    trip_us = (mark.sigma_us - 500) * 2 / speed
    assert 5000 <= trip_us <= 8000  # an answer of 66 bytes
    assert abs(mark.utc_us - utc_us_when_reading(mark.device_ms)) <= mark.sigma_us


def test_a_clock_that_moves_in_steps_does_not_make_a_mark_surer():
    time = Time(60.0)
    time.utc_us = lambda: START_US  # stands still between two frames of light
    board, _ = linked(BoardDouble(), time=time, byte_s=0.0001)
    assert board.mark().sigma_us >= 150_000
    time.speed = 0.0  # and now for good: nothing passes while the answer travels
    assert board.mark().sigma_us == 500


# -- looks at the channels


def test_looks_between_answers_are_kept_and_told_in_order():
    double = BoardDouble()
    board, line = linked(double)
    board.stream(250)
    assert double.streaming == 250
    levels = bytearray(9)
    levels[0] = 0b11100100  # channels 0..3 above 0, 1, 2, 3 thresholds
    levels[8] = 0b10  # channel 32
    line.waiting = double.live(10, bytes(levels)) + double.live(20)
    assert board.status().boot == 1
    line.waiting += double.live(30)
    first = board.live(1.0)
    assert (first.boot, first.device_ms, first.gate, first.direct) == (1, 10, True, 40000)
    assert first.levels[:5] == (0, 1, 2, 3, 0) and first.levels[32] == 2
    assert len(first.levels) == 33
    assert [board.live(1.0).device_ms for _ in range(2)] == [20, 30]
    began = line.time.s
    assert board.live(0.5) is None
    assert 0.5 <= line.time.s - began <= 0.6


def test_the_newest_looks_are_kept_and_the_others_counted():
    double = BoardDouble()
    board, line = linked(double)
    line.waiting = b"".join(double.live(n) for n in range(LIVE_KEPT + 10))
    board.status()
    assert board.health.live_dropped == 10
    assert board.live(0).device_ms == 10


def test_a_look_that_makes_no_sense_is_counted():
    double = BoardDouble()
    board, line = linked(double)
    line.waiting = double.live(1, bytes(8)) + framing.encode(b"\x46") + double.live(2)
    assert board.live(1.0).device_ms == 2
    assert board.health.bad_frames == 2


def test_looks_on_the_bench_wait_for_whoever_asks_and_no_more_of_them_than_is_bounded():
    double = BoardDouble()
    board, line = linked(double)
    board.trace(50)
    assert double.tracing == 50
    levels = (0, 1024, -3, *range(30))
    line.waiting = double.traced(9, 12345, 1, levels, 4) + double.live(10)
    look = board.traced(1.0)
    assert (look.device_ms, look.angle, look.state, look.dropped) == (9, 12345, 1, 4)
    assert look.gate and look.levels == levels
    assert board.traced(0) is None and board.live(0).device_ms == 10
    line.waiting = b"".join(double.traced(n) for n in range(LIVE_KEPT + 10))
    board.status()
    assert board.health.live_dropped == 10
    assert board.traced(0).device_ms == 10
    short = double.traced(1, levels=(0,) * 33)[:-8]
    line.waiting = short + b"\0" + framing.encode(b"\x49") + double.traced(2)
    while look.device_ms != 2:
        look = board.traced(1.0)
    assert board.health.bad_frames == 2


def test_a_board_older_than_traces_is_told_of_in_a_sentence_and_serves_on():
    double = BoardDouble()
    double.old = (messages.TRACE,)
    board, _ = linked(double)
    with pytest.raises(Refused, match="older than live traces.*dialbench aperture"):
        board.trace(50)
    board.stream(100)
    assert double.streaming == 100 and board.status().boot == 1


def test_release_hands_the_port_back():
    double = BoardDouble()
    board, line = linked(double)
    board.release()
    assert double.released and line.closed
    board.close()
    assert double.asked[-1] == messages.RELEASE  # a goodbye would be typed at the prompt


# -- pulling


def test_a_pull_brings_everything_and_the_next_only_the_rest(store, path):
    double = BoardDouble(log(70))
    double.unsealed = log(2, first=70)
    seen = []
    board, _ = linked(double, byte_s=0.0001)
    pulled = board.pull(store, lambda *told: seen.append(told))
    assert (pulled.pages, pulled.absent, pulled.lacking, pulled.unsealed) == (72, 0, 0, "")
    assert pulled.bytes == sum(map(len, double.pages.values()))
    assert stored(path) == {(1, n): raw for n, raw in double.pages.items()}
    assert double.asked.index(messages.SEAL) < double.asked.index(messages.FETCH)
    assert seen[0][1] == seen[-1][1] == 72
    assert seen[-1] == (72, 72, pulled.bytes)
    assert [done for done, _, _ in seen] == sorted(done for done, _, _ in seen)
    assert len(seen) == 6  # for both ends, at the start, and for each of three batches
    assert store.marks(UID_TEXT) == list(pulled.marks)

    double.unsealed = log(5, first=72)
    double.sent.clear()
    again = board.pull(store)
    assert again.pages == 5
    assert sorted(set(double.sent)) == [0, *range(71, 77)]  # both ends are compared
    assert board.pull(store).pages == 0


def test_retired_and_torn_pages_are_not_asked_for_again_and_again(store):
    double = BoardDouble(log(60, first=40))
    for number in (40, 50, 51, 99):
        del double.pages[number]
    board, _ = linked(double)
    pulled = board.pull(store)
    assert (pulled.pages, pulled.absent, pulled.lacking) == (56, 4, 0)
    assert double.asked.count(messages.FETCH) <= 6
    losses = store.losses(UID_TEXT)
    assert (losses.retired_pages, losses.missing_pages, losses.torn_pages) == (40, 4, 2)


def test_a_board_that_cannot_seal_is_pulled_all_the_same(store):
    double = BoardDouble(log(3))
    double.refusing[messages.SEAL] = "the storage takes no page"
    board, _ = linked(double)
    pulled = board.pull(store)
    assert pulled.pages == 3
    assert pulled.unsealed == "the board at test refuses SEAL: the storage takes no page"


def test_a_damaged_page_in_a_sound_frame_is_not_stored(store, path):
    double = BoardDouble(log(5))
    for number in (0, 2):
        good = double.pages[number]
        double.pages[number] = good[:24] + bytes((good[24] ^ 1,)) + good[25:]
    double.pages[3] = double.pages[4]
    board, _ = linked(double)
    pulled = board.pull(store)
    assert (pulled.pages, pulled.absent, pulled.lacking) == (2, 3, 0)
    assert sorted(number for _, number in stored(path)) == [1, 4]
    assert board.health.bad_pages >= 3
    double.pages.update(log(5))
    assert board.pull(store).pages == 3


def test_a_page_too_short_to_say_its_number_is_told(store):
    double = BoardDouble(log(1))
    board, _ = linked(double)
    double._told = lambda kind, payload: [(messages.PAGE, b"\1\2")]
    with pytest.raises(LinkError, match="cannot read .payload of 2 bytes, 4 expected."):
        list(board.fetch([range(1)]))


def test_an_empty_board_is_pulled_without_a_question(store):
    board, _ = linked(BoardDouble(), byte_s=0.0001)
    pulled = board.pull(store)
    assert (pulled.pages, pulled.absent, pulled.lacking) == (0, 0, 0)
    assert len(store.marks(UID_TEXT)) == 2


def test_a_wiped_board_whose_boots_go_on_starts_a_second_log(store, path):
    board, _ = linked(BoardDouble(log(80, boot=2), boot=2))
    board.pull(store)
    renewed = BoardDouble(log(50, boot=3), boot=3)
    board, _ = linked(renewed)
    assert board.pull(store).pages == 50
    assert len(stored(path)) == 130
    assert store.missing(UID_TEXT, 0, 50) == []
    # Later the new log reaches numbers the old one had: they are other pages.
    renewed.unsealed = log(45, boot=4, first=50)
    assert board.pull(store).pages == 45
    assert {(4, n) for n in range(50, 95)} <= set(stored(path))


def test_a_wiped_board_whose_boots_begin_anew_is_refused(store, path):
    board, _ = linked(BoardDouble(log(10)))
    board.pull(store)
    before = stored(path)
    board, _ = linked(BoardDouble(log(4, seed=1)))
    with pytest.raises(StoreError, match="page 0 of boot 1 that differs from the one in the store"):
        board.pull(store)
    assert stored(path) == before


def test_a_wiped_board_is_noticed_where_only_the_newer_numbers_meet(store):
    board, _ = linked(BoardDouble(log(10, first=20)))
    board.pull(store)
    board, _ = linked(BoardDouble(log(25, seed=1)))
    with pytest.raises(StoreError, match="page 24 of boot 1 that differs"):
        board.pull(store)


def test_records_reach_the_store_decoded(store):
    double = BoardDouble({0: page(0, 1, 0, [(10, 3, 1, 1), (20, records.GATE, b"\1\0\0")])})
    board, _ = linked(double)
    board.pull(store)
    assert store.crossings(UID_TEXT).channel.tolist() == [3]
    assert [event.tag for event in store.events(UID_TEXT)] == [records.GATE]


def test_records_of_a_later_board_are_carried_and_kept(store):
    later = [(10, 0x55, b"new"), (20, 3, 1, 1), (30, 0x7F, b""), (40, records.GATE, b"\1\0\0more")]
    double = BoardDouble({0: page(0, 1, 0, later)})
    board, _ = linked(double)
    board.pull(store)
    kept = [(event.device_ms, event.tag, event.payload) for event in store.events(UID_TEXT)]
    assert kept == [(10, 0x55, b"new"), (30, 0x7F, b""), (40, records.GATE, b"\1\0\0more")]
    assert store.crossings(UID_TEXT).channel.tolist() == [3]
    assert store.losses(UID_TEXT).unreadable_pages == 0


def test_lost_pages_are_asked_for_again_and_no_others():
    double = BoardDouble(log(100))
    board, _ = linked(double)
    losing = {5, 6, 40, 99}
    answer = double.answer_to

    def losing_some(data):
        frames = []
        for frame in answer(data):
            kind, _, _, told = messages.split(framing.Decoder().received(frame)[0])
            number = messages.unpack_number(told) if kind == messages.PAGE else None
            if number in losing:
                losing.remove(number)
            else:
                frames.append(frame)
        return frames

    double.answer_to = losing_some
    got = {}
    for fetched in board.fetch(range(at, min(at + 32, 100)) for at in range(0, 100, 32)):
        assert fetched.complete is (fetched.asked.start == 64)
        got.update(fetched.pages)
    assert sorted(set(range(100)) - set(got)) == [5, 6, 40, 99]
    double.sent.clear()
    for fetched in board.fetch([range(5, 7), range(40, 41), range(99, 100)]):
        assert fetched.complete and not fetched.absent
        got.update(fetched.pages)
    assert double.sent == [5, 6, 40, 99] and got == double.pages


def test_four_fetches_are_under_way_at_once():
    double = BoardDouble(log(300))
    board, _ = linked(double)
    ahead = []
    for fetched in board.fetch(range(at, at + 32) for at in range(0, 288, 32)):
        asked = double.asked.count(messages.FETCH)
        ahead.append(asked - fetched.asked.start // 32)
    assert ahead == [4, 4, 4, 4, 4, 4, 3, 2, 1]
    assert board.health.unasked == board.health.unanswered == 0


def test_a_fetch_whose_answer_is_lost_does_not_wait_for_silence():
    double = BoardDouble(log(96))
    board, line = linked(double)
    answer = double.answer_to
    lost = []

    def losing_an_answer(data):
        frames = answer(data)
        if not lost and len(frames) > 1:
            lost.append(frames.pop())
        return frames

    double.answer_to = losing_an_answer
    began = line.time.s
    first, second, third = board.fetch([range(32), range(32, 64), range(64, 96)])
    assert len(first.pages) == 32 and not first.complete
    assert second.complete and third.complete
    assert line.time.s - began < 0.5


def test_pages_that_came_before_a_cut_are_kept(store, path):
    double = BoardDouble(log(96))
    board, line = linked(double)
    half = sum(len(raw) + 20 for number, raw in double.pages.items() if number < 40)
    line.life = half
    with pytest.raises(LinkLost):
        board.pull(store)
    assert {number for _, number in stored(path)} >= set(range(30))


def test_the_store_keeps_who_the_board_was(store):
    board, _ = linked(BoardDouble(log(2)))
    board.pull(store)
    store.add_board(board.hello, "name = 'demo'")
    board.pull(store)  # knows no dial file, and must not forget the one given
    [known] = store.boards()
    assert (known.uid, known.dial_hash, known.pages) == (UID_TEXT, DIAL_HASH.hex(), 2)
    assert known.dial_toml == "name = 'demo'"


def test_a_line_that_takes_nothing_is_told_as_that(monkeypatch):
    monkeypatch.setattr("dialbench.link.transport._SEND_S", 0.2)
    master, slave = os.openpty()
    try:
        tty.setraw(slave)
        line = open_line(os.ttyname(slave))
        with pytest.raises(LinkLost, match="takes nothing of what is sent"):
            for _ in range(100):
                line.send(bytes(1000))
        line.close()
    finally:
        os.close(slave)
        os.close(master)
