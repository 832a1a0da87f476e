"""The bench's sweep: encoder and levels into the log, and nothing that was not measured."""

from benchboard import BenchBoard, scratch
from dialcore import records
from dialnode import config
from dialnode.as5600 import As5600
from dialnode.board_virtual import EncoderRegisters
from dialnode.config import Config
from dialnode.node import Node
from dialnode.scan import Scan
from dialnode.sweep import Sweep

try:
    import micropython

    heap_lock = micropython.heap_lock
    heap_unlock = micropython.heap_unlock
except (ImportError, AttributeError):  # CPython has no heap to lock: only the result is checked

    def heap_lock():
        pass

    heap_unlock = heap_lock

FITTED, MAGNET, WEAK, STRONG = 0x8000, 0x1000, 0x2000, 0x4000
STEP_MS = 1000


def board_with(name, **changed):
    return BenchBoard(scratch(name), config=dict({"sweep": {"encoder": "as5600"}}, **changed))


def swept(board):
    """SWEEP records of the run: (device_ms, angle, state, first, levels)."""
    Node(board).run()
    found = []
    for page in pages(board):
        for record in records.records(page):
            if record[0] == records.SWEEP:
                found.append((record[1],) + records.unpack_sweep(record[2]))
    return found


def pages(board):
    storage = board.storage("files", 65536)
    return [storage.read(number) for number in range(storage.first, storage.next)]


def lit(board, count, first=0):
    for k in range(first, first + count):
        board.light(k * STEP_MS, 40000, 2000, (0.0, 0.25, 1.0, k / 100))
    # One more, so late that everything before it is stored.
    board.light((first + count + 700) * STEP_MS, 0, 2000, (0.0, 0.0, 0.0, 0.0))


def test_levels_are_logged_with_the_angle_when_the_shaft_has_turned():
    board = board_with("sweep-turned")
    counts = (100, 100, 101, 104, 104, 4095, 0, 0)
    board.encoder_says = lambda now: FITTED | MAGNET | counts[min(now // STEP_MS, len(counts) - 1)]
    lit(board, len(counts))
    found = swept(board)
    assert [one[1] for one in found] == [16 * c for c in (100, 101, 104, 4095, 0)]
    assert [one[0] for one in found] == [0, 2000, 3000, 5000, 6000]
    for at, _, state, first, levels in found:
        assert (state, first, len(levels)) == (0, 0, 4)
        want = (0, 256, 1024, 1024 * at / 100000)
        assert max(abs(levels[i] - want[i]) for i in range(4)) <= 2


def test_a_step_that_is_asked_for_counts_both_ways_and_over_the_zero():
    board = board_with("sweep-step", sweep={"encoder": "as5600", "step": 10})
    counts = (5, 14, 15, 6, 5, 4092, 4091)
    board.encoder_says = lambda now: FITTED | MAGNET | counts[min(now // STEP_MS, len(counts) - 1)]
    lit(board, len(counts))
    assert [one[1] // 16 for one in swept(board)] == [5, 15, 5, 4091]


def test_the_magnet_is_told_as_the_encoder_tells_it():
    board = board_with("sweep-magnet")
    words = (MAGNET, MAGNET | WEAK | 5, MAGNET | STRONG | 10, 20)
    board.encoder_says = lambda now: FITTED | words[min(now // STEP_MS, len(words) - 1)]
    lit(board, len(words))
    states = [one[2] for one in swept(board)]
    assert states == [0, records.WEAK, records.STRONG, records.NO_MAGNET]


def test_an_encoder_that_does_not_answer_is_told_once_until_it_does():
    board = board_with("sweep-silent")
    board.encoder_says = lambda now: (
        FITTED | MAGNET | now // STEP_MS if 3 <= now // STEP_MS < 5 else 0
    )
    lit(board, 8)
    found = swept(board)
    assert [one[2] for one in found] == [records.SILENT, 0, 0, records.SILENT]
    assert found[0][4] == ()


def test_without_an_encoder_the_levels_come_at_their_times():
    board = board_with("sweep-sun", sweep={"every_ms": 3000})
    lit(board, 10)
    found = swept(board)
    assert [one[0] for one in found] == [0, 3000, 6000, 9000]
    assert [one[2] for one in found] == [records.UNTURNED] * 4


def test_more_channels_than_a_record_holds_take_several():
    board = BenchBoard(scratch("sweep-wide"), channels=128, config={"sweep": {"encoder": "as5600"}})
    board.encoder_says = lambda now: FITTED | MAGNET | 77
    board.light(0, 40000, 0, [k / 128 for k in range(128)])
    board.light(700 * STEP_MS, 0, 0, [0.0] * 128)
    found = swept(board)
    assert [(one[3], len(one[4])) for one in found] == [(0, 58), (58, 58), (116, 12)]
    levels = found[0][4] + found[1][4] + found[2][4]
    assert max(abs(levels[k] - 8 * k) for k in range(128)) <= 1


def test_a_board_that_is_not_told_to_sweep_does_not():
    board = BenchBoard(scratch("sweep-none"))
    lit(board, 5)
    assert swept(board) == []


def test_what_is_asked_of_a_sweep_is_checked():
    for wrong, word in (
        ([], "sweep"),
        ({"encoder": "as5047"}, "encoder"),
        ({"encoder": "as5600", "step": 0}, "step"),
        ({"every_ms": "often"}, "every_ms"),
    ):
        told = BenchBoard(scratch("sweep-config"), config={"sweep": wrong})
        found, why = config.load(told.config_path)
        assert found is None and word in why, why
    plain = BenchBoard(scratch("sweep-config"))
    assert config.load(plain.config_path)[0].sweep is False


class Log:
    """Takes records and keeps how many, allocating nothing."""

    def __init__(self):
        self.count = 0
        self._page = records.PageWriter()
        self._page.start(0)

    def crossing(self, channel, threshold, rise, offset_ms):
        self.count += 1

    def record(self, tag, payload, size=-1):
        if not self._page.record(tag, 0, payload, size):
            self._page.start(0)
        self.count += 1


class Still:
    """A clock for a test that turns no time."""

    offset_ms = 0

    def tick(self):
        return 0


class Bus:
    """An encoder that turns by a count at each reading."""

    def __init__(self):
        self._encoder = EncoderRegisters()
        self._at = 0

    def i2c_read(self, address, register, buffer):
        if register == 0x0C:
            self._at += 1
        self._encoder.show(FITTED | MAGNET | self._at)
        self._encoder.read(register, buffer)


def test_a_sweep_allocates_nothing():
    board = board_with("sweep-heap")
    facts = {
        "dial_hash": "00112233445566ff",
        "scan_ms": 1000,
        "commit_s": 600,
        "log_bytes": 65536,
        "dark": [100] * 4,
        "scale": [1024] * 4,
        "sky_dark": 50,
        "shade_dark": 50,
        "shade_q10": 1280,
        "gate_on": 6100,
        "gate_off": 5900,
    }
    log = Log()
    scan = Scan(board, Still(), log, Config(facts))
    board.light(0, 40000, 2000, (0.0, 0.25, 1.0, 0.5))
    assert scan.take()
    sweep = Sweep(Still(), log, scan, As5600(Bus()), As5600.STEP, 1000)
    sweep.take()
    before = log.count
    heap_lock()
    try:
        for _ in range(100):
            sweep.take()
    finally:
        heap_unlock()
    assert log.count == before + 100
