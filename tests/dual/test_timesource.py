"""Clock chip, tick and satellite receiver: what they say reaches the log, known to how much."""

import time

from benchboard import BenchBoard, scratch, wipe
from dialcore import records
from dialnode import utc
from dialnode.clock import Clock
from dialnode.ds3231 import Ds3231
from dialnode.nmea import Sentences
from dialnode.node import Node

try:
    import micropython

    heap_lock = micropython.heap_lock
    heap_unlock = micropython.heap_unlock
except (ImportError, AttributeError):

    def heap_lock():
        pass

    heap_unlock = heap_lock

START_MS = 1804067200000  # 2027-03-03T09:46:40Z
DAY = 86400000


class Told:
    """Takes the place of a log: keeps what is recorded."""

    def __init__(self):
        self.kept = []
        self.safe = True

    def seal(self):
        return self.safe

    def record(self, tag, payload):
        self.kept.append((tag, bytes(payload)))

    def readings(self):
        return [records.unpack_rtc(p) for tag, p in self.kept if tag == records.RTC]

    def faults(self):
        return [records.unpack_rtc_fault(p) for tag, p in self.kept if tag == records.RTC_FAULT]


def board_with(config, start_ms=0, chip=None):
    folder = scratch("clocks")
    board = BenchBoard(folder, config=config, start_ms=start_ms)
    board.chip = chip
    node = Node(board)
    told = Told()
    for source in node._sources:
        source._log = told
    return board, node, told


def live(board, node, until_ms, step_ms, idle_ms=0):
    """Steps as the node takes them between scans, step_ms apart, idle_ms when none listens."""
    while board.now < until_ms:
        board.now += step_ms if node._sources[0].listening else max(step_ms, idle_ms)
        for source in node._sources:
            source.step()
        shift = node._clock.rebase()
        if shift:
            for source in node._sources:
                source.rebase(shift)


def steady(now):
    """A chip 437 ms past a second at the board's zero, that runs as the board does."""
    return START_MS + 437 + now


def test_dates_are_those_of_the_calendar():
    for year in (2000, 2001, 2004, 2027, 2038, 2099, 2100, 2104, 2199):
        for month, day in ((1, 1), (2, 28), (3, 1), (12, 31)):
            found = utc.seconds(year, month, day, 23, 59, 58)
            assert time.gmtime(found)[:6] == (year, month, day, 23, 59, 58)
    assert utc.seconds(2028, 2, 29, 0, 0, 0) - utc.seconds(2028, 2, 28, 0, 0, 0) == 86400


def test_what_no_calendar_has_is_refused():
    wrong = (
        (1999, 12, 31, 0, 0, 0),
        (2027, 2, 29, 0, 0, 0),
        (2100, 2, 29, 0, 0, 0),
        (2027, 0, 1, 0, 0, 0),
        (2027, 13, 1, 0, 0, 0),
        (2027, 4, 31, 0, 0, 0),
        (2027, 4, 0, 0, 0, 0),
        (2027, 4, 1, 24, 0, 0),
        (2027, 4, 1, 0, 60, 0),
        (2027, 4, 1, 0, 0, 61),
    )
    refused = 0
    for date in wrong:
        try:
            utc.seconds(*date)
        except ValueError:
            refused += 1
    assert refused == len(wrong)


def test_the_chip_is_read_at_the_seconds_edge():
    board, node, told = board_with({"rtc": "ds3231"}, chip=steady)
    live(board, node, 3000, 20)
    assert len(told.readings()) == 1
    device_ms, utc_us, sigma_us, source = told.readings()[0]
    error_us = utc_us - 1000 * steady(device_ms)
    assert utc_us % 1000000 == 0 and source == records.CHIP
    assert abs(error_us) <= 10000 and 5000 < sigma_us < 7000
    wipe("scratch-clocks")


