"""Live looks on the bench: scan and shaft together, dropped by count, and never in the way."""

from benchboard import BenchBoard, scratch, wipe
from dialcore import messages, records
from dialnode.as5600 import As5600
from dialnode.node import Node
from dialnode.trace import Trace
from test_sweep import FITTED, MAGNET, WEAK, Bus, heap_lock, heap_unlock

STEP_MS = 1000
TURNED = {"sweep": {"encoder": "as5600"}}


def traced(board):
    return [messages.unpack_traced(a[2]) for a in board.answers() if a[0] == messages.TRACED]


def asked(name, period_ms, config=TURNED, channels=4):
    board = BenchBoard(scratch(name), channels=channels, config=config)
    board.ask(messages.TRACE, bytes((period_ms & 255, period_ms >> 8)))
    node = Node(board)
    while board.heard:
        node._serve.step()
    return board, node


def lit(board, count):
    for k in range(1, count + 1):
        board.light(k * STEP_MS, 40000, 2000, (0.0, 0.25, 1.0, k / 100))


def run(board, node):
    board.running = True
    node.run()
    return traced(board)


def test_levels_come_with_the_angle_of_their_scan():
    board, node = asked("trace-angle", 1)
    board.encoder_says = lambda now: FITTED | MAGNET | now // STEP_MS
    lit(board, 6)
    found = run(board, node)
    assert [one[1] for one in found] == [k * STEP_MS for k in range(1, 7)]
    for boot, at, gate, channels, dropped, angle, state, levels in found:
        assert (boot, gate, channels, dropped, state) == (1, 1, 4, 0, 0)
        assert angle == 16 * (at // STEP_MS)
        want = (0, 256, 1024, 1024 * at / 100000)
        assert max(abs(levels[i] - want[i]) for i in range(4)) <= 2
    wipe("scratch-trace-angle")


def test_a_period_is_kept_and_nought_ends_it():
    board, node = asked("trace-period", 3000)
    board.encoder_says = lambda now: FITTED | MAGNET | 7
    lit(board, 9)
    assert [one[1] for one in run(board, node)] == [1000, 4000, 7000]
    board.ask(messages.TRACE, b"\0\0")
    board.scans = [(at + 10000, counts) for at, counts in board.scans]
    for k in range(20, 26):
        board.light(k * STEP_MS, 40000, 2000, [0.0] * 4)
    while board.heard:
        node._serve.step()
    assert run(board, node) == []
    wipe("scratch-trace-period")


def test_the_shaft_is_told_as_it_is():
    words = (0, FITTED, FITTED | MAGNET | WEAK, FITTED | MAGNET)
    board, node = asked("trace-state", 1)
    board.encoder_says = lambda now: words[now // STEP_MS - 1]
    lit(board, 4)
    states = [one[6] for one in run(board, node)]
    assert states == [records.SILENT, records.NO_MAGNET, records.WEAK, 0]
    wipe("scratch-trace-state")
    board, node = asked("trace-none", 1, config=None)
    lit(board, 2)
    assert [one[6] for one in run(board, node)] == [records.UNTURNED] * 2
    wipe("scratch-trace-none")


def test_out_of_light_looks_go_on_and_say_so():
    board, node = asked("trace-dark", 1)
    board.encoder_says = lambda now: FITTED | MAGNET | 1
    for k in range(1, 4):
        board.light(k * STEP_MS, 0, 2000, [0.0] * 4)
    assert [one[2] for one in run(board, node)] == [0, 0, 0]
    wipe("scratch-trace-dark")


def test_a_slow_reader_loses_looks_by_count():
    board, node = asked("trace-slow", 1)
    board.encoder_says = lambda now: FITTED | MAGNET | now // STEP_MS
    board.room = 0
    lit(board, 30)
    while board.scans:
        node._scan.take()
        node._trace.take()
        node._serve.step()
    board.room = 1 << 20
    board.light(40 * STEP_MS, 40000, 2000, [1.0] * 4)
    found = run(board, node)
    # The first waits in the line; all others have given way but the last.
    assert [one[1] for one in found] == [1000, 40000]
    assert found[-1][4] == 29
    wipe("scratch-trace-slow")


def test_a_new_session_a_bye_and_a_release_end_it():
    for kind in (messages.BYE, messages.RELEASE):
        board, node = asked("trace-ends", 1)
        board.ask(kind)
        while board.heard:
            node._serve.step()
        board.said = b""
        lit(board, 3)
        while board.scans:
            node._scan.take()
            node._trace.take()
            node._serve.step()
        assert traced(board) == []
        wipe("scratch-trace-ends")
    board, node = asked("trace-anew", 1)
    board.ask(messages.HELLO, messages.pack_ask_hello(9, True), session=9)
    lit(board, 3)
    assert run(board, node) == []
    wipe("scratch-trace-anew")


def test_what_cannot_be_traced_is_refused():
    board = BenchBoard(scratch("trace-bad"), config={"scan_ms": True})
    board.ask(messages.TRACE, b"\x01\0", 3)
    board.ask(messages.TRACE, b"\x01", 4)
    Node(board).run()
    answers = board.answers()
    assert [a[:2] for a in answers] == [(messages.REFUSED, 3), (messages.REFUSED, 4)]
    assert b"does not scan" in answers[0][2] and b"period" in answers[1][2]
    wipe("scratch-trace-bad")


def test_times_stay_right_as_the_epoch_moves():
    board, node = asked("trace-days", 1000)
    board.encoder_says = lambda now: FITTED | MAGNET | 1
    day = 86400000
    for k in range(1, 6):
        board.light(k * day, 40000, 2000, [0.0] * 4)
    assert [one[1] for one in run(board, node)] == [k * day for k in range(1, 6)]
    wipe("scratch-trace-days")


class Still:
    """A clock that the test moves on."""

    def __init__(self):
        self.epoch_ms = 0
        self.offset_ms = 0

    def tick(self):
        return self.offset_ms


def test_a_look_allocates_nothing():
    board, node = asked("trace-heap", 1)
    clock = Still()
    trace = Trace(clock, node._scan, As5600(Bus()))
    board.light(0, 40000, 2000, (0.0, 0.25, 1.0, 0.5))
    assert node._scan.take()
    trace.begin(1)
    trace.take()
    heap_lock()
    try:
        for _ in range(100):
            clock.offset_ms += 1
            trace.take()
    finally:
        heap_unlock()
    # The hundredth look still waits.
    assert messages.unpack_traced(trace.taken(1))[4] == 100
    wipe("scratch-trace-heap")
