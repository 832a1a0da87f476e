"""What boards with multiplexers do alike: each channel at its place, scans in time."""

from dialcore import wiring
from dialcore.crossing import FIRST
from reader import SHADE, SKY, Reader, count_at, counts_of

try:
    import micropython

    heap_lock = micropython.heap_lock
    heap_unlock = micropython.heap_unlock
except (ImportError, AttributeError):  # CPython has no heap to lock: only the result is checked

    def heap_lock():
        pass

    heap_unlock = heap_lock


def test_every_channel_is_read_at_its_place_and_nothing_is_allocated():
    for channels in (1, 15, 16, 17, 100, 128):
        board = Reader()
        counts = counts_of(channels)
        heap_lock()
        done = board.scan(counts)
        heap_unlock()
        assert done and list(counts[:FIRST]) == [SKY, SHADE]
        assert list(counts[FIRST:]) == [count_at(c) for c in range(channels)]
        assert board.waited_us == channels * board.settle_us


def test_scans_come_in_their_period_and_one_that_was_missed_is_gone():
    board = Reader(500)
    counts = counts_of(4)
    taken = []
    for now in (0, 1, 499, 500, 999, 1003, 1499, 1500, 1520, 4100, 4101, 4599, 4600):
        board.now = now
        if board.scan(counts):
            taken.append(now)
    assert taken == [0, 500, 1003, 1500, 4100, 4600]
    assert board.fed == len(taken)


def test_scans_go_on_as_the_counter_wraps():
    board = Reader(500)
    board._due = board._supply_due = 0x3FFFFFFF - 100
    counts = counts_of(4)
    taken = []
    for since in (0, 400, 500, 900, 1000):
        board.now = 0x3FFFFFFF - 100 + since & 0x3FFFFFFF
        if board.scan(counts):
            taken.append(since)
    assert taken == [0, 500, 1000]


def test_a_weak_supply_is_seen_and_must_be_well_to_count_as_such():
    board = Reader(1000)
    counts = counts_of(1)
    told = []
    for mv in (4200, 2600, 2450, 2600, 2699, 2750):
        board.supply = (65535 * mv + 9899) // 9900
        board.scan(counts)
        told.append(board.weak)
        assert abs(board.supply_mv() - mv) <= 1
        board.now += 1000
    assert told == [False, False, True, True, True, False]


def test_a_probe_sees_any_place():
    board = Reader()
    assert board.probe(-1, 3, 5) == count_at(3 * 16 + 5)
    for leaf in range(16):
        assert board.probe(9, 8, leaf) == wiring.tap_counts(leaf + 1)
    for root in range(9, 16):
        assert board.probe(-1, root, 0) == wiring.tap_counts(2 * (root - 8))