def test_slow_looks_are_told_as_less_sure():
    board, node, told = board_with({"rtc": "ds3231"}, chip=steady)
    live(board, node, 12000, 300)
    assert len(told.readings()) == 1
    device_ms, utc_us, sigma_us, _source = told.readings()[0]
    assert 5000 <= device_ms < 7000  # it hoped for a better look first
    assert abs(utc_us - 1000 * steady(device_ms)) <= 150000 and 80000 < sigma_us < 90000
    wipe("scratch-clocks")


def test_with_its_tick_the_chip_is_known_to_the_millisecond():
    board, node, told = board_with({"rtc": "ds3231", "tick": "rtc"}, chip=steady)
    live(board, node, 3000, 300)
    device_ms, utc_us, sigma_us, _source = told.readings()[0]
    assert utc_us == 1000 * steady(device_ms) and sigma_us == 1000
    wipe("scratch-clocks")


def test_a_tick_that_does_not_come_is_done_without():
    board, node, told = board_with({"rtc": "ds3231", "tick": "rtc"}, chip=steady)
    board.seconds_wired = False
    live(board, node, 8000, 20)
    assert len(told.readings()) == 1 and told.readings()[0][2] > 5000
    wipe("scratch-clocks")


def test_a_bus_that_holds_things_up_makes_no_reading_wrong():
    for tick in (None, "rtc"):
        for bus_ms in (100, 450, 700, 850, 999, 1300, 2700):
            board, node, told = board_with(
                {"rtc": "ds3231", "tick": tick, "rtc_s": 60}, chip=steady
            )
            board.bus_ms = bus_ms
            live(board, node, 400000, 20)
            for device_ms, utc_us, sigma_us, _source in told.readings():
                assert abs(utc_us - 1000 * steady(device_ms)) <= 2 * sigma_us, (tick, bus_ms)
            assert told.readings() or bus_ms > 300
            wipe("scratch-clocks")


def test_it_is_read_at_boot_and_when_due_for_days_across_wraps_of_the_counter():
    start = (1 << 30) - 2 * DAY
    board, node, told = board_with(
        {"rtc": "ds3231", "tick": "rtc", "rtc_s": 86400},
        start_ms=start,
        chip=lambda now: steady(now - start),
    )
    days = 30  # the counter wraps after 12.4
    live(board, node, start + days * DAY, 500, 20011)
    assert days <= len(told.readings()) <= days + 1
    for device_ms, utc_us, _sigma, _source in told.readings():
        assert utc_us == 1000 * steady(device_ms)
    wipe("scratch-clocks")


def test_between_readings_the_bus_is_left_alone():
    board, node, told = board_with({"rtc": "ds3231"}, chip=steady)
    live(board, node, 3000, 20)
    before = board.bus_reads
    live(board, node, 3600000, 1000)
    assert board.bus_reads == before and len(told.readings()) == 1
    wipe("scratch-clocks")


def test_a_step_in_which_nothing_is_due_allocates_nothing():
    board, node, told = board_with({"rtc": "ds3231"}, chip=steady)
    live(board, node, 3000, 20)
    step = node._sources[0].step
    heap_lock()
    try:
        i = 0
        while i < 100:
            step()
            i += 1
    finally:
        heap_unlock()
    assert len(told.readings()) == 1
    wipe("scratch-clocks")


def test_one_step_looks_at_the_bus_a_few_times_at_most():
    board, node, told = board_with({"rtc": "ds3231"}, chip=steady)
    worst = 0
    for _ in range(200):
        board.now += 20
        before = board.bus_reads
        node._sources[0].step()
        worst = max(worst, board.bus_reads - before)
    assert len(told.readings()) == 1 and worst <= 3
    wipe("scratch-clocks")


def test_an_absent_chip_is_a_fault_written_once():
    board, node, told = board_with({"rtc": "ds3231", "rtc_s": 3600})
    live(board, node, DAY, 10000)
    assert told.faults() == [(records.CHIP_ABSENT, records.CHIP)]
    board.chip = steady
    live(board, node, DAY + 3700000, 20)
    assert told.readings()
    wipe("scratch-clocks")


def test_a_chip_that_stood_still_says_so_once_and_is_read():
    board, node, told = board_with({"rtc": "ds3231", "rtc_s": 3600}, chip=steady)
    board.stood_still = True
    live(board, node, 8000000, 20, 997)
    assert [tag for tag, _payload in told.kept] == [records.RTC_FAULT] + [records.RTC] * 3
    assert told.faults() == [(records.CHIP_STOPPED, records.CHIP)]
    wipe("scratch-clocks")


def test_a_chip_keeps_its_note_of_a_stop_until_the_log_is_safe():
    board, node, told = board_with({"rtc": "ds3231", "rtc_s": 3600}, chip=steady)
    board.stood_still = True
    told.safe = False
    live(board, node, 5000, 20)
    assert told.faults() and Ds3231(board).stopped()
    told.safe = True  # what was told and not kept is told again
    live(board, node, 3700000, 20, 997)
    assert len(told.faults()) == 2 and not Ds3231(board).stopped()
    wipe("scratch-clocks")


def test_a_date_that_is_none_is_a_fault():
    board, node, told = board_with({"rtc": "ds3231"}, chip=steady)
    show = board.registers.show

    def odd(*facts):
        show(*facts)
        board.registers.write(0x68, 4, b"\x3f")

    board.registers.show = odd
    live(board, node, 3000, 20)
    assert told.faults() == [(records.CHIP_NONSENSE, records.CHIP)] and not told.readings()
    wipe("scratch-clocks")


def test_a_chip_that_counts_to_twelve_is_understood():
    board, _node, _told = board_with({}, chip=steady)
    chip = Ds3231(board)
    shown = chip.utc_s()
    board.registers.show = lambda *facts: None
    hours = []
    for byte in (0x52, 0x41, 0x51, 0x72, 0x61, 0x71):  # 12, 1, 11 am; 12, 1, 11 pm
        board.registers.write(0x68, 2, bytes((byte,)))
        hours.append(chip.utc_s() // 3600 % 24)
    assert hours == [0, 1, 11, 12, 13, 23] and shown // 3600 % 24 == 9
    wipe("scratch-clocks")


def rmc(time_text, date_text, valid=b"A", sum_off=0):
    body = b"GPRMC," + time_text + b"," + valid + b",5230.00,N,01322.00,E,0.0,0.0,"
    body += date_text + b",,"
    check = sum_off
    for byte in body:
        check ^= byte
    return b"$" + body + b"*%02X\r\n" % check


def heard(data):
    sentences = Sentences()
    found = [told for told in [sentences.heard(byte) for byte in data] if told is not None]
    return found, sentences.bad


def test_rmc_tells_utc():
    at = utc.seconds(2027, 3, 3, 13, 46, 40)
    assert heard(rmc(b"134640.00", b"030327")) == ([(at, 0)], 0)
    assert heard(rmc(b"134640.250", b"030327")) == ([(at, 250)], 0)
    assert heard(rmc(b"134640", b"030327")) == ([(at, 0)], 0)


def test_what_is_no_good_sentence_tells_nothing():
    assert heard(rmc(b"134640.00", b"030327", valid=b"V")) == ([], 0)
    assert heard(rmc(b"134640.00", b"030327", sum_off=1)) == ([], 1)
    assert heard(rmc(b"134640.00", b"320327")) == ([], 1)
    assert heard(rmc(b"994640.00", b"030327")) == ([], 1)
    assert heard(rmc(b"1346x0.00", b"030327")) == ([], 1)
    assert heard(b"$GPGGA,1,2*00\r\n") == ([], 1)
    assert heard(b"$" + b"x" * 500 + b"\n") == ([], 1)
    assert heard(bytes(range(256)) * 3 + rmc(b"134640.00", b"030327"))[0]
    assert heard(b"$GPRMC,134640.0" + rmc(b"134640.00", b"030327"))[0]


def test_a_receiver_is_read_at_boot_and_when_due_with_its_latency():
    config = {"nmea": {"latency_ms": 120, "sigma_ms": 40}, "rtc_s": 60}
    board, node, told = board_with(config)
    for second in range(70):
        board.now = 1000 * second + 120
        node._sources[0].step()
        board.now += 20
        board.sky_says = rmc(b"1346%02d.00" % (second % 60), b"030327")
        for _ in range(4):
            node._sources[0].step()
    assert len(told.readings()) == 2
    at = 1000000 * utc.seconds(2027, 3, 3, 13, 46, 0)
    # It began in the middle of 20 ms, give or take their 20 / sqrt(12).
    assert told.readings()[0] == (10, at, 40000 + 20 * 289, records.SATELLITES)
    wipe("scratch-clocks")


def test_with_its_pulse_a_receiver_is_known_to_the_millisecond():
    config = {"nmea": {"latency_ms": 120, "sigma_ms": 40}, "tick": "nmea"}
    board, node, told = board_with(config, chip=lambda now: now + 1000)
    board.now = 5090
    node._sources[0].step()
    board.now = 5130
    board.sky_says = rmc(b"134645.00", b"030327")
    for _ in range(4):
        node._sources[0].step()
    at = 1000000 * utc.seconds(2027, 3, 3, 13, 46, 45)
    assert told.readings() == [(5000, at, 1000, records.SATELLITES)]
    wipe("scratch-clocks")


def test_a_sentence_that_waited_is_told_as_less_sure_and_takes_no_later_pulse():
    config = {"nmea": {"latency_ms": 120, "sigma_ms": 40}, "tick": "nmea"}
    board, node, told = board_with(config, chip=lambda now: now + 1000)
    board.now = 4110
    node._sources[0].step()
    board.sky_says = rmc(b"134644.00", b"030327")  # at 4120; then the board is held up
    board.now = 5130
    for _ in range(4):
        node._sources[0].step()
    at = 1000000 * utc.seconds(2027, 3, 3, 13, 46, 44)
    device_ms, utc_us, sigma_us, _source = told.readings()[0]
    assert utc_us == at and abs(device_ms - 4000) < 1020 // 2 + 1
    assert sigma_us == 40000 + 1020 * 289
    wipe("scratch-clocks")


def test_what_a_configuration_may_say_of_clocks():
    for config, word in (
        ({"rtc": "ds1307"}, "rtc"),
        ({"tick": "rtc"}, "tick"),
        ({"tick": "gps", "rtc": "ds3231"}, "tick"),
        ({"nmea": True}, "nmea"),
        ({"nmea": {"latency_ms": 100}}, "sigma_ms"),
        ({"rtc": "ds3231", "rtc_s": 5}, "rtc_s"),
    ):
        folder = scratch("clocks")
        node = Node(BenchBoard(folder, config=config))
        assert node._scan is None and word in node._serve._trouble, config
        wipe(folder)


class Counter:
    """A board's ticks counter alone: milliseconds modulo 2**30."""

    now = 0

    def ticks_ms(self):
        return self.now & 0x3FFFFFFF

    def ticks_diff(self, later, earlier):
        return (later - earlier + 0x20000000 & 0x3FFFFFFF) - 0x20000000


def test_milliseconds_run_on_over_a_year_of_wraps():
    board = Counter()
    board.now = start = 123456789
    clock = Clock(board)
    wraps = 0
    while wraps < 30:  # a year and a week
        before = board.ticks_ms()
        board.now += 6500000 + board.now % 7919
        wraps += board.ticks_ms() < before
        assert clock.now_ms() == board.now - start
        assert clock.offset_of(board.ticks_ms() - 1234 & 0x3FFFFFFF) == clock.offset_ms - 1234
        clock.rebase()
        assert 0 <= clock.offset_ms < 1 << 28
    assert clock.now_ms() > 366 * DAY
